"""Mesh frames as bytes; the layout is written down in PROTOCOL.md."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.bench.sector import Sector
from icewright.ground.errors import RecordError

MAGIC, SCHEMA, HEADER_BYTES = b"IWMF", 1, 128
INDEX, MIRRORED, SHORT_INDEX, STORED = 1, 2, 4, 8
_HEAD = struct.Struct("<4sHH8I" + "4d" + "8f" + "6I")
assert _HEAD.size == HEADER_BYTES
_FLAGS_AT, _FRAME_AT = 8, 16


def encode(surface: Sector, reading: Mapping[str, float], *, voxel_m: float, topology: int, act: int = 0,
           branch: int = 0, frame: int = 0, stored: bool = False) -> bytes:  # fmt: skip
    """One mesh frame, its index included.

    Args:
        surface: what to draw.
        reading: `time_s, radius_tip_m, thickness_m, mass_kg, temperature_k, sigma`.
        voxel_m: size of a voxel.
        topology: a number that changes with the index.
        act, branch, frame: see PROTOCOL.md.
        stored: the crystal of a moment, not the live one.
    """
    v, t = surface.vertices, surface.triangles
    scale = float(np.abs(v).max(initial=0.0)) / 32767.0 or 1e-12
    thick = float(surface.thickness_m.max(initial=0.0)) / 65535.0 or 1e-12
    age = max(float(reading["time_s"]), float(surface.frozen_s.max(initial=0.0))) / 65535.0 or 1e-12
    short = len(v) <= 65536
    flags = INDEX | (MIRRORED if surface.mirrored else 0) | (SHORT_INDEX if short else 0)
    flags |= STORED if stored else 0
    head = _HEAD.pack(
        MAGIC, SCHEMA, HEADER_BYTES,
        flags, surface.copies, frame, topology, len(v), 3 * len(t), act, branch,
        float(reading["time_s"]), scale, age, thick,
        reading["radius_tip_m"], reading["thickness_m"], reading["mass_kg"],
        reading["temperature_k"], reading["sigma"], voxel_m, *surface.z_m,
        0, 0, 0, 0, 0, 0,
    )  # fmt: skip
    parts = [
        head,
        _padded(np.rint(v / scale).astype("<i2")),
        _padded(np.rint(surface.thickness_m / thick).astype("<u2")),
        _padded(np.rint(surface.frozen_s / age).astype("<u2")),
        t.astype("<u2" if short else "<u4").tobytes(),
    ]
    return b"".join(parts)


def without_index(data: bytes) -> bytes:
    """The same frame for somebody who already has this topology."""
    count, width = struct.unpack_from("<I", data, 28)[0], 2 if _flags(data) & SHORT_INDEX else 4
    cut = bytearray(data[: len(data) - count * width])
    struct.pack_into("<I", cut, _FLAGS_AT, _flags(data) & ~INDEX)
    return bytes(cut)


def topology_of(data: bytes) -> int:
    """The topology number of a frame."""
    return int(struct.unpack_from("<I", data, 20)[0])


def _flags(data: bytes) -> int:
    return int(struct.unpack_from("<I", data, _FLAGS_AT)[0])


def decode(data: bytes) -> dict[str, Any]:
    """A frame as a record, for notebooks and tests.

    Keys: the header's names, `positions_m` float64[V, 3], `thickness` and `frozen_s` float64[V], `index`
    int64[T, 3] or None.

    Raises:
        RecordError: if it is no mesh frame, is of a newer schema, or is torn.
    """
    if len(data) < HEADER_BYTES or data[:4] != MAGIC:
        raise RecordError("This is no mesh frame.", got=repr(data[:4]), wanted=repr(MAGIC))
    values = _HEAD.unpack_from(data)
    if values[1] > SCHEMA:
        raise RecordError(
            "This mesh frame is of a newer Icewright.", got=f"schema {values[1]}", wanted=f"schema {SCHEMA}"
        )
    names = ("flags", "copies", "frame", "topology", "vertices", "indices", "act", "branch", "time_s",
             "scale_m", "age_step_s", "thickness_step_m", "radius_m", "thickness_m", "mass_kg",
             "temperature_k", "sigma", "voxel_m", "z_low_m", "z_high_m")  # fmt: skip
    out: dict[str, Any] = dict(zip(names, values[3:], strict=False))
    n, flags, at = out["vertices"], out["flags"], int(values[2])
    width = 2 if flags & SHORT_INDEX else 4
    want = at + _up(6 * n) + 2 * _up(2 * n) + (out["indices"] * width if flags & INDEX else 0)
    if len(data) != want:
        raise RecordError("This mesh frame is torn.", got=f"{len(data)} bytes", wanted=f"{want} bytes")
    xyz = np.frombuffer(data, "<i2", 3 * n, at).reshape(n, 3)
    at += _up(6 * n)
    thick = np.frombuffer(data, "<u2", n, at)
    at += _up(2 * n)
    age = np.frombuffer(data, "<u2", n, at)
    at += _up(2 * n)
    index = None
    if flags & INDEX:
        index = np.frombuffer(data, f"<u{width}", out["indices"], at).reshape(-1, 3).astype(np.int64)
    return out | {
        "mirrored": bool(flags & MIRRORED),
        "positions_m": xyz * out["scale_m"],
        "thickness": thick * out["thickness_step_m"],
        "frozen_s": age * out["age_step_s"],
        "index": index,
    }


def _up(size: int) -> int:
    return (size + 3) // 4 * 4


def _padded(array: NDArray[Any]) -> bytes:
    data = array.tobytes()
    return data + bytes(_up(len(data)) - len(data))
