"""The outline of each thing in a picture, finer than its pixels.

A crystal's outermost edge is where the light departs from the background by half of what it departs just
inside. Half-way is where the edge of a wide band stands whatever the blur; of a band narrower than the blur
the line found lies outside the true one by up to the blur, which is why blur enters the uncertainty. Inside
of the edge ice may be as bright as the background; it is filled.

Coordinates: ``column`` to the right and ``row`` downwards in pixels, whole numbers at pixel centres.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.measure.signal import LONG_SIDE, FloatArray, Image, Mask, Signal, binned, magnitude

LEVEL = 0.5
LEVELS = (0.35, 0.65)  # what the size would be by another choice


@dataclass(frozen=True)
class Found:
    """One thing in a picture.

    loop : float64[n, 2], column and row (px), closed, the first point repeated. others : the same loop at the
    lower and the higher level. blur_px : standard deviation of the edge's blur. edge : departure just inside
    the edge. noise : of the smoothed signal. closed_px : gaps of the edge that had to be bridged, widest.
    touches : whether it reaches the rim of the picture. gap_share : share of the outline without any edge.
    """

    loop: FloatArray
    others: tuple[FloatArray | None, FloatArray | None]
    blur_px: float
    edge: float
    noise: float
    closed_px: float
    touches: bool
    gap_share: float
    box: tuple[int, int, int, int] = field(default=(0, 0, 0, 0))

    @property
    def area_px(self) -> float:
        """Enclosed area in square pixels."""
        return abs(shoelace(self.loop))


def shoelace(loop: FloatArray) -> float:
    """Signed area of a closed loop."""
    x, y = loop[:, 0], loop[:, 1]
    return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def find(seen: Signal, *, most: int = 12, least_px: float = 8.0) -> list[Found]:
    """Everything that stands out of the background, largest first.

    ``least_px``: what is less than this across is dust and left out. Things below a thirtieth of the largest
    area are left out too.
    """
    rows, columns = seen.departure.shape[:2]
    factor = max(1, -(-max(rows, columns) // LONG_SIDE))
    if seen.contrast <= 0.0:
        return []
    spread = _smoothing(seen)
    parts = _coarse(seen, factor, spread, least_px)
    found: list[Found] = []
    largest = 0.0
    for mask, box, closed in parts[:most]:
        if largest and mask.sum() * factor**2 < largest / 40.0:
            break
        one = _refine(seen, mask, box, factor, spread, closed)
        if one is None:
            continue
        largest = max(largest, one.area_px)
        if one.area_px >= largest / 30.0:
            found.append(one)
    found.sort(key=lambda f: -f.area_px)
    return found


def _smoothing(seen: Signal) -> float:
    """Standard deviation (px) of a smoothing that brings the noise below a tenth of the contrast."""
    wanted = 10.0 * seen.noise / (seen.contrast * 2.0 * np.sqrt(np.pi))
    return float(np.clip(wanted, 0.6, 3.5))


def _coarse(
    seen: Signal, factor: int, spread: float, least_px: float
) -> list[tuple[Mask, tuple[slice, slice], int]]:
    """Filled masks in the small copy with their boxes and the closing that was needed, largest first."""
    from scipy.ndimage import binary_fill_holes, find_objects, gaussian_filter, label

    soft = max(spread / factor, 0.6)
    small = magnitude(gaussian_filter(binned(seen.departure, factor), (soft, soft, 0.0)))
    noise = seen.noise / factor / (2.0 * np.sqrt(np.pi) * soft)
    floor = max(6.0 * noise, 4.0 * seen.uneven, 0.14 * seen.contrast)
    raw = small > floor
    reach = 0
    filled = binary_fill_holes(raw)
    holes = int(filled.sum() - raw.sum())
    # An edge with gaps is closed step by step, and a step is kept where it encloses much that was open.
    for step in (2, 4, 7, 11):
        closed = _closed(raw, step)
        full = binary_fill_holes(closed)
        inside = int(full.sum() - closed.sum())
        if inside > 1.25 * holes + 0.02 * raw.sum() + 30 and full.sum() > 1.3 * filled.sum():
            filled, holes, reach = full, inside, step
    filled = _opened(filled, 1)
    marks, count = label(filled)
    boxes = find_objects(marks)
    out = []
    for k in range(count):
        box = boxes[k]
        mask = marks[box] == k + 1
        across = min(mask.shape) * factor
        if across < least_px or mask.sum() * factor**2 < 0.3 * least_px**2:
            continue
        out.append((mask, (box[0], box[1]), reach * factor))
    out.sort(key=lambda part: -int(part[0].sum()))
    return out


def _disk(radius: int) -> Mask:
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(x * x + y * y <= (radius + 0.4) ** 2)


def _closed(mask: Mask, radius: int) -> Mask:
    """Closing by the distance to the mask, which costs the same for any radius."""
    from scipy.ndimage import distance_transform_edt

    padded = np.pad(mask, radius + 1)
    grown = distance_transform_edt(~padded) <= radius
    shrunk = distance_transform_edt(grown) > radius
    return np.asarray(shrunk[radius + 1 : -radius - 1, radius + 1 : -radius - 1] | mask)


def _opened(mask: Mask, radius: int) -> Mask:
    from scipy.ndimage import binary_opening

    return np.asarray(binary_opening(mask, _disk(radius)))


def _refine(
    seen: Signal, mask: Mask, box: tuple[slice, slice], factor: int, spread: float, closed: int
) -> Found | None:
    from scipy.ndimage import distance_transform_edt, gaussian_filter, maximum_filter
    from skimage.measure import find_contours

    rows, columns = seen.departure.shape[:2]
    margin = 6 + 2 * factor + int(4 * spread)
    top = max(0, box[0].start * factor - margin)
    left = max(0, box[1].start * factor - margin)
    bottom = min(rows, box[0].stop * factor + margin)
    right = min(columns, box[1].stop * factor + margin)
    crop = seen.departure[top:bottom, left:right]
    soft = magnitude(gaussian_filter(crop, (spread, spread, 0.0)))
    noise = seen.noise / (2.0 * np.sqrt(np.pi) * spread)
    # Noise adds to a size in squares; where there is no signal this leaves nothing on average.
    soft = np.sqrt(np.maximum(np.square(soft) - noise**2, 0.0))
    big = np.zeros((rows // factor + 2, columns // factor + 2), bool)
    big[box] = mask
    inside = np.repeat(np.repeat(big, factor, 0), factor, 1)[top:bottom, left:right]
    if inside.shape != soft.shape:
        inside = np.pad(inside, [(0, max(0, a - b)) for a, b in zip(soft.shape, inside.shape, strict=True)])
        inside = inside[: soft.shape[0], : soft.shape[1]]
    depth = distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
    outside = distance_transform_edt(~inside)
    blur = _blur(soft, inside, depth, outside, spread)
    reach = max(3, round(2.2 * blur + 1.0 + factor))
    band = np.where((depth < 2.5 * reach) & (outside < reach), soft, 0.0)
    peak = maximum_filter(band, footprint=_disk(reach))
    ring = inside & (depth <= reach)
    edge = float(np.median(peak[ring])) if ring.any() else 0.0
    if edge <= 0.0:
        return None
    peak = np.maximum(peak, max(0.25 * edge, 5.0 * noise, 3.0 * seen.uneven))
    peak = gaussian_filter(peak, 0.7 * reach)
    share = np.where(outside <= reach + 1.0, soft / peak, 0.0)
    core = np.clip((depth - reach) / 2.0 + 0.5, 0.0, 1.0) * (depth > 0)
    shape = np.maximum(share, core)
    loop = _longest(find_contours, shape, LEVEL)
    if loop is None:
        return None
    shifted = [
        None if one is None else one + (left, top)
        for one in (loop, *(_longest(find_contours, shape, v) for v in LEVELS))
    ]
    first = shifted[0]
    assert first is not None
    touches = bool(
        first[:, 0].min() < 1.5
        or first[:, 1].min() < 1.5
        or first[:, 0].max() > columns - 2.5
        or first[:, 1].max() > rows - 2.5
    )
    # Where the outline lies on the filled inside and not on an edge of its own, nobody saw an edge.
    r, c = np.rint(loop[:, 1]).astype(int), np.rint(loop[:, 0]).astype(int)
    r, c = np.clip(r, 0, soft.shape[0] - 1), np.clip(c, 0, soft.shape[1] - 1)
    near = maximum_filter(share, size=3)
    gaps = float(np.mean(near[r, c] < LEVEL * 0.9))
    return Found(
        first,
        (shifted[1], shifted[2]),
        blur,
        edge,
        float(noise),
        float(closed),
        touches,
        gaps,
        (left, top, right, bottom),
    )


def _longest(find_contours: Any, shape: Image | NDArray[Any], level: float) -> FloatArray | None:
    """The loop around the largest area, as column and row; None if there is none."""
    padded = np.pad(shape, 1)
    loops = find_contours(padded, level)
    best, most = None, 0.0
    for loop in loops:
        if loop.shape[0] < 12 or not np.array_equal(loop[0], loop[-1]):
            continue
        size = abs(shoelace(loop))
        if size > most:
            best, most = loop, size
    if best is None:
        return None
    return np.column_stack([best[:, 1] - 1.0, best[:, 0] - 1.0])


def _blur(
    soft: Image | NDArray[Any], inside: Mask, depth: NDArray[Any], outside: NDArray[Any], spread: float
) -> float:
    """Standard deviation of the edge in pixels, smoothing included.

    The steepest rise over the height of the band is 1/(sqrt(2 pi) s) for the edge of a wide band, and 0.61/s
    for a line narrower than the blur; the former is taken.
    """
    from scipy.ndimage import maximum_filter, sobel

    near = (depth < 12) & (outside < 8)
    if not near.any():
        return spread
    slope = np.hypot(sobel(soft, 0), sobel(soft, 1)) / 8.0
    top = maximum_filter(soft, size=9)
    strong = near & (top > 0.5 * np.percentile(top[near], 90))
    ratio = maximum_filter(slope, size=7)[strong] / np.maximum(top[strong], 1e-9)
    if ratio.size == 0:
        return spread
    return float(np.clip(0.399 / max(float(np.percentile(ratio, 50)), 1e-3), 0.5, 15.0))
