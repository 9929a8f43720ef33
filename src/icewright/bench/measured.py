"""Growth series that were measured on pictures, beside the curves of runs: kind `icewright.growth-series`.

A crystal seen from above has a radius (centre to its tips), one seen from the side a length along its axis:
each is drawn as the curve that it is a measurement of, and nothing is made of what was not measured.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from icewright.bench import shapes
from icewright.bench.corrected_held import walk
from icewright.bench.security import BenchError, inside, plain_name
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.measure.format import GrowthSeries

_LARGEST = 20_000_000
SERIES, DEPTH = "growth-series.csv", 3
_HEAD = "crystal,time_s,"


def listed(folder: Path) -> list[shapes.MeasuredBrief]:
    """Series files of the folder and of measured folders below it, newest first.

    One that cannot be read is named with why. Those of measured folders are named with `~` for the slash.
    """
    out = []
    below = (path / SERIES for path in walk(folder, DEPTH))
    for path in (*folder.glob("*.csv"), *(p for p in below if p.is_file())):
        name = "~".join(path.relative_to(folder).parts)
        try:
            for part in name.split("~"):
                plain_name(part)
            if path.is_symlink() or not 0 < path.stat().st_size <= _LARGEST:
                continue
            with path.open(encoding="utf-8-sig") as file:
                if not file.readline().startswith(_HEAD):
                    continue
            changed = path.stat().st_mtime
        except (BenchError, OSError, UnicodeDecodeError):
            continue
        by_hand = 0
        try:
            read = _read(path)
            crystals, said = list(read.crystals), ""
            by_hand = sum(1 for row in read.rows if row.corrected)
        except IcewrightError as error:
            crystals, said = [], error.message or str(error)
        out.append(
            shapes.MeasuredBrief(name=name, crystals=crystals, changed=changed, error=said, corrected=by_hand)
        )
    return sorted(out, key=lambda b: -b.changed)


def series(folder: Path, name: str, crystal: int) -> shapes.Measured:
    """One crystal of a series over time, with standard uncertainties. Raises BenchError 404, RecordError."""
    *folders, file = name.split("~")
    path = inside(folder, *(plain_name(part) for part in folders), plain_name(file, ".csv"))
    if not path.is_file() or path.stat().st_size > _LARGEST:
        raise BenchError(404, "There is no such series.", got=name[:100])
    read = _read(path)
    rows = [row for row in read.of(crystal) if row.time_s is not None]
    if not rows:
        raise BenchError(
            404, "That crystal has no sizes with a time.", got=f"crystal {crystal}",
            wanted=", ".join(str(n) for n in read.crystals)[:200],
        )  # fmt: skip
    rows.sort(key=lambda row: row.time_s or 0.0)

    def um(quantity: str, views: tuple[str, ...], part: int) -> list[float | None]:
        out: list[float | None] = []
        for row in rows:
            pair = row.values.get(quantity) if row.view in views else None
            known = pair is not None and pair[part] == pair[part]
            out.append(pair[part] * 1e6 if pair is not None and known else None)
        return out

    plan, side = ("plan", "round", ""), ("side",)
    columns: dict[str, list[float | None]] = {
        "time_s": [row.time_s for row in rows],
        "radius_um": um("radius_tip_m", plan, 0),
        "u_radius_um": um("radius_tip_m", plan, 1),
        "thickness_um": um("length_m", side, 0),
        "u_thickness_um": um("length_m", side, 1),
    }
    by_hand = sum(1 for row in rows if row.corrected)
    return shapes.Measured(name=name, crystal=crystal, columns=columns, corrected=by_hand)


def _read(path: Path) -> GrowthSeries:
    from icewright.measure.format import read_csv

    return read_csv(path)
