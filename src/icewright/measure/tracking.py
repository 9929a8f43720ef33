"""Which crystal is which from one picture to the next, while the stage drifts and crystals grow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from icewright.measure.signal import FloatArray

MOST_GROWTH = 2.5  # a crystal's area changes by less than this factor from one picture to the next


@dataclass(frozen=True)
class Spot:
    """Where a crystal is in one picture: centre (m), area (m2)."""

    x_m: float
    y_m: float
    area_m2: float


def track(pictures: Sequence[Sequence[Spot]]) -> list[list[int]]:
    """A crystal's number for each spot of each picture, from 1 in the order of first sight.

    From picture to picture the whole field drifts by the median shift of its crystals (found first for each
    pair of likely spots), then the assignment with the least sum of distances is taken (scipy's
    ``linear_sum_assignment``), a distance being the way left over in radii plus the change of log area. A
    crystal that was not seen for a while is looked for where it was last seen, up to five pictures back.
    """
    from scipy.optimize import linear_sum_assignment

    numbers: list[list[int]] = []
    last: dict[int, tuple[int, Spot]] = {}  # crystal -> picture, spot
    offset = np.zeros(2)  # sum of drifts up to the picture at hand
    offsets: list[FloatArray] = []
    count = 0
    for k, spots in enumerate(pictures):
        known = {n: (at, s) for n, (at, s) in last.items() if k - at <= 5}
        given = [0] * len(spots)
        if known and spots:
            names = sorted(known)
            before = np.array([[known[n][1].x_m, known[n][1].y_m] for n in names], dtype=float)
            before += np.array([offset - offsets[known[n][0]] for n in names])
            now = np.array([[s.x_m, s.y_m] for s in spots], dtype=float)
            size = np.array([[abs(math.log(s.area_m2 / known[n][1].area_m2)) for s in spots] for n in names])
            radius = np.array([math.sqrt(known[n][1].area_m2 / math.pi) for n in names])
            drift = _drift(before, now, size)
            way = np.hypot(*(now[None] - before[:, None] - drift).transpose(2, 0, 1)) / radius[:, None]
            cost = way + size
            cost[(size > math.log(MOST_GROWTH)) | (way > 1.0)] = 1e6
            for i, j in zip(*linear_sum_assignment(cost), strict=True):
                if cost[i, j] < 1e6:
                    given[j] = names[i]
            offset = offset + drift
        offsets.append(offset.copy())
        for j, spot in enumerate(spots):
            if not given[j]:
                count += 1
                given[j] = count
            last[given[j]] = (k, spot)
        numbers.append(given)
    return numbers


def _drift(before: FloatArray, now: FloatArray, size: FloatArray) -> FloatArray:
    """The shift that brings most crystals onto one of like size; the smallest of equals."""
    pairs = [
        (i, j) for i in range(len(before)) for j in range(len(now)) if size[i, j] < math.log(MOST_GROWTH)
    ]
    if not pairs:
        return np.zeros(2)
    shifts = np.array([now[j] - before[i] for i, j in pairs])
    scale = float(np.median(np.hypot(*shifts.T))) + 1e-12
    near = max(2e-6, 0.1 * scale)
    votes = np.array([np.count_nonzero(np.hypot(*(shifts - s).T) < near) for s in shifts])
    best = shifts[votes == votes.max()]
    start = best[int(np.argmin(np.hypot(*best.T)))]
    close = shifts[np.hypot(*(shifts - start).T) < near]
    return np.asarray(np.median(close, axis=0))
