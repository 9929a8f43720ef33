"""From a picture to readings: everything that can be said about each crystal in it, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.measure import arms as arm_finder
from icewright.measure import facets as facet_finder
from icewright.measure import outline, quality, sides
from icewright.measure.images import Picture
from icewright.measure.orientation import Frame, centroid, frame
from icewright.measure.raster import filled
from icewright.measure.scale import Scale
from icewright.measure.signal import FloatArray, Signal, binned, signal
from icewright.measure.uncertainty import (
    ANGLE_SHARE,
    END_PX,
    HAND_PX,
    LOCAL_SHARE,
    UNLIT_COLOUR_PX,
    UNLIT_PX,
    UNTOLD_SHARE,
    edge_m,
    together,
)

VIEWS = ("auto", "plan", "side")
LONG = 1.28  # longer than this over its width an outline is a side view, unless it is plainly sixfold
ROUND = 0.02  # a round thing departs from its circle by less than this: a droplet

VAGUE_AREA, VAGUE_FACET = 0.055, 0.10  # less certain than this share an area or a facet is not given
LARGE = 1100  # pixels; a picture is averaged down only while it is longer than this
PLAN = "plan"
SIDE = "side"
ROUNDISH = "round"
OTHER = "other"


@dataclass(frozen=True)
class Reading:
    """One crystal in one picture. SI units; x to the right, y upwards, from the picture's top left corner.

    view : "plan" (along c), "side" (a column lying down), "round" (a droplet, or a plate whose corners
    cannot be seen) or "other". quality, reasons : see ``measure.quality``. values : name -> (value, standard
    uncertainty); a name that is missing has no value. outline_m : float64[n, 2]. details : facets, ends and
    parts of the uncertainty as plain values.
    """

    view: str
    quality: str
    reasons: tuple[str, ...]
    values: Mapping[str, tuple[float, float]]
    outline_m: FloatArray
    details: Mapping[str, Any] = field(default_factory=dict)

    @property
    def flagged(self) -> bool:
        """Whether a person should look before a number is used."""
        return self.quality in ("poor", "none")


def read(
    picture: Picture,
    scale: Scale,
    *,
    view: str = "auto",
    least_m: float | None = None,
    by_hand: Mapping[int, Mapping[str, Any]] | None = None,
) -> list[Reading]:
    """Readings of all crystals of a picture, largest first.

    ``view``: "plan", "side" or "auto", each outline by its shape. ``least_m``: what is smaller across is left
    out; a hundredth of the picture, but 8 pixels at least, if None. ``by_hand``: for a crystal's number (from
    1, largest first) an ``outline_px`` (float64[n, 2], closed) or a ``centre_px`` in place of what is found;
    a number beyond those found adds a crystal where it has an outline. An empty list: nothing stands out of
    the background.
    """
    return read_ready(ready(picture, scale, least_m=least_m), scale, view=view, by_hand=by_hand)


@dataclass(frozen=True)
class Ready:
    """A picture in which crystals were looked for: what need not be done again when one is corrected by hand.

    times : pixels averaged each way before. found : largest first, in averaged pixels.
    """

    seen: Signal
    found: tuple[outline.Found, ...]
    times: int


def ready(picture: Picture, scale: Scale, *, least_m: float | None = None) -> Ready:
    """Look for crystals. Of the scale only the least size and unequal pitches matter here."""
    times = binning(picture)
    if times > 1:
        picture = binned(picture, times)
    coarse = replace(scale, x_m=scale.x_m * times, y_m=scale.y_m * times)
    seen = signal(picture)
    least = max(8.0, 0.01 * max(picture.shape[:2])) if least_m is None else least_m / coarse.pixel_m
    found = outline.find(seen, least_px=least, pitch=(coarse.x_m, coarse.y_m))
    return Ready(seen, tuple(found), times)


def read_ready(
    it: Ready,
    scale: Scale,
    *,
    view: str = "auto",
    by_hand: Mapping[int, Mapping[str, Any]] | None = None,
    only: int | None = None,
) -> list[Reading]:
    """Readings of all crystals, or of the one with the number ``only``; see :func:`read`."""
    if view not in VIEWS:
        raise IcewrightError(got=f"view {view!r}", wanted="one of " + ", ".join(VIEWS))
    given = {k: dict(v) for k, v in (by_hand or {}).items()}
    for more in given.values():
        for name in more.keys() & {"outline_px", "centre_px"}:
            more[name] = (np.asarray(more[name], dtype=float) + 0.5) / it.times - 0.5
    coarse = replace(scale, x_m=scale.x_m * it.times, y_m=scale.y_m * it.times)
    out = []
    for k, one in enumerate(it.found, start=1):
        more = given.pop(k, {})
        if only in (None, k):
            out.append(_numbered(_read_one(one, it.seen, coarse, view, more), k))
    for k, more in sorted(given.items()):
        if "outline_px" in more and only in (None, k):
            out.append(_numbered(_read_one(None, it.seen, coarse, view, more), k))
    return out if it.times == 1 else [_of_the_whole(r, it.times, scale) for r in out]


def _numbered(r: Reading, number: int) -> Reading:
    """With its number: crystals added by hand may leave numbers out."""
    return replace(r, details={**r.details, "number": number})


def binning(picture: Picture) -> int:
    """How many pixels are averaged each way before anything is measured: 1 unless that loses nothing.

    A large picture whose steepest slopes are as steep with pixels averaged two by two is blurred over more
    than two pixels: its outlines are found as well from a quarter of the pixels, in a quarter of the time.
    """
    from scipy.ndimage import gaussian_filter

    times = 1
    grey = picture[:, :, 0] if picture.shape[2] == 1 else picture.mean(axis=2)
    while max(picture.shape[:2]) // times > LARGE and times < 8:
        fine = grey if times == 1 else binned(grey[:, :, None], times)[:, :, 0]
        if _steep(gaussian_filter(fine, 0.7)) * 0.85 > _steep(binned(fine[:, :, None], 2)[:, :, 0]) / 2.0:
            break
        times *= 2
    return times


def _steep(grey: FloatArray | Picture) -> float:
    """The slope (a pixel) that one pixel in two thousand exceeds; every second row is looked at."""
    down = 0.5 * (grey[2::2, 1:-1] - grey[:-2:2, 1:-1])
    along = 0.5 * (grey[1:-1:2, 2:] - grey[1:-1:2, :-2])
    return float(np.percentile(np.hypot(down, along), 99.95))


def _of_the_whole(r: Reading, times: int, scale: Scale) -> Reading:
    """A reading from averaged pixels in the frame of the whole picture: its first pixel's middle is zero."""
    shift = 0.5 * (times - 1) * np.array([scale.x_m, -scale.y_m])
    values = dict(r.values)
    for k, name in enumerate(("centre_x_m", "centre_y_m")):
        if name in values:
            values[name] = (values[name][0] + float(shift[k]), values[name][1])
    details = dict(r.details)
    for name in ("blur_px", "moved_px"):
        details[name] = details[name] * times
    details["box_px"] = [v * times for v in details["box_px"]]
    details["holes_px"] = [((np.asarray(h) + 0.5) * times - 0.5).tolist() for h in details["holes_px"]]
    if "tips_m" in details:
        details["tips_m"] = (np.asarray(details["tips_m"]) + shift).tolist()
    for facet in details.get("facets", ()):
        for name in ("start_m", "end_m"):
            facet[name] = (np.asarray(facet[name]) + shift).tolist()
    details["averaged"] = times
    return replace(r, outline_m=r.outline_m + shift, values=values, details=details)


