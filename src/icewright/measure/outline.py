"""The outline of each thing in a picture, finer than its pixels.

A crystal's outermost edge is where the light departs from the background by half of what it departs just
inside. Half-way is where the edge of a wide band stands whatever the blur; of a band narrower than the blur
the line found lies outside the true one by up to the blur, which is why blur enters the uncertainty. Inside
of the edge ice may be as bright as the background; it is filled.

Coordinates: ``column`` to the right and ``row`` downwards in pixels, whole numbers at pixel centres.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.measure.edge import to_edge
from icewright.measure.signal import LONG_SIDE, FloatArray, Image, Mask, Signal, binned, magnitude

LEVEL = 0.5
LOSS = (
    0.036  # of the light is thrown back by the two faces of clear ice, (n - 1)^2 / (n + 1)^2 each, n = 1.31
)
GAP, ICE = 0.35, 0.65  # of that loss: below the one it is a gap, above the other clear ice
NARROW = 3.5  # blurs from edge to middle: what is narrower is lit by its edges and tells nothing
LEVELS = (0.35, 0.65)  # what the size would be by another choice


@dataclass(frozen=True, eq=False)
class Found:
    """One thing in a picture.

    loop : float64[n, 2], column and row (px), closed, the first point repeated. others : the same loop at the
    lower and the higher level. blur_px : standard deviation of the edge's blur. edge : departure just inside
    the edge. noise : of the smoothed signal. closed_px : gaps of the edge that had to be bridged, widest.
    touches : whether it reaches the rim of the picture. gap_share : share of the outline without any edge.
    moved_px : mean way from half height to the edge. place_px : standard uncertainty of that way,
    place_line_px : along narrow lines alone, place_half_px : what half of it is better than. sigma_px : blur
    of the edge, None where it is not told from the width of the line along it. lined : for each point of the
    loop whether a line is seen along the edge there, None where that is not known. untold : share of the
    area that is enclosed but may be a gap. holes : loops around gaps inside. torn : whether
    a part of it was found apart. by_hand : a person drew it. crossed : it crosses itself.
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
    moved_px: float = 0.0
    untold: float = 0.0
    holes: tuple[FloatArray, ...] = ()
    torn: bool = False
    place_px: float = 0.0
    place_line_px: float = 0.0
    place_half_px: float = 0.0
    sigma_px: float | None = None
    lined: Mask | None = None
    by_hand: bool = False
    crossed: bool = False

    @property
    def area_px(self) -> float:
        """Enclosed area in square pixels, gaps taken off."""
        return abs(shoelace(self.loop)) - sum(abs(shoelace(hole)) for hole in self.holes)


