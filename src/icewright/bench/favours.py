"""What an air favours, in plain words, and why: from the attachment table and the scales, not from a picture.

Both facets of a compact crystal of radius R meet about the same supersaturation s, what diffusion leaves of
that far away: with their mean attachment, alpha(s) s = (X0/R) (sigma - s), the sphere law with kinetics
(docs/physics/growth.md). At that s the two attachment coefficients say which face runs. Asked twice, because
a facet's width counts: once for a thin plate (its side face narrow), once for a thin-walled column (its end
face narrow); the supposition that bears itself out more strongly is named. Where diffusion takes most of the
supersaturation, corners reach into moister air and run ahead of the middle.

The limits of the words are common practice, no source; every sentence that hangs on a value from memory says
so. This is a word for the first moment, not a prediction: the crystal beside it is that.
"""

from __future__ import annotations

import math

import numpy as np

from icewright.bench.shapes import Favours
from icewright.kinetics.model import BASAL, PRISM, Kinetics
from icewright.vapour.scales import Scales

RADIUS_M = 50e-6  # the crystal that is asked about
NARROW_M = 5e-6  # its thin edge or wall
CLEAR = 2.0  # one facet's coefficient over the other's, from which one may speak of plates or columns
BRANCHES = 0.95  # share of the far supersaturation that diffusion takes, from which corners run ahead
HOLLOWS = 0.85
STILL_UM_MIN = 0.01  # slower than this nobody sees it grow within an hour


def favours(
    sc: Scales, sigma: float, kinetics: Kinetics, *, radius_m: float = RADIUS_M, marks: tuple[str, ...] = ()
) -> Favours:
    """Words for the air described by these scales at a supersaturation over ice (fraction)."""
    remembered = _remembered(kinetics, sc.temperature_k)
    marks = (*marks, *(f"from memory: attachment table {kinetics.name}",) * remembered)
    if sigma < 0:
        return Favours(
            habit="none",
            words="Drier than ice saturation: the crystal would shrink; the model holds it unchanged.",
            why=[f"{100 * sigma:.2g} % over ice; sublimation is not modelled"],
            from_memory=False,
            marks=[],
        )
    s, basal, prism = _meeting(sc, sigma, kinetics, radius_m)
    taken = 1.0 - s / sigma if sigma > 0 else 0.0
    um_min = sc.v_kin_m_s * 6e7
    if max(basal, prism) * s * um_min < STILL_UM_MIN:
        habit, words = "none", "Hardly anything grows: neither face makes new layers in this air."
    else:
        habit, words = _habit(prism / max(basal, 1e-30), taken)
    why = [
        f"diffusion takes {100 * taken:.0f} % of the {100 * sigma:.3g} % on the way to a crystal of "
        f"{radius_m * 1e6:.0f} um in radius"
        + ("; corners reach into moister air and run ahead" if taken > BRANCHES else ""),
        f"of the molecules that strike, {100 * prism:.2g} % stay on the side faces and {100 * basal:.2g} % "
        f"on the end faces at what is left ({kinetics.name})",
    ]
    over = sigma - sc.sigma_water
    if over > 1e-6:
        why.append(
            f"{100 * over:.2g} % above water saturation: fog droplets form and take vapour; not modelled"
        )
    return Favours(habit=habit, words=words, why=why, from_memory=remembered, marks=list(marks))


def _habit(ratio: float, taken: float) -> tuple[str, str]:
    if ratio >= CLEAR:
        if taken > BRANCHES:
            return "star", "Plates whose corners run ahead: arms, and side branches near water saturation."
        return "plate", "Flat plates: the sides outrun the ends, and the middle of each side keeps up."
    if ratio <= 1 / CLEAR:
        if taken > BRANCHES:
            return "hollow column", "Columns with hollow ends, or needles: the rims run ahead of the middle."
        if taken > HOLLOWS:
            return "column", "Columns; the ends begin to hollow as they grow."
        return "column", "Solid columns: the ends outrun the sides."
    if taken > BRANCHES:
        return "compact", "Neither face wins: thick crystals whose corners and edges run ahead."
    return "compact", "Neither face wins: blocks about as thick as wide."


def _meeting(sc: Scales, sigma: float, kinetics: Kinetics, radius_m: float) -> tuple[float, float, float]:
    """(supersaturation at the surface, alpha basal, alpha prism) of the stronger of the two suppositions."""
    if sigma <= 0:
        return 0.0, 0.0, 0.0
    low, high = kinetics.valid_range_k
    t_k = min(max(sc.temperature_k, low), high)

    def alphas(s: float, widths: tuple[float, float]) -> list[float]:
        return [
            float(kinetics.alpha(t_k, np.array([s]), facet, np.array([width]))[0])
            for facet, width in zip((BASAL, PRISM), widths, strict=True)
        ]

    found = []
    for widths, sign in (((radius_m, NARROW_M), 1.0), ((NARROW_M, radius_m), -1.0)):
        lo, hi = 0.0, sigma
        for _ in range(50):
            mid = 0.5 * (lo + hi)
            flux = 0.5 * sum(alphas(mid, widths)) * mid
            lo, hi = (lo, mid) if flux > sc.X0_m / radius_m * (sigma - mid) else (mid, hi)
        s = 0.5 * (lo + hi)
        basal, prism = alphas(s, widths)
        found.append((sign * math.log(prism / basal), s, basal, prism))
    _, s, basal, prism = max(found)
    return s, basal, prism


def _remembered(kinetics: Kinetics, t_k: float) -> bool:
    low, high = kinetics.valid_range_k
    return low <= t_k <= high and kinetics.from_memory(t_k)