def to_metres(loop_px: FloatArray, scale: Scale) -> FloatArray:
    """Columns and rows (px) as x to the right and y upwards (m)."""
    return np.column_stack([loop_px[:, 0] * scale.x_m, -loop_px[:, 1] * scale.y_m])


def to_pixels(loop_m: FloatArray, scale: Scale) -> FloatArray:
    """The way back."""
    return np.column_stack([loop_m[:, 0] / scale.x_m, -loop_m[:, 1] / scale.y_m])


def _read_one(
    found: outline.Found | None, seen: Signal, scale: Scale, view: str, by_hand: Mapping[str, Any]
) -> Reading:
    if "outline_px" in by_hand:
        found = outline.drawn(np.asarray(by_hand["outline_px"], dtype=float), seen, found)
    assert found is not None
    loop = to_metres(found.loop, scale)
    others = [to_metres(o, scale) if o is not None else None for o in found.others]
    centre = by_hand.get("centre_px")
    at = to_metres(np.array([centre], dtype=float), scale)[0] if centre is not None else None
    six = frame(loop, at)
    long_m, short_m, _ = sides.box(loop)
    kind = _kind(six, long_m / max(short_m, 1e-30)) if view == "auto" else view
    if kind == PLAN and six.angle_rad is None:
        kind = ROUNDISH if six.departure < ROUND else OTHER
    blur = found.blur_px * scale.pixel_m
    blur = max(blur, min(1.5 * blur, _blur_by_levels(abs(outline.shoelace(loop)), others)))
    mean = float(six.reach_m.mean()) if kind != SIDE else 0.5 * short_m
    lying = sides.side(loop) if kind == SIDE else None
    judged = quality.Seen(
        blur_share=blur / max(mean, 1e-30),
        departure=six.departure if six.angle_rad is not None else None,
        worst=six.worst if six.angle_rad is not None else None,
        gap_share=found.gap_share,
        contrast=found.edge / max(found.noise, 1e-12),
        radius_px=mean / scale.pixel_m,
        touches=found.touches,
        parts=_parts(found),
        bridged=found.closed_px > 0,
        torn=found.torn,
        crossed=found.crossed,
        clipped=max(seen.bright_share, seen.dark_share if found.edge < 0 else 0.0),
        sixfold=six.angle_rad is not None,
        side=kind == SIDE,
        untold=found.untold if kind == PLAN else 0.0,
        dark_field=seen.light < 0.08 and found.edge > seen.light,
        half=_half_turn(loop) if kind == SIDE else None,
        plain=_length(loop) ** 2 < 40.0 * abs(outline.shoelace(loop)),
        beyond=_beyond(found, seen, six, scale) if kind == PLAN else 0.0,
        unequal=_unequal(found, six, scale) if kind == PLAN else 0.0,
        cut_off=outline.cut_off(found, seen) if not found.by_hand else 0.0,
        bump=lying.bump_m / long_m if lying is not None and not found.by_hand else 0.0,
    )
    u_unlit = 0.0
    if kind == SIDE and found.lined is not None and (judged.dark_field or _two_signs(found, seen)):
        judged = replace(judged, unlit=sides.unlit_ends(loop, found.lined))
        u_unlit = judged.unlit * (UNLIT_PX if judged.dark_field else UNLIT_COLOUR_PX) * scale.pixel_m
    word, reasons = quality.judge(judged)
    details: dict[str, Any] = {
        "blur_px": found.blur_px,
        "contrast": judged.contrast,
        "gap_share": found.gap_share,
        "departure": six.departure,
        "worst": six.worst,
        "box_px": list(found.box),
        "untold": found.untold,
        "moved_px": found.moved_px,
        "holes_px": [np.round(hole, 2).tolist() for hole in found.holes],
        "beyond": judged.beyond,
        "unequal": judged.unequal,
        "cut_off": judged.cut_off,
        "bump": judged.bump,
    }
    if word == "none":
        return Reading(kind, word, reasons, {}, loop, details)
    values, more = _values(kind, loop, others, six, lying, found, scale, u_unlit)
    hidden = quality.not_known(judged)
    if sum(abs(outline.shoelace(hole)) for hole in found.holes) > 0.02 * found.area_px:
        # Gaps inside mean branches that met, or all but met, outside of them: no facet can be seen behind.
        hidden = (*hidden, *quality.FACETS)
    # What only the scale leaves open is the same for all pictures, and no reason to hold a number back.
    # Nor is it one where a person drew the outline: its uncertainty stands beside it.
    if not found.by_hand and _vague(values, "area_m2", VAGUE_AREA, 2.0 * scale.u_share):
        hidden = (*hidden, "area_m2", "perimeter_m", "solidity")
    if not found.by_hand and _vague(values, "radius_facet_m", VAGUE_FACET, scale.u_share):
        hidden = (*hidden, *quality.FACETS)
    for name in hidden:
        values.pop(name, None)
    left_out = [name for name in dict.fromkeys(hidden) if not name.startswith("facet_")]
    if left_out:
        details["left_out"] = left_out
    return Reading(kind, word, reasons, values, loop, details | more)


