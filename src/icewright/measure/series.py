"""Sizes against time: smooth growth curves, velocities with errors, and the moments when growth changed.

Velocities come from local regression, not from differences: at each time a straight line (a parabola where
there are points enough) is fitted to the nearest points, near ones counting more (tricube weights), and again
with outliers weighted down (bisquare), by the method of J. Am. Stat. Assoc. 74, 829, 1979, DOI
10.1080/01621459.1979.10481038 (from memory). Its slope is the velocity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from icewright.measure.signal import FloatArray

LEAST_POINTS = 5
SPAN = 0.35  # share of the points in a neighbourhood, unless given
GAIN = 8.0  # false alarms on steady growth in fewer than 1 of 25 series of 45 points (tests)
CHANGE = 4.0  # how much better in standard deviations a kink must be to be told


@dataclass(frozen=True)
class Change:
    """A moment when the velocity changed: time, velocities before and after, with standard uncertainties.

    strength : the change over its own uncertainty.
    """

    time_s: float
    u_time_s: float
    before: float
    u_before: float
    after: float
    u_after: float
    strength: float


@dataclass(frozen=True)
class Curve:
    """A smoothed curve; arrays [n] at the times given. ``u_`` are standard uncertainties.

    weight : of each point in the last robust round, 0 for an outlier. scatter : standard deviation of a point
    about the curve. changes : moments of change, where they were looked for.
    """

    time_s: FloatArray
    value: FloatArray
    u_value: FloatArray
    slope: FloatArray
    u_slope: FloatArray
    weight: FloatArray
    scatter: float
    changes: tuple[Change, ...] = ()


def smooth(
    time_s: FloatArray, value: FloatArray, u: FloatArray | None = None, span: float | None = None
) -> Curve | None:
    """Local regression of ``value`` on ``time_s``; None for fewer than five points or a single time.

    ``u``: standard uncertainties that are independent from point to point, used as weights; equal if None.
    The uncertainties of the curve come from the scatter about it, not from ``u``: errors that all points
    share (scale, threshold) do not make a curve scatter and are added by the caller.
    """
    t, y = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    n = t.size
    if n < LEAST_POINTS or np.ptp(t) <= 0:
        return None
    w_u = np.ones(n) if u is None else (np.median(u) / np.maximum(u, 0.3 * np.median(u))) ** 2
    # A neighbourhood of so many points that a line has three more than it needs.
    near = int(min(n, max(LEAST_POINTS, math.ceil((span or SPAN) * n), 7 if n >= 12 else 5)))
    robust = np.ones(n)
    fit = np.zeros((n, n))
    slopes = np.zeros((n, n))
    for _ in range(4):
        for k in range(n):
            fit[k], slopes[k] = _local(t, t[k], near, w_u * robust)
        left = y - fit @ y
        scale = 1.4826 * float(np.median(np.abs(left)))
        if scale <= 1e-15 * (float(np.abs(y).max()) + 1e-300):
            break
        robust = np.square(np.maximum(0.0, 1.0 - np.square(left / (6.0 * scale))))
    kept = robust > 0.0
    # Points that the fit used up: the trace of the two smoothing matrices of residuals.
    free = float(np.count_nonzero(kept) - 2.0 * np.trace(fit) + np.sum(np.square(fit)))
    scatter = math.sqrt(float(np.sum(robust * np.square(y - fit @ y))) / max(free, 1.0))
    shape = np.sqrt(1.0 / w_u)
    return Curve(
        t,
        fit @ y,
        scatter * np.sqrt(np.sum(np.square(fit * shape), axis=1)),
        slopes @ y,
        scatter * np.sqrt(np.sum(np.square(slopes * shape), axis=1)),
        robust,
        scatter,
    )


def in_parts(time_s: FloatArray, value: FloatArray, span: float | None = None) -> Curve | None:
    """The same with the moments of change found first, and each part between them smoothed by itself.

    A curve smoothed across a kink would round it and give velocities that the crystal never had. Parts of
    fewer than five points are joined to their neighbour. None as for :func:`smooth`.
    """
    t, y = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    whole = smooth(t, y, span=span)
    if whole is None:
        return None
    found = changes(t, y)
    cuts = [0]
    for change in found:
        at = int(np.searchsorted(t, change.time_s))
        if at - cuts[-1] >= LEAST_POINTS and t.size - at >= LEAST_POINTS:
            cuts.append(at)
    parts = [smooth(t[a:b], y[a:b], span=span) for a, b in pairwise([*cuts, t.size])]
    known = [part for part in parts if part is not None]
    if len(parts) == 1 or len(known) < len(parts):
        return replace(whole, changes=tuple(found))

    def joined(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in known])

    return Curve(
        t,
        joined("value"),
        joined("u_value"),
        joined("slope"),
        joined("u_slope"),
        joined("weight"),
        math.sqrt(float(np.mean([part.scatter**2 for part in known]))),
        tuple(found),
    )


def _local(t: FloatArray, at: float, near: int, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows that give value and slope at one time as weighted sums of all values."""
    d = np.abs(t - at)
    reach = max(float(np.sort(d)[near - 1]) * 1.0001, 1e-12)
    w = np.where(d < reach, (1.0 - np.minimum(d / reach, 1.0) ** 3) ** 3, 0.0) * weight
    # The farthest point of a neighbourhood gets no weight by the tricube; ends would starve without it.
    w = np.maximum(w, np.where(d < reach, 1e-3 * weight, 0.0))
    x = (t - at) / reach
    used = np.count_nonzero(w > 1e-6 * w.max()) if w.max() > 0 else 0
    order = 2 if near >= 9 and used >= 8 else 1
    basis = np.vander(x, order + 1, increasing=True)
    root = np.sqrt(w)
    answer = np.linalg.pinv(basis * root[:, None]) * root
    return answer[0], answer[1] / reach


