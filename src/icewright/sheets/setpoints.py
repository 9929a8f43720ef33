"""Set-points for a temperature or humidity controller: a table over time, straight between its rows.

A controller knows the clock and not the crystal. Where a size ends a step, its last row stands at the time
that the prediction gives, and says so in ``until``: there the programme must wait for the person.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from icewright.ground.units import kelvin_to_celsius, percent

if TYPE_CHECKING:
    from icewright.recipe.step import Step
    from icewright.sheets.content import Station

KIND = "icewright.setpoints"
SCHEMA = 1
NAMES = (
    "time_s",
    "step",
    "until",
    "temperature_c",
    "sigma_percent",
    "humidity_over_water_percent",
    "frost_point_c",
    "vapour_pressure_pa",
)
RAMP_ROWS = 21  # between them a straight line misses a ramp by under 0.01 K of frost point in 10 K

# (step from 0, seconds into it, temperature in K, sigma) to settings in the units of their names
Knobs = Callable[[int, float, float, float], Mapping[str, float]]


@dataclass(frozen=True)
class SetPoint:
    """One row: time since the start (s), step, what ends it, air in SI, settings in their names' units."""

    time_s: float
    step: str
    until: str
    temperature_k: float
    sigma: float
    settings: Mapping[str, float] = field(default_factory=dict)


def set_points(stations: Sequence[Station], knobs: Knobs | None = None) -> list[SetPoint]:
    """Rows of all steps, by the prediction's clock; a jump has two rows of one time.

    ``knobs`` says where the knobs of an apparatus stand.
    """
    rows = []
    number = 0
    for station in stations:
        begun = station.start.time_s
        for place, step in enumerate(station.steps):
            last = place == len(station.steps) - 1
            length = station.end.time_s - begun if last else (step.endings.time_s or 0.0)
            until = ("size" if station.ended_on_size else "clock") if last else "clock"
            for at in _moments(step, length):
                kelvin, sigma = step.temperature_at(at), step.sigma_at(at)
                told = knobs(number, at, kelvin, sigma) if knobs is not None else {}
                rows.append(SetPoint(begun + at, station.label, until, kelvin, sigma, told))
            begun += length
            number += 1
    return rows


def csv_text(rows: Sequence[SetPoint]) -> str:
    """The table as CSV, its kind and schema on every row, as in a run's ``series.csv``."""
    import numpy as np

    from icewright.vapour.supersaturation import frost_point, relative_humidity, vapour_pressure

    knobs = list(rows[0].settings) if rows else []
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*NAMES, *knobs, "kind", "schema"])
    for row in rows:
        vapour = float(vapour_pressure(row.temperature_k, row.sigma))
        damp = vapour > 1e-4  # drier air has no frost point that a formula covers
        frost = kelvin_to_celsius(float(np.asarray(frost_point(vapour)))) if damp else None
        writer.writerow(
            [
                f"{row.time_s:.1f}",
                row.step,
                row.until,
                f"{kelvin_to_celsius(row.temperature_k):.4f}",
                f"{percent(row.sigma):.4f}",
                f"{percent(float(relative_humidity(row.temperature_k, row.sigma))):.4f}",
                "" if frost is None else f"{frost:.4f}",
                f"{vapour:.4f}",
                *(f"{row.settings[name]:.6g}" for name in knobs),
                KIND,
                SCHEMA,
            ]
        )
    return out.getvalue()


def _moments(step: Step, length_s: float) -> list[float]:
    if not step.ramps or length_s <= 0:
        return [0.0, length_s]
    return [length_s * i / (RAMP_ROWS - 1) for i in range(RAMP_ROWS)]