def _beyond(found: outline.Found, seen: Signal, six: Frame, scale: Scale) -> float:
    """Length of faint lines outside of the outline over its reach; 0 where a person drew it."""
    if found.by_hand:
        return 0.0
    return outline.faint_outside(found, seen, float(six.reach_m.max()) / scale.pixel_m)


def _unequal(found: outline.Found, six: Frame, scale: Scale) -> float:
    """By how much the area of the gaps inside differs between the sixths, over the area of the whole.

    The centre of each gap says which of the sixths it is in, counted from one set of axes to the next or from
    the middles between them: of both the smaller.
    """
    if not found.holes or six.angle_rad is None:
        return 0.0
    at = np.array([to_metres(hole, scale)[:-1].mean(axis=0) for hole in found.holes]) - six.centre_m
    size = np.array([abs(outline.shoelace(hole)) for hole in found.holes])
    far = np.hypot(at[:, 0], at[:, 1]) > 0.05 * float(six.reach_m.mean())
    turn = (np.arctan2(at[:, 1], at[:, 0]) - six.angle_rad) / (math.pi / 3.0)
    out = []
    for start in (0.0, 0.5):
        sixth = np.floor(turn + start).astype(int) % 6
        out.append(float(np.std(np.bincount(sixth[far], size[far], minlength=6))))
    return 6.0 * min(out) / max(found.area_px, 1.0)


