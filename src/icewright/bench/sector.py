"""The part of a crystal's surface that symmetry does not repeat: what the page is sent.

A sixfold crystal is six copies of the sector between two corners (60 degrees), each of two halves if z = 0 is
a mirror plane: one twelfth of the surface. With the lattice's own axes q and r as array axes the sector is a
plain quarter, q >= 0 and r >= 0, whose rim planes are planes of the array, so the cut is exact and the
facet between the two corners (q + r = N) comes out flat. Marching cubes on a twelfth of the cells is what
makes eight surfaces a second cheap beside the growing itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.pictures import mesh
from icewright.shape.solid import SIXFOLD, FloatArray, Solid


@dataclass(frozen=True)
class Sector:
    """The surface to draw ``copies`` times about z, and mirrored in z = 0 if ``mirrored``.

    vertices : float64[V, 3] (m); triangles : int64[T, 3], counter-clockwise from outside.
    thickness_m : float64[V], ice along z of the whole crystal in the vertex's column.
    frozen_s : float64[V]; on basal faces the earliest of the column, on side faces the cell's own.
    z_m : lowest and highest z of the whole crystal.
    """

    vertices: FloatArray
    triangles: NDArray[np.int64]
    thickness_m: FloatArray
    frozen_s: FloatArray
    copies: int
    mirrored: bool
    z_m: tuple[float, float]


def sector(solid: Solid, now_s: float) -> Sector:
    """The sector's surface; a round solid comes whole, as one copy.

    Parameters
    ----------
    now_s : the time; boundary cells that are not yet ice count as frozen now.

    Raises
    ------
    IcewrightError : there is no ice.
    """
    if solid.symmetry != SIXFOLD:
        return _round(solid, now_s)
    from skimage.measure import marching_cubes

    column, fill, heights = _quarter(solid)
    if not (fill >= 0.5).any():
        raise IcewrightError("There is no surface to draw.", got="a solid without ice")
    # A fill of exactly one half would put three corners of a triangle in one point.
    near = np.abs(fill - 0.5) < 0.02
    grid = np.where(near, np.where(fill < 0.5, np.float32(0.48), np.float32(0.52)), fill)
    corners, triangles, _, _ = marching_cubes(grid, 0.5, allow_degenerate=False)  # type: ignore[no-untyped-call]
    corners = corners.astype(np.float64)
    q, r = corners[:, 0], corners[:, 1]
    z = np.interp(corners[:, 2], np.arange(heights.size), heights)
    dx = solid.spacing_m
    vertices = np.column_stack([dx * (q + 0.5 * r), dx * r * (math.sqrt(3.0) / 2.0), z])
    triangles = triangles.astype(np.int64)
    # The rim planes hold the origin, so they add nothing to the volume and its sign is the surface's.
    a, b, c = (vertices[triangles[:, i]] for i in range(3))
    if float(np.einsum("ij,ij->", a, np.cross(b, c))) < 0:
        triangles = triangles[:, ::-1]
    thickness, frozen = _of_vertices(solid, column, grid, corners, now_s)
    return Sector(vertices, triangles, thickness, frozen, 6, solid.mirrored, _extent(solid))


def _quarter(solid: Solid) -> tuple[NDArray[np.int32], NDArray[np.float32], FloatArray]:
    """Column number [n, n] (-1 none), fills [n, n, layers] and layer heights (m), an empty layer around."""
    has = solid.fill.max(axis=1) > 0
    n = int((solid.q + solid.r)[has].max(initial=0)) + 2
    top = int(np.flatnonzero(solid.fill.max(axis=0) > 0).max(initial=0)) + 1
    q, r = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    big, small = np.maximum(q, r), np.minimum(q, r)
    table = solid.table
    held = (big < table.shape[0]) & (small < table.shape[1])
    column = np.where(held, table[np.where(held, big, 0), np.where(held, small, 0)], np.int32(-1))
    padded = np.concatenate([solid.fill[:, :top], np.zeros((1, top), np.float32)])
    grid = np.zeros((n, n, top + 2), dtype=np.float32)
    grid[:, :, 1:-1] = padded[column]
    z = 0.5 * (solid.z_edges_m[:-1] + solid.z_edges_m[1:])[:top]
    above = z[-1] + (z[-1] - z[-2] if top > 1 else solid.dz_m[0])
    if solid.mirrored:
        # The layer below is the mirror image of the lowest; between them, at z = 0, the fill is the same.
        grid[:, :, 0] = grid[:, :, 1]
        return column.astype(np.int32), grid, np.concatenate([[0.0], z, [above]])
    below = z[0] - (z[1] - z[0] if top > 1 else solid.dz_m[0])
    return column.astype(np.int32), grid, np.concatenate([[below], z, [above]])


def _of_vertices(
    solid: Solid,
    column: NDArray[np.int32],
    grid: NDArray[np.float32],
    corners: FloatArray,
    now_s: float,
) -> tuple[FloatArray, FloatArray]:
    """(thickness, frozen) of each vertex, read at the fuller end of the lattice edge that it lies on."""
    low, high = np.floor(corners).astype(np.int64), np.ceil(corners).astype(np.int64)
    f_low, f_high = grid[tuple(low.T)], grid[tuple(high.T)]
    at = np.where((f_low >= f_high)[:, None], low, high)
    k = column[at[:, 0], at[:, 1]]
    layer = np.clip(at[:, 2] - 1, 0, solid.fill.shape[1] - 1)
    when = np.where(np.isfinite(solid.frozen_s), solid.frozen_s, np.float32(now_s)).astype(np.float64)
    earliest = when.min(axis=1)
    basal = low[:, 2] != high[:, 2]
    frozen = np.where(basal, earliest[k], when[k, layer])
    return (solid.column_ice_m * solid.halves)[k], np.clip(frozen, 0.0, max(now_s, 0.0))


def _extent(solid: Solid) -> tuple[float, float]:
    some = np.flatnonzero(solid.fill.max(axis=0) >= 0.5)
    lo, hi = float(solid.z_edges_m[some[0]]), float(solid.z_edges_m[some[-1] + 1])
    return (-hi, hi) if solid.mirrored else (lo, hi)


def _round(solid: Solid, now_s: float) -> Sector:
    vertices, triangles = mesh.surface(solid)
    order = np.argsort(solid.q)
    ring = np.clip(np.hypot(vertices[:, 0], vertices[:, 1]) / solid.spacing_m - 0.5, 0, len(order) - 1)
    k = order[np.floor(ring).astype(np.int64)]
    when = np.where(np.isfinite(solid.frozen_s), solid.frozen_s, np.float32(now_s)).astype(np.float64)
    thickness = (solid.column_ice_m * solid.halves)[k]
    frozen = np.clip(when.min(axis=1)[k], 0.0, max(now_s, 0.0))
    return Sector(vertices, triangles, thickness, frozen, 1, False, _extent(solid))
