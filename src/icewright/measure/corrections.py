"""Corrections by hand, kept apart from what the program found.

``corrections.json`` in the folder of a measurement holds a list of corrections, each for a picture and
perhaps one of its crystals: another scale, a centre, an outline, or "leave it out". What was found stays in
``readings.json`` as it was; results are made anew from both, and a row that was corrected says so.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.ground.records import check_keys
from icewright.notebook.files import read_json, write_json

KIND = "icewright.corrections"
SCHEMA = 1
FILE = "corrections.json"


class CorrectionError(IcewrightError):
    """A correction that does not fit what was measured."""


@dataclass(frozen=True)
class Correction:
    """One correction.

    picture : its name; "*" for all. number : the crystal's place among those found in it, from 1; 0 for all.
    scale_um : micrometres in a pixel, (x, y). centre_px : column and row. outline_px : (column, row) pairs,
    open or closed. leave_out : not a crystal, or not to be used. note, date : why and when.
    """

    picture: str
    number: int = 0
    scale_um: tuple[float, float] | None = None
    centre_px: tuple[float, float] | None = None
    outline_px: tuple[tuple[float, float], ...] | None = None
    leave_out: bool = False
    note: str = ""
    date: str = ""

    def __post_init__(self) -> None:
        if self.scale_um is not None and not all(v > 0 for v in self.scale_um):
            raise CorrectionError(got=f"a scale of {self.scale_um} um", wanted="two positive lengths")
        if self.outline_px is not None and len(self.outline_px) < 3:
            raise CorrectionError(got=f"an outline of {len(self.outline_px)} points", wanted="three or more")
        if (self.centre_px is not None or self.outline_px is not None) and self.number < 1:
            raise CorrectionError(
                got="a centre or an outline for no crystal in particular", wanted="its number, from 1"
            )

    def words(self) -> str:
        """What it does, for the table."""
        parts = [
            "scale" if self.scale_um else "",
            "centre" if self.centre_px else "",
            "outline" if self.outline_px else "",
        ]
        said = ", ".join(p for p in parts if p)
        return f"{said} by hand" + (f": {self.note}" if self.note else "") if said else ""


def read(folder: Path) -> list[Correction]:
    """Corrections of a folder; none if it has no such file. Raises ``RecordError``, ``StoreError``."""
    path = folder / FILE
    if not path.exists():
        return []
    data = read_json(path, KIND, SCHEMA)
    out = []
    for k, item in enumerate(data.get("corrections", []), start=1):
        check_keys(
            item,
            required=("picture",),
            optional=("number", "scale_um", "centre_px", "outline_px", "leave_out", "note", "date"),
            where=f"correction {k} in {FILE}",
        )
        line = item.get("outline_px")
        outline = tuple((float(x), float(y)) for x, y in line) if line else None
        out.append(
            Correction(
                str(item["picture"]),
                int(item.get("number", 0)),
                _pair(item.get("scale_um")),
                _pair(item.get("centre_px")),
                outline,
                bool(item.get("leave_out", False)),
                str(item.get("note", "")),
                str(item.get("date", "")),
            )
        )
    return out


def _pair(value: Any) -> tuple[float, float] | None:
    return (float(value[0]), float(value[1])) if value else None


def write(folder: Path, corrections: Sequence[Correction]) -> Path:
    """Write all corrections of a folder. Raises ``StoreError``."""
    path = folder / FILE
    write_json(path, KIND, SCHEMA, {"corrections": [asdict(c) for c in corrections]})
    return path


def add(folder: Path, correction: Correction) -> list[Correction]:
    """Add one, in place of an earlier one of the same kind for the same crystal; gives back all."""
    when = correction.date or datetime.datetime.now(datetime.UTC).date().isoformat()
    new = replace(correction, date=when)
    kept = [c for c in read(folder) if not _same(c, new)]
    write(folder, [*kept, new])
    return [*kept, new]


def _same(a: Correction, b: Correction) -> bool:
    def kinds(c: Correction) -> tuple[bool, ...]:
        return (c.scale_um is not None, c.centre_px is not None, c.outline_px is not None, c.leave_out)

    return (a.picture, a.number, kinds(a)) == (b.picture, b.number, kinds(b))


def for_crystal(corrections: Sequence[Correction], picture: str, number: int) -> dict[str, Any]:
    """What holds for one crystal, later corrections over earlier ones; empty where nothing does."""
    out: dict[str, Any] = {}
    for c in corrections:
        if c.picture not in ("*", picture) or c.number not in (0, number):
            continue
        if c.scale_um is not None:
            out["scale_um"] = c.scale_um
        if c.centre_px is not None:
            out["centre_px"] = c.centre_px
        if c.outline_px is not None:
            loop = np.asarray(c.outline_px, dtype=float)
            out["outline_px"] = loop if np.array_equal(loop[0], loop[-1]) else np.vstack([loop, loop[:1]])
        if c.leave_out:
            out["leave_out"] = True
        if c.words():
            out["words"] = "; ".join(w for w in (out.get("words", ""), c.words()) if w)
    return out
