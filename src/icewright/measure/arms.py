"""Tips and facets along the six axes: where each arm ends, and how far the faces between stand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from icewright.measure.facets import Facet
from icewright.measure.orientation import STEPS, Frame
from icewright.measure.signal import FloatArray

# What blur takes off a corner, and fills into a notch, of full angle 2 atan(slope), in standard deviations of
# the blur: where half of the light is reached on the axis of a wedge under a Gaussian (computed).
SLOPES = (0.27, 0.41, 0.58, 0.77, 1.0, 1.30, 1.73, 2.41)
RECESSION = (2.60, 1.74, 1.28, 0.99, 0.77, 0.60, 0.46, 0.33)
BLUNT, U_BLUNT = (
    0.40,
    0.25,
)  # blurs: a tip whose angle is not seen, 0 if blunt, 0.46 if 120 degrees, 1.28 if 60
CORNER_DOUBT = 0.25  # of what blur takes off a corner: growth may have rounded it, too
NOTCH, NOTCH_START = (
    1.8,
    0.40,
)  # blurs a unit of the flanks' slope, and the slope where that begins (drawn specimens)
NOTCH_DOUBT = 0.18  # of the depth that is added to a notch (drawn specimens)
WINDOW_DEG = 7.0  # to each side of an axis, where its tip is looked for


@dataclass(frozen=True)
class Arms:
    """Six tips and six facets.

    tip_m : float64[6, 2], positions, the first at the frame's angle, on against the clock. length_m :
    float64[6], from the centre. facet_m : float64[6], reach of the outline half-way between two axes;
    u_notch_m : what the bottom of a narrow notch there is uncertain by; u_rounded_m : the same of tips
    that may be rounded or only look so. sharp : how many tips are corners of
    two straight facets, met where the facets' lines cross.
    """

    tip_m: FloatArray
    length_m: FloatArray
    facet_m: FloatArray
    u_notch_m: FloatArray
    u_rounded_m: FloatArray
    sharp: int


def arms(
    frame: Frame, straight: list[Facet], loop_m: FloatArray, blur_m: float, pixel_m: float
) -> Arms | None:
    """The six tips; None where there are no axes.

    A corner of two straight facets is rounded by blur, so it is taken where their lines cross, if the
    outline comes as near to that as blur explains; the same for the two straight flanks of a pointed tip.
    """
    if frame.angle_rad is None:
        return None
    r = frame.reach_m
    theta = np.arange(STEPS) * (2.0 * math.pi / STEPS)
    tips, lengths, rounded, sharp = np.zeros((6, 2)), np.zeros(6), np.zeros(6), 0
    for k in range(6):
        axis = frame.angle_rad + k * math.pi / 3.0
        off = (theta - axis + math.pi) % (2.0 * math.pi) - math.pi
        near = np.flatnonzero(np.abs(off) <= math.radians(WINDOW_DEG))
        near = near[np.argsort(off[near])]
        best = near[int(np.argmax(r[near]))]
        # A single direction carries the noise of one pixel: the highest three are averaged.
        at = np.array([best - 1, best, best + 1]) % STEPS
        length, angle = float(np.mean(r[at])), float(axis + off[best])
        corner = _corner(frame, straight, axis)
        if corner is not None:
            far = float(np.hypot(*corner))
            if -0.6 * pixel_m < far - length < 1.6 * blur_m + 1.0 * pixel_m:
                length, angle, sharp = far, math.atan2(corner[1], corner[0]), sharp + 1
                rounded[k] = CORNER_DOUBT * 0.46 * blur_m
            else:
                length, rounded[k] = length + BLUNT * blur_m, U_BLUNT * blur_m
        else:
            point = _pointed(loop_m - frame.centre_m, length, angle, blur_m, pixel_m)
            if point is None:
                length, rounded[k] = length + BLUNT * blur_m, U_BLUNT * blur_m
            else:
                # Of what is missing to the point, blur explains so much; the rest is the crystal's own.
                far, slope = float(np.hypot(*point[0])), point[1]
                missing = min(far - length, float(np.interp(slope, SLOPES, RECESSION)) * blur_m)
                length, angle = length + missing, math.atan2(point[0][1], point[0][0])
                rounded[k] = CORNER_DOUBT * abs(missing)
        lengths[k] = length
        tips[k] = frame.centre_m + length * np.array([math.cos(angle), math.sin(angle)])
    facet, u_facet = _facet_reach(frame, blur_m)
    return Arms(tips, lengths, facet, u_facet, rounded, sharp)


def _corner(frame: Frame, straight: list[Facet], axis: float) -> FloatArray | None:
    """Where the lines of the two facets beside an axis cross, from the centre; None without two."""
    lines = []
    for side in (-1.0, 1.0):
        wanted = axis + side * math.pi / 6.0
        fit = [
            f
            for f in straight
            if abs(_turn(f.normal_rad - wanted)) < math.radians(3.0) and _reaches(f, frame, axis)
        ]
        if not fit:
            return None
        lines.append(max(fit, key=lambda f: f.distance_m))
    matrix = np.array([[math.cos(f.normal_rad), math.sin(f.normal_rad)] for f in lines])
    return np.asarray(np.linalg.solve(matrix, np.array([f.distance_m for f in lines])))


def _pointed(
    loop: FloatArray, length: float, angle: float, blur: float, pixel: float
) -> tuple[FloatArray, float] | None:
    """Where the two flanks of a pointed tip cross, from the centre, and the tangent of half its angle.

    None if it has no straight flanks.
    """
    c, s = math.cos(angle), math.sin(angle)
    along, across = loop @ np.array([c, s]), loop @ np.array([-s, c])
    back = length - along  # from the tip inwards
    first, last = 2.2 * blur, 2.2 * blur + max(7.0 * pixel, 4.0 * blur)
    if last > 0.4 * length:
        return None
    lines = []
    for side in (-1.0, 1.0):
        near = (back > first) & (back < last) & (side * across > 0) & (np.abs(across) < 0.7 * last)
        if np.count_nonzero(near) < 6:
            return None
        slope, start = np.polyfit(back[near], side * across[near], 1)
        rms = float(np.std(side * across[near] - (start + slope * back[near])))
        if not (0.2 < slope < 1.2) or rms > 0.25 * pixel:
            return None
        lines.append((float(slope), float(start)))
    (m1, a1), (m2, a2) = lines
    back_tip = -(a1 + a2) / (m1 + m2)  # where the flanks meet
    if not -2.6 * blur - pixel < back_tip < 0.5 * pixel:
        return None
    side_tip = a2 + m2 * back_tip
    at = np.array([c, s]) * (length - back_tip) + np.array([-s, c]) * side_tip
    return at, 0.5 * (m1 + m2)


def _reaches(f: Facet, frame: Frame, axis: float) -> bool:
    """Whether one end of the facet lies near the axis."""
    for end in (f.start_m, f.end_m):
        d = np.asarray(end) - frame.centre_m
        if abs(_turn(math.atan2(d[1], d[0]) - axis)) < math.radians(9.0):
            return True
    return False


def _turn(angle: float) -> float:
    return (angle + math.pi) % (2.0 * math.pi) - math.pi


def _facet_reach(frame: Frame, blur_m: float) -> tuple[FloatArray, FloatArray]:
    """Reach along each facet direction and how far a notch there may be off; float64[6] each.

    On a flat face: the least over two degrees, with the slant taken off. In a notch the light of both flanks
    runs together before its bottom, the earlier the steeper they are; the rest of its depth is added.
    """
    assert frame.angle_rad is not None
    out, u = np.zeros(6), np.zeros(6)
    half, turn = 4, 2.0 * math.pi / STEPS
    for k in range(6):
        at = (frame.angle_rad + math.pi / 6.0 + k * math.pi / 3.0) / turn
        near = np.arange(round(at) - half, round(at) + half + 1)
        out[k] = float(np.min(frame.reach_m[near % STEPS] * np.cos((near - at) * turn)))
        # The flanks of a notch, from two to six degrees to each side.
        way = np.arange(8, 25)
        sides = [frame.reach_m[(round(at) + s * way) % STEPS] for s in (-1, 1)]
        rise = np.median([np.polyfit(way * turn * out[k], s, 1)[0] for s in sides])
        if rise > 0.5 and out[k] > 0:  # a flat face rises by a tenth there
            lost = NOTCH * blur_m * (float(rise) - NOTCH_START)
            least = min(lost, 0.3 * out[k])
            out[k] -= least
            u[k] = max(NOTCH_DOUBT * least, 0.3 * blur_m, 0.5 * (lost - least))
    return out, u
