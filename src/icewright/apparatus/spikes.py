"""Gaps and spikes in a record, found by a stated rule and shown, never mended in silence.

Gap: two readings further apart than `GAP_FACTOR` times the usual interval (the median one).

Spike: a reading further from the median of itself and its three neighbours on each side than `SPIKE_FACTOR`
standard deviations, where the deviation is 1.4826 times the median absolute deviation of those seven (the
Hampel identifier; J. Am. Stat. Assoc. 69, 383, 1974, DOI 10.1080/01621459.1974.10482962, from memory). Seven
readings know their deviation poorly, so it is never taken below the noise of the whole record, nor the limit
below five times the logger's own smallest step, because a quantised record that stands still has no deviation
at all. A step that stays, or a ramp, is not a spike: there the median goes along.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GAP_FACTOR = 3.0
SPIKE_FACTOR = 6.0
HALF = 3  # neighbours on each side
MAD_TO_SIGMA = 1.4826  # 1 / Phi^-1(3/4): for a normal distribution
SMALLEST_STEPS = 5.0
RULE = (
    f"gap: more than {GAP_FACTOR:g} times the usual interval without a reading; spike: more than "
    f"{SPIKE_FACTOR:g} robust standard deviations from the median of {2 * HALF + 1} readings"
)


@dataclass(frozen=True)
class Gap:
    """Time without readings: seconds of the readings on both sides, their lines, and the channel ("" all)."""

    start_s: float
    end_s: float
    first_line: int
    last_line: int
    channel: str = ""

    @property
    def length_s(self) -> float:
        """Seconds without a reading."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class Spike:
    """One reading that was taken out: its second, line, channel, what was read and what stands there now."""

    time_s: float
    line: int
    channel: str
    read: float
    mended: float


def usual_interval_s(time_s: NDArray[np.float64]) -> float:
    """The median interval between readings, s; 0 for fewer than two."""
    steps = np.diff(time_s)
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def find_gaps(time_s: NDArray[np.float64], lines: Sequence[int], channel: str = "") -> list[Gap]:
    """Every gap between the readings at `time_s` (growing), by the rule at the top of this module."""
    usual = usual_interval_s(time_s)
    if usual == 0.0:
        return []
    wide = np.flatnonzero(np.diff(time_s) > GAP_FACTOR * usual)
    return [
        Gap(float(time_s[i]), float(time_s[i + 1]), int(lines[i]), int(lines[i + 1]), channel)
        for i in wide.tolist()
    ]


def find_spikes(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which readings are spikes, bool (n,); NaN never is. Fewer than seven readings are not judged."""
    n = len(values)
    out = np.zeros(n, dtype=bool)
    known = np.flatnonzero(np.isfinite(values))
    y = values[known]
    width = 2 * HALF + 1
    if y.size < width:
        return out
    windows = np.lib.stride_tricks.sliding_window_view(y, width)
    # Near an end the first or last whole window is asked.
    place = np.clip(np.arange(y.size) - HALF, 0, y.size - width)
    middle = np.median(windows, axis=1)
    spread = MAD_TO_SIGMA * np.median(np.abs(windows - middle[:, None]), axis=1)
    spread = np.maximum(spread, noise(y))
    limit = np.maximum(SPIKE_FACTOR * spread, SMALLEST_STEPS * resolution(y))[place]
    out[known] = np.abs(y - middle[place]) > limit
    return out


def resolution(values: NDArray[np.float64]) -> float:
    """The smallest step between readings that follow each other, 0 if they never change.

    The 5 % quantile of the steps that are not zero stands for it, so that rounding in a converted unit does
    not count as a step.
    """
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    steps = steps[steps > 1e-9 * max(1.0, float(np.nanmax(np.abs(values), initial=0.0)))]
    return float(np.quantile(steps, 0.05)) if steps.size else 0.0


def noise(values: NDArray[np.float64]) -> float:
    """Standard deviation of white noise on a smooth record.

    From second differences, which straight lines leave at zero: their variance is 6 times that of the noise;
    taken robustly (1.4826 times the median absolute one), so that spikes and steps do not count.
    """
    second = np.diff(values[np.isfinite(values)], n=2)
    if not second.size:
        return 0.0
    return float(MAD_TO_SIGMA * np.median(np.abs(second)) / np.sqrt(6.0))


def bridge(time_s: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same readings with straight lines where they are NaN, (n,); ends are held."""
    known = np.isfinite(values)
    return np.asarray(np.interp(time_s, time_s[known], values[known]), dtype=float)
