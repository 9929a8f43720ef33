"""The outline of a crystal seen along its c axis, finer than the lattice it was grown on.

The share of each cell that is covered is a number on a hexagonal lattice; the outline is where it passes one
half, drawn straight across each triangle of neighbours. Before that the shares are averaged once with the six
neighbours (weights 1/4 and 1/8). With those weights an edge that runs square to a lattice row, raw a zigzag
15 % too long, comes out straight, while an edge along a prism facet keeps its place. What is lost is a
corner's last fifth of a cell, and arms one cell wide.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from icewright.shape.solid import FULL, SIXFOLD, FloatArray, Solid, fold, plan_image

CENTRE, NEIGHBOUR = 0.25, 0.125
STEPS = ((1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1))  # six neighbours in axial coordinates


def outline(solid: Solid) -> list[FloatArray]:
    """The outline as closed loops, longest first.

    Returns
    -------
    list of float64[n, 2]: x and y (m), first point repeated at the end. Outer edges run against the clock,
    holes with it. Empty when no cell is covered by more than half.
    """
    if solid.symmetry != SIXFOLD:
        angle = np.linspace(0.0, 2.0 * math.pi, 361)
        rings = _ring_radii(solid)
        return [
            np.column_stack([e * np.cos(a), e * np.sin(a)])
            for k, e in enumerate(rings[::-1])
            for a in [angle if k % 2 == 0 else angle[::-1]]
        ]
    from skimage.measure import find_contours

    # Contoured on a fine Cartesian image, because squares of lattice cells would treat its axes unlike.
    table = _smoothed(solid)
    q, r = np.nonzero(np.tri(*table.shape, dtype=bool))
    empty = np.zeros((q.size, 1), np.float32)
    carrier = Solid(
        SIXFOLD,
        q.astype(np.int32),
        r.astype(np.int32),
        solid.spacing_m,
        np.array([0.0, 1.0]),
        empty,
        empty,
        False,
    )
    finer = 4 if table.shape[0] < 300 else 2
    image, at = plan_image(carrier, table[q, r], pixel_m=solid.spacing_m / finer)
    loops = [
        np.column_stack([loop[:, 1], loop[:, 0]]) * (at[1] - at[0]) + at[0]
        for loop in find_contours(image, 0.5)  # type: ignore[no-untyped-call]
    ]
    loops.sort(key=lambda xy: -loop_length(xy))
    return [xy if _is_outer(xy, loops) == (loop_area(xy) > 0) else xy[::-1] for xy in loops]


def _is_outer(xy: FloatArray, loops: list[FloatArray]) -> bool:
    """Whether an even number of the other loops surround this one."""
    x, y = xy[0]
    around = 0
    for other in loops:
        if other is xy:
            continue
        x0, y0, x1, y1 = other[:-1, 0], other[:-1, 1], other[1:, 0], other[1:, 1]
        crosses = (y0 > y) != (y1 > y)
        at = x0[crosses] + (y - y0[crosses]) * (x1[crosses] - x0[crosses]) / (y1[crosses] - y0[crosses])
        around += int(np.count_nonzero(at > x)) % 2
    return around % 2 == 0


def loop_length(xy: FloatArray) -> float:
    """Length of a closed loop (m)."""
    return float(np.hypot(*np.diff(xy, axis=0).T).sum())


def loop_area(xy: FloatArray) -> float:
    """Signed area of a closed loop (m2), positive against the clock."""
    x, y = xy[:, 0], xy[:, 1]
    return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def perimeter(solid: Solid) -> float:
    """Length of all edges of the outline (m), holes included; summed over triangles, no loops made."""
    if solid.symmetry != SIXFOLD:
        return float(2.0 * math.pi * sum(_ring_radii(solid)))
    w = _smoothed(solid)
    n = w.shape[0] - 1
    # Two triangles of each rhomb (q, r), (q+1, r), (q, r+1), (q+1, r+1) with r <= q. The rhombs on r = q are
    # cut in half by the mirror line at 30 degrees, so they count half; (q, q+1) is (q+1, q) mirrored.
    width = w.shape[1] - 1
    base = w[:n, :width]
    right = w[1:, :width]
    up = w[:n, 1:].copy()
    far = w[1:, 1:].copy()
    k = np.arange(min(n, width))
    up[k, k] = right[k, k]
    qq, rr = np.meshgrid(np.arange(n), np.arange(width), indexing="ij")
    weight = np.where(rr < qq, 12.0, np.where(rr == qq, 6.0, 0.0))
    total = float((weight * (_cut(base, right, up) + _cut(far, up, right))).sum())
    return total * solid.spacing_m


def _cut(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Length of the line value = 1/2 inside a unit triangle with values a, b, c at its corners."""
    ins = (a > 0.5).astype(np.int8) + (b > 0.5) + (c > 0.5)
    flip = ins == 2  # the odd corner out is then the one outside
    out = np.zeros(a.shape)
    for one, two, three in ((a, b, c), (b, c, a), (c, a, b)):
        alone = ((one > 0.5) ^ flip) & (ins > 0) & (ins < 3)
        v, s, t = one[alone], two[alone], three[alone]
        u1, u2 = (0.5 - v) / (s - v), (0.5 - v) / (t - v)
        # Two sides of a unit triangle at 60 degrees, cut at u1 and u2 from their common corner.
        out[alone] = np.sqrt(u1 * u1 + u2 * u2 - u1 * u2)
    return out


