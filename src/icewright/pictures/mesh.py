"""The crystal as a closed surface of triangles, and as files that other programs open.

The surface is where the fill passes one half. It is found on the lattice itself, laid out with its two axial
coordinates as array axes, and then sheared into place. Rows of cells along a prism facet are straight lines
of that array, so prism and basal facets come out exactly flat, which a Cartesian resample would spoil.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.shape.solid import SIXFOLD, FloatArray, Solid, fold

KIND, SCHEMA = "icewright.mesh", 1
UNIT = "micrometre"
MOST_CELLS = 30_000_000  # a larger lattice is thinned by two in the plane, to keep memory under half a GiB


class MeshError(IcewrightError):
    """A crystal of which no closed surface can be made."""


def surface(solid: Solid, *, most_cells: int = MOST_CELLS) -> tuple[FloatArray, NDArray[np.int64]]:
    """The closed surface of the whole crystal.

    Returns
    -------
    vertices : float64[n, 3] (m); x and y as in the Solid, z along c.
    triangles : int64[m, 3], seen from outside against the clock.

    Raises
    ------
    MeshError : there is no ice.
    """
    from skimage.measure import marching_cubes

    if not solid.ice.any():
        raise MeshError(
            "There is no surface to draw.", got="a solid without ice", wanted="at least one whole cell"
        )
    grid, stride = _grid(solid, most_cells)
    # A fill of exactly one half would put three corners of a triangle in one point.
    near = np.abs(grid - 0.5) < 0.02
    grid[near] = np.where(grid[near] < 0.5, 0.48, 0.52)
    corners, triangles, _, _ = marching_cubes(grid, 0.5, allow_degenerate=False)  # type: ignore[no-untyped-call]
    half = (grid.shape[0] - 1) // 2
    a = (corners[:, 0].astype(np.float64) - half) * stride
    b = (corners[:, 1].astype(np.float64) - half) * stride
    if solid.symmetry == SIXFOLD:
        x, y = a + 0.5 * b, b * (math.sqrt(3.0) / 2.0)
    else:
        x, y = a, b
    z = np.interp(corners[:, 2].astype(np.float64) - 1.0, *_heights(solid))
    vertices = np.column_stack([x * solid.spacing_m, y * solid.spacing_m, z])
    triangles = triangles.astype(np.int64)
    if _volume(vertices, triangles) < 0:
        triangles = triangles[:, ::-1]
    return vertices, triangles


def _volume(v: FloatArray, t: NDArray[np.int64]) -> float:
    a, b, c = v[t[:, 0]], v[t[:, 1]], v[t[:, 2]]
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def _heights(solid: Solid) -> tuple[FloatArray, FloatArray]:
    """Index of each layer of the whole crystal, one beyond each end too, and the height of its middle (m)."""
    z = 0.5 * (solid.z_edges_m[:-1] + solid.z_edges_m[1:])
    if solid.mirrored:
        z = np.concatenate([-z[::-1], z])
    z = np.concatenate([[2 * z[0] - z[1] if z.size > 1 else z[0] - solid.dz_m[0]], z])
    z = np.append(z, 2 * z[-1] - z[-2])
    return np.arange(-1.0, z.size - 1.0), z


def _grid(solid: Solid, most_cells: int) -> tuple[NDArray[np.float32], int]:
    """Fills of the whole crystal on axes (q, r, z), or (x, y, z) when round, with an empty layer around."""
    has = solid.fill.max(axis=1) > 0
    layers = np.flatnonzero(solid.fill.max(axis=0) > 0)
    fill = solid.fill
    if solid.mirrored:
        fill = np.concatenate([fill[:, ::-1], fill], axis=1)
    reach = int((solid.q + solid.r)[has].max()) + 1
    n = reach + 1
    depth = fill.shape[1]
    used = (2 * int(layers.max()) + 2) if solid.mirrored else depth
    stride = 1 if (2 * n + 1) ** 2 * used <= most_cells else 2
    m = math.ceil(n / stride)
    span = np.arange(-m, m + 1) * stride
    a, b = np.meshgrid(span, span, indexing="ij")
    if solid.symmetry == SIXFOLD:
        q, r = fold(a, b)
        held = (q < solid.table.shape[0]) & (r < solid.table.shape[1])
        k = np.where(held, solid.table[np.where(held, q, 0), np.where(held, r, 0)], -1)
        padded = np.concatenate([fill, np.zeros((1, depth), np.float32)])
        plan = padded[k]
    else:
        order = np.argsort(solid.q)
        rings = np.concatenate([fill[order], np.zeros((1, depth), np.float32)])
        at = np.clip(np.hypot(a, b) - 0.5, 0.0, rings.shape[0] - 1.001)
        k = at.astype(np.int64)
        t = (at - k)[..., None].astype(np.float32)
        plan = (1 - t) * rings[k] + t * rings[k + 1]
    grid = np.zeros((*plan.shape[:2], depth + 2), dtype=np.float32)
    grid[:, :, 1:-1] = plan
    return grid, stride


def write_stl(path: Path, vertices_m: FloatArray, triangles: NDArray[np.int64]) -> Path:
    """Write a binary STL in micrometres; kind, schema and unit stand in its 80-byte header.

    STL has no unit of its own and printers read millimetres: a print is a thousand times life size.
    """
    v = (vertices_m * 1e6).astype(np.float32)
    corners = v[triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    record = np.zeros(
        triangles.shape[0], dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")]
    )
    record["normal"], record["corners"] = normal, corners
    header = f"kind={KIND} schema={SCHEMA} unit={UNIT}".encode("ascii").ljust(80)
    with Path(path).open("wb") as out:
        out.write(header)
        out.write(np.uint32(triangles.shape[0]).astype("<u4").tobytes())
        out.write(record.tobytes())
    return Path(path)


def write_glb(path: Path, vertices_m: FloatArray, triangles: NDArray[np.int64]) -> Path:
    """Write a GLB in micrometres with an ice-like material; kind, schema and unit are in the scene's extras.

    The format's own unit is the metre, too coarse for viewers that clip near the camera.
    """
    import trimesh as module

    trimesh: Any = module
    mesh = trimesh.Trimesh(vertices_m * 1e6, triangles, process=False)
    material = trimesh.visual.material.PBRMaterial(
        name="ice",
        baseColorFactor=[214, 235, 247, 200],
        metallicFactor=0.0,
        roughnessFactor=0.08,
        alphaMode="BLEND",
    )
    mesh.visual = trimesh.visual.TextureVisuals(material=material)
    scene = trimesh.Scene({f"icewright_crystal_{UNIT}": mesh})
    scene.metadata.update({"kind": KIND, "schema": SCHEMA, "unit": UNIT})
    data: Any = scene.export(file_type="glb")
    Path(path).write_bytes(data)
    return Path(path)
