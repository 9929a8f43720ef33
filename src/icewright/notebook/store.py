"""The run folder: where each file lies, who may write, and how a run says what it is and how it ended.

``recipe.toml`` (the full recipe), ``run.json`` (version, machine, sources, status in words),
``series.csv``, ``frames.zarr/``, ``checkpoint/``, ``summary.json``, ``pictures/`` and the solid's meshes.
One process writes at a time: the lock is held by the system and falls with the process, so ``kill -9``
leaves none behind.
"""

from __future__ import annotations

import contextlib
import os
import platform
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Any

from icewright.notebook.files import StoreError, guard, read_json, write_atomic, write_json

RUN_KIND = "icewright.run"
SUMMARY_KIND = "icewright.summary"
SCHEMA = 1
_OURS = ("run.json", "series.csv", "frames.zarr", "checkpoint", "summary.json")


class RunFolder:
    """Paths and small records of one run; ``create`` and ``lock`` are for the one writer."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.recipe = path / "recipe.toml"
        self.run = path / "run.json"
        self.series = path / "series.csv"
        self.frames = path / "frames.zarr"
        self.checkpoint = path / "checkpoint"
        self.summary = path / "summary.json"
        self.pictures = path / "pictures"
        self._lock: IO[bytes] | None = None

    def create(self, recipe_text: str) -> None:
        """Make the folder and put the recipe in it.

        Raises ``StoreError`` if it holds another run or another recipe, or cannot be written.
        """
        self.refuse_if_taken(recipe_text)
        with guard(self.path, "nothing was changed"):
            self.path.mkdir(parents=True, exist_ok=True)
        write_atomic(self.recipe, recipe_text.encode())

    def refuse_if_taken(self, recipe_text: str) -> None:
        """Raise ``StoreError`` if the folder holds another run, or a recipe that is not this one."""
        with guard(self.path, "nothing was changed"):
            taken = [name for name in _OURS if (self.path / name).exists()]
            other = self.recipe.exists() and self.recipe.read_bytes() != recipe_text.encode()
        if taken or other:
            raise StoreError(
                f"{self.path} already holds {'a run' if taken else 'another recipe'}.",
                got=", ".join(taken or ["recipe.toml"]),
                wanted="an empty or new folder",
                do=f"icewright grow --resume {self.path}   or another folder with --out",
            )

    def lock(self) -> None:
        """Become the folder's one writer until :meth:`unlock` or the end of the process.

        Raises ``StoreError`` if another process is growing in it now.
        """
        path = self.path / ".lock"
        with guard(path):
            handle = path.open("ab")
        if not _take(handle):
            handle.close()
            raise StoreError(
                f"Another process is growing in {self.path} now.", do="wait for it, or stop it first"
            )
        self._lock = handle

    def unlock(self) -> None:
        """Let another process write; nothing happens if the lock is not held."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None
            with contextlib.suppress(OSError):
                (self.path / ".lock").unlink()

    def busy(self) -> bool:
        """Whether some process (this one too) is growing in the folder now."""
        if self._lock is not None:
            return True
        path = self.path / ".lock"
        if not path.exists():
            return False
        try:
            with path.open("ab") as handle:
                return not _take(handle)
        except OSError:
            return False  # a folder that we may only read: nobody can be told to wait

    def write_run(self, record: Mapping[str, Any]) -> None:
        """Write ``run.json`` whole. Raises ``StoreError``."""
        write_json(
            self.run, RUN_KIND, SCHEMA, {k: v for k, v in record.items() if k not in ("kind", "schema")}
        )

    def read_run(self) -> dict[str, Any]:
        """``run.json``. Raises ``StoreError`` if this is no run folder, ``RecordError`` if it is newer."""
        if not self.run.is_file():
            raise StoreError(
                f"{self.path} is not a run folder.",
                got="no run.json",
                do="icewright grow RECIPE.toml --out DIR",
            )
        return read_json(self.run, RUN_KIND, SCHEMA)

    def set_status(self, status: str, **more: Any) -> None:
        """Change the words for how the run stands, and other keys of ``run.json``. Raises ``StoreError``."""
        self.write_run(self.read_run() | {"status": status} | more)

    def write_summary(self, record: Mapping[str, Any]) -> None:
        """Write ``summary.json`` whole. Raises ``StoreError``."""
        write_json(self.summary, SUMMARY_KIND, SCHEMA, record)

    def read_summary(self) -> dict[str, Any] | None:
        """``summary.json``, or None before there is one. Raises ``StoreError``, ``RecordError``."""
        return read_json(self.summary, SUMMARY_KIND, SCHEMA) if self.summary.is_file() else None


def machine() -> dict[str, Any]:
    """What bit-identical results hang on: system, processor, cores, Python, array packages."""
    from importlib.metadata import PackageNotFoundError, version

    versions = {}
    for package in ("numpy", "numba", "llvmlite", "scipy"):
        with contextlib.suppress(PackageNotFoundError):
            versions[package] = version(package)
    return {
        "system": platform.system(),
        "processor": _processor(),
        "cores": os.cpu_count() or 0,
        "python": platform.python_version(),
        "packages": versions,
    }


def _processor() -> str:
    with contextlib.suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def _take(handle: IO[bytes]) -> bool:
    try:
        import fcntl
    except ImportError:  # Windows, untested
        import msvcrt

        try:
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # some network disks know no locks: go on without
    return True