def shoelace(loop: FloatArray) -> float:
    """Signed area of a closed loop."""
    x, y = loop[:, 0], loop[:, 1]
    return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def find(
    seen: Signal, *, most: int = 30, least_px: float = 8.0, pitch: tuple[float, float] = (1.0, 1.0)
) -> list[Found]:
    """Everything that stands out of the background, largest first.

    ``least_px``: what is less than this across is dust and left out. Things below a thirtieth of the largest
    area are left out too. ``pitch``: width and height of a pixel in any unit, needed where they differ.
    """
    rows, columns = seen.departure.shape[:2]
    factor = max(1, -(-max(rows, columns) // LONG_SIDE))
    if seen.contrast <= 0.0:
        return []
    parts = _coarse(seen, factor, least_px)
    found: list[Found] = []
    largest = 0.0
    for mask, box, rim, closed in parts[:most]:
        if largest and mask.sum() * factor**2 < largest / 40.0:
            break
        one = _refine(seen, mask, box, factor, rim, closed, pitch)
        if one is None:
            continue
        other = _rest(seen, one, mask, box, factor, rim, pitch)
        if other is not None and _within(one, other):
            one, other = replace(one, torn=True), None
        elif other is not None and _within(other, one):
            # A ragged halo around something far out of focus is no edge of it, however sharp its noise looks.
            other = replace(other, torn=True)
        for each in (one, other):
            if each is not None and each.area_px >= largest / 30.0:
                found.append(each)
                largest = max(largest, each.area_px)
    found.sort(key=lambda f: -f.area_px)
    return _pairs(found, pitch)


def _rest(
    seen: Signal,
    one: Found,
    mask: Mask,
    box: tuple[slice, slice],
    factor: int,
    rim: float,
    pitch: tuple[float, float],
) -> Found | None:
    """What else lies in a mask of which the outline found is a part: the other flank of a column, mostly."""
    from scipy.ndimage import label

    from icewright.measure.raster import filled

    if (
        one.area_px > 0.6 * mask.sum() * factor**2
        or mask.sum() * factor**2 > 0.5 * seen.departure[..., 0].size
    ):
        return None  # nothing is left, or what is left is the background
    loop = one.loop / factor - np.array([box[1].start, box[0].start])
    marks, count = label(_opened(mask & ~_dilated(filled(loop, (mask.shape[0], mask.shape[1])), 2), 1))
    if not count:
        return None
    other = marks == 1 + int(np.argmax(np.bincount(marks.ravel())[1:]))
    if np.count_nonzero(other) * factor**2 < 0.5 * one.area_px:
        return None
    # Without the first, lest its bright edge be found a second time.
    left = seen.departure.copy()
    rows, columns = left.shape[:2]
    left[_dilated(filled(one.loop, (rows, columns)), 3)] = 0.0
    second = _refine(replace(seen, departure=left), other, box, factor, rim, 0, pitch)
    if second is None or second.area_px < 0.3 * one.area_px:
        return None
    return second


def _within(one: Found, other: Found) -> bool:
    """Whether the other lies within the hull of the one: then it is a part of it that was found apart."""
    from scipy.spatial import ConvexHull

    from icewright.measure.raster import filled

    hull = one.loop[ConvexHull(one.loop[:-1]).vertices]
    corner = np.minimum(one.loop.min(axis=0), other.loop.min(axis=0)) - 1.0
    size = np.maximum(one.loop.max(axis=0), other.loop.max(axis=0)) - corner + 2.0
    shape = (int(size[1]) + 1, int(size[0]) + 1)
    around = filled(np.vstack([hull, hull[:1]]) - corner, shape)
    inner = filled(other.loop - corner, shape)
    return bool(np.count_nonzero(around & inner) > 0.5 * np.count_nonzero(inner))


def _pairs(found: list[Found], pitch: tuple[float, float]) -> list[Found]:
    """Two bars side by side, alike in length and way, are the flanks of one column: clear between them.

    A column is convex from the side, so its outline is the hull of both.
    """
    from scipy.spatial import ConvexHull

    scale = np.asarray(pitch)
    rest, out = list(found), []
    while rest:
        one = rest.pop(0)
        for other in rest:
            if not _flanks(one.loop * scale, other.loop * scale):
                continue
            points = np.vstack([one.loop[:-1], other.loop[:-1]])
            hull = points[ConvexHull(points).vertices]
            hull = np.vstack([hull, hull[:1]])
            run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(hull, axis=0).T))])
            at = np.linspace(0.0, run[-1], max(48, round(run[-1])))
            loop = np.column_stack([np.interp(at, run, hull[:, k]) for k in (0, 1)])
            loop[-1] = loop[0]
            gone = float(np.hypot(*(one.loop.mean(axis=0) - other.loop.mean(axis=0))) * 1.2 / run[-1])
            box = (
                min(one.box[0], other.box[0]),
                min(one.box[1], other.box[1]),
                max(one.box[2], other.box[2]),
                max(one.box[3], other.box[3]),
            )
            one = replace(one, loop=loop, others=(None, None), touches=one.touches or other.touches, box=box)
            one = replace(one, gap_share=max(one.gap_share, min(0.14, gone)), holes=(), lined=None)
            rest = [f for f in rest if f is not other]
            break
        out.append(one)
    return out


def _flanks(a: FloatArray, b: FloatArray) -> bool:
    ends = []
    for loop in (a, b):
        middle = loop.mean(axis=0)
        _, sizes, axes = np.linalg.svd(loop - middle, full_matrices=False)
        u = (loop - middle) @ axes[0]
        ends.append((middle, axes[0], float(np.ptp(u)), float(sizes[0] / max(sizes[1], 1e-12))))
    (m1, d1, l1, r1), (m2, d2, l2, r2) = ends
    gap = m2 - m1
    along, across = abs(float(gap @ d1)), abs(float(gap @ np.array([-d1[1], d1[0]])))
    return (
        min(r1, r2) > 2.0
        and abs(float(d1 @ d2)) > 0.9986  # three degrees
        and abs(l1 - l2) < 0.08 * max(l1, l2)
        and along < 0.06 * max(l1, l2)
        and across < 1.2 * max(l1, l2)
    )