def changes(time_s: FloatArray, value: FloatArray, most: int = 4) -> list[Change]:
    """Moments when growth changed: kinks of the best broken line, in order of time.

    A broken line with one kink more is taken while the Bayesian information criterion falls (Ann. Stat. 6,
    461, 1978, DOI 10.1214/aos/1176344136, from memory) and every kink is at least four times its uncertainty.
    A kink costs two numbers and was looked for in many places, so the criterion must fall by GAIN more. A
    curve that bends smoothly has no moment: a parabola or a cubic that explains it as well is preferred.
    """
    t, y = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    n = t.size
    if n < 10 or np.ptp(t) <= 0:
        return []
    start, span = float(t[0]), float(np.ptp(t))
    x = (t - start) / span
    noise = _noise(x, y)
    plain = _score(_residual(x, y, []), n, 2)
    bent = [_score(_rest(np.vander(x, k), y), n, k) for k in (3, 4)]
    best, kinks = min(plain, *bent), list[float]()
    held: list[float] = []
    for _ in range(most):
        held = _next_kink(x, y, held)
        score = _score(max(_residual(x, y, held), n * (0.3 * noise) ** 2), n, 2 + 2 * len(held))
        if score < best - GAIN:
            best, kinks = score, list(held)
    out = _describe(x, y, kinks, span, start)
    return out if all(c.strength >= CHANGE for c in out) else [c for c in out if c.strength >= CHANGE]


def _noise(x: FloatArray, y: FloatArray) -> float:
    """Noise from third differences, blind to lines and parabolas."""
    d = np.diff(y, 3)
    return 1.4826 * float(np.median(np.abs(d))) / math.sqrt(20.0)


def _basis(x: FloatArray, kinks: list[float]) -> FloatArray:
    return np.column_stack([np.ones_like(x), x, *(np.maximum(0.0, x - k) for k in kinks)])


def _rest(basis: FloatArray, y: FloatArray) -> float:
    """Robust sum of squares about the best fit: an outlier counts as three standard deviations."""
    w = np.ones_like(y)
    left = y
    for _ in range(3):
        answer = np.linalg.lstsq(basis * w[:, None], y * w, rcond=None)[0]
        left = y - basis @ answer
        scale = 1.4826 * float(np.median(np.abs(left))) + 1e-300
        w = np.sqrt(np.minimum(1.0, 2.5 * scale / np.maximum(np.abs(left), 1e-300)))
    return float(np.sum(np.minimum(np.square(left), np.square(3.0 * scale))))


def _residual(x: FloatArray, y: FloatArray, kinks: list[float]) -> float:
    return _rest(_basis(x, kinks), y)


def _score(rest: float, n: int, free: int) -> float:
    return n * math.log(max(rest, 1e-300) / n) + free * math.log(n)


def _next_kink(x: FloatArray, y: FloatArray, held: list[float]) -> list[float]:
    """The kink that helps most beside those held, then all moved until none gains."""
    edge = x[2], x[-3]
    grid = np.linspace(edge[0], edge[1], 36)
    free = [g for g in grid if all(abs(g - h) > 0.04 for h in held)]
    if not free:
        return held
    kinks = sorted([*held, min(free, key=lambda g: _residual(x, y, sorted([*held, float(g)])))])
    step = 0.5 * float(grid[1] - grid[0])
    for _ in range(9):
        for k in range(len(kinks)):
            trial = [kinks[k] - step, kinks[k], kinks[k] + step]
            trial = [v for v in trial if edge[0] <= v <= edge[1]]
            kinks[k] = float(min(trial, key=lambda v: _residual(x, y, [*kinks[:k], v, *kinks[k + 1 :]])))
        step *= 0.6
    return sorted(kinks)


def _describe(x: FloatArray, y: FloatArray, kinks: list[float], span: float, start: float) -> list[Change]:
    if not kinks:
        return []
    basis = _basis(x, kinks)
    answer = np.linalg.lstsq(basis, y, rcond=None)[0]
    left = y - basis @ answer
    scatter = 1.4826 * float(np.median(np.abs(left - np.median(left))))
    # The place of a kink is free too: its column is the slope of the fit with respect to it.
    full = np.column_stack([basis, *(-answer[2 + i] * (x > k) for i, k in enumerate(kinks))])
    cov = np.linalg.pinv(full.T @ full) * scatter**2
    out = []
    for i, kink in enumerate(kinks):
        before = np.zeros(full.shape[1])
        before[1 : 2 + i] = 1.0
        after = before.copy()
        after[2 + i] = 1.0
        step, u_step = float(answer[2 + i]), math.sqrt(cov[2 + i, 2 + i])
        place = basis.shape[1] + i
        out.append(
            Change(
                start + kink * span,
                math.sqrt(cov[place, place]) * span,
                float(before[: basis.shape[1]] @ answer) / span,
                math.sqrt(before @ cov @ before) / span,
                float(after[: basis.shape[1]] @ answer) / span,
                math.sqrt(after @ cov @ after) / span,
                abs(step) / max(u_step, 1e-300),
            )
        )
    return out
