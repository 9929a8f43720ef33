"""Two equal crystals too close starve each other: the two-sphere factor."""

from __future__ import annotations

import math

from icewright.evidence.bodies import capacitance, spheroid
from icewright.evidence.model import Finding, Plan, Row, judged

name = "two-spheres"
title = "How much do two equal crystals starve each other?"
source = "potential theory (bispherical coordinates), checked against image charges to 8 digits (public)"
states = (
    "each of two equal spheres draws ln 2 of its lone flux in contact, 0.757 at 3 radii apart, 0.909 at 10"
)
TOLERANCE = 0.02  # ours: a sphere of 20 voxels in radius
RADIUS = 20


def published(distance: float) -> float:
    """Factor on the flux of each of two equal spheres, centres ``distance`` radii apart (2 and more).

    sinh b sum_{n>=1} (-1)^(n+1)/sinh(n b), cosh b = distance/2; ln 2 in contact.
    """
    b = math.acosh(distance / 2)
    if b < 1e-6:
        return math.log(2)
    total, n = 0.0, 1
    while n * b < 60 and n < 100_000:
        total += (-1) ** (n + 1) / math.sinh(n * b)
        n += 1
    return math.sinh(b) * total


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    R = RADIUS
    lone = 2 * capacitance("round", R, 0, R, spheroid(R, R))[0]
    rows = []
    for distance in (3.0, 10.0) if plan.quick else (2.2, 3.0, 5.0, 10.0):
        h = distance / 2 * R
        each, far = capacitance("round", R, h - R, h + R, spheroid(R, R, h))
        want, got = published(distance), each / lone
        rows.append(
            Row(
                f"flux of each, centres {distance:g} radii apart",
                f"{want:.4f}",
                "public",
                "none (perfect sink)",
                "any",
                got,
                "of the lone sphere",
                got / want - 1,
                judged(got, want * (1 - TOLERANCE), want * (1 + TOLERANCE)),
                f"far flux over surface flux {far:.4f}; rule of thumb 1/(1 + R/s) "
                f"{1 / (1 + 1 / distance):.3f}",
            )
        )
    return Finding(
        tuple(rows),
        (
            "The engine has no neighbours; a body above its mirror plane has one, its own image, and that "
            "is tested here. The rule for the bench: at ten radii a neighbour still takes a tenth.",
        ),
        "",
    )
