"""The growth-series format: sizes of crystals against time with uncertainties, as one CSV and one data set.

Kind ``icewright.growth-series``, schema 1. A row of the CSV is one crystal in one picture. For each quantity
``name`` there is a column ``u_name``, its standard uncertainty (68 %). Units are in the names, SI. An empty
cell is "not known": nothing is ever given as 0 because it was not found. The last two columns repeat kind and
schema on every row, so that any CSV reader opens the file with no comment line to skip.

The data set has dimensions ``crystal`` and ``time``, the same names as variables, and units and meanings in
the attributes; a crystal that was not measured at a time holds NaN there.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from icewright.ground.errors import RecordError
from icewright.ground.records import check_kind
from icewright.notebook.files import guard, write_atomic

if TYPE_CHECKING:
    import xarray

KIND = "icewright.growth-series"
SCHEMA = 1


class Quantity(NamedTuple):
    """Name in the header, unit, and meaning."""

    name: str
    unit: str
    meaning: str


QUANTITIES = (
    Quantity("radius_tip_m", "m", "centre to the tips, mean of the six"),
    Quantity("radius_facet_m", "m", "centre to the outline half-way between tips, mean of the six"),
    Quantity("radius_max_m", "m", "centre to the farthest point of the outline"),
    Quantity("length_m", "m", "long side of a column lying down"),
    Quantity("width_m", "m", "its short side; of a capped column its waist"),
    Quantity("area_m2", "m2", "area inside of the outline"),
    Quantity("perimeter_m", "m", "length of the outline"),
    Quantity("solidity", "1", "area over the area of the convex hull"),
    Quantity("departure", "1", "rms departure of the outline's reach from its sixfold and mirror mean"),
    Quantity(
        "angle_rad", "rad", "direction of a tip (plan) or of the long side (side), from +x, against the clock"
    ),
    Quantity("centre_x_m", "m", "from the middle of the picture's top left pixel to the right"),
    Quantity("centre_y_m", "m", "from there upwards, so that it is negative in the picture"),
    *(
        Quantity(f"arm_{k}_m", "m", f"centre to tip {k}, counted against the clock from angle_rad")
        for k in range(1, 7)
    ),
    *(Quantity(f"facet_{k}_m", "m", f"centre to the facet after tip {k}") for k in range(1, 7)),
    Quantity("tip_velocity_m_s", "m/s", "slope of radius_tip_m by local regression"),
    Quantity("facet_velocity_m_s", "m/s", "slope of radius_facet_m by local regression"),
    Quantity("length_velocity_m_s", "m/s", "slope of length_m by local regression"),
    Quantity("width_velocity_m_s", "m/s", "slope of width_m by local regression"),
)
NAMES = tuple(q.name for q in QUANTITIES)
TEXTS = ("picture", "view", "quality", "reasons", "corrected")
HEAD = ("crystal", "time_s")
HEADER = (
    *HEAD,
    "picture",
    "view",
    "quality",
    *(column for name in NAMES for column in (name, f"u_{name}")),
    "reasons",
    "corrected",
    "kind",
    "schema",
)


@dataclass(frozen=True)
class Row:
    """One crystal in one picture. ``values``: name -> (value, standard uncertainty); missing is not known.

    ``corrected``: what was corrected by hand, in words; empty where the row is as found.
    """

    crystal: int
    time_s: float | None
    picture: str
    view: str
    quality: str
    values: Mapping[str, tuple[float, float]]
    reasons: tuple[str, ...] = ()
    corrected: str = ""


@dataclass(frozen=True)
class GrowthSeries:
    """Rows in the order of crystal and time, and what is true of all of them (``about``)."""

    rows: tuple[Row, ...]
    about: Mapping[str, Any] = field(default_factory=dict)

    @property
    def crystals(self) -> tuple[int, ...]:
        """Numbers of the crystals, ascending."""
        return tuple(sorted({row.crystal for row in self.rows}))

    def of(self, crystal: int) -> tuple[Row, ...]:
        """Rows of one crystal by time."""
        return tuple(row for row in self.rows if row.crystal == crystal)


def write_csv(series: GrowthSeries, path: Path) -> Path:
    """Write the CSV, whole or not at all. Raises ``StoreError``."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    for row in series.rows:
        cells: list[str] = [str(row.crystal), _word(row.time_s), row.picture, row.view, row.quality]
        for name in NAMES:
            pair = row.values.get(name)
            cells += [_word(pair[0]), _word(pair[1])] if pair is not None else ["", ""]
        writer.writerow([*cells, "; ".join(row.reasons), row.corrected, KIND, str(SCHEMA)])
    write_atomic(path, out.getvalue().encode())
    return path


