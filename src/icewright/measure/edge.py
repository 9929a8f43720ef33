"""From half of the edge's height to the true edge: what blur does to a dark or bright line along a crystal.

Half height is where the edge of a wide band stands whatever the blur. The line along a crystal's rim is often
narrower than the blur, and then half height lies outside of the true edge. By how much, two numbers read
across the outline tell: the line's width at half height, and the slope of its outer flank over its height.
For a uniform band under a Gaussian blur both follow from the band's width and the blur.

If some of the outline has wide bands (the flanks of a column, sloping ice), the slope there gives the blur,
and the width at half height then gives the band's width everywhere. If all bands are narrow, the blur and the
band's width cannot be told apart: their product, slope times width, stays within 2 % of its limit up to a
band of two blurs. Then the edge lies between half height (all band, no blur) and the middle of the line (no
band, all blur). The mean over all bands that fit is taken, and its doubt goes into the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.measure.signal import FloatArray

LEVEL_STEP = 0.1
LINE_STEP = 0.05
BEHIND = 0.25  # ice behind the line as strong as this share of its peak: no inner flank is looked for
WIDE_LINE, WIDE_FLANK = 1.75, 0.9  # slope times width, slope times flank: above these a band is wide
WIDE_SHARE = 0.10  # of the outline that must have wide bands before they are asked for the blur
PRODUCT_NOISE = 0.04  # of slope times width or flank, read on one place of drawn outlines
NARROW_DOUBT = 0.11  # of a line's width, where its band and the blur cannot be told apart; drawn specimens
BAND_DOUBT = 0.25  # blurs, of a line whose blur is known: no band is quite uniform; drawn specimens
STEP_PX = 0.25


@dataclass(frozen=True, eq=False)
class Edge:
    """loop : float64[n, 2], a point for a pixel. moved_px : mean way inwards. u_px : standard uncertainty of
    the outline as a whole that comes from not knowing the band. u_line_px : along narrow lines alone, as at
    the ends of a column; u_half_px : what half of the outline is better than, as a column's flanks are.
    sigma_px : blur, None where only bounded. lined : bool[n], where a line is seen along the edge and not ice
    that is as bright or dark behind it.
    """

    loop: FloatArray
    moved_px: float
    u_px: float
    u_line_px: float
    u_half_px: float
    sigma_px: float | None
    lined: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Across:
    """Profiles across an outline: arrays [n] in pixels. slope : at half height over the height, a pixel."""

    point: FloatArray
    inwards: FloatArray
    outer: FloatArray
    width: FloatArray
    flank: FloatArray
    slope: FloatArray
    level: FloatArray
    line: NDArray[np.bool_]
    known: NDArray[np.bool_]


def to_edge(loop: FloatArray, soft: NDArray[Any], blur: float, reach: int, smoothed: float) -> Edge:
    """Move a loop from half height to the true edge.

    loop : float64[n, 2], column and row of half height, closed. soft : the smoothed signal. blur : a first
    guess of its blur (px). reach : how far inside the line is looked for (px). smoothed : standard deviation
    of the smoothing that made the signal (px), which no blur can be less than.
    """
    from scipy.ndimage import median_filter, uniform_filter1d

    it = _across(loop, soft, blur, reach)
    sigma = _blur_of_wide(it)
    narrow = it.line & (it.level < BEHIND)
    # Of a line the width is the better known, of one without an inner flank the outer flank.
    size = np.where(narrow, it.width, it.flank)
    product = median_filter(it.slope * size, 15, mode="wrap")
    least = float(np.sqrt(smoothed**2 + 1.0 / 12.0))  # smoothing and the pixel's own square
    way, doubt = np.zeros(product.size), np.zeros(product.size)
    line_place = np.clip(np.round(it.level / LINE_STEP), 0, len(_line_tables()) - 1)
    flank_place = np.clip(np.round(it.level / LEVEL_STEP), 0, len(_tables()) - 1)
    kinds = [(narrow & (line_place == k), table, True) for k, table in enumerate(_line_tables())]
    kinds += [(it.known & ~narrow & (flank_place == k), table, False) for k, table in enumerate(_tables())]
    for some, table, is_line in kinds:
        if not some.any():
            continue
        if sigma is not None and is_line:
            way[some] = sigma * np.interp(it.width[some] / sigma, table.size, table.way_by_size)
        elif sigma is not None:
            way[some] = sigma * np.interp(it.slope[some] * sigma, table.slope, table.way)
        else:
            share = np.interp(product[some], table.product, table.share)
            open_ = np.interp(product[some], table.product, table.open_)
            if is_line:
                lowest = least * np.interp(it.width[some] / least, table.size, table.way_by_size) / size[some]
            else:
                lowest = least * np.interp(it.slope[some] * least, table.slope, table.way) / size[some]
            top = float(table.share.max())
            # Of the ways that fit the product, those of a blur below the least are no choice.
            pushed = np.clip((lowest - 0.5 * share) / np.maximum(top - 0.5 * share, 1e-6), 0.0, 1.0)
            way[some] = size[some] * (share + pushed * np.maximum(top - share, 0.0))
            doubt[some] = NARROW_DOUBT * size[some] * open_ * (1.0 - pushed)
        if sigma is not None:
            # Edges without a band are where they seem, however large the blur.
            doubt[some] = BAND_DOUBT * sigma * np.clip(way[some] / sigma / 0.4, 0.0, 1.5)
    limit = 1.2 * (sigma if sigma is not None else blur)
    way = np.clip(way, 0.0, limit) + np.clip(it.outer, -0.6 * blur, 0.6 * blur)
    way = np.where(it.known, way, 0.0)
    way = uniform_filter1d(median_filter(way, 9, mode="wrap"), 5, mode="wrap")
    moved = it.point + it.inwards * way[:, None]
    u = float(np.mean(doubt))
    thin = narrow & (it.slope * it.width < WIDE_LINE)
    u_line = float(np.mean(doubt[thin])) if np.count_nonzero(thin) > 5 else u
    return Edge(
        np.vstack([moved, moved[:1]]),
        float(np.mean(way)),
        u,
        max(u, u_line),
        float(np.median(doubt)),
        sigma,
        np.append(narrow, narrow[:1]),
    )


def _across(loop: FloatArray, soft: NDArray[Any], blur: float, reach: int) -> _Across:
    """Read the profiles. The first peak from outside counts if it is half as high as the highest."""
    from scipy.ndimage import map_coordinates, uniform_filter1d

    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(loop, axis=0).T))])
    n = max(24, round(run[-1]))
    at = np.linspace(0.0, run[-1], n, endpoint=False)
    p = np.column_stack([np.interp(at, run, loop[:, k]) for k in (0, 1)])
    tangent = uniform_filter1d(np.roll(p, -1, axis=0) - np.roll(p, 1, axis=0), 5, axis=0, mode="wrap")
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    x, y = p.T
    turns = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    normal = (1.0 if turns > 0 else -1.0) * np.column_stack([-tangent[:, 1], tangent[:, 0]])
    t = np.arange(-2.5 * blur - 1.0, 2.0 * reach + 3.0 * blur + 2.0, STEP_PX)
    place = p[:, None, :] + normal[:, None, :] * t[None, :, None]
    profile = map_coordinates(soft, [place[..., 1], place[..., 0]], order=3, mode="nearest")
    profile = uniform_filter1d(profile, 5, axis=0, mode="wrap")
    near = (t >= -1.0) & (t <= reach)
    first = int(np.flatnonzero(near)[0])
    here = profile[:, near]
    inner = np.zeros(here.shape, bool)
    inner[:, 1:-1] = (here[:, 1:-1] >= here[:, :-2]) & (here[:, 1:-1] > here[:, 2:])
    inner &= here > 0.5 * here.max(axis=1, keepdims=True)
    top = first + np.where(inner.any(axis=1), np.argmax(inner, axis=1), np.argmax(here, axis=1))
    rows, k = np.arange(n), np.arange(t.size)
    height = np.maximum(profile[rows, top], 1e-9)
    low = profile < 0.5 * height[:, None]
    before = np.where(low & (k[None, :] < top[:, None]), k[None, :], -1).max(axis=1)
    after = np.where(low & (k[None, :] > top[:, None]), k[None, :], t.size).min(axis=1)
    known = (before >= 0) & (before < t.size - 1)
    b = np.clip(before, 0, t.size - 2)
    rise = profile[rows, b + 1] - profile[rows, b]
    share = np.clip((0.5 * height - profile[rows, b]) / np.maximum(rise, 1e-9), 0.0, 1.0)
    outer = t[b] + STEP_PX * share
    lo, hi = np.clip(b - 1, 0, t.size - 1), np.clip(b + 2, 0, t.size - 1)
    slope = (profile[rows, hi] - profile[rows, lo]) / np.maximum(t[hi] - t[lo], 1e-9) / height
    # The mean slope over three steps is a little less than in their middle, where it is about 0.43 a blur.
    slope *= 1.0 + (1.5 * STEP_PX * slope / 0.43) ** 2 / 6.0
    a = np.clip(after, 1, t.size - 1)
    fall = profile[rows, a - 1] - profile[rows, a]
    share = np.clip((0.5 * height - profile[rows, a]) / np.maximum(fall, 1e-9), 0.0, 1.0)
    width = np.maximum(t[a] - STEP_PX * share - outer, STEP_PX)
    flank = np.maximum(t[top] - outer, STEP_PX)
    # Ice that goes on behind its edge, only less dark, leaves no inner flank: then the outer one alone tells.
    # It is looked for where a line has all but ended: its flank is 1.2 blurs, whatever was guessed at first.
    start = top + np.maximum(round(1.5 * blur / STEP_PX), np.round(1.4 * flank / STEP_PX).astype(int))
    deep = start[:, None] + np.arange(round(5.0 * blur) + 4)[None, :]
    level = np.median(np.take_along_axis(profile, np.clip(deep, 0, t.size - 1), axis=1), axis=1) / height
    return _Across(p, normal, outer, width, flank, slope, level, known & (after < t.size), known)


def _blur_of_wide(it: _Across) -> float | None:
    """Standard deviation of the blur (px) by the places whose band is wide; None if there are too few.

    There slope over height is 1/(sqrt(2 pi) s). Ice that gets darker by and by has gentler slopes, which say
    nothing of the blur: so the steep quarter counts.
    """
    narrow = it.line & (it.level < BEHIND)
    product = np.where(narrow, it.slope * it.width / WIDE_LINE, it.slope * it.flank / WIDE_FLANK)
    wide = it.known & (it.slope > 1e-6) & (product > 1.0)
    if np.count_nonzero(wide) < max(12.0, WIDE_SHARE * it.slope.size):
        return None
    sigma = float(np.quantile(1.0 / (np.sqrt(2.0 * np.pi) * it.slope[wide]), 0.25))
    # No line is narrower than the blur alone would show it: 2.355 standard deviations at half height.
    lines = it.width[narrow & (it.slope * it.width < 1.6)]
    if lines.size > 30:
        sigma = min(sigma, float(np.quantile(lines, 0.2)) / 2.355)
    return sigma


@dataclass(frozen=True, eq=False)
class _Table:
    """For a line with ice of one level behind it, in blurs: what is read against where the edge is.

    product : slope times width (flank, where ice lies behind). share : mean way over that width of all bands
    that fit the product. open_ : 1 where the product does not tell the band, 0 where it does. slope, way :
    with the blur known; size, way_by_size : the same by the width.
    """

    product: FloatArray
    share: FloatArray
    open_: FloatArray
    slope: FloatArray
    way: FloatArray
    size: FloatArray
    way_by_size: FloatArray


@lru_cache(maxsize=1)
def _tables() -> list[_Table]:
    """Of flanks: one table for each level behind, 0, 0.1 ... 0.9 of the peak."""
    return _made([k * LEVEL_STEP for k in range(10)], line=False)


@lru_cache(maxsize=1)
def _line_tables() -> list[_Table]:
    """Of lines: one table for each level behind up to BEHIND, by their width at half height.

    Ice behind a line that is a sixth as dark makes it look wider, and its product larger by a twentieth.
    """
    return _made([k * LINE_STEP for k in range(round(BEHIND / LINE_STEP) + 1)], line=True)


def _made(levels: list[float], *, line: bool) -> list[_Table]:
    """Tables for bands of 0.1 to 12 blurs."""
    from scipy.special import ndtr

    q = np.concatenate([np.linspace(0.1, 4.0, 40), np.linspace(4.2, 12.0, 20)])
    behind = np.concatenate([[0.0], np.geomspace(1e-3, 0.98, 30)])  # of the band's own height
    x = np.linspace(-5.0, 16.0, 1051)
    level, slope, way, size = (np.zeros((q.size, behind.size)) for _ in range(4))
    for i, w in enumerate(q):
        band, step = ndtr(x) - ndtr(x - w), ndtr(x - w)
        for j, c in enumerate(behind):
            f = band + c * step
            k = int(np.argmax(f))
            half = float(np.interp(0.5 * f[k], f[: k + 1], x[: k + 1]))
            level[i, j] = c / f[k]
            rise = math.exp(-0.5 * half**2) - (1.0 - c) * math.exp(-0.5 * (half - w) ** 2)
            slope[i, j] = rise / math.sqrt(2.0 * math.pi) / f[k]
            way[i, j] = -half
            inner = float(np.interp(-0.5 * f[k], -f[k:], x[k:])) if line else float(x[k])
            size[i, j] = inner - half
    grid = np.linspace(0.4, 3.0, 131)
    out = []
    for place in levels:
        rows = [
            (w, *(np.interp(place, level[i], t[i]) for t in (slope, way, size)))
            for i, w in enumerate(q)
            if level[i].max() >= place
        ]
        band, s, r, z = np.array(rows).T
        # Every band width is as likely as any other beforehand.
        prior = np.gradient(band)
        fit = np.exp(-0.5 * np.square((grid[:, None] - (s * z)[None, :]) / PRODUCT_NOISE)) * prior
        fit += 1e-12 * np.exp(-np.abs(grid[:, None] - (s * z)[None, :]))
        fit /= fit.sum(axis=1, keepdims=True)
        share = fit @ (r / z)
        spread = np.sqrt(np.maximum(fit @ np.square(r / z) - share**2, 0.0))
        order = np.argsort(s)
        by_size = np.argsort(z)
        most = max(float(spread.max()), 1e-9)
        out.append(_Table(grid, share, spread / most, s[order], r[order], z[by_size], r[by_size]))
    return out