def drawn(loop: FloatArray, seen: Signal, like: Found | None = None) -> Found:
    """An outline that a person drew, float64[n, 2] column and row, closed.

    It is laid out anew a pixel apart, its corners kept. ``like``: what was found there; the blur of its edge,
    the gaps inside and what cannot be told there are a matter of the picture and stay.
    """
    from icewright.measure.by_hand import close_points, crosses

    rows, columns = seen.departure.shape[:2]
    low, high = loop.min(axis=0), loop.max(axis=0)
    touches = bool(low.min() < 0.0 or high[0] > columns - 1 or high[1] > rows - 1)
    box = (int(low[0]), int(low[1]), int(high[0]) + 1, int(high[1]) + 1)
    dense = close_points(loop)
    return Found(
        dense,
        (None, None),
        like.blur_px if like is not None else 0.0,  # 0: nobody judged the focus
        max(seen.contrast, 1e-6),
        0.0,
        0.0,
        touches,
        0.0,
        box,
        holes=like.holes if like is not None else (),
        untold=like.untold if like is not None else 0.0,
        by_hand=True,
        crossed=crosses(dense),
    )


def _smoothing(noise: float, edge: float, times: float, most: float) -> float:
    """Standard deviation (px) of a smoothing that brings the noise to the edge over ``times``."""
    wanted = times * noise / (max(edge, 1e-6) * 2.0 * np.sqrt(np.pi))
    return float(np.clip(wanted, 0.6, most))


def _coarse(seen: Signal, factor: int, least_px: float) -> list[tuple[Mask, tuple[slice, slice], float, int]]:
    """Filled masks in the small copy: with boxes, the signal along their rims, and the closing needed.

    The floor is as low as noise and unevenness allow, so that ice is found which only takes its few per cent
    of the light.
    """
    from scipy.ndimage import binary_erosion, find_objects, gaussian_filter, label

    faint = min(LOSS * max(seen.light, 0.02), seen.contrast)
    soft = _smoothing(seen.noise / factor, faint, 9.0, 3.0)
    small = magnitude(gaussian_filter(binned(seen.departure, factor), (soft, soft, 0.0)))
    noise = seen.noise / factor / (2.0 * np.sqrt(np.pi) * soft)
    floor = max(5.0 * noise, min(2.5 * seen.uneven, 0.14 * seen.contrast), 0.02 * seen.contrast)
    raw = small > floor
    reach = 0
    filled = _filled(raw)
    holes = int(filled.sum() - raw.sum())
    # An edge with gaps is closed step by step, and a step is kept where it encloses much that was open.
    for step in (2, 4, 7, 11):
        closed = _closed(raw, step)
        full = _filled(closed)
        inside = int(full.sum() - closed.sum())
        gains = inside > 1.25 * holes + 0.02 * raw.sum() + 30 and full.sum() > 1.3 * filled.sum()
        if gains and _background(full):
            break  # noise was closed, all over the picture
        if gains and _chunks(full) >= _chunks(filled):
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
        rim = mask & ~binary_erosion(mask, iterations=3)
        edge = float(np.percentile(small[box][rim], 60)) if rim.any() else floor
        out.append((mask, (box[0], box[1]), edge, reach * factor))
    out.sort(key=lambda part: -int(part[0].sum()))
    return out


def _background(mask: Mask) -> bool:
    """Whether a mask is most of the picture and reaches all four sides of it: no crystal does."""
    sides = (mask[0], mask[-1], mask[:, 0], mask[:, -1])
    return bool(np.mean(mask) > 0.5 and all(side.any() for side in sides))


def _chunks(mask: Mask) -> int:
    """How many compact things a mask holds: two crystals are not one with a gap, two arcs may be."""
    from scipy.ndimage import distance_transform_edt, label

    marks, count = label(mask)
    if not count:
        return 0
    area = np.bincount(marks.ravel(), minlength=count + 1)[1:]
    deep = np.zeros(count + 1)
    np.maximum.at(deep, marks.ravel(), distance_transform_edt(mask).ravel())
    return int(np.count_nonzero((area > 0.05 * area.max()) & (deep[1:] ** 2 > 0.06 * area)))


def _disk(radius: int) -> Mask:
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1]
    return np.asarray(x * x + y * y <= (radius + 0.4) ** 2)


