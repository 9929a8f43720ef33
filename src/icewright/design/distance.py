"""How unlike two crystals are: one number from five, written down before any search was tried.

========== ==========================================================================================
size       |ln(R1 / R2)| of the radius to the farthest tip
thickness  |ln(h1 / h2)| of the full height along c
outline    1 - (area in common) / (area of either), both plans drawn to the same radius
arms       |s1 - s2| of the solidity, the area over the area of the convex hull
section    1 - (ice in common) / (ice of either), both azimuthal sections drawn to the same box
========== ==========================================================================================

``distance`` is the root of the mean of the squares of those that both crystals have (an outline has neither
thickness nor section). Each is a relative misfit, so that a tenth means a tenth: of the radius, the
thickness, the shadow, the open space between arms, the ice inside. The five are weighed alike.

Rotation does not count: both plans are drawn from a corner of their own hexagon, and an outline of unknown
orientation is turned until it fits its own six-fold average best (``icewright.design.outlines``). Where
noise-born side branches sit does not count for much either: they enter by their area.

What counts as the same crystal
-------------------------------
``SAME`` is twice the distance between regrowths of one recipe at two voxel sizes, the median of
``benchmarks/design_level.py`` over recipes of all habits (``benchmarks/results/design_level.md``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from icewright.design.portrait import PLAN_SHAPE, SECTION_SHAPE, DesignError, FloatArray, Portrait

SAME = 0.147  # the level above: measured once, before the search was written, and not moved since
TERMS = ("size", "thickness", "outline", "arms", "section")
MOST = 3.0  # a term is never counted as more than this: twenty times too large is as wrong as a hundred

_PLAN_AREA = np.broadcast_to((np.arange(PLAN_SHAPE[0]) + 0.5)[:, None], PLAN_SHAPE)
_SECTION_AREA = np.broadcast_to((np.arange(SECTION_SHAPE[0]) + 0.5)[:, None], SECTION_SHAPE)


@dataclass(frozen=True)
class Misfit:
    """The terms of a distance by name, and the distance itself."""

    terms: Mapping[str, float]

    @property
    def distance(self) -> float:
        """Root mean square of the terms."""
        if not self.terms:
            return 0.0
        return math.sqrt(sum(v * v for v in self.terms.values()) / len(self.terms))

    @property
    def worst(self) -> str:
        """The term that misses by most; empty if there is none."""
        return max(self.terms, key=lambda name: self.terms[name]) if self.terms else ""


def misfit(one: Portrait, other: Portrait, terms: tuple[str, ...] = TERMS) -> Misfit:
    """How unlike two crystals are, by the terms named; symmetric, and 0 for a crystal and itself.

    Raises ``DesignError`` for a term that does not exist.
    """
    found: dict[str, float] = {}
    for name in terms:
        if name == "size":
            value = log_ratio(one.radius_m, other.radius_m)
        elif name == "thickness":
            value = log_ratio(one.thickness_m, other.thickness_m)
        elif name == "outline":
            value = unlike(one.plan, other.plan, _PLAN_AREA)
        elif name == "arms":
            value = abs(one.sizes.solidity - other.sizes.solidity)
        elif name == "section":
            value = unlike(one.section, other.section, _SECTION_AREA)
        else:
            raise DesignError("No such term.", got=name, wanted=", ".join(TERMS))
        found[name] = min(value, MOST)
    return Misfit(found)


def distance(one: Portrait, other: Portrait, terms: tuple[str, ...] = TERMS) -> float:
    """``misfit(...).distance``."""
    return misfit(one, other, terms).distance


def log_ratio(a: float, b: float) -> float:
    """``|ln(a / b)|``; ``MOST`` if one of them is nothing."""
    if a <= 0 or b <= 0:
        return 0.0 if a == b else MOST
    return abs(math.log(a / b))


def unlike(a: FloatArray, b: FloatArray, weight: FloatArray) -> float:
    """One minus the weighted common share of two pictures of shares 0..1; 0 where both are empty."""
    either = float((weight * np.maximum(a, b)).sum())
    return 1.0 - float((weight * np.minimum(a, b)).sum()) / either if either > 0 else 0.0
