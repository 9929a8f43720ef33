"""``checkpoint/``: the whole state of a run, twice, so that one is always whole.

Two ``.npz`` files are written in turn: beside its place, pushed to the disk, renamed. Each holds arrays
only (no pickle), one JSON text for everything else, and a hash over all of it, so that a torn or altered
file is known and the other is taken instead.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import RecordError
from icewright.ground.records import check_kind
from icewright.notebook.files import StoreError, guard, sync_folder

KIND = "icewright.checkpoint"
SCHEMA = 1
_NAMES = ("a.npz", "b.npz")
_TORN = (OSError, ValueError, KeyError, EOFError, TypeError, zipfile.BadZipFile, NotImplementedError)


@dataclass(frozen=True)
class Checkpoint:
    """A saved state: its running ``number``, engine's ``state``, recorder's ``notes``, what was torn."""

    number: int
    state: dict[str, Any]
    notes: dict[str, Any]
    torn: str = ""


def save(folder: Path, number: int, state: Mapping[str, Any], notes: Mapping[str, Any]) -> Path:
    """Write checkpoint ``number`` (from 1, one more each time) over the older of the two.

    ``state`` maps names to arrays of any shape, numpy scalars, or plain numbers, texts, None and lists of
    them; all come back as they went in, to the bit. ``notes`` is plain data. Raises ``StoreError`` if the
    disk is full or forbidden (both old files then stay), ``RecordError`` for a value that is none of these.
    """
    arrays: dict[str, NDArray[Any]] = {}
    plain: dict[str, Any] = {}
    scalars: list[str] = []
    for name, value in state.items():
        if isinstance(value, np.ndarray):
            arrays[name] = value
        elif isinstance(value, np.generic):
            arrays[name] = np.asarray(value)
            scalars.append(name)
        else:
            plain[name] = value
    for name, array in arrays.items():
        if array.dtype.hasobject:
            raise RecordError(f"State {name!r} is an array of objects.", wanted="an array of numbers")
    try:
        text = json.dumps(
            {"kind": KIND, "schema": SCHEMA, "number": number, "names": list(arrays), "scalars": scalars,
             "order": list(state), "plain": plain, "notes": dict(notes)}
        )  # fmt: skip
    except TypeError as error:
        raise RecordError("The state holds a value that cannot be saved.", got=str(error)) from error
    # Members are numbered: a state name may hold characters that a zip member's name may not.
    members = {f"array_{place}": array for place, array in enumerate(arrays.values())}
    path = folder / _NAMES[number % 2]
    beside = folder / f".{path.name}.part"
    with guard(path, "the checkpoint before it is still there"):
        folder.mkdir(exist_ok=True)
        try:
            with beside.open("wb") as out:
                head = {"head": np.array(text), "sha256": np.array(_hash(text, list(arrays.values())))}
                np.savez(out, allow_pickle=False, **head, **members)
                out.flush()
                os.fsync(out.fileno())
            beside.replace(path)
            sync_folder(folder)
        except OSError:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)
            raise
    return path


def load(folder: Path) -> Checkpoint | None:
    """The newest whole checkpoint, or None if none was ever written.

    ``Checkpoint.torn`` says in words if a file had to be passed over. Raises ``StoreError`` if files are
    there but none is whole, ``RecordError`` if one was written by a newer Icewright.
    """
    found = [folder / name for name in _NAMES if (folder / name).is_file()]
    torn: list[str] = []
    heads: list[tuple[int, Path]] = []
    for path in found:
        try:
            heads.append((_head(path)["number"], path))
        except _TORN as error:
            torn.append(f"{path.name} is torn ({_short(error)})")
    for number, path in sorted(heads, reverse=True):
        try:
            state, notes = _read(path)
        except _TORN as error:
            torn.append(f"{path.name} is torn ({_short(error)})")
            continue
        note = "; ".join(torn) + f": going on from {path.name}, checkpoint {number}" if torn else ""
        return Checkpoint(number, state, notes, note)
    if torn:
        raise StoreError(
            f"No checkpoint in {folder} is whole.",
            got="; ".join(torn),
            do="start again from recipe.toml with another --out",
        )
    return None


def drop_older(folder: Path) -> None:
    """Remove all but the newest whole checkpoint, once a run is over. Raises ``StoreError``."""
    kept = load(folder)
    if kept is not None:
        with guard(folder):
            (folder / _NAMES[(kept.number + 1) % 2]).unlink(missing_ok=True)


def _head(path: Path) -> dict[str, Any]:
    with np.load(path, allow_pickle=False) as stored:
        head = json.loads(str(stored["head"]))
    if not isinstance(head, dict):
        raise ValueError("no head")
    try:
        check_kind(head, KIND, SCHEMA)
    except RecordError as error:
        # A newer schema is not damage: passing over it would quietly throw work away.
        raise RecordError(
            f"{path}: {error.message}", got=error.got, wanted=error.wanted, do=error.do
        ) from None
    return head


def _read(path: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    with np.load(path, allow_pickle=False) as stored:
        text, stated = str(stored["head"]), str(stored["sha256"])
        head = json.loads(text)
        arrays = [stored[f"array_{place}"] for place in range(len(head["names"]))]
    if _hash(text, arrays) != stated:
        raise ValueError("its content does not match its hash")
    pool: dict[str, Any] = dict(zip(head["names"], arrays, strict=True)) | head["plain"]
    for name in head["scalars"]:
        pool[name] = pool[name][()]
    return {name: pool[name] for name in head["order"]}, head["notes"]


def _hash(text: str, arrays: list[NDArray[Any]]) -> str:
    digest = hashlib.sha256(text.encode())
    for array in arrays:
        digest.update(f"{array.dtype.str}{array.shape}".encode())
        digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()


def _short(error: BaseException) -> str:
    return str(error).splitlines()[0][:100] if str(error) else type(error).__name__