def _closed(mask: Mask, radius: int) -> Mask:
    """Gaps of up to twice the radius bridged; by squares, which go along rows and columns and are quick."""
    from scipy.ndimage import maximum_filter, minimum_filter

    padded = np.pad(mask, radius + 1).astype(np.uint8)
    size = 2 * radius + 1
    full = minimum_filter(maximum_filter(padded, size), size)
    return np.asarray(full[radius + 1 : -radius - 1, radius + 1 : -radius - 1] > 0)


def _grown(mask: Mask) -> Mask:
    """The mask and the four neighbours of each of its pixels."""
    out = mask.copy()
    out[1:] |= mask[:-1]
    out[:-1] |= mask[1:]
    out[:, 1:] |= mask[:, :-1]
    out[:, :-1] |= mask[:, 1:]
    return out


def _filled(mask: Mask) -> Mask:
    """The mask with all that it encloses; by labels, which is quicker than growing inwards."""
    from scipy.ndimage import label

    marks, count = label(np.pad(~mask, 1, constant_values=True))
    if count <= 1:
        return mask
    return np.asarray(marks[1:-1, 1:-1] != marks[0, 0])


def _opened(mask: Mask, radius: int) -> Mask:
    """What is left of a mask when discs of the radius are laid wherever they fit inside."""
    worn = ~_dilated(np.pad(~mask, radius, constant_values=True), radius)
    return _dilated(worn[radius:-radius, radius:-radius], radius)


def _refine(
    seen: Signal,
    mask: Mask,
    box: tuple[slice, slice],
    factor: int,
    rim: float,
    closed: int,
    pitch: tuple[float, float],
) -> Found | None:
    from scipy.ndimage import distance_transform_edt, gaussian_filter, maximum_filter

    rows, columns = seen.departure.shape[:2]
    spread = _smoothing(seen.noise, rim, 8.0, 3.5)
    margin = 8 + 2 * factor + int(4 * spread)
    top = max(0, box[0].start * factor - margin)
    left = max(0, box[1].start * factor - margin)
    bottom = min(rows, box[0].stop * factor + margin)
    right = min(columns, box[1].stop * factor + margin)
    soft = magnitude(gaussian_filter(seen.departure[top:bottom, left:right], (spread, spread, 0.0)))
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
    peak = maximum_filter(np.where(outside < reach, soft, 0.0), footprint=_disk(reach))
    ring = inside & (depth <= reach)
    edge = float(np.median(peak[ring])) if ring.any() else 0.0
    if edge <= 0.0:
        return None
    # Twice the least that can be told from nothing: half of it is the level of the faintest edge.
    sure = max(5.0 * noise, min(2.0 * seen.uneven, 0.3 * edge))
    halo = _halo(soft, inside, depth, sure, pitch)
    if halo > 0.0:
        sure = halo
        outside = distance_transform_edt(soft < halo)
    peak = np.maximum(peak, 2.0 * sure)
    # Smoothed among places that have a peak, lest it sink, and the level with it, towards the outside.
    has = (peak > 2.0 * sure).astype(np.float32)
    weight = gaussian_filter(has, 0.7 * reach)
    peak = np.where(weight > 0.05, gaussian_filter(peak * has, 0.7 * reach) / np.maximum(weight, 1e-3), peak)
    share = np.where(outside <= reach + 1.0, soft / peak, 0.0)
    line = _ridges(soft, blur) & (soft > max(sure, 0.08 * edge)) & (outside <= reach)
    # Clear ice takes a few per cent of the light that comes through it; a gap takes none.
    clear = LOSS * seen.light
    shape, bridged = _closing(share, line, closed, pitch, int(np.count_nonzero(inside)))
    open_share = 0.0
    if shape is not None:
        shape, open_share = _gaps(shape, share, seen, (top, left), blur, clear, pitch)
    if shape is None:
        return None
    contours = [_longest(shape, level) for level in (LEVEL, *LEVELS)]
    loop = contours[0]
    if loop is None:
        return None
    at = np.array([left, top])
    touches = bool(
        (loop + at).min() < 1.5
        or (loop[:, 0] + left).max() > columns - 2.5
        or (loop[:, 1] + top).max() > rows - 2.5
    )
    # Where the outline lies on the filled inside and not on an edge of its own, nobody saw an edge.
    r, c = np.rint(loop[:, 1]).astype(int), np.rint(loop[:, 0]).astype(int)
    r, c = np.clip(r, 0, soft.shape[0] - 1), np.clip(c, 0, soft.shape[1] - 1)
    gaps = float(np.mean(maximum_filter(share, size=3)[r, c] < LEVEL * 0.9))
    true = to_edge(loop, soft, blur, reach, spread)
    loop = true.loop
    return Found(
        loop + at,
        (
            None if contours[1] is None else contours[1] + at,
            None if contours[2] is None else contours[2] + at,
        ),
        blur,
        edge,
        float(noise),
        float(bridged),
        touches,
        gaps,
        (left, top, right, bottom),
        true.moved_px,
        open_share,
        _holes(shape, loop, at),
        place_px=true.u_px,
        place_line_px=true.u_line_px,
        place_half_px=true.u_half_px,
        sigma_px=true.sigma_px,
        lined=true.lined,
    )


