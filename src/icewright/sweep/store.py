"""Where cells lie: a folder on this machine or a shared disk, or an object store reached through fsspec.

A cell is a small folder of whole files. On a disk it is written under a temporary name, pushed to the disk
and renamed. An object store cannot rename, but puts each object whole: there the record ``cell.json``, which
holds the checksums of the others, is put last, and a folder without it does not count.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import uuid
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from icewright.notebook.files import StoreError, guard, sync_folder

LAST = "cell.json"


class Store:
    """Cells by name under one place; ``place`` is a path, or a URL such as ``s3://bucket/atlas``.

    Raises ``StoreError`` if fsspec or the store's own package is missing.
    """

    def __init__(self, place: str) -> None:
        self.place = place
        self._remote: Any = None
        self._root = place
        if "://" in place:
            try:
                import fsspec  # type: ignore[import-untyped]
            except ImportError as error:
                raise StoreError(
                    "An object store is reached through fsspec, which is not installed.",
                    got=place,
                    do="pip install 'icewright[cluster]'",
                ) from error
            try:
                self._remote, self._root = fsspec.core.url_to_fs(place)
            except (ImportError, ValueError) as error:
                raise StoreError(f"The store {place} cannot be opened.", got=str(error)) from error

    @property
    def local(self) -> bool:
        """Whether it is a folder that this machine's own files reach."""
        return self._remote is None

    def make(self) -> None:
        """Make the place, if it is a folder. Raises ``StoreError``."""
        if self.local:
            with guard(Path(self.place)):
                Path(self.place).mkdir(parents=True, exist_ok=True)

    def names(self) -> set[str]:
        """Names of the cells that have a folder, finished or not."""
        if self.local:
            folder = Path(self.place)
            if not folder.is_dir():
                return set()
            with guard(folder):
                return {entry.name for entry in os.scandir(folder) if not entry.name.startswith(".")}
        with self._guard():
            self._remote.invalidate_cache()
            try:
                found = self._remote.ls(self._root, detail=False)
            except FileNotFoundError:
                return set()
        return {str(path).rstrip("/").rsplit("/", 1)[-1] for path in found}

    def get(self, name: str, file: str) -> bytes | None:
        """One file of a cell, or None if it is not there. Raises ``StoreError``."""
        if self.local:
            path = Path(self.place, name, file)
            with guard(path):
                try:
                    return path.read_bytes()
                except (FileNotFoundError, NotADirectoryError):
                    return None
        with self._guard():
            try:
                return bytes(self._remote.cat_file(f"{self._root}/{name}/{file}"))
            except FileNotFoundError:
                return None

    def put(self, name: str, files: Mapping[str, bytes]) -> None:
        """Write a cell whole; an older one of that name is replaced. Raises ``StoreError``."""
        ordered = sorted(files, key=lambda file: (file == LAST, file))
        if self.local:
            self._put_folder(name, {file: files[file] for file in ordered})
            return
        with self._guard():
            self._remote.makedirs(f"{self._root}/{name}", exist_ok=True)
            for file in ordered:
                self._remote.pipe_file(f"{self._root}/{name}/{file}", files[file])

    def remove(self, name: str) -> None:
        """Take a cell away. Raises ``StoreError``."""
        if self.local:
            with guard(Path(self.place, name)):
                shutil.rmtree(Path(self.place, name), ignore_errors=True)
            return
        with self._guard(), contextlib.suppress(FileNotFoundError):
            self._remote.rm(f"{self._root}/{name}", recursive=True)

    def sweep_up(self) -> int:
        """Remove what workers that died had begun; says how many. Only where nobody is growing."""
        if not self.local or not Path(self.place).is_dir():
            return 0
        begun = list(Path(self.place).glob(".*.part"))
        with guard(Path(self.place)):
            for half in begun:
                shutil.rmtree(half, ignore_errors=True)
        return len(begun)

    def begin(self, name: str) -> None:
        """Make the temporary folder as soon as a cell is begun, so that one cut off can be counted."""
        if self.local:
            aside = self._aside(name)
            with guard(aside):
                aside.mkdir(parents=True, exist_ok=True)

    def give_up(self, name: str) -> None:
        """Remove the temporary folder of a cell that came to nothing."""
        if self.local:
            shutil.rmtree(self._aside(name), ignore_errors=True)

    def _aside(self, name: str) -> Path:
        # Two workers may hold the same cell for a while, after a scheduler was lost; they must not meet.
        return Path(self.place, f".{name}.{_PROCESS}-{os.getpid()}.part")

    def _put_folder(self, name: str, files: Mapping[str, bytes]) -> None:
        aside, place = self._aside(name), Path(self.place, name)
        with guard(place):
            try:
                aside.mkdir(parents=True, exist_ok=True)
                for file, content in files.items():
                    with (aside / file).open("wb") as out:
                        out.write(content)
                        out.flush()
                        os.fsync(out.fileno())
                sync_folder(aside)
                if place.exists():
                    shutil.rmtree(place)
                aside.rename(place)
                sync_folder(Path(self.place))
            except OSError:
                shutil.rmtree(aside, ignore_errors=True)
                raise

    @contextlib.contextmanager
    def _guard(self) -> Any:
        try:
            yield
        except StoreError:
            raise
        except FileNotFoundError:
            raise
        except Exception as error:  # every store brings exceptions of its own
            raise StoreError(
                f"The store {self.place} could not be read or written; what was written before is safe.",
                got=f"{type(error).__name__}: {str(error)[:200]}",
            ) from error


_PROCESS = uuid.uuid4().hex[:8]
