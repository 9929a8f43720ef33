"""The hexagonal frame: where corners point, where prism facets face, and how far the ice reaches along each.

Corners lie at 0, 60, ... degrees from +x, prism facets face 30, 90, ... degrees. For a hexagon whose corners
reach R the facets stand at R * cos(30 deg). Rows of the lattice, ``m = q + r`` in the wedge, lie along the
facets, so a row filled to the part f puts the facet at ``(m - 1/2 + f) * spacing * cos(30 deg)``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from icewright.shape.solid import FULL, SIXFOLD, FloatArray, Solid

COS30 = math.sqrt(3.0) / 2.0
CORNER_DEG = (0.0, 60.0, 120.0, 180.0, 240.0, 300.0)
PRISM_DEG = (30.0, 90.0, 150.0, 210.0, 270.0, 330.0)


def tip_profile(solid: Solid) -> FloatArray:
    """Farthest ice along angle 0 in each layer (m), shape [nz]; 0 where a layer has none on that line.

    The part-filled cell beyond the last whole one counts in part, so the value moves smoothly as it fills.
    """
    out = np.arange(solid.table.shape[0])
    cells = _front(_line(solid, out, np.zeros_like(out)))
    if solid.symmetry != SIXFOLD:  # ring q ends at q + 1, half a spacing farther out than column q
        cells = np.where(cells > 0, cells + 0.5, 0.0)
    return cells * solid.spacing_m


def facet_profile(solid: Solid) -> FloatArray:
    """Farthest ice along 30 degrees, the middle of a prism facet, in each layer (m), shape [nz]."""
    if solid.symmetry != SIXFOLD:
        return tip_profile(solid)
    rows = np.arange(int((solid.q + solid.r).max()) + 1)
    # Row m crosses the 30-degree line in (m/2, m/2), or between ((m+1)/2, (m-1)/2) and its mirror image.
    return _front(_line(solid, (rows + 1) // 2, rows // 2)) * (solid.spacing_m * COS30)


def radius_profile(solid: Solid) -> FloatArray:
    """Corner radius of the smallest hexagon (or circle) around each layer (m), shape [nz]; 0 where empty."""
    tip = tip_profile(solid)
    if solid.symmetry != SIXFOLD:
        return tip
    # Does a row hold ice in a layer? Columns are gathered by row first: bytes fold faster than floats.
    row = solid.q + solid.r
    order = np.argsort(row, kind="stable")
    starts = np.flatnonzero(np.diff(row[order], prepend=-1))
    held = np.logical_or.reduceat(solid.ice[order], starts, axis=0)
    outer = row[order][starts][held.shape[0] - 1 - np.argmax(held[::-1], axis=0)] + 0.5
    whole = np.where(held.any(axis=0), outer, 0.0) * solid.spacing_m
    return np.asarray(np.maximum(tip, whole), dtype=np.float64)


def _line(solid: Solid, q: NDArray[np.int64], r: NDArray[np.int64]) -> NDArray[np.float32]:
    """Fills of the columns of a line, outwards, with one empty cell at its end; shape [len + 1, nz]."""
    t = solid.table
    held = (q < t.shape[0]) & (r < t.shape[1])
    k = np.where(held, t[np.where(held, q, 0), np.where(held, r, 0)], -1)
    fills = np.where((k >= 0)[:, None], solid.fill[k], np.float32(0.0))
    return np.concatenate([fills, np.zeros((1, fills.shape[1]), np.float32)])


def _front(line: NDArray[np.float32]) -> FloatArray:
    """Outermost whole cell of each layer plus a half and what is frozen of the next, in cells; 0 if none."""
    whole = line >= FULL
    last = line.shape[0] - 1 - np.argmax(whole[::-1], axis=0)
    beyond = np.minimum(last + 1, line.shape[0] - 1)
    part = line[beyond, np.arange(line.shape[1])]
    return np.asarray(np.where(whole.any(axis=0), last + 0.5 + part, 0.0), dtype=np.float64)
