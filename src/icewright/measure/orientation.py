"""The sixfold frame of an outline: its centre, the direction of its corners, and how symmetric it is.

Coordinates: x to the right and y *upwards* in metres, so that angles run against the clock as one sees the
picture. Corners (or arms) lie at ``angle + 60 k`` degrees, prism facets face 30 degrees beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from icewright.measure.signal import FloatArray

STEPS = 1440  # directions in which the outline's reach is read: every quarter of a degree
SIXTH = STEPS // 6
LEAST_SIXFOLD = 0.012  # below this the sixth harmonic of the reach tells no direction


@dataclass(frozen=True)
class Frame:
    """Where the six axes lie.

    centre_m : float64[2]. angle_rad : direction of a corner, 0 to 60 degrees; None where the outline has no
    sixfold shape. reach_m : float64[STEPS], farthest outline in each direction from +x against the clock.
    sixfold : sixth harmonic of the reach over its mean. departure : rms difference of the reach from its own
    sixfold and mirror mean, over the mean reach. worst : the largest, averaged over 5 degrees.
    u_angle_rad : standard uncertainty from the differences between the sixths.
    """

    centre_m: FloatArray
    angle_rad: float | None
    reach_m: FloatArray
    sixfold: float
    departure: float
    worst: float
    u_angle_rad: float


def reach(loop_m: FloatArray, centre_m: FloatArray) -> FloatArray:
    """Farthest crossing of the outline with each of STEPS rays from the centre (m); shape [STEPS].

    Exact for a polygon: each edge is cut by the rays it crosses. Directions that no edge crosses (a centre
    outside the outline) are 0.
    """
    d = loop_m - centre_m
    # Edges are cut short enough to cross one ray at most, far from the centre; near it rays crowd anyway.
    radius = np.hypot(d[:, 0], d[:, 1])
    length = np.hypot(*np.diff(d, axis=0).T)
    longest = max(1e-12, 0.5 * 2.0 * math.pi / STEPS * float(np.percentile(radius, 5)))
    parts = np.clip(np.ceil(length / longest).astype(int), 1, 64)
    if parts.max() > 1:
        start = np.repeat(d[:-1], parts, axis=0)
        way = np.repeat(np.diff(d, axis=0), parts, axis=0)
        first = np.repeat(np.cumsum(parts) - parts, parts)
        share = (np.arange(start.shape[0]) - first) / np.repeat(parts, parts)
        d = np.concatenate([start + way * share[:, None], d[-1:]])
    theta = np.arctan2(d[:, 1], d[:, 0]) * (STEPS / (2.0 * math.pi))
    radius = np.hypot(d[:, 0], d[:, 1])
    step = np.diff(theta)
    step -= STEPS * np.round(step / STEPS)
    a, b = theta[:-1], theta[:-1] + step
    low, high = np.floor(np.minimum(a, b)), np.floor(np.maximum(a, b))
    crosses = high > low
    ray = high[crosses]
    t = (ray - a[crosses]) / step[crosses]
    r = radius[:-1][crosses] * (1.0 - t) + radius[1:][crosses] * t
    out = np.zeros(STEPS)
    np.maximum.at(out, ray.astype(int) % STEPS, r)
    gaps = out <= 0.0
    if gaps.any() and not gaps.all():
        at = np.arange(STEPS)
        out[gaps] = np.interp(at[gaps], at[~gaps], out[~gaps], period=STEPS)
    return out


def centroid(loop_m: FloatArray) -> FloatArray:
    """Centre of the enclosed area (m)."""
    x, y = loop_m[:, 0] - loop_m[0, 0], loop_m[:, 1] - loop_m[0, 1]
    cross = x[:-1] * y[1:] - x[1:] * y[:-1]
    area = 0.5 * cross.sum()
    if abs(area) < 1e-30:
        return np.asarray(loop_m[:-1].mean(axis=0))
    cx = ((x[:-1] + x[1:]) * cross).sum() / (6.0 * area)
    cy = ((y[:-1] + y[1:]) * cross).sum() / (6.0 * area)
    return np.asarray(np.array([cx, cy]) + loop_m[0])


def frame(loop_m: FloatArray, centre_m: FloatArray | None = None) -> Frame:
    """Centre and axes of a closed outline, float64[n, 2] in metres; about ``centre_m`` if that is given.

    The centre starts at the centroid and moves until no direction is favoured: the difference of the reach
    from its median over the six sixths has no first harmonic, with outliers (a droplet that clings to one
    arm) weighted down. The angle is the one about which the mean sixth is its own mirror image.
    """
    at: FloatArray = centroid(loop_m) if centre_m is None else centre_m
    theta = np.arange(STEPS) * (2.0 * math.pi / STEPS)
    wave = np.column_stack([np.cos(theta), np.sin(theta)])
    r = reach(loop_m, at)
    for _ in range(4 if centre_m is None else 0):
        left = r - np.tile(np.median(r.reshape(6, SIXTH), axis=0), 6)
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-4 * float(r.mean()))
        w = np.square(np.maximum(0.0, 1.0 - np.square(left / (5.0 * scale))))
        # The median takes part of the shift away with it only where few directions dissent.
        shift = np.linalg.lstsq(wave * w[:, None], left * w, rcond=None)[0]
        at = at + shift
        r = reach(loop_m, at)
        if float(np.hypot(*shift)) < 1e-4 * float(r.mean()):
            break
    sixths = r.reshape(6, SIXTH)
    fold = np.median(sixths, axis=0)
    mean = float(r.mean())
    angle, strength = _mirror(fold)
    if angle is None:
        spread = float(np.sqrt(np.mean(np.square(r - mean)))) / mean
        return Frame(at, None, r, strength, spread, spread, math.nan)
    each = [_near(_mirror(s)[0], angle) for s in sixths]
    known = np.array([e for e in each if e is not None])
    u = (
        1.4826 * float(np.median(np.abs(known - np.median(known)))) / math.sqrt(6)
        if known.size > 2
        else math.nan
    )
    departure, worst = _departure(r, angle)
    return Frame(at, angle, r, strength, departure, worst, u)


def _mirror(fold: FloatArray) -> tuple[float | None, float]:
    """The angle (rad, 0 to 60 degrees) of the corner in a sixth, by its mirror symmetry, and c6 / c0."""
    c = np.fft.rfft(fold) / fold.size
    strength = 2.0 * abs(c[1]) / max(abs(c[0]), 1e-30)
    if strength < LEAST_SIXFOLD:
        return None, float(strength)
    m = np.arange(1, 9)
    # About a mirror angle every harmonic is real; their squares add up to the most there.
    power = c[1:9] ** 2
    step = np.linspace(0.0, math.pi / 6.0, 601)[:-1]
    score = (power[None, :] * np.exp(12j * m * step[:, None])).real.sum(axis=1)
    k = int(np.argmax(score))
    left, here, right = score[k - 1], score[k], score[(k + 1) % 600]
    bend = left - 2.0 * here + right
    move = 0.5 * (left - right) / bend if bend < 0 else 0.0
    angle = (k + move) * (math.pi / 6.0 / 600)
    if (c[1] * np.exp(6j * angle)).real < 0:  # the hollow between two corners is a mirror angle too
        angle += math.pi / 6.0
    return float(angle % (math.pi / 3.0)), float(strength)


def _near(angle: float | None, other: float) -> float | None:
    if angle is None:
        return None
    turn = math.pi / 3.0
    return other + (angle - other + turn / 2) % turn - turn / 2


def _departure(r: FloatArray, angle: float) -> tuple[float, float]:
    at = angle * STEPS / (2.0 * math.pi)
    grid = np.arange(STEPS)
    turned = np.interp(grid + at, np.arange(STEPS + 1), np.append(r, r[0]), period=STEPS)
    sixths = turned.reshape(6, SIXTH)
    both = np.concatenate([sixths, np.roll(sixths[:, ::-1], 1, axis=1)])
    ideal = np.median(both, axis=0)
    left = (sixths - ideal).ravel() / r.mean()
    # Where the ideal itself jumps (side branches), a quarter of a degree is a large difference: forgiven.
    jump = np.abs(np.gradient(ideal)) * 2.0 / r.mean()
    left = np.sign(left) * np.maximum(0.0, np.abs(left) - np.tile(jump, 6))
    width = 20
    smooth = np.abs(np.convolve(np.concatenate([left, left[:width]]), np.ones(width) / width, "valid"))
    return float(np.sqrt(np.mean(np.square(left)))), float(smooth.max())
