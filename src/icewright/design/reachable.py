"""What of a target cannot be had, and why: bounds known before any search, and what a search left over.

Three bounds are known beforehand:

* symmetry: a single crystal of ice has six sides; five arms it has not;
* time: a crystal takes no more vapour than diffusion brings to a body of its final size with a perfectly
  taking surface, dm/dt <= 4 pi C D c_sat sigma, C by J. Atmos. Sci. 65, 206, 2008 (fit from memory), in the
  most giving of the airs allowed; the heat it sets free would only slow it further;
* habit: the air of an apparatus may favour flat crystals at every temperature it reaches, or long ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from icewright.design.airs import Airs
from icewright.design.distance import SAME
from icewright.design.first_guess import favoured
from icewright.design.recipes import DEFAULT_SEED_M
from icewright.design.target import Grown, Target
from icewright.design.wants import NUMBERS, number
from icewright.ground.units import kelvin_to_celsius
from icewright.vapour.scales import scales

_LEAST_COVER = 0.35  # of its hexagon that the plan of any crystal fills: slender stars fill about that
_FLAT, _LONG = 0.8, 1.25


@dataclass(frozen=True)
class Reason:
    """One thing that cannot be had: ``what`` and ``why``; ``certain`` if a bound says so, not the search."""

    what: str
    why: str
    certain: bool


def bounds(target: Target, airs: Airs) -> list[Reason]:
    """Reasons known before any search."""
    found = []
    if target.arms != 6:
        found.append(
            Reason(
                f"{target.arms} arms",
                "the lattice of ice is six-fold: a single crystal has six corners and six arms. What is "
                "sought instead has six of the arms that were drawn",
                True,
            )
        )
    quickest = least_time_s(target, airs)
    limit = target.limits.time_s
    if limit is not None and quickest > limit:
        found.append(
            Reason(
                f"this size within {limit / 60:g} min",
                f"in the moistest air allowed, diffusion alone cannot bring that much vapour in less than "
                f"{_duration(quickest)}, even to a surface that takes every molecule",
                True,
            )
        )
    found += _habit(target, airs)
    return found


def least_time_s(target: Target, airs: Airs) -> float:
    """A time that no recipe can beat, s; 0 where the target gives no size.

    Its volume is at least that of the final radius, the height of target or seed, and the solidity asked for.
    """
    seed_r, seed_h = DEFAULT_SEED_M
    if target.seed is not None and target.seed.radius_m and target.seed.thickness_m:
        seed_r, seed_h = target.seed.radius_m, target.seed.thickness_m
    radius = target.radius_m or seed_r
    height = max(target.thickness_m or 0.0, seed_h)
    c = target.crystal
    if c is not None and c.sizes.volume_m3 > 0:
        volume = c.sizes.volume_m3
    else:
        # The hull of a six-fold crystal is at least the hexagon of its tips, so a solidity is a cover.
        last = target.stages[-1].wants if target.stages else ()
        asked = [w.low for w in (*target.wants, *last) if w.name == "solidity"]
        cover = c.sizes.solidity if c is not None else max([_LEAST_COVER, *asked])
        volume = cover * 1.5 * math.sqrt(3) * radius**2 * height
        if target.radius_m is None:  # a length along c only: as slender as the seed
            volume = 1.5 * math.sqrt(3) * seed_r**2 * height
    volume -= 1.5 * math.sqrt(3) * seed_r**2 * seed_h
    if volume <= 0:
        return 0.0
    capacitance = 0.58 * (1 + 0.95 * (height / (2 * radius)) ** 0.75) * radius
    best = 0.0
    for t, s in zip(airs.temperature_k[::8], airs.sigma_most[::8], strict=True):
        u = scales(float(t), target.pressure_pa)
        best = max(best, u.D_m2_s * u.c_ratio * float(s))
    return float(volume / (4 * math.pi * capacitance * best))


def _habit(target: Target, airs: Airs) -> list[Reason]:
    radius, height = target.radius_m, target.thickness_m
    wanted = height / (2 * radius) if radius and height else None
    for want in [*target.wants, *(w for s in target.stages for w in s.wants)]:
        if want.name == "aspect_ratio" and wanted is None:
            wanted = want.low if want.low >= 1 else want.high
    if wanted is None or not (wanted >= _LONG or wanted <= 0.3):
        return []
    t = airs.temperature_k[::4]
    shares = np.linspace(0.2, 1.0, 5)
    every_t = np.repeat(t, shares.size)
    every_s = np.array([airs.sigma(float(k), float(x)) for k in t for x in shares])
    size = target.extent_m
    found = favoured(
        target.kinetics, target.pressure_pa, DEFAULT_SEED_M, (size, 2 * size), np.round(every_t, 1), every_s
    )
    ratio = found.thickness_m / (2 * found.radius_m)
    where = f"{kelvin_to_celsius(airs.coldest_k):.1f} to {kelvin_to_celsius(airs.warmest_k):.1f} degC"
    if wanted >= _LONG and ratio.max() < 1.0:
        return [
            Reason(
                f"a crystal {wanted:.2g} times as long as wide",
                f"between {where}, all the air allowed, the sides outrun the faces at every humidity: it "
                "favours flat crystals only. Columns need other temperatures (near -5 degC; common practice, "
                "no source)",
                False,
            )
        ]
    if wanted <= 0.3 and ratio.min() > 1.0:
        return [
            Reason(
                f"a crystal only {wanted:.2g} times as thick as wide",
                f"between {where}, all the air allowed, the faces outrun the sides at every humidity: it "
                "favours long crystals only. Plates need other temperatures (near -2 or -15 degC; common "
                "practice, no source)",
                False,
            )
        ]
    return []


def left_over(target: Target, grown: Grown, enough: float = SAME) -> list[Reason]:
    """What the best crystal still misses by more than ``enough``, in numbers; limits that it breaks first."""
    found = []
    for name, by in target.broken(grown).items():
        key = name.split()[-1]
        most = {
            "minutes": target.limits.time_s,
            "thickness_um": target.limits.thickness_m,
            "radius_um": target.limits.radius_m,
        }[key]
        found.append(
            Reason(
                f"{key} at most {(most or 0) * NUMBERS[key]:.4g}",
                f"the nearest crystal has {number(grown.last, key):.4g} (misfit {by:.2f})",
                False,
            )
        )
    terms = target.misfit(grown).terms
    ranges = {f"wanted {w.name}": w for w in target.wants}
    ranges |= {f"stage {i} {w.name}": w for i, s in enumerate(target.stages, 1) for w in s.wants}
    for name, by in sorted(terms.items(), key=lambda item: -item[1]):
        if by <= enough:
            continue
        if name in ranges:
            want = ranges[name]
            there, late = grown.last, ""
            if name.startswith("stage"):
                stage = grown.stages[int(name.split()[1]) - 1]
                there, late = (stage, "") if stage is not None else (there, "this stage was never reached; ")
            where = name.split()[0] + (" " + name.split()[1] if name.startswith("stage") else "")
            found.append(
                Reason(
                    f"{where}: {want.text}",
                    f"{late}the nearest crystal has {number(there, want.name):.4g} (misfit {by:.2f})",
                    False,
                )
            )
        else:
            found.append(Reason(name, _shape_words(target, grown, name, by), False))
    return found


def _shape_words(target: Target, grown: Grown, name: str, by: float) -> str:
    c, p = target.crystal, grown.last
    assert c is not None
    if name == "size":
        return f"radius {p.radius_m * 1e6:.4g} um instead of {c.radius_m * 1e6:.4g} um"
    if name == "thickness":
        return f"thickness {p.thickness_m * 1e6:.4g} um instead of {c.thickness_m * 1e6:.4g} um"
    if name == "arms":
        return f"solidity {p.sizes.solidity:.3f} instead of {c.sizes.solidity:.3f}"
    return f"{100 * by:.0f} % of the {'shadow' if name == 'outline' else 'section'} is not in common"


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.3g} min"
