"""Crystals at water saturation over temperature, shared by every comparison that asks how habit follows
it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from icewright.evidence.cells import Cell, Grown
from icewright.evidence.model import Plan
from icewright.kinetics.family import Member

QUICK_C = (-2.0, -4.0, -5.5, -7.0, -9.0, -12.0, -15.0, -18.0, -22.0)
FULL_C = (
    *(-1.0, -2.0, -3.0, -4.0, -5.0, -5.5, -6.0, -7.0, -8.0, -9.0, -10.0, -11.0),
    *(-12.0, -13.0, -14.0, -15.0, -16.0, -17.0, -18.0, -20.0, -22.0),
)


def temperatures(plan: Plan) -> tuple[float, ...]:
    """Warmest first, degC."""
    return QUICK_C if plan.quick else FULL_C


def cell(plan: Plan, temperature_c: float, member: Member, diffusivity: str = "1976") -> Cell:
    """A crystal from a seed as long as wide, read half-way and at the end (3 and 6 min, in full 5 and 10)."""
    minutes, voxel = ((3.0, 6.0), 2.0) if plan.quick else ((5.0, 10.0), 1.0)
    until = tuple(("minutes", m) for m in minutes)
    return Cell(temperature_c, ("water", 1.0), until, member, diffusivity, voxel_um=voxel)


def scan(plan: Plan) -> dict[tuple[str, str], dict[float, Grown]]:
    """For each (table, diffusivity): what grew at each temperature."""
    keys = [(member, d) for member in plan.members() for d in plan.diffusivities]
    cells = {(m.name, d): {t: cell(plan, t, m, d) for t in temperatures(plan)} for m, d in keys}
    grown = plan.grow([c for row in cells.values() for c in row.values()])
    return {key: {t: grown[c] for t, c in row.items()} for key, row in cells.items()}


def peak(at: Sequence[float], values: Sequence[float | None]) -> float | None:
    """Temperature of the largest value, by a parabola through it and its two neighbours; None without any."""
    known = [(t, v) for t, v in zip(at, values, strict=True) if v is not None]
    if not known:
        return None
    i = max(range(len(known)), key=lambda j: known[j][1])
    if i in (0, len(known) - 1):
        return known[i][0]
    (x0, y0), (x1, y1), (x2, y2) = known[i - 1 : i + 2]
    d0, d2 = (y1 - y0) / (x1 - x0), (y2 - y1) / (x2 - x1)
    curve = (d2 - d0) / (x2 - x0)
    if curve >= 0:
        return x1
    return x1 - (d0 + curve * (x1 - x0)) / (2 * curve)


def crossings(at: Sequence[float], ratios: Sequence[float | None]) -> list[tuple[float, bool]]:
    """Where a ratio passes 1 going colder, by its logarithm: (temperature, True where it rises through 1)."""
    known = [(t, math.log(r)) for t, r in zip(at, ratios, strict=True) if r is not None and r > 0]
    found = []
    for (t0, y0), (t1, y1) in pairwise(known):
        if (y0 < 0) != (y1 < 0):
            found.append((t0 + (t1 - t0) * y0 / (y0 - y1), y1 > y0))
    return found