def _holes(shape: NDArray[Any], loop: FloatArray, at: NDArray[Any]) -> tuple[FloatArray, ...]:
    """Loops around gaps inside of the outline, more than 25 pixels and a thousandth of its area each."""
    from scipy.ndimage import label

    low = shape <= LEVEL
    marks, count = label(low)
    rim = set(np.unique(np.concatenate([marks[0], marks[-1], marks[:, 0], marks[:, -1]])))
    least = max(25.0, 0.001 * abs(shoelace(loop)))
    out = []
    for k in range(1, count + 1):
        if k in rim:
            continue
        here = marks == k
        if np.count_nonzero(here) < least:
            continue
        one = _longest(np.where(_dilated(here, 1), 1.0 - shape, 0.0), LEVEL)
        if one is not None:
            out.append(one + at)
    return tuple(out)


def _closing(
    share: NDArray[Any], line: Mask, known: int, pitch: tuple[float, float], expected: int
) -> tuple[NDArray[Any] | None, int]:
    """Signal over its height with the inside filled, and the width of the gaps that were bridged for it.

    What is enclosed by the edge is inside, be it as bright as the background. A faint edge (``line``)
    encloses too; the blurred signal in a narrow gap between two branches does not. Light that comes from one
    side leaves gaps in an edge, and a star has gaps of its own between its branches: bridging is told from
    filling by symmetry. Of outlines with gaps of more and more pixels bridged the first is taken that is
    alike on all sides, or else the one that is most alike. ``expected``: area of the coarse mask; an outline
    of less than half of it is one flank or one arm of what was meant.
    """
    from scipy.ndimage import gaussian_filter

    raw = share > LEVEL
    wall = _closed(raw | line, 2)
    # Closing must not shut a gap between two branches where there is neither edge nor ridge.
    wall &= raw | _dilated(line, 2)
    best: tuple[float, NDArray[Any], int] | None = None
    largest = held = 0.0
    for width in sorted({0, 2, 4, 8, max(known, 0)}):
        full = _filled(_closed(wall, width) if width else wall)
        added = _filled(_opened(full, 1) | raw) & ~raw
        # The filled part reaches up to the edge's own signal, so it moves no outline that has an edge.
        core = gaussian_filter(added.astype(np.float32), 0.5) if added.any() else np.zeros(1)
        shape = np.maximum(share, np.where(added, np.maximum(core, 0.75), 0.0)) if added.any() else share
        loop = _longest(shape, LEVEL)
        if loop is None:
            continue
        alike = _unlike(loop * np.asarray(pitch))
        size = abs(shoelace(loop))
        # An arc of an edge may look alike on two sides by chance: a far larger outline is what was meant.
        # What else stood out as strongly: the caps of a column beside its shaft.
        within = _share_within(raw, loop)
        if best is None or (within > held + 0.12 and alike < best[0] + 0.12):
            better = True
        else:
            grown = size > 1.3 * largest and alike < best[0] + 0.05
            better = grown or (alike < 0.6 * best[0] and size > 0.8 * largest)
        if better:
            best, largest, held = (alike, shape, width), size, within
        whole = size > max(0.9 * largest, 0.5 * expected) and within > 0.88
        if alike < 0.02 and whole and width >= known:
            break
    return (best[1], best[2]) if best is not None else (None, 0)


def _share_within(mask: Mask, loop: FloatArray) -> float:
    """The share of a mask that an outline encloses."""
    from icewright.measure.raster import filled

    return float(np.count_nonzero(mask & filled(loop, (mask.shape[0], mask.shape[1])))) / max(
        1, int(np.count_nonzero(mask))
    )