def _two_signs(found: outline.Found, seen: Signal) -> bool:
    """Whether a little inside of its outline a crystal is brighter in one colour and darker in another."""
    middle = found.loop.mean(axis=0)
    inside = np.rint(middle + 0.9 * (found.loop - middle)).astype(int)
    rows, columns = seen.departure.shape[:2]
    at = seen.departure[np.clip(inside[:, 1], 0, rows - 1), np.clip(inside[:, 0], 0, columns - 1)]
    both = (at.max(axis=1) > 0.3 * found.edge) & (at.min(axis=1) < -0.3 * found.edge)
    return bool(np.mean(both) > 0.05)


def _vague(values: Mapping[str, tuple[float, float]], name: str, most: float, of_scale: float) -> bool:
    if name not in values:
        return False
    value, u = values[name]
    return u * u > (most * most + of_scale * of_scale) * value * value


def _blur_by_levels(area: float, others: list[FloatArray | None]) -> float:
    """Blur of an edge far out of focus: the two other levels of a Gaussian edge lie 0.77 of it apart (m).

    The median way from one to the other, so that a gap which only one of them fills does not count.
    """
    from scipy.spatial import cKDTree

    low, high = others
    if low is None or high is None:
        return 0.0
    areas = abs(outline.shoelace(low)), abs(outline.shoelace(high)), area
    if min(areas) < 0.6 * max(areas):  # another thing, not another level
        return 0.0
    return float(np.median(cKDTree(low).query(high)[0])) / 0.77


def _half_turn(loop: FloatArray) -> float:
    """The share of its area that an outline does not have in common with itself turned half round."""
    low, high = loop.min(axis=0), loop.max(axis=0)
    pixel = float((high - low).max()) / 240.0
    middle = centroid(loop)
    # On a grid about the centroid, so that a half turn of the grid is the array backwards.
    half = np.ceil(np.maximum(high - middle, middle - low) / pixel).astype(int) + 1
    mask = filled((loop - middle) / pixel + half, (2 * int(half[1]) + 1, 2 * int(half[0]) + 1))
    turned = mask[::-1, ::-1]
    return 1.0 - float(np.count_nonzero(mask & turned)) / max(1, int(np.count_nonzero(mask | turned)))


def _kind(six: Frame, ratio: float) -> str:
    if six.angle_rad is not None and ratio < LONG and six.departure < 0.15:
        return PLAN
    if ratio >= LONG:
        return SIDE
    if six.angle_rad is None and six.departure < ROUND:
        return ROUNDISH
    return PLAN if six.angle_rad is not None else OTHER


