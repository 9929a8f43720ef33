"""The built page by itself: its size, its addresses, and whether its types are those of the server."""

from __future__ import annotations

import gzip
import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STATIC = ROOT / "src" / "icewright" / "bench" / "static"


@pytest.fixture(scope="module")
def build():
    spec = importlib.util.spec_from_file_location("page_build", ROOT / "page" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def built() -> list[Path]:
    if not (STATIC / "index.html").is_file():
        pytest.fail("The page is not built. Build it: make page")
    return [p for p in STATIC.rglob("*") if p.is_file() and not p.name.startswith(".")]


def test_bundle_is_under_one_megabyte_compressed():
    assert sum(len(gzip.compress(p.read_bytes(), 6)) for p in built()) < 1_000_000


def test_page_names_no_other_machine():
    """Every src, href, import and url() is beside the page; namespaces and licence texts are no requests."""
    for path in built():
        text = path.read_text(encoding="utf-8")
        for address in re.findall(r"""(?:src=|href=|from|import|url\()\s*["'(]?(https?:)?//[^"')]+""", text):
            pytest.fail(f"{path.name}: {address}")


def test_types_are_those_of_the_server(build):
    """`python page/build.py --shapes` has been run since the server's shapes last changed."""
    first = build.SHAPES.read_text(encoding="utf-8").splitlines(keepends=True)[0]
    assert first == build.shapes_line(build.shapes_json())


def test_lock_file_names_no_registry():
    assert '"resolved"' not in (ROOT / "page" / "package-lock.json").read_text(encoding="utf-8")
