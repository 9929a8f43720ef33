"""Columns lying down, seen from the side: length, width, and what their ends look like.

A silhouette shows the ends as straight across, pointed or slanted, rounded, or wider than the waist (caps).
It cannot show a hollow that begins behind a straight rim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.measure.signal import FloatArray

END = 0.12  # share of the length that is looked at as the end
CAP = 1.25  # an end this much wider than the waist is a cap
SLANT_DEG = 8.0


@dataclass(frozen=True)
class Side:
    """A column seen from the side. Metres and radians.

    length_m, width_m : of the long and the short direction; of capped columns the width is the waist's.
    angle_rad : the long direction from +x, 0 to 180 degrees. ends : a word for each end, the one to the right
    first ("straight", "slanted", "pointed", "rounded", "capped"). end_width_m : widest within the end.
    scatter_length_m, scatter_width_m : by how much the edges depart from straight lines. bump_m : how far a
    narrow part of an end stands out of the straight line through most of it.
    """

    length_m: float
    width_m: float
    angle_rad: float
    ends: tuple[str, str]
    end_width_m: tuple[float, float]
    scatter_length_m: float
    scatter_width_m: float
    bump_m: float = 0.0


def box(loop_m: FloatArray) -> tuple[float, float, float]:
    """Long side, short side (m) and direction of the long side (rad) of the smallest rectangle around it.

    One side of it lies on a side of the convex hull (common practice, no source).
    """
    from scipy.spatial import ConvexHull

    hull = loop_m[ConvexHull(loop_m[:-1]).vertices]
    way = np.diff(np.concatenate([hull, hull[:1]]), axis=0)
    angles = np.unique(np.round(np.arctan2(way[:, 1], way[:, 0]) % (math.pi / 2), 4))
    best = (math.inf, 0.0, 0.0, 0.0)
    for angle in angles:
        c, s = math.cos(angle), math.sin(angle)
        u, v = hull @ np.array([c, s]), hull @ np.array([-s, c])
        a, b = float(np.ptp(u)), float(np.ptp(v))
        if a * b < best[0]:
            best = (a * b, a, b, angle)
    _, a, b, angle = best
    return (a, b, angle % math.pi) if a >= b else (b, a, (angle + math.pi / 2) % math.pi)


def side(loop_m: FloatArray) -> Side:
    """Measure a long outline, float64[n, 2] in metres."""
    _, _, angle = box(loop_m)
    points = _even(loop_m, 1600)
    middle = points.mean(axis=0)
    for _ in range(3):
        u, v = _along(points - middle, angle)
        half = 0.5 * float(np.ptp(u))
        u = u - 0.5 * (u.max() + u.min())
        # The long edges, away from the ends, say which way the column lies.
        flank = np.abs(u) < 0.6 * half
        if np.count_nonzero(flank) < 20:
            break
        upper, lower = flank & (v > np.median(v)), flank & (v < np.median(v))
        slopes = [_slope(u[part], v[part]) for part in (upper, lower) if np.count_nonzero(part) > 8]
        if not slopes or abs(float(np.mean(slopes))) > 0.2:
            break
        angle += math.atan(float(np.mean(slopes)))
    u, v = _along(points - middle, angle)
    length, spread_u, bump = _extent(u, v)
    u = u - 0.5 * (u.max() + u.min())
    stations = np.linspace(-0.5, 0.5, 41) * length * 0.98
    widths = np.array([_width(u, v, s) for s in stations])
    inner = np.abs(stations) < 0.25 * length
    waist = float(np.median(widths[inner]))
    spread_v = float(np.std(widths[inner])) / math.sqrt(3.0)
    ends = [_end(u, v, sign, length, waist, widths, stations) for sign in (1.0, -1.0)]
    right_first = math.cos(angle) >= 0
    order = ends if right_first else ends[::-1]
    return Side(
        length,
        waist,
        angle % math.pi,
        (order[0][0], order[1][0]),
        (order[0][1], order[1][1]),
        spread_u,
        spread_v,
        bump,
    )


def unlit_ends(loop_m: FloatArray, lined: NDArray[np.bool_]) -> int:
    """How many of the two ends show no line along their middle half, but ice that is bright up to the edge.

    loop_m : float64[n, 2]. lined : bool[n], where a line is seen along the outline.

    In dark field the end of a solid column is a bright line before dark ice, and the line ends where the ice
    ends. Of a hollow column the walls inside are bright, and the rim before them sends no light of its own.
    """
    length, width, angle = box(loop_m)
    u, v = _along(loop_m, angle)
    u, v = u - 0.5 * (u.max() + u.min()), v - 0.5 * (v.max() + v.min())
    near = (np.abs(u) > 0.5 * length - 0.15 * width) & (np.abs(v) < 0.25 * width)
    ends = [near & (u > 0), near & (u < 0)]
    return sum(1 for end in ends if end.any() and float(np.mean(lined[end])) < 0.5)


def _along(d: FloatArray, angle: float) -> tuple[FloatArray, FloatArray]:
    c, s = math.cos(angle), math.sin(angle)
    return d @ np.array([c, s]), d @ np.array([-s, c])


def _even(loop: FloatArray, n: int) -> FloatArray:
    """The loop at n points evenly spaced along it, not closed."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(loop, axis=0).T))])
    at = np.linspace(0.0, run[-1], n, endpoint=False)
    return np.column_stack([np.interp(at, run, loop[:, k]) for k in (0, 1)])