def _values(
    kind: str,
    loop: FloatArray,
    others: list[FloatArray | None],
    six: Frame,
    lying: sides.Side | None,
    found: outline.Found,
    scale: Scale,
    u_unlit: float,
) -> tuple[dict[str, tuple[float, float]], dict[str, Any]]:
    pixel, blur = scale.pixel_m, found.blur_px * scale.pixel_m
    ratio = found.noise / max(found.edge, 1e-12)
    # Seen from the side a column is ice all through: as bright as a gap is not a gap.
    holes = [to_metres(hole, scale) for hole in found.holes] if kind != SIDE else []
    gone = sum(abs(outline.shoelace(hole)) for hole in holes)
    area = abs(outline.shoelace(loop)) - gone
    # A line drawn by hand has no pixel steps to smooth away.
    around = float(np.hypot(*np.diff(loop, axis=0).T).sum()) if found.by_hand else _length(loop)
    edge_length = around + sum(_length(hole) for hole in holes)
    hull = _hull_area(loop)
    areas = [abs(outline.shoelace(o)) if o is not None else None for o in others]
    spread = _spread(areas, _length(loop), blur)
    # Places further apart than the smoothing and the blur err independently.
    count, hand = edge_length / max(3.0 * blur, 2.0 * pixel), 0.0
    u_edge = edge_m(found.place_px * pixel, spread, pixel, ratio, blur, count)
    if found.by_hand:
        # Where a person says that the edge is, there it is: no blur is taken off corners and notches.
        hand = HAND_PX * pixel
        u_edge, blur = together(u_edge, hand), 0.0
    share = scale.u_share
    values: dict[str, tuple[float, float]] = {
        "area_m2": (
            area,
            together(edge_length * u_edge, 2.0 * share * area, UNTOLD_SHARE * found.untold * area),
        ),
        "perimeter_m": (
            edge_length,
            together(2.0 * math.pi * u_edge, share * edge_length, 0.004 * edge_length),
        ),
        "solidity": (min(1.0, area / hull), abs(1.0 - area / hull) * edge_length * u_edge / area + 0.002),
    }
    more: dict[str, Any] = {"u_edge_m": u_edge, "level_spread_m": spread}
    middle = six.centre_m if kind in (PLAN, ROUNDISH) else centroid(loop)
    u_centre = together(0.5 * u_edge, six.departure * float(six.reach_m.mean()) / 6.0)
    values["centre_x_m"], values["centre_y_m"] = (float(middle[0]), u_centre), (float(middle[1]), u_centre)
    values["radius_max_m"] = (
        float(six.reach_m.max()) if kind != SIDE else float(np.hypot(*(loop - middle).T).max()),
        together(u_edge * 1.5, share * float(six.reach_m.max())),
    )
    straight = facet_finder.facets(loop, six, max(1.1 * pixel, 0.35 * blur))
    more["facets"] = [
        {
            "length_m": f.length_m,
            "distance_m": f.distance_m,
            "normal_rad": f.normal_rad,
            "off_rad": f.off_rad,
            "u_off_rad": f.u_off_rad,
            "start_m": list(f.start_m),
            "end_m": list(f.end_m),
        }
        for f in straight
    ]
    if lying is not None:
        parts = [
            together(edge_m(px * pixel, spread, pixel, ratio, blur, count), hand)
            for px in (found.place_half_px, found.place_line_px)
        ]
        u_end = together(parts[1], END_PX * pixel)
        values |= _side_values(lying, parts[0], u_end, u_unlit, share, more)
    elif kind == PLAN:
        # The blur of the edge itself where it is known; the other takes the slopes inside for it.
        sharp = found.sigma_px * pixel if found.sigma_px is not None and not found.by_hand else blur
        values |= _plan_values(loop, others, six, straight, u_edge, share, pixel, sharp, hand, more)
    more["by_hand"] = found.by_hand
    return values, more


def _plan_values(
    loop: FloatArray,
    others: list[FloatArray | None],
    six: Frame,
    straight: list[facet_finder.Facet],
    u_edge: float,
    share: float,
    pixel: float,
    blur: float,
    hand: float,
    more: dict[str, Any],
) -> dict[str, tuple[float, float]]:
    found = arm_finder.arms(six, straight, loop, blur, pixel)
    assert found is not None and six.angle_rad is not None
    radius, facet = _middle(found.length_m), _middle(found.facet_m)
    # Corners are taken where the lines of two facets cross: they err as the facets do, over cos 30.
    sharp = found.sharp / 6.0
    u_system = together(
        u_edge * (sharp / math.cos(math.pi / 6) + 1.0 - sharp), float(found.u_rounded_m.mean()), hand
    )
    scatter = float(np.std(found.length_m, ddof=1)) / math.sqrt(6.0)
    u_facet = together(u_edge, float(found.u_notch_m.mean()))
    scatter_facet = float(np.std(found.facet_m, ddof=1)) / math.sqrt(6.0)
    u_turn = _u_angle(six, u_edge, blur)
    values = {
        "radius_tip_m": (radius, together(u_system, scatter, share * radius)),
        "radius_facet_m": (facet, together(u_facet, scatter_facet, share * facet)),
        "angle_rad": (six.angle_rad, u_turn),
        "departure": (six.departure, together(u_edge / max(radius, 1e-30), 0.1 * six.departure)),
    }
    u_arm = together(u_system, 0.3 * pixel, share * radius)
    for k in range(6):
        values[f"arm_{k + 1}_m"] = (float(found.length_m[k]), u_arm)
        values[f"facet_{k + 1}_m"] = (float(found.facet_m[k]), together(u_facet, 0.3 * pixel, share * facet))
    more["tips_m"] = found.tip_m.tolist()
    more["sharp"] = found.sharp
    return values