def _halo(
    soft: NDArray[Any], inside: Mask, depth: NDArray[Any], sure: float, pitch: tuple[float, float]
) -> float:
    """The level that leaves a halo out, 0 where there is none.

    Out of focus, or in coherent light, a faint and ragged halo surrounds the whole of a crystal. It is told
    from a faint outer part of the crystal by two signs: a crystal's strong parts reach its outline somewhere,
    and its outline is sixfold.
    """
    from scipy.ndimage import label

    strong_at = 0.4 * float(np.percentile(soft[inside], 95))
    if strong_at < 3.0 * sure:
        return 0.0
    marks, count = label(_filled(soft > strong_at))
    if not count:
        return 0.0
    strong = marks == 1 + int(np.argmax(np.bincount(marks.ravel())[1:]))
    every = soft > strong_at
    rim = every & _grown(~every) & inside
    if np.count_nonzero(strong) < 0.12 * np.count_nonzero(inside) or np.mean(depth[rim] < 4.0) > 0.03:
        return 0.0
    loops = [_longest(np.where(m, 1.0, 0.0), LEVEL) for m in (inside, strong)]
    if loops[0] is None or loops[1] is None:
        return 0.0
    weak, firm = (_unlike(loop * np.asarray(pitch)) for loop in loops)
    return strong_at if weak > 1.5 * firm + 0.01 else 0.0


def _gaps(
    shape: NDArray[Any],
    share: NDArray[Any],
    seen: Signal,
    corner: tuple[int, int],
    blur: float,
    clear: float,
    pitch: tuple[float, float],
) -> tuple[NDArray[Any], float]:
    """Take filled regions out again through which all the light comes; and the share that cannot be told.

    ``clear``: what clear ice departs from the background by. It is looked for in local means that are wide
    enough to bring the noise to an eighth of it, or in the mean over a region that is smaller than that.
    Where six times the error of that hides it (dark field, a small gap, much noise), or the background is not
    known to a quarter of it, the region stays filled and counts as not told; and so does all of it where what
    is left would have no ice at its centre, or be less alike on its sides than before: then slanted ice is
    by chance as bright as the gaps.
    """
    from scipy.ndimage import distance_transform_edt, find_objects, label

    added = (shape > LEVEL) & (share <= LEVEL)
    solid = shape > LEVEL
    whole = max(1, int(np.count_nonzero(solid)))
    marks, count = label(added)
    if not count:
        return shape, 0.0
    depth = distance_transform_edt(added)
    deepest = np.zeros(count + 1)
    np.maximum.at(deepest, marks.ravel(), depth.ravel())
    gone, unknown = np.zeros(shape.shape, bool), 0
    for k, box in enumerate(find_objects(marks), start=1):
        here = marks[box] == k
        if deepest[k] < max(2.0, 1.2 * blur):
            unknown += int(np.count_nonzero(here))
            continue
        core = here & (depth[box] > min(2.5 * blur, 0.8 * deepest[k]))
        error = seen.noise / np.sqrt(np.count_nonzero(core))
        if clear < 6.0 * error or clear < 4.0 * seen.drift or deepest[k] < NARROW * blur:
            unknown += int(np.count_nonzero(here))
            continue
        at = tuple(slice(b.start + c, b.stop + c) for b, c in zip(box, corner, strict=True))
        loss = _local_loss(seen, at, core, deepest[k], clear)
        # A gap is wider than what blur and the local mean can make of noise along an edge.
        wide = max(2, round(1.5 * blur))
        gap = _opened(here & (loss < GAP * clear), wide)
        if np.count_nonzero(gap) > max(60, 0.003 * whole):
            gone[box] |= gap
        unknown += int(np.count_nonzero(here & (loss >= GAP * clear) & (loss < ICE * clear)))
    if not gone.any():
        return shape, unknown / whole
    out = np.where(gone, share, shape)
    rows, columns = np.nonzero(solid)
    before, after = _longest(shape, LEVEL), _longest(out, LEVEL)
    kept = before is not None and after is not None and not gone[round(rows.mean()), round(columns.mean())]
    if kept and before is not None and after is not None:
        kept = _unlike(after * np.asarray(pitch)) < _unlike(before * np.asarray(pitch)) + 0.015
    if not kept:
        return shape, (unknown + int(np.count_nonzero(gone))) / whole
    return out, unknown / whole