def _slope(u: FloatArray, v: FloatArray) -> float:
    """Slope of a line through most of the points: the median of slopes of far pairs."""
    order = np.argsort(u)
    u, v = u[order], v[order]
    half = u.size // 2
    du = u[half : 2 * half] - u[:half]
    return float(np.median((v[half : 2 * half] - v[:half])[du > 0] / du[du > 0]))


def _extent(u: FloatArray, v: FloatArray) -> tuple[float, float, float]:
    """Length between the ends, how far they are from straight, and how far a narrow part stands out.

    The outline's reach is read in strips along the column, and of three strips side by side the middle one
    counts: a speck that clings to an end is narrower than two strips, a pointed end is not. A straight end
    lies at the mean of the strips of its middle half: of a column that is tipped a little the end is a flat
    hexagon, whose middle half reaches farthest. A pointed, slanted or rounded end lies at its farthest.
    """
    from scipy.ndimage import median_filter

    middle, half = 0.5 * (v.max() + v.min()), 0.5 * float(np.ptp(v))
    strip = np.clip(((v - middle) / (0.92 * half) + 1.0) * 12.0, -1, 24).astype(int)
    inner = (strip >= 0) & (strip < 24)
    ends, spreads, bumps = [], [], [0.0]
    for sign in (1.0, -1.0):
        out = np.full(24, -np.inf)
        np.maximum.at(out, strip[inner], sign * u[inner])
        known = np.isfinite(out)
        out = np.interp(np.arange(24), np.flatnonzero(known), out[known])
        out = median_filter(out, 3, mode="nearest")
        straight = float(np.std(out[2:-2])) < 0.01 * float(np.ptp(u))
        ends.append(float(np.mean(out[7:-7])) if straight else float(out.max()))
        spreads.append(float(np.std(out[2:-2])))
        bumps.append(_bump(out))
    return ends[0] + ends[1], math.hypot(*spreads) / 2.0, max(bumps)


def _bump(out: FloatArray) -> float:
    """Height of what stands out of an end (its reach in strips) over less than two fifths of it.

    The line is the one that lies nearest to half of the strips (least median), whatever the other half does;
    it must fit them to an eighth of that height. Of a pointed or rounded end the rest lies below such a line.
    """
    n = out.size
    i, j = np.triu_indices(n, 2)
    x = np.arange(n, dtype=float)
    left = out - ((out[j] - out[i]) / (j - i))[:, None] * (x - x[i][:, None]) - out[i][:, None]
    nearest = np.argmin(np.median(np.abs(left), axis=1))
    one = left[nearest]
    high = float(one.max())
    above = int(np.count_nonzero(one > 0.4 * high))
    on_line = int(np.count_nonzero(np.abs(one) < 0.12 * high))
    return high if 1 <= above <= 0.4 * n and 2 * on_line >= n else 0.0


def _width(u: FloatArray, v: FloatArray, at: float) -> float:
    """Width across at a station: from the lowest to the highest crossing of the outline."""
    un, vn = np.append(u, u[0]), np.append(v, v[0])
    crosses = (un[:-1] < at) != (un[1:] < at)
    if np.count_nonzero(crosses) < 2:
        return 0.0
    t = (at - un[:-1][crosses]) / (un[1:][crosses] - un[:-1][crosses])
    cut = vn[:-1][crosses] + t * (vn[1:][crosses] - vn[:-1][crosses])
    return float(np.ptp(cut))


def _end(
    u: FloatArray,
    v: FloatArray,
    sign: float,
    length: float,
    waist: float,
    widths: FloatArray,
    stations: FloatArray,
) -> tuple[str, float]:
    near = sign * stations > (0.5 - 0.30) * length
    widest = float(widths[near].max())
    if widest > CAP * waist:
        return "capped", widest
    out = sign * u
    face = out > 0.5 * length - 0.5 * waist
    front = face & (np.abs(v - np.median(v)) < 0.36 * waist)
    if np.count_nonzero(front) < 6:
        return "rounded", widest
    x, y = v[front], out[front]
    line = np.polyfit(x, y, 1)
    bent = float(np.std(y - np.polyval(line, x)))
    vee = np.polyfit(np.abs(x - np.median(v)), y, 1)
    vee_bent = float(np.std(y - np.polyval(vee, np.abs(x - np.median(v)))))
    slant = math.degrees(math.atan(abs(float(line[0]))))
    if vee[0] < -math.tan(math.radians(SLANT_DEG)) and vee_bent < 0.6 * bent:
        return "pointed", widest
    if bent > 0.04 * waist:
        return "rounded", widest
    return ("slanted" if slant > SLANT_DEG else "straight"), widest
