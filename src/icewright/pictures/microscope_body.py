"""The crystal under the microscope as a closed surface, turned the way it lies.

The lattice says nothing below one cell, and its slopes are stairs of one cell that would throw light like a
grating. So the surface is smoothed without shrinking (forward and backward steps of a Laplacian; Comput.
Graph. Forum 14, 1995, from memory) where it is stairs, and left alone where it is a facet wider than a few
cells. Edges and corners end up rounded over about a cell, with a swelling of up to an eighth of a cell beside
them, and six tips of one crystal differ by up to a fifth of a cell, because the triangles are not sixfold.
All truths are read from the surface that is drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.pictures import mesh
from icewright.shape.solid import FloatArray, Solid, SolidError

Triangles = NDArray[np.int64]
FORWARD, BACKWARD = 0.5, -0.53  # passes what is longer than about ten cells, to within a few per cent
FACET_RINGS = 4  # a vertex is on a facet when the surface is flat for this many triangles around it


@dataclass(frozen=True, eq=False)
class Body:
    """A closed surface in the picture's frame: x to the right, y up, z towards the viewer; micrometres.

    vertices_um : float64[n, 3]; the crystal's middle is the origin.
    triangles : int64[m, 3], seen from outside against the clock.
    turn : float64[3, 3]; its columns are where the crystal's own x (a corner), y and c axes point.
    """

    vertices_um: FloatArray
    triangles: Triangles
    turn: FloatArray

    def shifted(self, x_um: float, y_um: float, z_um: float = 0.0) -> Body:
        """The same body moved."""
        return Body(self.vertices_um + np.array([x_um, y_um, z_um]), self.triangles, self.turn)


def body(
    solid: Solid, turn: FloatArray | None = None, *, smoothing: int = 8, most_cells: int = 4_000_000
) -> Body:
    """The surface of a grown crystal, smoothed below one cell and turned.

    Parameters
    ----------
    turn : float64[3, 3], see `lying`; left out, c points at the viewer and a corner to the right.
    smoothing : double steps of smoothing; 0 leaves the stairs.
    most_cells : larger lattices are thinned by two.

    Raises
    ------
    MeshError : there is no ice.
    """
    vertices, triangles = mesh.surface(solid, most_cells=most_cells)
    v = vertices * 1e6
    if smoothing:
        v = _smoothed(v, triangles, smoothing)
    return _placed(v, triangles, turn)


def prism(
    radius_um: float, thickness_um: float, turn: FloatArray | None = None, *, bevel_um: float | None = None
) -> Body:
    """A hexagonal prism without a lattice. `radius_um` reaches to a corner.

    bevel_um : how far the edges between basal and prism facets are cut off, at 45 degrees; left out,
        a tenth of the thickness and at most 2 um; 0 for sharp edges. A wall exactly along the rays bends
        none of them, so without a bevel a plate has no dark edge. In a real microscope the walls catch
        part of the objective's cone; the bevel stands in for that.

    Raises
    ------
    SolidError : a length that is not positive, or a bevel that leaves no facet.
    """
    if not (radius_um > 0 and thickness_um > 0):
        raise SolidError(got=f"{radius_um} um by {thickness_um} um", wanted="two positive lengths")
    cut = min(0.1 * thickness_um, 2.0, 0.1 * radius_um) if bevel_um is None else bevel_um
    inner = radius_um - cut / math.cos(math.pi / 6.0)
    if not (0 <= cut < 0.5 * thickness_um and inner > 0):
        raise SolidError(
            got=f"a bevel of {cut} um", wanted="zero up to less than half the thickness and radius"
        )
    half = thickness_um / 2.0
    levels = [(inner, -half), (radius_um, cut - half), (radius_um, half - cut), (inner, half)]
    if cut == 0:
        levels = [levels[1], levels[2]]
    angle = np.arange(6) * math.pi / 3.0
    v = np.concatenate(
        [np.column_stack([r * np.cos(angle), r * np.sin(angle), np.full(6, z)]) for r, z in levels]
    )
    last = 6 * (len(levels) - 1)
    faces = [(0, k + 1, k) for k in range(1, 5)] + [(last, last + k, last + k + 1) for k in range(1, 5)]
    for low in range(0, last, 6):
        for k in range(6):
            n = (k + 1) % 6
            faces += [(low + k, low + n, low + 6 + n), (low + k, low + 6 + n, low + 6 + k)]
    return _placed(v, np.array(faces, dtype=np.int64), turn)


def lying(
    *,
    orientation_deg: float = 0.0,
    tilt_deg: float = 0.0,
    tilt_towards_deg: float = 0.0,
    side: bool = False,
    roll_deg: float = 30.0,
) -> FloatArray:
    """The turn of a crystal that lies under the microscope, float64[3, 3].

    Parameters
    ----------
    orientation_deg : where a corner (from the side: the c axis) points, against the clock from the right.
    tilt_deg, tilt_towards_deg : how far the crystal is tipped out of the picture, and the direction in the
        picture that then points away from the viewer.
    side : lay the c axis into the picture.
    roll_deg : from the side, turn about the c axis; 30 lies on a prism facet, 0 on an edge.
    """
    turn = np.eye(3)
    if side:
        # Crystal z goes to picture x; its x then points at the viewer when roll is 0.
        laid = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
        turn = laid @ _about_z(math.radians(roll_deg))
    turn = _about_z(math.radians(orientation_deg)) @ turn
    if tilt_deg:
        away = _about_z(math.radians(tilt_towards_deg))
        c, s = math.cos(math.radians(tilt_deg)), math.sin(math.radians(tilt_deg))
        tip = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
        turn = away @ tip @ away.T @ turn
    return turn


def _about_z(angle: float) -> FloatArray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _placed(v: FloatArray, triangles: Triangles, turn: FloatArray | None) -> Body:
    t = np.eye(3) if turn is None else np.asarray(turn, dtype=np.float64)
    # The axis is the middle in the plane; along c it is half-way between the ends.
    v = v - np.array([0.0, 0.0, 0.5 * (v[:, 2].min() + v[:, 2].max())])
    return Body(np.ascontiguousarray(v @ t.T), triangles, t)


def _smoothed(v: FloatArray, triangles: Triangles, times: int) -> FloatArray:
    from scipy.sparse import coo_array

    n = v.shape[0]
    i = triangles.ravel()
    j = triangles[:, [1, 2, 0]].ravel()
    links = coo_array(
        (np.ones(2 * i.size), (np.concatenate([i, j]), np.concatenate([j, i]))), shape=(n, n)
    ).tocsr()
    links.data[:] = 1.0
    count = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1.0)[:, None]
    free = _off_facets(v, triangles, links)[:, None]
    out = v.copy()
    for _ in range(times):
        for step in (FORWARD, BACKWARD):
            out += step * free * (links @ out / count - out)
    return out


def _off_facets(v: FloatArray, triangles: Triangles, links: Any) -> NDArray[np.bool_]:
    """Vertices around which the surface is not flat."""
    p = v[triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    n = v.shape[0]
    low, high = np.full((n, 3), np.inf), np.full((n, 3), -np.inf)
    for corner in range(3):
        np.minimum.at(low, triangles[:, corner], normal)
        np.maximum.at(high, triangles[:, corner], normal)
    bent = ((high - low).max(axis=1) > 0.01).astype(np.float64)
    for _ in range(FACET_RINGS):
        bent = np.minimum(bent + links @ bent, 1.0)
    return np.asarray(bent > 0)
