"""Writing files so that a full disk, a forbidden folder or ``kill -9`` never leaves a half-written one.

A small file is written beside its place, pushed to the disk and then renamed over the old one: a reader sees
either the old file or the new one. Every ``OSError`` leaves here as one :class:`StoreError` in words.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError, RecordError
from icewright.ground.records import check_kind, stamp

_FULL = {errno.ENOSPC, errno.EDQUOT} if hasattr(errno, "EDQUOT") else {errno.ENOSPC}
_FORBIDDEN = {errno.EACCES, errno.EPERM, errno.EROFS}


class StoreError(IcewrightError):
    """A run folder that cannot be read or written: full disk, no permission, torn or missing file."""


@contextlib.contextmanager
def guard(path: Path, kept: str = "everything written before is still there") -> Iterator[None]:
    """Turn any ``OSError`` inside into one ``StoreError`` naming ``path``, the cause, and what is safe."""
    try:
        yield
    except OSError as error:
        if error.errno in _FULL:
            raise StoreError(
                f"The disk is full: {path} could not be written; {kept}.",
                got=str(error.strerror),
                do="make room, then icewright grow --resume on the same folder",
            ) from error
        if error.errno in _FORBIDDEN:
            raise StoreError(
                f"No permission to write {path}; {kept}.",
                got=str(error.strerror),
                do="give yourself write permission there, or choose another folder with --out",
            ) from error
        raise StoreError(f"{path} could not be read or written; {kept}.", got=str(error)) from error


def sync_folder(folder: Path) -> None:
    """Push a folder's list of names to the disk, which makes a rename safe; Windows has no such call."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_atomic(path: Path, content: bytes) -> None:
    """Write ``content`` to ``path``: the old file or the new one, never a mixture.

    Raises ``StoreError`` if the disk is full or the folder forbidden; the old file then stays as it was.
    """
    beside = path.with_name(f".{path.name}.part")
    with guard(path):
        try:
            with beside.open("wb") as out:
                out.write(content)
                out.flush()
                os.fsync(out.fileno())
            beside.replace(path)
            sync_folder(path.parent)
        except OSError:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
            raise


def write_json(
    path: Path, kind: str, schema: int, data: Mapping[str, Any], *, indent: int | None = 1
) -> None:
    """Write ``data`` as JSON with its ``kind`` and ``schema`` first. Raises ``StoreError``.

    ``indent`` None: all on one line, for files of long lists that nobody reads; ten times as quick.
    """
    write_atomic(path, (_json(stamp(kind, schema, data), indent) + "\n").encode())


def read_json(path: Path, kind: str, newest_schema: int) -> dict[str, Any]:
    """The record in ``path``, its kind and schema checked.

    Raises ``StoreError`` if there is no such file or it is not JSON, ``RecordError`` if it is of another kind
    or of a newer schema.
    """
    with guard(path):
        if not path.is_file():
            raise StoreError(f"There is no {path.name} in {path.parent}.", wanted="a run folder")
        content = path.read_bytes()
    try:
        data = json.loads(content)
    except ValueError as error:
        raise StoreError(f"{path} is not whole JSON.", got=str(error)) from error
    if not isinstance(data, dict):
        raise RecordError(f"{path} is not a record.", got=type(data).__name__, wanted=f'kind = "{kind}"')
    check_kind(data, kind, newest_schema)
    return data


def _json(record: Mapping[str, Any], indent: int | None) -> str:
    def text(value: Any, default: Callable[[Any], Any] | None = None) -> str:
        return json.dumps(value, indent=indent, ensure_ascii=False, allow_nan=False, default=default)

    if indent is None:
        # Long lists of plain numbers as they are, arrays one at a time: walking through all of them first
        # takes longer than writing them, and all as lists at once ten times the room.
        with contextlib.suppress(TypeError, ValueError):
            return text(record, _plain_one)
    # JSON has no NaN, and a strict reader elsewhere would choke on Python's: "not known" is null.
    return text(_plain(record))


def _plain_one(value: Any) -> Any:
    """What JSON has for something that it does not know; raises ``TypeError`` where that is nothing."""
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(type(value).__name__)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist") and not isinstance(value, (str, bytes)):  # numpy scalars and arrays
        return _plain(value.tolist())
    if isinstance(value, float) and value - value != 0.0:  # NaN and both infinities
        return None
    if isinstance(value, Path):
        return str(value)
    return value
