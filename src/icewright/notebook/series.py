"""``series.csv``: one row of measured sizes and air at a time, in SI, its units in the header names.

Rows are appended whole and at once, so ``kill -9`` tears at most the last line; a torn last line is dropped
on reading, and said. The last two columns, the same on every row, are the file's kind and schema: any CSV
reader opens the file as it is, with no comment line to skip.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import RecordError
from icewright.ground.records import check_kind
from icewright.notebook.files import StoreError, guard

KIND = "icewright.series"
SCHEMA = 1


class Column(NamedTuple):
    """Name in the header, unit, and meaning of one column; ``whole`` for counts."""

    name: str
    unit: str
    meaning: str
    whole: bool = False


COLUMNS = (
    Column("time_s", "s", "time since the start of the recipe"),
    Column("temperature_k", "K", "temperature of the air far away"),
    Column("sigma", "1", "supersaturation over ice far away, as a fraction"),
    Column("radius_tip_m", "m", "distance from the axis to the farthest tip"),
    Column("radius_facet_m", "m", "distance from the axis to the farthest prism facet"),
    Column("thickness_m", "m", "extent along the c axis"),
    Column("mass_kg", "kg", "mass of ice"),
    Column("area_m2", "m2", "area seen along the c axis"),
    Column("perimeter_m", "m", "length of the outline seen along the c axis"),
    Column("solidity", "1", "seen area over the area of its convex hull"),
    Column("aspect_ratio", "1", "thickness over twice the tip radius"),
    Column("tip_velocity_m_s", "m/s", "speed of the farthest tip"),
    Column("mass_balance_error", "1", "ice gained over vapour arrived, less one"),
    Column("field_flux_ratio", "1", "vapour flux far away over flux at the surface"),
    Column("step", "1", "number of the recipe's step, from 0", True),
    Column("cells", "1", "cells of ice and boundary that are computed", True),
)
NAMES = tuple(column.name for column in COLUMNS)
_STAMP = (("kind", KIND), ("schema", str(SCHEMA)))
_HEADER = ",".join((*NAMES, *(name for name, _ in _STAMP)))


class SeriesWriter:
    """Appends rows to ``series.csv``; each is in the file once :meth:`append` comes back.

    ``keep_rows`` None starts a new file (``StoreError`` if there is one); a number cuts an old file back to
    that many rows first, which is how a resumed run writes no row twice.
    """

    def __init__(self, path: Path, keep_rows: int | None = None) -> None:
        self.path = path
        with guard(path):
            if keep_rows is None:
                self._file = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL, 0o644)
                self._size, self.rows = 0, 0
                self._write(_HEADER + "\n")
            else:
                self._size, self.rows = _length_of_rows(path, keep_rows), keep_rows
                self._file = os.open(path, os.O_WRONLY | os.O_APPEND)
                os.ftruncate(self._file, self._size)

    def append(self, reading: Mapping[str, float]) -> None:
        """Add a row. Keys are :data:`NAMES`; others are not kept. Raises ``RecordError``, ``StoreError``."""
        missing = [name for name in NAMES if name not in reading]
        if missing:
            raise RecordError("A reading lacks " + ", ".join(missing) + ".", wanted=", ".join(NAMES))
        words = [_word(reading[column.name], column.whole) for column in COLUMNS]
        with guard(self.path, "all earlier rows are still there"):
            self._write(",".join((*words, *(word for _, word in _STAMP))) + "\n")
        self.rows += 1

    def sync(self) -> None:
        """Push the rows to the disk, so that a power cut after this loses none of them."""
        with guard(self.path):
            os.fsync(self._file)

    def close(self) -> None:
        """Close the file; a second time does nothing."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def __enter__(self) -> SeriesWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _write(self, line: str) -> None:
        content = line.encode()
        try:
            done = os.write(self._file, content)
            if done < len(content):  # a nearly full disk takes the first bytes and says so only this way
                done += os.write(self._file, content[done:])
        except OSError:
            os.ftruncate(self._file, self._size)  # no half row stays behind
            raise
        self._size += len(content)


@dataclass(frozen=True)
class Series:
    """A run's rows: ``columns[name]`` is float64 (n,), int64 for counts; ``dropped`` says what was torn."""

    columns: dict[str, NDArray[Any]]
    dropped: str = ""
    units: dict[str, str] = field(default_factory=lambda: {column.name: column.unit for column in COLUMNS})

    def __len__(self) -> int:
        return len(self.columns[NAMES[0]])


def read_series(path: Path) -> Series:
    """Read ``series.csv``; a torn last line is dropped and named in ``Series.dropped``.

    Raises ``StoreError`` if the file is missing, or torn anywhere but in its last line; ``RecordError`` if
    its kind or schema is not ours.
    """
    with guard(path):
        if not path.is_file():
            raise StoreError(f"There is no {path.name} in {path.parent}.", wanted="a run folder")
        content = path.read_bytes()
    lines = content.split(b"\n")
    tail = lines.pop()  # empty after a whole last line
    dropped = f"the last line of {path.name} was torn ({len(tail)} bytes) and is left out" if tail else ""
    if not lines:
        raise StoreError(f"{path} has no whole header line.", do="icewright grow --resume on the same folder")
    header = lines[0].decode("utf-8", "replace").rstrip("\r").split(",")
    rows = [line.decode("utf-8", "replace").rstrip("\r").split(",") for line in lines[1:]]
    if header[-2:] != [name for name, _ in _STAMP]:
        raise RecordError(f"{path} is not a series of ours.", got=",".join(header)[:80], wanted=_HEADER)
    values: dict[str, list[float]] = {name: [] for name in header[:-2]}
    for number, row in enumerate(rows, start=1):
        if len(row) != len(header):
            raise StoreError(
                f"Row {number} of {path} is damaged.", got=",".join(row)[:80], wanted=f"{len(header)} values"
            )
        check_kind({"kind": row[-2], "schema": _whole(row[-1])}, KIND, SCHEMA)
        try:
            for name, word in zip(header, row[:-2], strict=False):
                values[name].append(float(word))
        except ValueError as error:
            raise StoreError(
                f"Row {number} of {path} is damaged.", got=str(error), wanted="numbers"
            ) from error
    absent = [name for name in NAMES if name not in values]
    if absent:
        raise RecordError(f"{path} lacks the columns {', '.join(absent)}.", wanted=_HEADER)
    counts = {column.name for column in COLUMNS if column.whole}
    return Series(
        {name: np.array(v, dtype=np.int64 if name in counts else np.float64) for name, v in values.items()},
        dropped,
    )


def _word(value: float, whole: bool) -> str:
    # repr is the shortest text that reads back as the same double, so equal runs give equal bytes.
    if whole:
        return str(int(value))
    number = float(value)
    return "nan" if math.isnan(number) else repr(number)


def _whole(word: str) -> int | str:
    return int(word) if word.isdigit() else word


def _length_of_rows(path: Path, rows: int) -> int:
    content = path.read_bytes()
    end = 0
    for _ in range(rows + 1):  # the header too
        cut = content.find(b"\n", end)
        if cut < 0:
            raise StoreError(
                f"{path} is shorter than the checkpoint says: rows are missing.",
                got=f"{max(content.count(10) - 1, 0)} rows",
                wanted=f"at least {rows}",
                do="put the file back as it was, or start again with another --out",
            )
        end = cut + 1
    return end
