"""A crystal's outline as it is seen from the side, for a photograph that was taken from there.

Seen along y (into the corner-to-corner width) or along x (into the face-to-face width), both level; the
picture has x (or y) to the right and z upward. It is the shadow of all cells, so hollows that are open only
to the sides are not in it.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from icewright.shape.solid import SIXFOLD, FloatArray, Solid

Along = Literal["x", "y"]
_EDGE = 0.499  # an edge lies half way to the next cell, where the shadow is exactly a half


def side_outline(solid: Solid, along: Along) -> list[list[tuple[float, float]]]:
    """Closed polygons in micrometres, longest first: across and up.

    Args:
        solid: the crystal; its own z is kept.
        along: the horizontal axis that is looked along.
    """
    from skimage.measure import find_contours

    image, du = _shadow(solid, along)
    z = 0.5 * (solid.z_edges_m[:-1] + solid.z_edges_m[1:])
    if solid.mirrored:
        image, z = np.concatenate([image[::-1], image]), np.concatenate([-z[::-1], z])
    # Nothing lies around it: an empty row and column on every side, so that every line closes.
    image = np.pad(image, 1)
    z = np.concatenate([[2 * z[0] - z[1]], z, [2 * z[-1] - z[-2]]]) if z.size > 1 else z[0] + np.array(
        [-1.0, 0.0, 1.0]
    ) * float(solid.dz_m[0])  # fmt: skip
    across = (np.arange(image.shape[1]) - (image.shape[1] - 1) / 2) * du
    found = sorted(find_contours(image, _EDGE), key=len, reverse=True)  # type: ignore[no-untyped-call]
    return [[(_um(across, c), _um(z, r)) for r, c in line] for line in found[:50]]


def _shadow(solid: Solid, along: Along) -> tuple[NDArray[Any], float]:
    """The fullest cell behind each point, image[z, across] with both halves, and the pitch across (m)."""
    fill = np.asarray(solid.fill, dtype=np.float64).T  # (layers, columns)
    if solid.symmetry != SIXFOLD:
        rings = int(solid.q.max()) + 1
        held = np.zeros((fill.shape[0], rings))
        held[:, solid.q] = fill
        # Through a point at this distance from the middle the sight passes all wider rings.
        half = np.maximum.accumulate(held[:, ::-1], axis=1)[:, ::-1]
        return np.concatenate([half[:, ::-1], half], axis=1), float(solid.spacing_m)
    x, y = _images(solid)
    u, du = (x, solid.spacing_m / 2) if along == "y" else (y, solid.spacing_m * math.sqrt(3) / 2)
    place = np.rint(np.abs(u) / du).astype(np.int64)  # (images, columns); both sides are alike
    half = np.zeros((int(place.max()) + 2, fill.shape[0]))
    for row in place:
        np.maximum.at(half, row, fill.T)
    if along == "y":
        # A cell is two steps wide: between two of one row lies ice, and its edge half a step beyond.
        padded = np.concatenate([half[1:2], half, half[-1:]])
        half = np.maximum(half, 0.5 * (padded[:-2] + padded[2:]))
    whole: FloatArray = np.concatenate([half[:0:-1], half]).T
    return whole, du


def _images(solid: Solid) -> tuple[FloatArray, FloatArray]:
    """x and y of every image of each held column (m), shape (12, columns)."""
    x = solid.spacing_m * (solid.q + solid.r / 2)
    y = solid.spacing_m * solid.r * math.sqrt(3) / 2
    angle, distance = np.arctan2(y, x), np.hypot(x, y)
    turned = np.concatenate([sign * angle + k * math.pi / 3 for k in range(6) for sign in (1, -1)])
    turned = turned.reshape(12, -1)
    return distance * np.cos(turned), distance * np.sin(turned)


def _um(axis: FloatArray, index: float) -> float:
    return round(1e6 * float(np.interp(index, np.arange(axis.size), axis)), 3)
