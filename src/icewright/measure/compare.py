"""Two outlines laid over each other: what differs, arm by arm, and one number for how alike they are.

The number is the area that both cover over the area that either covers (the Jaccard index, common in image
work): 1 is the same outline, 0 nothing in common. It weighs what can be seen: size, shape of the arms, gaps.
Two plain hexagons that differ by 1 % in radius reach 0.98, by 10 % 0.83. Crystals are laid centre on centre,
turned to agree (also turned over, which makes a mirror image), and never stretched unless asked for.

Twins here are two crystals grown side by side in one picture: each shades the other from vapour, and the
sides that face lag behind. (Crystallographic twins are another matter; two outlines that interpenetrate at a
fixed angle are only flagged, as overlapping.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.measure.orientation import STEPS, Frame, frame, reach
from icewright.measure.raster import filled
from icewright.measure.signal import FloatArray

GRID = 700  # points across in which areas are compared: areas are then good to about 1 part in 2,000


class CompareError(IcewrightError):
    """Two crystals that cannot be laid over each other."""


@dataclass(frozen=True)
class Comparison:
    """B against A. SI units.

    first_m, second_m : outlines, centre on centre, B turned onto A, float64[n, 2]. turned_rad : by how much.
    mirrored : whether B was turned over. similarity : common over covered area, 0 to 1. only_first_m2,
    only_second_m2, common_m2 : areas. arms_first_m, arms_second_m : float64[6], in matching order; None where
    one has no sixfold axes. sizes : mean reach of B over that of A. stretched : the factor by which B was
    stretched first, 1 if not.
    """

    first_m: FloatArray
    second_m: FloatArray
    turned_rad: float
    mirrored: bool
    similarity: float
    only_first_m2: float
    only_second_m2: float
    common_m2: float
    arms_first_m: FloatArray | None
    arms_second_m: FloatArray | None
    sizes: float
    stretched: float


def compare(
    first: Sequence[FloatArray], second: Sequence[FloatArray], *, same_size: bool = False
) -> Comparison:
    """Lay one crystal over another.

    Each is a list of closed loops, float64[n, 2] in metres, y upwards: the outer one first, then holes.
    ``same_size``: stretch the second to the mean reach of the first, to compare shapes only.

    Raises ``CompareError`` for an outline of no area.
    """
    a, b = [_frame_of(loops) for loops in (first, second)]
    own = [loop - a.centre_m for loop in first]
    other = [loop - b.centre_m for loop in second]
    ra, rb = a.reach_m, b.reach_m
    sizes = float(rb.mean() / ra.mean())
    stretched = 1.0 / sizes if same_size else 1.0
    if same_size:
        other, rb = [loop * stretched for loop in other], rb * stretched
    turned, mirrored = _turn(ra, rb)
    laid = [_laid(loop, turned, mirrored) for loop in other]
    common, only_a, only_b = _areas(own, laid, GRID)
    arms = _arms(a, own[0], laid[0])
    return Comparison(
        own[0],
        laid[0],
        turned % (2.0 * math.pi),
        mirrored,
        common / (common + only_a + only_b),
        only_a,
        only_b,
        common,
        arms[0] if arms else None,
        arms[1] if arms else None,
        sizes,
        stretched,
    )


def _frame_of(loops: Sequence[FloatArray]) -> Frame:
    if not loops or loops[0].shape[0] < 4 or float(np.ptp(loops[0], axis=0).min()) <= 0:
        raise CompareError(got="an outline of no area", wanted="a closed outline")
    return frame(loops[0])


def _laid(loop: FloatArray, turned: float, mirrored: bool) -> FloatArray:
    flipped = loop * np.array([1.0, -1.0]) if mirrored else loop
    c, s = math.cos(turned), math.sin(turned)
    return np.asarray(flipped @ np.array([[c, s], [-s, c]]))


def _turn(ra: FloatArray, rb: FloatArray) -> tuple[float, bool]:
    """The turn (rad) of b, and whether turned over first, that brings its reach nearest to that of a."""
    fa = np.fft.rfft(ra - ra.mean())
    best = (-math.inf, 0.0, False)
    for mirrored in (False, True):
        r = np.roll(rb[::-1], 1) if mirrored else rb
        match = np.fft.irfft(fa * np.conj(np.fft.rfft(r - r.mean())), n=STEPS)
        # Of turns that are as good (every sixth of a sixfold crystal), the smallest.
        k = np.arange(STEPS)
        way = np.minimum(k, STEPS - k)
        good = match >= match.max() - 1e-3 * abs(match.max()) - 1e-30
        at = int(k[good][np.argmin(way[good])])
        score = float(match[at])
        if score > best[0] * (1.0 + 1e-3) + 1e-30 or best[0] == -math.inf:
            left, here, right = match[at - 1], match[at], match[(at + 1) % STEPS]
            bend = float(left - 2.0 * here + right)
            finer = 0.5 * float(left - right) / bend if bend < 0 else 0.0
            best = (score, (at + finer) * 2.0 * math.pi / STEPS, mirrored)
    return best[1], best[2]


def _areas(a: Sequence[FloatArray], b: Sequence[FloatArray], grid: int) -> tuple[float, float, float]:
    """Areas that both cover, only a, only b (m2)."""
    points = np.concatenate([a[0], b[0]])
    low, high = points.min(axis=0), points.max(axis=0)
    pixel = float((high - low).max()) / (grid - 4)
    shape = tuple(int(n) + 5 for n in np.ceil((high - low) / pixel)[::-1])
    one, two = _filled(a, low, pixel, shape), _filled(b, low, pixel, shape)
    cell = pixel * pixel
    return (
        float(np.count_nonzero(one & two)) * cell,
        float(np.count_nonzero(one & ~two)) * cell,
        float(np.count_nonzero(two & ~one)) * cell,
    )


def _filled(
    loops: Sequence[FloatArray], low: FloatArray, pixel: float, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    out = np.zeros(shape, bool)
    for loop in loops:
        out ^= filled((loop - low) / pixel + 2.0, (shape[0], shape[1]))
    return out


def _arms(a: Frame, first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    if a.angle_rad is None:
        return None
    zero = np.zeros(2)
    each = []
    for loop in (first, second):
        r = reach(loop, zero)
        at = (a.angle_rad + np.arange(6) * math.pi / 3.0) * STEPS / (2.0 * math.pi)
        near = np.arange(-28, 29)
        each.append(np.array([r[(round(k) + near) % STEPS].max() for k in at]))
    return each[0], each[1]


@dataclass(frozen=True)
class Lag:
    """How much the side of one crystal that faces its neighbour lags behind its other sides.

    facing_m, away_m : mean reach over the third of directions towards the neighbour, and over the opposite
    third. lag_m : away less facing, positive where the facing side is behind; u_lag_m its standard
    uncertainty. share : lag over the mean reach. arm_m : the arm nearest to the neighbour, and mean_arms_m
    the mean of the other five; None without axes.
    """

    facing_m: float
    away_m: float
    lag_m: float
    u_lag_m: float
    share: float
    arm_m: float | None
    mean_arms_m: float | None


@dataclass(frozen=True)
class Twins:
    """Two crystals side by side. gap_m : least way from edge to edge. distance_m : between centres.

    centres are those of mass of the outline's frame, so a side that lags moves its crystal's centre a little:
    for a lag of a few per cent about a sixth of it is lost, and the lag is then a little too small.
    """

    distance_m: float
    gap_m: float
    first: Lag
    second: Lag


def twins(
    first: FloatArray, second: FloatArray, u_edge_m: float = 0.0, centres: FloatArray | None = None
) -> Twins:
    """The lag of facing sides. Outlines float64[n, 2] in metres in one picture.

    ``centres``: float64[2, 2], where each crystal began, if known (from the first pictures of a series);
    without it the frames' centres are taken. Raises ``CompareError`` for an outline of no area.
    """
    from scipy.spatial import cKDTree

    a, b = _frame_of([first]), _frame_of([second])
    ca, cb = (a.centre_m, b.centre_m) if centres is None else (centres[0], centres[1])
    d = cb - ca
    gap = float(cKDTree(first).query(second)[0].min())
    return Twins(
        float(np.hypot(*d)),
        gap,
        _lag(first, a, ca, math.atan2(d[1], d[0]), u_edge_m),
        _lag(second, b, cb, math.atan2(-d[1], -d[0]), u_edge_m),
    )


def _lag(loop: FloatArray, six: Frame, centre: FloatArray, towards: float, u_edge: float) -> Lag:
    r = reach(loop, centre)
    theta = np.arange(STEPS) * 2.0 * math.pi / STEPS
    off = np.abs((theta - towards + math.pi) % (2.0 * math.pi) - math.pi)
    facing = float(r[off <= math.pi / 3.0].mean())
    away = float(r[off >= 2.0 * math.pi / 3.0].mean())
    arm = others = None
    if six.angle_rad is not None:
        axes = six.angle_rad + np.arange(6) * math.pi / 3.0
        near = np.arange(-28, 29)
        lengths = np.array([r[(round(x * STEPS / (2 * math.pi)) + near) % STEPS].max() for x in axes])
        k = int(np.argmin(np.abs((axes - towards + math.pi) % (2.0 * math.pi) - math.pi)))
        arm, others = float(lengths[k]), float(np.delete(lengths, k).mean())
    # The outline as a whole moves out of the difference; what is left is the place-to-place error.
    u = math.sqrt(2.0) * 0.4 * u_edge
    return Lag(facing, away, away - facing, u, (away - facing) / float(r.mean()), arm, others)