def _local_loss(
    seen: Signal, at: tuple[slice, ...], core: Mask, deepest: float, clear: float
) -> NDArray[Any]:
    """Size of the mean departure around each place of a region, from the places of its core alone."""
    from scipy.ndimage import gaussian_filter

    light = seen.departure[at]
    spread = max(1.5, 8.0 * seen.noise / (clear * 2.0 * np.sqrt(np.pi)))
    if spread > 0.7 * deepest:
        return np.full(core.shape, float(np.sqrt(np.mean(np.square(np.median(light[core], axis=0))))))
    weight = gaussian_filter(core.astype(np.float32), spread)
    sums = [gaussian_filter(np.where(core, light[..., c], 0.0), spread) for c in range(light.shape[2])]
    # Far from the core there is nothing to go by, and no gap is claimed.
    mean = magnitude(np.stack(sums, axis=2) / np.maximum(weight, 1e-6)[..., None])
    return np.where(weight > 1e-3, mean, np.inf)


def _ridges(soft: NDArray[Any], blur: float) -> Mask:
    """Where the signal is a ridge: curved down across it and hardly curved along it.

    A saddle in a gap between two bright branches curves up from branch to branch and is no ridge.
    """
    from scipy.ndimage import gaussian_filter

    h = gaussian_filter(soft, max(0.8, 0.6 * blur))
    rr = np.zeros_like(h)
    cc, rc = np.zeros_like(h), np.zeros_like(h)
    rr[1:-1] = h[2:] - 2.0 * h[1:-1] + h[:-2]
    cc[:, 1:-1] = h[:, 2:] - 2.0 * h[:, 1:-1] + h[:, :-2]
    rc[1:-1, 1:-1] = 0.25 * (h[2:, 2:] - h[2:, :-2] - h[:-2, 2:] + h[:-2, :-2])
    mean, half = 0.5 * (rr + cc), np.hypot(0.5 * (rr - cc), rc)
    least, most = mean - half, mean + half
    return np.asarray((least < 0) & (-least > 1.5 * np.abs(most)) & (-least > 0.02 * h))


def faint_outside(found: Found, seen: Signal, reach_px: float) -> float:
    """Length of faint lines that lie outside of an outline but within its reach, over the reach.

    ``reach_px``: from its centre to its farthest point. In dark field the ridges of a plate may be ten times
    as bright as its rim; then they are found and the rim is not. Lines shorter than a quarter of the reach
    are dust and droplets.
    """
    from scipy.ndimage import find_objects, label

    spread = 1.5
    soft, ice = _around(found, seen, 5.0, spread)
    noise = seen.noise / (2.0 * np.sqrt(np.pi) * spread)
    soft = np.sqrt(np.maximum(np.square(soft) - noise**2, 0.0))
    near = _dilated(ice, 3 + round(3.0 * found.blur_px))
    lines = _ridges(soft, spread) & (soft > max(4.0 * noise, 1.5 * seen.drift)) & ~near
    marks, count = label(_closed(lines, 1))
    total = 0.0
    for box in find_objects(marks) if count else ():
        long = float(np.hypot(box[0].stop - box[0].start, box[1].stop - box[1].start))
        total += long if long > 0.25 * reach_px else 0.0
    return total / max(reach_px, 1.0)


def cut_off(found: Found, seen: Signal) -> float:
    """Area of what lies against an outline from outside and is as strong as its own edge, over its area.

    The caps of a column whose middle is clear may be cut off, one by one.
    """
    from scipy.ndimage import label

    soft, ice = _around(found, seen, 0.35 * float(np.ptp(found.loop, axis=0).max()) + 8.0, 1.0)
    near = _dilated(ice, 2 + round(2.0 * found.blur_px))
    marks, count = label((soft > 0.5 * found.edge) & ~near)
    if not count:
        return 0.0
    area = np.bincount(marks.ravel(), minlength=count + 1)
    against = np.unique(marks[_dilated(near, 2)])
    largest = max((int(area[k]) for k in against if k > 0), default=0)
    return largest / max(found.area_px, 1.0)


