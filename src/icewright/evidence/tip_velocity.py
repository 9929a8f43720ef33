"""How the speed of a branch tip follows the supersaturation."""

from __future__ import annotations

import math

from icewright.evidence.cells import Cell
from icewright.evidence.model import CANNOT_TELL, Finding, Plan, Row, judged

name = "tip-velocity"
title = "Does a tip's speed go with the supersaturation or with its square?"
source = "J. Cryst. Growth 240, 241, 2002, arXiv:cond-mat/0101193; abstract read"
states = (
    "v ~ sigma if attachment kinetics select the tip, v ~ sigma^2 if surface energy does; for ice from "
    "vapour kinetics are often the more important"
)
SLOPE = (0.75, 1.5)  # nearer 1 than 2, with room for a nucleation barrier: ours
TEMPERATURE_C = -15.0


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    sigmas = (10.0, 15.0) if plan.quick else (8.0, 10.0, 12.0, 15.0)
    radii = (20.0, 35.0) if plan.quick else (40.0, 60.0)
    cells = {
        (m.name, d, s): Cell(
            TEMPERATURE_C,
            ("sigma", s),
            tuple(("radius_um", x) for x in radii),
            m,
            d,
            model="3d",
            voxel_um=2.0,
            seed_thickness_um=4.0,
        )
        for m in plan.members()
        for d in plan.diffusivities
        for s in sigmas
    }
    grown = plan.grow(list(cells.values()))
    rows, plots = [], {}
    for m in plan.members():
        for d in plan.diffusivities:
            reads = [(s, grown[cells[m.name, d, s]].at()) for s in sigmas]
            points = [(s, float(r["tip_velocity_um_s"])) for s, r in reads if r and r["tip_velocity_um_s"]]
            slope = _slope(points) if len(points) > 1 else None
            plots[f"{m.name}|{d}"] = {"sigma_percent": [p[0] for p in points], "um_s": [p[1] for p in points]}
            rows.append(
                Row(
                    f"slope of ln v against ln sigma, radius {radii[0]:g} to {radii[1]:g} um (misfit from 1)",
                    "1 (kinetics) or 2 (surface energy)",
                    "read",
                    m.name,
                    d,
                    slope,
                    "",
                    None if slope is None else slope - 1,
                    CANNOT_TELL if slope is None else judged(slope, *SLOPE, "read"),
                    "; ".join(f"{s:g} %: {v:.3f} um/s" for s, v in points),
                )
            )
    return Finding(
        tuple(rows),
        (
            "A weak test: the engine has no surface energy on tips finer than a voxel, so it cannot give "
            "the slope 2. What it can fail is the slope 1.",
        ),
        "A slope above 1 means a barrier still felt at the tip, or a shape that changes with humidity; "
        "below 1, tips that widen.",
        plots=plots,
    )


def _slope(points: list[tuple[float, float]]) -> float:
    """Least squares of ln v on ln sigma."""
    x, y = [math.log(p[0]) for p in points], [math.log(p[1]) for p in points]
    mx, my = sum(x) / len(x), sum(y) / len(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sum((a - mx) ** 2 for a in x)
