"""``frames.zarr``: the grown crystal at chosen moments, one group of arrays a frame.

Layout (Zarr format 3, plain folders): ``frames.zarr/<0000>/`` holds

* ``fill[column, z]`` float16: 1 ice, between 0 and 1 a partly filled boundary cell, 0 vapour;
* ``frozen_s[column, z]`` float32, s: when the cell became ice, NaN where it is not;
* ``q[column]``, ``r[column]`` int32: the column's place on the lattice;
* ``z_edges_m[edge]`` float64, m: ascending; one more than there are cells along z;

and attributes ``spacing_m, symmetry, mirrored, time_s, kind, schema`` and what else the writer adds. Each
array is one compressed chunk with a checksum. A frame is written aside and renamed in: it is whole or
absent.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from icewright.ground.errors import RecordError
from icewright.ground.records import check_kind
from icewright.notebook.files import StoreError, guard, sync_folder

KIND = "icewright.frame"
SCHEMA = 1
STORE_KIND = "icewright.frames"
_LAYOUT: dict[str, tuple[tuple[str, ...], str, str, str]] = {
    "fill": (("column", "z"), "float16", "1", "part of the cell that is ice"),
    "frozen_s": (("column", "z"), "float32", "s", "time at which the cell became ice; NaN where it is not"),
    "q": (("column",), "int32", "1", "first lattice coordinate of the column"),
    "r": (("column",), "int32", "1", "second lattice coordinate of the column"),
    "z_edges_m": (("edge",), "float64", "m", "heights of the faces between cells"),
}
_ICE = 1.0 - 1e-6  # fuller than this is ice, in the engine's float32
_ATTRS = ("spacing_m", "symmetry", "mirrored", "time_s")


def begin(store: Path) -> None:
    """Make an empty store. Raises ``StoreError`` if the disk is full or forbidden."""
    import zarr

    with guard(store):
        zarr.open_group(store, mode="w-", zarr_format=3, attributes={"kind": STORE_KIND, "schema": SCHEMA})


def write_frame(store: Path, index: int, record: Mapping[str, Any]) -> None:
    """Write frame ``index`` (0..9999) from a record of the five arrays and the attributes above.

    Shapes: fill and frozen_s (columns, z); q and r (columns,); z_edges_m (z + 1,). An old frame of that
    index is replaced. Raises ``RecordError`` if shapes disagree, ``StoreError`` on a full or forbidden
    disk.
    """
    import zarr
    from zarr.codecs import Crc32cCodec, ZstdCodec

    arrays = {name: np.asarray(record[name]) for name in _LAYOUT}
    columns, cells = arrays["fill"].shape
    wanted = {"fill": (columns, cells), "frozen_s": (columns, cells), "q": (columns,), "r": (columns,)}
    for name, shape in (wanted | {"z_edges_m": (cells + 1,)}).items():
        if arrays[name].shape != shape:
            raise RecordError(
                f"Frame array {name} has the wrong shape.", got=str(arrays[name].shape), wanted=str(shape)
            )
    arrays["fill"] = _half(arrays["fill"])
    extra = {key: _plain(value) for key, value in record.items() if key not in _LAYOUT}
    attributes: dict[str, Any] = {"kind": KIND, "schema": SCHEMA} | extra
    place, aside = store / _name(index), store / f".{_name(index)}.part"
    with guard(place, "all earlier frames are still there"):
        try:
            shutil.rmtree(aside, ignore_errors=True)
            group = zarr.open_group(aside, mode="w", zarr_format=3, attributes=attributes)
            for name, (axes, dtype, unit, meaning) in _LAYOUT.items():
                data = arrays[name].astype(dtype, copy=False)
                group.create_array(
                    name,
                    data=data,
                    chunks=data.shape,
                    compressors=(ZstdCodec(level=3), Crc32cCodec()),
                    fill_value=np.nan if name == "frozen_s" else 0,
                    dimension_names=axes,
                    attributes={"units": unit, "long_name": meaning},
                    # An all-zero chunk is written too: then a chunk that is missing is known to be lost.
                    config={"write_empty_chunks": True},
                )
            _push(aside)
            if place.exists():
                shutil.rmtree(place)
            aside.rename(place)
            sync_folder(store)
        except OSError:
            shutil.rmtree(aside, ignore_errors=True)
            raise


def read_frame(store: Path, index: int) -> dict[str, Any]:
    """Frame ``index`` as a record: the five arrays (fill as float32) and the attributes.

    Raises ``StoreError`` if the frame is missing or a byte of it has changed, ``RecordError`` if it is of
    another kind or a newer schema.
    """
    import zarr

    place = store / _name(index)
    if not place.is_dir():
        raise StoreError(f"There is no frame {index} in {store}.", got=str(list_frames(store)) or "no frames")
    try:
        group = zarr.open_group(place, mode="r", zarr_format=3)
        attributes = dict(group.attrs)
        check_kind(attributes, KIND, SCHEMA)
        record: dict[str, Any] = {
            key: value for key, value in attributes.items() if key not in ("kind", "schema")
        }
        for name in _LAYOUT:
            array = group[name]
            assert isinstance(array, zarr.Array)
            if array.nchunks_initialized != array.nchunks:
                raise ValueError(f"the data of {name} is missing")
            record[name] = np.asarray(array[...])
        absent = [key for key in _ATTRS if key not in record]
        if absent:
            raise ValueError("it lacks " + ", ".join(absent))
    except (OSError, ValueError, KeyError, RuntimeError, TypeError, AssertionError) as error:
        first = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise StoreError(
            f"Frame {index} in {store} is damaged; the other frames can still be read.", got=first
        ) from error
    record["fill"] = record["fill"].astype(np.float32)
    return record


def list_frames(store: Path) -> list[int]:
    """Indices of the frames that are there, in order; empty if there is no store."""
    if not store.is_dir():
        return []
    return sorted(int(item.name) for item in store.iterdir() if re.fullmatch(r"\d{4}", item.name))


def keep_only(store: Path, indices: set[int]) -> None:
    """Remove frames not in ``indices``, and what a killed writer left half done. Raises ``StoreError``."""
    with guard(store):
        for index in list_frames(store):
            if index not in indices:
                shutil.rmtree(store / _name(index))
        for half in store.glob(".*.part"):
            shutil.rmtree(half, ignore_errors=True)


def _half(fill: Any) -> Any:
    # Rounding to half precision must turn no boundary cell into ice and none into vapour.
    half = fill.astype(np.float16)
    below_one = np.nextafter(np.float16(1), np.float16(0))
    half[(fill < _ICE) & (half >= 1)] = below_one
    half[fill >= _ICE] = 1
    half[(fill > 0) & (half <= 0)] = np.finfo(np.float16).smallest_subnormal
    return half


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def _push(folder: Path) -> None:
    for root, _, names in os.walk(folder):
        for name in names:
            with contextlib.suppress(PermissionError), (Path(root) / name).open("rb+") as file:
                os.fsync(file.fileno())
        sync_folder(Path(root))


def _name(index: int) -> str:
    if not 0 <= index <= 9999:
        raise RecordError("A frame's number has four digits.", got=str(index), wanted="0 to 9999")
    return f"{index:04d}"