def _smoothed(solid: Solid) -> FloatArray:
    """Coverage averaged with its six neighbours, as table[q, r] with one empty row around; 0 where r > q."""
    size_q, size_r = solid.table.shape
    # One row below (r = -1), one before (q = -1) and two beyond hold the mirror images that are averaged in.
    raw = np.zeros((size_q + 4, size_r + 4))
    k = solid.table
    raw[1 : size_q + 1, 1 : size_r + 1] = np.where(k >= 0, solid.coverage[k], 0.0)
    q = np.arange(size_q + 2)
    raw[2 : size_q + 3, 0] = raw[1 : size_q + 2, 2]  # (q, -1) is (q - 1, 1) mirrored at angle 0
    raw[1, 0] = raw[2, 1]  # (0, -1) is (1, 0)
    d = q[: size_r + 1]
    raw[d + 1, d + 2] = raw[d + 2, d + 1]  # (q, q + 1) is (q + 1, q) mirrored at 30 degrees
    raw[d[:-1] + 1, d[:-1] + 3] = raw[d[:-1] + 3, d[:-1] + 1]  # (q, q + 2) is (q + 2, q) mirrored
    raw[0, 1] = raw[2, 1]  # (-1, 0) is (1, 0)
    raw[0, 2] = raw[2, 1]  # (-1, 1) is (1, 0)
    mid = (slice(1, size_q + 3), slice(1, size_r + 3))
    out = CENTRE * raw[mid]
    for dq, dr in STEPS:
        out += NEIGHBOUR * raw[1 + dq : size_q + 3 + dq, 1 + dr : size_r + 3 + dr]
    r = np.arange(size_r + 2)
    return np.asarray(np.where(r[None, :] <= q[:, None], out, 0.0))


def _ring_radii(solid: Solid) -> list[float]:
    """Radii (m) at which a round solid passes from ice to vapour or back, growing; part rings in part."""
    order = np.argsort(solid.q)
    share = np.append(solid.coverage[order], 0.0)
    start = np.append(solid.q[order], solid.q.max() + 1).astype(np.float64)
    radii: list[float] = []
    inside = bool(share[0] >= FULL)
    for k in range(1, share.size):
        if bool(share[k] >= FULL) != inside:
            # Going out, ice ends inside ring k; coming in, ice begins inside the ring before.
            edge = (
                start[k] + share[k] if inside else start[k] - (share[k - 1] if share[k - 1] < FULL else 0.0)
            )
            radii.append(float(edge) * solid.spacing_m)
            inside = not inside
    return radii


def hull_area(solid: Solid) -> float:
    """Area of the convex hull of the outline (m2).

    Its points stand on the lines from each covered column to each neighbour that is not, at half the way plus
    what is frozen of the neighbour: for a hexagon with a part-filled facet row these are its true corners.
    """
    if solid.symmetry != SIXFOLD:
        rings = _ring_radii(solid)
        return math.pi * rings[-1] ** 2 if rings else 0.0
    points = front_points(solid)
    if points.shape[0] < 3:
        return 0.0
    from scipy.spatial import ConvexHull

    # Only the hull of the wedge can touch the hull of the whole: twelve images of few points are cheap.
    if points.shape[0] > 50:
        points = points[ConvexHull(points).vertices]
    x, y = points.T
    angle = np.arctan2(y, x)[:, None] * np.array([1.0, -1.0]) + 0.0
    angle = (angle[:, :, None] + np.arange(6) * (math.pi / 3.0)).reshape(points.shape[0], -1)
    radius = np.hypot(x, y)[:, None]
    every = np.column_stack([(radius * np.cos(angle)).ravel(), (radius * np.sin(angle)).ravel()])
    return float(ConvexHull(every).volume)


def front_points(solid: Solid) -> FloatArray:
    """Points (m) on the edge of the covered columns of the wedge, shape [n, 2]; see `hull_area`."""
    size_q, size_r = solid.table.shape
    raw = np.zeros((size_q + 2, size_r + 2))
    raw[:size_q, :size_r] = np.where(solid.table >= 0, solid.coverage[solid.table], 0.0)
    whole = solid.coverage >= FULL
    q, r = solid.q[whole].astype(np.int64), solid.r[whole].astype(np.int64)
    found: list[NDArray[np.float64]] = []
    for dq, dr in STEPS:
        nq, nr = q + dq, r + dr
        part = raw[fold(nq, nr)]
        edge = part < FULL
        t = 0.5 + part[edge]
        qe, re = q[edge] + t * dq, r[edge] + t * dr
        found.append(np.column_stack([qe + 0.5 * re, re * (math.sqrt(3.0) / 2.0)]))
    return np.concatenate(found) * solid.spacing_m