def read_csv(path: Path) -> GrowthSeries:
    """Read it back. Columns that this version does not know are left out.

    Raises ``RecordError`` for another kind, a newer schema, a missing column or a word where a number should
    be, by its line; ``StoreError`` if the file cannot be read.
    """
    with guard(path):
        text = path.read_text(encoding="utf-8-sig")
    reader = csv.DictReader(io.StringIO(text))
    names = reader.fieldnames or []
    missing = [name for name in (*HEAD, "picture", "quality", "kind", "schema") if name not in names]
    if missing:
        raise RecordError(
            f"{path.name} is no growth series.", got="no column " + ", ".join(missing), wanted=f"kind {KIND}"
        )
    rows = []
    for line, record in enumerate(reader, start=2):
        schema = record["schema"] or ""
        check_kind(
            {"kind": record["kind"], "schema": int(schema) if schema.isdigit() else schema}, KIND, SCHEMA
        )
        try:
            values = {}
            for name in NAMES:
                if record.get(name):
                    values[name] = (float(record[name]), float(record.get(f"u_{name}") or "nan"))
            rows.append(
                Row(
                    int(record["crystal"]),
                    float(record["time_s"]) if record["time_s"] else None,
                    record["picture"],
                    record.get("view") or "",
                    record["quality"],
                    values,
                    tuple(p for p in (record.get("reasons") or "").split("; ") if p),
                    record.get("corrected") or "",
                )
            )
        except ValueError as error:
            raise RecordError(
                f"{path.name}, line {line}: a number cannot be read.", got=str(error)
            ) from error
    return GrowthSeries(tuple(rows))


def dataset(series: GrowthSeries) -> xarray.Dataset:
    """The same as labelled arrays, dimensions (crystal, time); time in seconds, NaN where not measured.

    Pictures without times are laid out by their order, and the coordinate says so.
    """
    import numpy as np
    import xarray as xr

    timed = all(row.time_s is not None for row in series.rows)
    order = {name: k for k, name in enumerate(dict.fromkeys(row.picture for row in series.rows))}
    stations = (
        sorted({(float(row.time_s or 0.0), row.picture) for row in series.rows})
        if timed
        else [(float(k), name) for name, k in order.items()]
    )
    place = {name: k for k, (_, name) in enumerate(stations)}
    crystals = series.crystals
    shape = (len(crystals), len(stations))
    data: dict[str, Any] = {}
    for q in QUANTITIES:
        value, u = np.full(shape, np.nan), np.full(shape, np.nan)
        for row in series.rows:
            pair = row.values.get(q.name)
            if pair is not None:
                at = (crystals.index(row.crystal), place[row.picture])
                value[at], u[at] = pair
        if np.isnan(value).all():
            continue
        data[q.name] = (("crystal", "time"), value, {"units": q.unit, "long_name": q.meaning})
        data[f"u_{q.name}"] = (
            ("crystal", "time"),
            u,
            {"units": q.unit, "long_name": f"standard uncertainty of {q.name}"},
        )
    for name in ("quality", "view", "corrected"):
        words = np.full(shape, "", dtype=object)
        for row in series.rows:
            words[crystals.index(row.crystal), place[row.picture]] = getattr(row, name)
        data[name] = (("crystal", "time"), words.astype(str))
    time = (
        {"units": "s", "long_name": "time since the first picture"}
        if timed
        else {
            "units": "1",
            "long_name": "number of the picture; no times were known",
        }
    )
    return xr.Dataset(
        data,
        coords={
            "crystal": ("crystal", list(crystals)),
            "time": ("time", np.array([t for t, _ in stations], dtype=float), time),
            "picture": ("time", np.array([name for _, name in stations], dtype=str)),
        },
        attrs={"kind": KIND, "schema": SCHEMA, **{k: v for k, v in series.about.items() if _flat(v)}},
    )


def write_netcdf(series: GrowthSeries, path: Path) -> Path:
    """Write the data set as NetCDF. Raises ``StoreError``."""
    beside = path.with_name(f".{path.name}.part")
    with guard(path):
        dataset(series).to_netcdf(beside, engine="h5netcdf")
        beside.replace(path)
    return path


def _flat(value: Any) -> bool:
    return isinstance(value, str | int | float) and not isinstance(value, bool)


def _word(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else f"{value:.9g}"
