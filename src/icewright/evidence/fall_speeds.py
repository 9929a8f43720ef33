"""Fall speeds of crystals by the drag relations that turn time into metres."""

from __future__ import annotations

import math

from icewright.evidence.model import CANNOT_TELL, FROM_MEMORY, Finding, Plan, Row, judged
from icewright.vapour import fall_speed as fs

name = "fall-speeds"
title = "How fast do crystals fall?"
source = (
    "two-view imager, Atmos. Chem. Phys. 21, 7545, 2021, DOI 10.5194/acp-21-7545-2021 (public, outer "
    "bounds); needles: a 1993 text on cloud dynamics as quoted on a web page (read); stars: common number, "
    "from memory"
)
states = (
    "natural crystals of 0.06 to 3.2 mm fall at 0.06 to 1.6 m/s; needles 0.4 m/s at 0.5 mm and 0.6 m/s at "
    "2.5 mm; plane dendrites about 0.3 m/s"
)
BOUNDS_M_S = (0.06, 1.6)
HALF_A_DIGIT = (0.005, 0.05)  # of the bounds as printed
NEEDLE_TOLERANCE = 0.5  # ours: mass and width of those needles are not given
_AIR = (263.15, 90000.0)


def _star(size_mm: float) -> fs.FallingBody:
    """A plane dendrite: m = 0.0038 D^2 mg (from memory), a third of its circle covered (our guess)."""
    r = size_mm * 0.5e-3
    return fs.plate(0.0038e-6 * size_mm**2, r, 30e-6, math.pi * r * r / 3, 30 * r)


def _needle(length_mm: float) -> fs.FallingBody:
    """A needle: m = 0.0029 L mg (from memory), solid hexagonal prism of that mass."""
    length, mass = length_mm * 1e-3, 0.0029e-6 * length_mm
    a = math.sqrt(mass / (length * 918 * 1.5 * math.sqrt(3)))
    return fs.column(mass, a, length, 1.5 * math.sqrt(3) * a * a, 6 * a)


def _hexagon(size_mm: float) -> fs.FallingBody:
    """A hexagonal plate: h = 2.02 d^0.449 (um; from memory)."""
    r, h = size_mm * 0.5e-3, 2.02e-6 * float((size_mm * 1e3) ** 0.449)
    area = 1.5 * math.sqrt(3) * r * r
    return fs.plate(area * h * 918, r, h, area, 6 * r)


_BODIES = (
    ("hexagonal plate 0.1 mm", _hexagon(0.1), None, ""),
    ("hexagonal plate 1 mm", _hexagon(1.0), None, ""),
    ("star 1 mm", _star(1.0), 0.3, FROM_MEMORY),
    ("star 3 mm", _star(3.0), 0.3, FROM_MEMORY),
    ("needle 0.5 mm", _needle(0.5), 0.4, "read"),
    ("needle 2.5 mm", _needle(2.5), 0.6, "read"),
)


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    rows = []
    for relation in fs.RELATIONS:
        drag = f"drag relation {relation}"
        for words, body, want, known in _BODIES:
            v = fs.fall_speed(body, *_AIR, relation)
            rows.append(
                Row(
                    f"{words}: within what was seen",
                    f"{BOUNDS_M_S[0]:g} to {BOUNDS_M_S[1]:g} m/s",
                    "public",
                    drag,
                    "any",
                    v,
                    "m/s",
                    None,
                    judged(v, BOUNDS_M_S[0] - HALF_A_DIGIT[0], BOUNDS_M_S[1] + HALF_A_DIGIT[1]),
                )
            )
            if want is not None:
                low, high = want * (1 - NEEDLE_TOLERANCE), want * (1 + NEEDLE_TOLERANCE)
                rows.append(
                    Row(
                        words,
                        f"{want:g} m/s",
                        known,
                        drag,
                        "any",
                        v,
                        "m/s",
                        v / want - 1,
                        judged(v, low, high, known) if known != FROM_MEMORY else CANNOT_TELL,
                    )
                )
    return Finding(
        tuple(rows),
        (
            "At -10 degC and 900 hPa. Shapes and masses of the bodies are themselves from memory or "
            "guessed, and say so.",
        ),
        "The older relation takes the shadow at its full weight, the newer one discounts slender bodies: "
        "on needles they part by half. Needles are where a fall speed is least known here.",
    )