def _around(found: Found, seen: Signal, room: float, spread: float) -> tuple[Image, Mask]:
    """The smoothed signal in a box with ``room`` pixels around an outline, and what the outline fills."""
    from scipy.ndimage import gaussian_filter

    from icewright.measure.raster import filled

    rows, columns = seen.departure.shape[:2]
    left, top = (max(0, int(v - room)) for v in found.loop.min(axis=0))
    right, bottom = (int(v + room) for v in found.loop.max(axis=0))
    box = seen.departure[top : min(rows, bottom), left : min(columns, right)]
    soft = magnitude(gaussian_filter(box, (spread, spread, 0.0)))
    return soft, filled(found.loop - np.array([left, top]), (soft.shape[0], soft.shape[1]))


def _dilated(mask: Mask, radius: int) -> Mask:
    """The mask grown by ``_disk(radius)``, which is a union of rectangles: grown along rows, then columns."""
    out = np.zeros_like(mask)
    disk = _disk(radius)[radius:, radius:]
    for wide in range(radius + 1):
        high = int(np.count_nonzero(disk[:, wide])) - 1
        if wide < radius and int(np.count_nonzero(disk[:, wide + 1])) - 1 == high:
            continue  # a wider rectangle is as high
        tall = mask.copy()
        for k in range(1, high + 1):
            tall[k:] |= mask[:-k]
            tall[:-k] |= mask[k:]
        out |= tall
        for k in range(1, wide + 1):
            out[:, k:] |= tall[:, :-k]
            out[:, :-k] |= tall[:, k:]
    return out


def _unlike(loop: FloatArray) -> float:
    """How much an outline differs from itself turned by a sixth, or by a half where it is long."""
    from icewright.measure.orientation import STEPS, frame

    six = frame(loop)
    r = six.reach_m
    half = float(np.sqrt(np.mean(np.square(r - np.roll(r, STEPS // 2)))) / r.mean())
    x, y = (loop - loop.mean(axis=0)).T
    spread = np.linalg.eigvalsh(np.cov(x, y))
    return half if spread[1] > 1.7 * spread[0] else six.departure


def _longest(shape: NDArray[Any], level: float) -> FloatArray | None:
    """The loop around the largest area, as column and row; None if there is none."""
    from scipy.ndimage import find_objects, label
    from skimage.measure import find_contours

    # Only the rim is contoured: the noise inside a plate would make thousands of small loops.
    marks, count = label(np.pad(shape, 1) > level)
    if count == 0:
        return None
    sizes = np.bincount(marks.ravel())
    sizes[0] = 0
    best_full, most_full = marks > 0, 0
    boxes = find_objects(marks)
    for k in np.argsort(-sizes)[: min(3, count)]:
        box = boxes[k - 1]
        if (box[0].stop - box[0].start) * (box[1].stop - box[1].start) <= most_full:
            continue  # it cannot enclose more
        full = _filled(marks == k)
        if np.count_nonzero(full) > most_full:
            best_full, most_full = full, int(np.count_nonzero(full))
    padded = np.pad(shape, 1)
    padded[~_grown(best_full)] = 0.0
    padded[~_grown(~best_full)] = 1.0
    loops = find_contours(padded, level)  # type: ignore[no-untyped-call]
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
    for a line narrower than the blur; the former is taken. Noise makes slopes of its own, which hide those of
    a wide blur; so the picture is smoothed further, and what that adds is taken off again, in squares.
    """
    from scipy.ndimage import gaussian_filter

    best = 0.0
    for extra in (0.0, 2.0, 4.0):
        more = gaussian_filter(soft, extra) if extra else soft
        blur = _steepest(more, depth, outside)
        if blur is None:
            break
        best = max(best, float(np.sqrt(max(blur**2 - extra**2, 0.0))))
    return float(np.clip(best or spread, 0.5, 15.0))


def _steepest(soft: NDArray[Any], depth: NDArray[Any], outside: NDArray[Any]) -> float | None:
    from scipy.ndimage import maximum_filter, sobel

    slope = np.hypot(sobel(soft, 0), sobel(soft, 1)) / 8.0
    blur = None
    # Both maxima over one window: that of the first size would cut a wide edge short.
    for window in (9, 25, 61):
        near = (depth < window) & (outside < window)
        if not near.any():
            break
        top = maximum_filter(soft, size=window)
        strong = near & (top > 0.5 * np.percentile(top[near], 90))
        if not strong.any():
            break
        ratio = maximum_filter(slope, size=window)[strong] / np.maximum(top[strong], 1e-9)
        blur = 0.399 / max(float(np.percentile(ratio, 50)), 1e-3)
        if blur < 0.16 * window:
            break
    return blur
