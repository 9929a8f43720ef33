"""Corrections by hand, kept apart from what the program found.

``corrections.json`` in the folder of a measurement holds a list of corrections, each for a picture and
perhaps one of its crystals: another scale, a centre, an outline, or "leave it out". What was found stays in
``readings.json`` as it was; results are made anew from both, and a row that was corrected says so.
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.ground.records import check_keys
from icewright.measure.scale import Scale
from icewright.notebook.files import read_json, write_json

KIND = "icewright.corrections"
SCHEMA = 2  # 2 knows how well a scale by hand is known; files of schema 1 are read as they are
FILE = "corrections.json"


class CorrectionError(IcewrightError):
    """A correction that does not fit what was measured."""


@dataclass(frozen=True)
class Correction:
    """One correction.

    picture : its name; "*" for all. number : the crystal's place among those found in it, from 1; 0 for all.
    scale_um : micrometres in a pixel, (x, y), of a whole picture. u_scale_share : its standard uncertainty as
    a share of it; that of the measurement if None. centre_px : column and row. outline_px : (column, row)
    pairs, open or closed. leave_out : not a crystal, or not to be used. note, date : why and when.
    """

    picture: str
    number: int = 0
    scale_um: tuple[float, float] | None = None
    centre_px: tuple[float, float] | None = None
    outline_px: tuple[tuple[float, float], ...] | None = None
    leave_out: bool = False
    note: str = ""
    date: str = ""
    u_scale_share: float | None = None

    def __post_init__(self) -> None:
        if self.scale_um is not None and not all(v > 0 for v in self.scale_um):
            raise CorrectionError(got=f"a scale of {self.scale_um} um", wanted="two positive lengths")
        if self.scale_um is not None and self.number:
            raise CorrectionError(
                got=f"a scale for crystal {self.number} alone",
                wanted="number 0: a scale holds for a whole picture",
            )
        if self.u_scale_share is not None and not 0.0 <= self.u_scale_share < 0.5:
            raise CorrectionError(
                got=f"a scale known to {100 * self.u_scale_share:g} %", wanted="0 to less than 50 %"
            )
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
            optional=(
                "number",
                "scale_um",
                "centre_px",
                "outline_px",
                "leave_out",
                "note",
                "date",
                "u_scale_share",
            ),
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
                float(item["u_scale_share"]) if item.get("u_scale_share") is not None else None,
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


def put(folder: Path, picture: str, number: int, new: Sequence[Correction]) -> list[Correction]:
    """Let exactly ``new`` hold for a crystal (or, number 0, a picture; "*", all); gives back all.

    Those for all pictures come first in the file, so that one for a single picture stands over them.
    Raises ``CorrectionError`` where one of them is for something else.
    """
    today = datetime.datetime.now(datetime.UTC).date().isoformat()
    for c in new:
        if (c.picture, c.number) != (picture, number):
            raise CorrectionError(
                got=f"a correction for {c.picture}, {c.number}", wanted=f"{picture}, {number}"
            )
    kept = [c for c in read(folder) if (c.picture, c.number) != (picture, number)]
    both = [*kept, *(c if c.date else replace(c, date=today) for c in new)]
    both.sort(key=lambda c: c.picture != "*")
    write(folder, both)
    return both


def digest(corrections: Sequence[Correction]) -> str:
    """A word that tells sets of corrections apart; empty for none. Notes and dates change no number."""
    if not corrections:
        return ""
    plain = [{k: v for k, v in asdict(c).items() if k not in ("note", "date")} for c in corrections]
    return hashlib.sha256(json.dumps(plain).encode()).hexdigest()[:16]


def scale_of(corrections: Sequence[Correction], picture: str, found: Scale) -> Scale:
    """The scale of a picture: the last one by hand for it or for all, else the one it was measured with."""
    for c in reversed(corrections):
        if c.scale_um is not None and c.picture in ("*", picture):
            u = found.u_share if c.u_scale_share is None else c.u_scale_share
            source = "by hand" + (f": {c.note}" if c.note else "")
            return Scale(c.scale_um[0] * 1e-6, c.scale_um[1] * 1e-6, u, source)
    return found


def by_hand(corrections: Sequence[Correction], picture: str) -> dict[int, dict[str, Any]]:
    """Centres and outlines of a picture's crystals, by their numbers, as ``reading.read`` takes them."""
    numbers = sorted({c.number for c in corrections if c.number > 0 and c.picture in ("*", picture)})
    out: dict[int, dict[str, Any]] = {}
    for number in numbers:
        held = for_crystal(corrections, picture, number)
        mine: dict[str, Any] = {k: held[k] for k in ("centre_px", "outline_px") if k in held}
        if mine:
            out[number] = mine
    return out


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
