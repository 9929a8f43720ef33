"""Straight edges of an outline: where they lie, how long they are, and how they stand to the sixfold axes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from icewright.measure.orientation import Frame
from icewright.measure.signal import FloatArray

LEAST_SHARE = 0.16  # of the mean reach: a shorter straight piece is not called a facet
MOST = 48


@dataclass(frozen=True)
class Facet:
    """A straight piece of the outline.

    start_m, end_m : its ends. length_m. distance_m : of its line from the centre. normal_rad : the direction
    in which it faces. off_rad : that, from the nearest facet direction (30 + 60 k degrees from a corner);
    None without axes. rms_m : how far the outline departs from the line. u_off_rad : standard uncertainty.
    """

    start_m: tuple[float, float]
    end_m: tuple[float, float]
    length_m: float
    distance_m: float
    normal_rad: float
    off_rad: float | None
    rms_m: float
    u_off_rad: float


def facets(loop_m: FloatArray, frame: Frame, tolerance_m: float) -> list[Facet]:
    """Straight pieces of a closed outline, in its order.

    The outline is cut at its corners by repeated halving at the farthest point (Comput. Graph. Image Process.
    1, 244, 1972, DOI 10.1016/S0146-664X(72)80017-0, from memory) to ``tolerance_m``; a line is fitted to
    the middle nine tenths of each piece by least squares of the distances.
    """
    loop = loop_m if _area(loop_m) > 0 else loop_m[::-1]
    radius = np.hypot(*(loop - frame.centre_m).T)
    start = int(np.argmax(radius))  # a corner, so that no facet is cut by the beginning of the loop
    ring = np.concatenate([loop[start:-1], loop[: start + 1]])
    cuts = _corners(ring, tolerance_m)
    least = LEAST_SHARE * float(frame.reach_m.mean())
    out = []
    for a, b in pairwise(cuts):
        length = float(np.hypot(*(ring[b] - ring[a])))
        if length < least or b - a < 5:
            continue
        trim = round(0.08 * (b - a))
        part = ring[a + trim : b + 1 - trim]
        middle = part.mean(axis=0)
        _, sizes, axes = np.linalg.svd(part - middle, full_matrices=False)
        along = axes[0] if float(axes[0] @ (ring[b] - ring[a])) > 0 else -axes[0]
        normal = np.array([along[1], -along[0]])  # the loop runs against the clock: outside is to the right
        rms = float(sizes[1]) / math.sqrt(len(part))
        facing = math.atan2(normal[1], normal[0])
        off = None
        if frame.angle_rad is not None:
            turn = math.pi / 3.0
            off = (facing - frame.angle_rad - turn / 2 + turn / 2) % turn - turn / 2
        ends = [middle + along * float((ring[k] - middle) @ along) for k in (a, b)]
        # Neighbouring points of a contour are not independent: about one in three is.
        free = max(2.0, len(part) / 3.0)
        out.append(
            Facet(
                (float(ends[0][0]), float(ends[0][1])),
                (float(ends[1][0]), float(ends[1][1])),
                length,
                float((middle - frame.centre_m) @ normal),
                facing % (2.0 * math.pi),
                off,
                rms,
                rms * math.sqrt(12.0 / free) / length,
            )
        )
    out.sort(key=lambda f: -f.length_m)
    return out[:MOST]


def _area(loop: FloatArray) -> float:
    x, y = loop[:, 0], loop[:, 1]
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def _corners(ring: FloatArray, tolerance: float) -> list[int]:
    """Indices at which an open run of points is cut so that each piece is straight to the tolerance."""
    n = ring.shape[0] - 1
    far = int(np.argmax(np.hypot(*(ring - ring[0]).T)))
    keep = {0, far, n}
    todo = [(0, far), (far, n)]
    while todo:
        a, b = todo.pop()
        if b - a < 2:
            continue
        chord = ring[b] - ring[a]
        size = float(np.hypot(*chord))
        d = ring[a + 1 : b] - ring[a]
        away = np.abs(d[:, 0] * chord[1] - d[:, 1] * chord[0]) / size if size > 0 else np.hypot(*d.T)
        k = int(np.argmax(away))
        if away[k] > tolerance:
            keep.add(a + 1 + k)
            todo += [(a, a + 1 + k), (a + 1 + k, b)]
    return _joined(ring, sorted(keep))


def _joined(ring: FloatArray, cuts: list[int]) -> list[int]:
    """Cuts between two pieces that go on in the same direction to four degrees were noise: taken out."""
    out = list(cuts)
    k = 1
    while k < len(out) - 1:
        a, b = ring[out[k]] - ring[out[k - 1]], ring[out[k + 1]] - ring[out[k]]
        sizes = float(np.hypot(*a)) * float(np.hypot(*b))
        turn = abs(math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b))) if sizes > 0 else 0.0
        if turn < math.radians(4.0):
            del out[k]
            k = max(1, k - 1)
        else:
            k += 1
    return out
