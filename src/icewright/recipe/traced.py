"""Air that changes in any way over time, as the steps of a recipe: straight ramps that stay close to it.

Knots are chosen by splitting at the worst moment until every moment lies within the tolerance of the straight
lines (Computer Graphics and Image Processing 1, 244, 1972, DOI 10.1016/S0146-664X(72)80017-0, from memory).
Temperature and supersaturation share their knots, because one step ramps both. For a noisy record the values
at the knots are then those of least squares over all moments: the extreme readings at which it was split
would lie to one side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.recipe.endings import Endings
from icewright.recipe.limits import RecipeError
from icewright.recipe.step import Humidity, Step

Array = NDArray[np.float64]

TEMPERATURE_K = 0.01  # a tenth of the smallest step that matters to a bench: 0.7 % of sigma at -15 degC
SIGMA = 0.0005


@dataclass(frozen=True)
class Trace:
    """Air over time; every array float64 (n,).

    Attributes:
        time_s: seconds from the start, growing.
        temperature_k: kelvin.
        sigma: supersaturation over ice, a fraction.
    """

    time_s: Array
    temperature_k: Array
    sigma: Array

    def at(self, time_s: float) -> tuple[float, float]:
        """(temperature in K, sigma) at a moment, between its neighbours; the ends are held."""
        return (
            float(np.interp(time_s, self.time_s, self.temperature_k)),
            float(np.interp(time_s, self.time_s, self.sigma)),
        )


def knots(trace: Trace, tolerance_k: float = TEMPERATURE_K, tolerance_sigma: float = SIGMA) -> list[int]:
    """Moments (indices, growing, ends included) between which straight lines stay within the tolerance.

    Raises:
        RecipeError: for fewer than two moments, or moments that do not grow.
    """
    t = np.asarray(trace.time_s, dtype=float)
    if t.size < 2 or not np.all(np.diff(t) > 0):
        raise RecipeError(
            got=f"{t.size} moments" if t.size < 2 else "moments that do not follow each other",
            wanted="air at two moments or more, growing in time",
        )
    scaled = [(trace.temperature_k, tolerance_k), (trace.sigma, tolerance_sigma)]
    kept = {0, t.size - 1}
    stack = [(0, t.size - 1)]
    while stack:
        low, high = stack.pop()
        if high - low < 2:
            continue
        inner = slice(low + 1, high)
        worst = np.zeros(high - low - 1)
        for values, tolerance in scaled:
            slope = (values[high] - values[low]) / (t[high] - t[low])
            line = values[low] + slope * (t[inner] - t[low])
            worst = np.maximum(worst, np.abs(values[inner] - line) / tolerance)
        split = low + 1 + int(np.argmax(worst))
        if worst[split - low - 1] > 1.0:
            kept.add(split)
            stack += [(low, split), (split, high)]
    return sorted(kept)


def least_squares(trace: Trace, at: list[int]) -> Trace:
    """Values at the knots whose straight lines lie closest to all moments, (len(at),) each.

    The hat function of each knot is a column; the normal equations are then of three diagonals.
    """
    from scipy.linalg import solveh_banded

    t, k = np.asarray(trace.time_s, dtype=float), np.asarray(trace.time_s)[at]
    place = np.clip(np.searchsorted(k, t, side="right") - 1, 0, len(at) - 2)
    right = (t - k[place]) / (k[place + 1] - k[place])
    left = 1.0 - right
    n = len(at)
    bands = np.zeros((2, n))
    bands[1] = np.bincount(place, left * left, n) + np.bincount(place + 1, right * right, n)
    bands[0, 1:] = np.bincount(place, left * right, n - 1)[: n - 1]
    out = [
        solveh_banded(bands, np.bincount(place, left * y, n) + np.bincount(place + 1, right * y, n))
        for y in (trace.temperature_k, trace.sigma)
    ]
    return Trace(k, out[0], out[1])


def steps_of(
    trace: Trace,
    *,
    tolerance_k: float = TEMPERATURE_K,
    tolerance_sigma: float = SIGMA,
    noisy: bool = False,
    size: Endings | None = None,
    note: str = "",
) -> tuple[list[Step], list[int]]:
    """Steps that follow the trace, and the index of the moment at which each begins.

    Args:
        trace: the air.
        tolerance_k: largest distance in temperature, K.
        tolerance_sigma: largest distance in supersaturation, a fraction.
        noisy: whether the values at the knots are those of least squares (see the top of this module).
        size: sizes that may end each of the steps early; its time is not used.
        note: words for the first step.

    Raises:
        RecipeError: for air that no step may have.
    """
    at = knots(trace, tolerance_k, tolerance_sigma)
    return steps_between(trace, at, noisy=noisy, size=size, note=note), at[:-1]


def steps_between(
    trace: Trace, at: list[int], *, noisy: bool = False, size: Endings | None = None, note: str = ""
) -> list[Step]:
    """The steps of :func:`steps_of` between knots (indices, ends included) that were chosen elsewhere."""
    held = least_squares(trace, at) if noisy else Trace(*(np.asarray(a)[at] for a in _columns(trace)))
    ends = size or Endings()
    steps = []
    for i in range(len(at) - 1):
        t = [_rounded(float(held.temperature_k[j]) - 273.15, 4) for j in (i, i + 1)]
        s = [_rounded(float(held.sigma[j]) * 100.0, 4) for j in (i, i + 1)]
        steps.append(
            Step(
                temperature_k=(_kelvin(t[0]), _kelvin(t[1])),
                humidity=Humidity(measure="sigma", start=_fraction(s[0]), end=_fraction(s[1])),
                endings=Endings(
                    time_s=_seconds(float(held.time_s[i + 1] - held.time_s[i])),
                    radius_m=ends.radius_m,
                    thickness_m=ends.thickness_m,
                    mass_kg=ends.mass_kg,
                ),
                note=note if i == 0 else "",
            )
        )
    return steps


def hold(trace_end: tuple[float, float], size: Endings, note: str = "") -> Step:
    """A step that holds (temperature in K, sigma) until a size ends it."""
    t, s = trace_end
    sigma = _fraction(_rounded(s * 100.0, 4))
    kelvin = _kelvin(_rounded(t - 273.15, 4))
    return Step(
        temperature_k=(kelvin, kelvin),
        humidity=Humidity(measure="sigma", start=sigma, end=sigma),
        endings=size,
        note=note,
    )


def _columns(trace: Trace) -> tuple[Array, Array, Array]:
    return trace.time_s, trace.temperature_k, trace.sigma


def _rounded(value: float, digits: int) -> float:
    # A recipe is read by people: a tenth of a millikelvin is far below any tolerance here.
    return round(value, digits) + 0.0


def _kelvin(celsius: float) -> float:
    from icewright.recipe.quantities import CELSIUS

    return CELSIUS.to_si(celsius)


def _fraction(percent: float) -> float:
    from icewright.recipe.quantities import PERCENT

    return PERCENT.to_si(percent)


def _seconds(value: float) -> float:
    from icewright.recipe.quantities import MINUTE

    return MINUTE.to_si(_rounded(value / 60.0, 6))