def _side_values(
    it: sides.Side, u_flank: float, u_end: float, u_unlit: float, share: float, more: dict[str, Any]
) -> dict[str, tuple[float, float]]:
    """``u_flank``, ``u_end``: uncertainty of the edge there; ends are narrower lines than flanks.

    ``u_unlit``: what the rims of both ends that stay dark may be wide.
    """
    more["ends"] = list(it.ends)
    more["end_width_m"] = list(it.end_width_m)
    # Both ends err alike, and so do both flanks.
    return {
        "length_m": (it.length_m, together(2 * u_end, u_unlit, it.scatter_length_m / 4, share * it.length_m)),
        "width_m": (it.width_m, together(2 * u_flank, it.scatter_width_m / 4, share * it.width_m)),
        "angle_rad": (it.angle_rad, together(u_flank / max(it.length_m / 2, 1e-30), 0.0005)),
    }


def _u_angle(six: Frame, u_edge: float, blur: float) -> float:
    """Uncertainty of the axes: scatter of the sixths, and what the edge's own uncertainty turns."""
    r = six.reach_m
    turn = np.gradient(r, 2.0 * math.pi / r.size)
    steep = float(np.sqrt(np.mean(np.square(np.clip(turn, -2.0 * r.mean(), 2.0 * r.mean())))))
    free = max(12.0, 2.0 * math.pi * float(r.mean()) / max(3.0 * blur, 1e-30))
    local = together(u_edge, LOCAL_SHARE * blur)
    own = together(six.u_angle_rad, local / max(steep, 1e-30) / math.sqrt(free))
    return together(ANGLE_SHARE * own, math.radians(0.005))


def _middle(six: FloatArray) -> float:
    """Mean of six lengths without the longest and the shortest where they lie far out, else of all."""
    ordered = np.sort(six)
    inner = ordered[1:5]
    spread = max(float(np.ptp(inner)), 0.01 * float(inner.mean()))
    keep = ordered[np.abs(ordered - inner.mean()) < 2.5 * spread]
    return float(keep.mean())


def _spread(areas: list[float | None], edge_length: float, blur: float) -> float:
    """Mean distance between the outlines at the two other levels (m)."""
    low, high = areas
    if low is None or high is None:
        return 1.5 * blur
    return min(abs(low - high) / edge_length, 4.0 * blur)


def _length(loop: FloatArray) -> float:
    """Length of the outline, smoothed over three points so that pixel steps do not lengthen it (m)."""
    p = loop[:-1]
    soft = (np.roll(p, 1, axis=0) + 2.0 * p + np.roll(p, -1, axis=0)) / 4.0
    return float(np.hypot(*np.diff(np.concatenate([soft, soft[:1]]), axis=0).T).sum())


def _hull_area(loop: FloatArray) -> float:
    from scipy.spatial import ConvexHull

    return float(ConvexHull(loop[:-1]).volume)


def _parts(found: outline.Found) -> int:
    """How many large parts the outline falls into when it is worn away from its edge."""
    from scipy.ndimage import distance_transform_edt, label

    loop = found.loop
    low = loop.min(axis=0)
    size = float(np.ptp(loop, axis=0).max())
    zoom = min(1.0, 160.0 / size)
    p = (loop - low) * zoom + 2.0
    mask = filled(p, (int(p[:, 1].max()) + 3, int(p[:, 0].max()) + 3))
    depth = distance_transform_edt(mask)
    deepest, most = float(depth.max()), 1
    for share in (0.35, 0.5, 0.65, 0.8):
        marks, count = label(depth > share * deepest)
        if count > 1:
            tops = [float(depth[marks == k + 1].max()) for k in range(count)]
            wide = [int(np.count_nonzero(marks == k + 1)) for k in range(count)]
            large = [k for k in range(count) if tops[k] > 0.6 * deepest and wide[k] > 0.10 * max(wide)]
            most = max(most, len(large))
    return most if most <= 3 else 1
