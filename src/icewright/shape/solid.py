"""The one picture of a crystal that every part shares: which cells of a lattice are ice.

Array layout, written once. ``fill[column, z]``: the first axis walks the columns of the held wedge, the
second the layers from the lowest to the highest. A sixfold solid holds the 30-degree wedge
``q >= r >= 0`` of a hexagonal lattice. The centre of column (q, r) lies at::

    x = spacing * (q + r / 2),   y = spacing * r * sqrt(3) / 2

and its six rotations and six mirror images make the whole plane. Corners of a hexagonal crystal lie at
angle 0 (along +x), prism facets face 30 degrees, so a hexagon is ``q + r <= N``. A round solid holds
rings: ring q spans the radii ``q * spacing .. (q + 1) * spacing``. With ``mirrored`` the plane z = 0 is a
mirror and only z >= 0 is held.

A cell with ``fill`` 1 is ice, 0 is vapour, and a value between is a boundary cell that is partly frozen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from icewright.ground.errors import IcewrightError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]

SIXFOLD = "sixfold"
ROUND = "round"
FULL = 1.0 - 1e-6  # float32 round-off must not turn ice into a boundary cell


class SolidError(IcewrightError):
    """Arrays that do not describe a crystal."""


@dataclass(frozen=True, eq=False)
class Solid:
    """A grown crystal on its lattice; see the module text for the layout.

    Parameters
    ----------
    symmetry : "sixfold" (hexagonal columns of a 30-degree wedge) or "round" (rings).
    q, r : int32[ncol], axial coordinates with q >= r >= 0; r is 0 for rings.
    spacing_m : distance between the centres of neighbouring columns (m).
    z_edges_m : float64[nz + 1], ascending (m).
    fill : float32[ncol, nz], 0 to 1.
    frozen_s : float32[ncol, nz], time the cell became ice (s); NaN where it is not ice, 0 in the seed.
    mirrored : z = 0 is a mirror plane and only z >= 0 is held.

    Raises
    ------
    SolidError : shapes that disagree, columns outside the wedge or twice, unsorted edges, fills outside 0..1.
    """

    symmetry: str
    q: IntArray
    r: IntArray
    spacing_m: float
    z_edges_m: FloatArray
    fill: NDArray[np.float32]
    frozen_s: NDArray[np.float32]
    mirrored: bool

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "q", np.ascontiguousarray(self.q, dtype=np.int32))
        put(self, "r", np.ascontiguousarray(self.r, dtype=np.int32))
        put(self, "z_edges_m", np.ascontiguousarray(self.z_edges_m, dtype=np.float64))
        put(self, "fill", np.ascontiguousarray(self.fill, dtype=np.float32))
        put(self, "frozen_s", np.ascontiguousarray(self.frozen_s, dtype=np.float32))
        put(self, "spacing_m", float(self.spacing_m))
        put(self, "mirrored", bool(self.mirrored))
        self._check()

    def _check(self) -> None:
        if self.symmetry not in (SIXFOLD, ROUND):
            raise SolidError(got=f"symmetry {self.symmetry!r}", wanted=f"{SIXFOLD!r} or {ROUND!r}")
        if not (math.isfinite(self.spacing_m) and self.spacing_m > 0):
            raise SolidError(got=f"spacing_m = {self.spacing_m}", wanted="a positive length in metres")
        ncol, nz = self.q.size, self.z_edges_m.size - 1
        if self.q.shape != (ncol,) or self.r.shape != (ncol,) or ncol < 1 or nz < 1:
            raise SolidError(
                got=f"q of shape {self.q.shape}, r of shape {self.r.shape}, {self.z_edges_m.size} z edges",
                wanted="q and r of one length, at least one column and two edges",
            )
        for name in ("fill", "frozen_s"):
            shape = getattr(self, name).shape
            if shape != (ncol, nz):
                raise SolidError(
                    got=f"{name} of shape {shape}",
                    wanted=f"(columns, layers) = ({ncol}, {nz})",
                    do="put columns first: array[column, z]",
                )
        if not (np.isfinite(self.z_edges_m).all() and (np.diff(self.z_edges_m) > 0).all()):
            raise SolidError(got="z edges that do not ascend", wanted="finite, ascending heights in metres")
        if self.mirrored and abs(float(self.z_edges_m[0])) > 1e-6 * float(np.ptp(self.z_edges_m)):
            raise SolidError(
                got=f"a mirrored solid that starts at z = {self.z_edges_m[0]} m", wanted="z_edges_m[0] = 0"
            )
        if self.symmetry == SIXFOLD:
            outside = (self.r < 0) | (self.r > self.q)
        else:
            outside = (self.r != 0) | (self.q < 0)
        if outside.any():
            k = int(np.argmax(outside))
            raise SolidError(
                got=f"column {k} at (q, r) = ({self.q[k]}, {self.r[k]})",
                wanted="q >= r >= 0 (and r = 0 for rings)",
            )
        key = self.q.astype(np.int64) * (int(self.q.max()) + 1) + self.r
        if np.unique(key).size != ncol:
            raise SolidError(got="a column given twice", wanted="each (q, r) once")
        lo, hi = float(self.fill.min()), float(self.fill.max())
        if not (lo >= 0.0 and hi <= 1.0 + 1e-6):  # NaN fails too
            raise SolidError(got=f"fill from {lo} to {hi}", wanted="0 (vapour) to 1 (ice)")

    @property
    def dz_m(self) -> FloatArray:
        """Height of each layer (m), shape [nz]."""
        return np.asarray(np.diff(self.z_edges_m), dtype=np.float64)

    @cached_property
    def multiplicity(self) -> FloatArray:
        """How many images each held column has in the whole plane (12, 6 or 1; 1 for rings), shape [ncol]."""
        if self.symmetry == ROUND:
            return np.ones(self.q.size)
        m = np.where((self.r == 0) | (self.q == self.r), 6.0, 12.0)
        m[(self.q == 0) & (self.r == 0)] = 1.0
        return m

    @cached_property
    def column_area_m2(self) -> FloatArray:
        """Area of each held column together with all its images (m2), shape [ncol]."""
        if self.symmetry == ROUND:
            return np.asarray(np.pi * self.spacing_m**2 * (2.0 * self.q + 1.0), dtype=np.float64)
        return np.asarray(self.multiplicity * (math.sqrt(3.0) / 2.0 * self.spacing_m**2))

    @cached_property
    def x_m(self) -> FloatArray:
        """Column centres along +x (m), shape [ncol]; the mid-radius for rings."""
        if self.symmetry == ROUND:
            return np.asarray(self.spacing_m * (self.q + 0.5), dtype=np.float64)
        return np.asarray(self.spacing_m * (self.q + 0.5 * self.r), dtype=np.float64)

    @cached_property
    def y_m(self) -> FloatArray:
        """Column centres along +y (m), shape [ncol]; 0 for rings."""
        return np.asarray(self.spacing_m * (math.sqrt(3.0) / 2.0) * self.r, dtype=np.float64)

    @cached_property
    def table(self) -> NDArray[np.int32]:
        """``table[q, r]`` -> column number, -1 where no column is held; shape [max q + 1, max r + 1]."""
        t = np.full((int(self.q.max()) + 1, int(self.r.max()) + 1), -1, dtype=np.int32)
        t[self.q, self.r] = np.arange(self.q.size, dtype=np.int32)
        return t

    @cached_property
    def ice(self) -> NDArray[np.bool_]:
        """Cells that are wholly ice, shape [ncol, nz]."""
        return self.fill >= FULL

    @cached_property
    def coverage(self) -> FloatArray:
        """Share of each column's cell that the crystal covers seen from above, shape [ncol]."""
        return np.asarray(self.fill.max(axis=1), dtype=np.float64)

    @cached_property
    def column_ice_m(self) -> FloatArray:
        """Ice along z in each held column (m), partly filled cells in part, shape [ncol]."""
        return np.asarray(self.fill @ self.dz_m.astype(np.float32), dtype=np.float64)

    @property
    def halves(self) -> float:
        """2 when only the upper half is held, else 1: what turns a held volume into the crystal's."""
        return 2.0 if self.mirrored else 1.0


def fold(q: ArrayLike, r: ArrayLike) -> tuple[NDArray[Any], NDArray[Any]]:
    """Bring axial coordinates anywhere in the plane to their image with q >= r >= 0.

    With the third axial coordinate s = -q - r, the twelve images of a point share the three absolute values
    |q|, |r|, |s|; of these the largest is the sum of the other two, which are the wedge coordinates.
    Works for whole and for fractional coordinates; shapes are kept.
    """
    a, b = np.abs(np.asarray(q)), np.abs(np.asarray(r))
    c = np.abs(np.asarray(q) + np.asarray(r))
    big = np.maximum(np.maximum(a, b), c)
    small = np.minimum(np.minimum(a, b), c)
    return a + b + c - big - small, small


def unfold(
    solid: Solid, values: ArrayLike | None = None, *, outside: float = 0.0
) -> tuple[IntArray, IntArray, NDArray[Any]]:
    """Lay values held by column out on the full hexagonal lattice.

    Parameters
    ----------
    values : [ncol] or [ncol, ...]; left out, the ice along z of the whole crystal (m).
    outside : value on lattice points that no column holds.

    Returns
    -------
    q, r : int32[m, m], axial coordinates of the lattice points, -n..n.
    plan : [m, m, ...], the values there.

    Raises
    ------
    SolidError : the solid is round; it has no hexagonal lattice.
    """
    if solid.symmetry != SIXFOLD:
        raise SolidError(got="a round solid", wanted="a sixfold one", do="use plan_image(solid, ...)")
    v = solid.column_ice_m * solid.halves if values is None else np.asarray(values)
    n = int(solid.q.max() + solid.r.max())
    span = np.arange(-n, n + 1, dtype=np.int32)
    q, r = np.meshgrid(span, span, indexing="ij")
    k = _column(solid, *fold(q, r))
    plan = np.where((k >= 0).reshape(k.shape + (1,) * (v.ndim - 1)), v[k], outside)
    return q, r, plan


def plan_image(
    solid: Solid,
    values: ArrayLike | None = None,
    *,
    pixel_m: float | None = None,
    half_width_m: float | None = None,
    outside: float = 0.0,
    sharp: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Resample values held by column to a square Cartesian image centred on the crystal.

    Between lattice points the value is linear over each triangle of neighbours (``sharp``: the nearest
    column's, so that cells stay visible).

    Returns
    -------
    image : float64[n, n], ``image[iy, ix]``; n is odd and the middle pixel is the crystal's axis.
    coordinate_m : float64[n], pixel centres along x and along y alike (m).
    """
    v = solid.column_ice_m * solid.halves if values is None else np.asarray(values, dtype=np.float64)
    dx = solid.spacing_m
    pixel = dx if pixel_m is None else float(pixel_m)
    if half_width_m is None:
        half_width_m = dx * (float(solid.q.max()) + 0.5 * float(solid.r.max()) + 1.5)
    n = max(1, math.ceil(half_width_m / pixel))
    half = np.arange(0, n + 1) * pixel
    # One quadrant is enough: the mirror images of the wedge make both axes mirror lines.
    x, y = half[None, :], half[:, None]
    if solid.symmetry == ROUND:
        quadrant = _sample_rings(solid, v, np.hypot(x, y), outside, sharp)
    else:
        quadrant = sample_columns(solid, v, x + 0.0 * y, y + 0.0 * x, outside=outside, sharp=sharp)
    top = np.concatenate([quadrant[:, :0:-1], quadrant], axis=1)
    image = np.concatenate([top[:0:-1], top], axis=0)
    return np.asarray(image, dtype=np.float64), np.arange(-n, n + 1, dtype=np.float64) * pixel


def sample_columns(
    solid: Solid,
    values: ArrayLike,
    x_m: ArrayLike,
    y_m: ArrayLike,
    *,
    outside: float = 0.0,
    sharp: bool = False,
) -> FloatArray:
    """Values held by column, read at points (x, y) in metres: linear, or the nearest if ``sharp``."""
    v = np.append(np.asarray(values, dtype=np.float64), outside)  # column -1 reads the value outside
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    rf = y / (solid.spacing_m * math.sqrt(3.0) / 2.0)
    qf = x / solid.spacing_m - 0.5 * rf
    if sharp:
        return np.asarray(v[_column(solid, *_nearest(*fold(qf, rf)))])
    # Folding first keeps images of a point exactly equal.
    qf, rf = fold(qf, rf)
    q0, r0 = np.floor(qf).astype(np.int32), np.floor(rf).astype(np.int32)
    fq, fr = qf - q0, rf - r0
    upper = fq + fr > 1.0
    # Each unit rhomb of the lattice is two triangles, split along (q0 + 1, r0)..(q0, r0 + 1).
    qa, ra = np.where(upper, q0 + 1, q0), np.where(upper, r0 + 1, r0)
    wb, wc = np.where(upper, 1.0 - fr, fq), np.where(upper, 1.0 - fq, fr)
    out = (1.0 - wb - wc) * v[_column(solid, *fold(qa, ra))]
    out += wb * v[_column(solid, *fold(q0 + 1, r0))]
    out += wc * v[_column(solid, *fold(q0, r0 + 1))]
    return np.asarray(out)


def _nearest(qf: FloatArray, rf: FloatArray) -> tuple[NDArray[Any], NDArray[Any]]:
    """The lattice point whose hexagonal cell holds a fractional point (cube rounding)."""
    sf = -qf - rf
    q, r, s = np.rint(qf), np.rint(rf), np.rint(sf)
    dq, dr, ds = np.abs(q - qf), np.abs(r - rf), np.abs(s - sf)
    fix_q = (dq > dr) & (dq > ds)
    fix_r = ~fix_q & (dr > ds)
    q, r = np.where(fix_q, -r - s, q), np.where(fix_r, -q - s, r)
    return fold(q.astype(np.int32), r.astype(np.int32))


def _column(solid: Solid, q: NDArray[Any], r: NDArray[Any]) -> NDArray[np.int32]:
    """Column numbers of folded lattice points, -1 where none is held."""
    t = solid.table
    inside = (q < t.shape[0]) & (r < t.shape[1])
    return np.where(inside, t[np.where(inside, q, 0), np.where(inside, r, 0)], np.int32(-1))


def _sample_rings(
    solid: Solid, v: FloatArray, radius_m: FloatArray, outside: float, sharp: bool
) -> FloatArray:
    ring = np.append(v[np.argsort(solid.q)], outside)
    if sharp:
        k = np.floor(radius_m / solid.spacing_m).astype(np.int64)
        return np.asarray(ring[np.minimum(k, ring.size - 1)])
    at = (np.arange(ring.size) + 0.5) * solid.spacing_m
    return np.asarray(np.interp(radius_m, at, ring))


# --- specimens whose truth is known ---------------------------------------------------------------------


def wedge(n: int) -> tuple[IntArray, IntArray]:
    """Axial coordinates of every wedge column with q + r <= n, ordered by q + r, then r."""
    q, r = np.meshgrid(np.arange(n + 1), np.arange(n // 2 + 1), indexing="ij")
    keep = (r <= q) & (q + r <= n)
    q, r = q[keep], r[keep]
    order = np.lexsort((r, q + r))
    return q[order].astype(np.int32), r[order].astype(np.int32)


def hexagon(
    radius_m: float,
    thickness_m: float,
    spacing_m: float,
    *,
    dz_m: float | None = None,
    mirrored: bool = True,
    margin: int = 2,
) -> Solid:
    """A plain hexagonal prism, true to below one cell.

    Parameters
    ----------
    radius_m : from the axis to a corner.
    thickness_m : from one basal face to the other. Mirrored, half of it is held.
    spacing_m, dz_m : lattice spacing in the plane and along z (spacing_m when left out).
    margin : empty rows and layers around the ice.

    Returns
    -------
    Solid : cells of row q + r = k reach from (k - 1/2) to (k + 1/2) spacings of corner radius, so the row
        that holds the facet is filled in part; likewise the top layer.
    """
    dz = spacing_m if dz_m is None else dz_m
    _lengths_positive(radius_m=radius_m, thickness_m=thickness_m, spacing_m=spacing_m, dz_m=dz)
    n = math.ceil(radius_m / spacing_m + 0.5) + margin
    q, r = wedge(n)
    across = np.clip(radius_m / spacing_m + 0.5 - (q + r), 0.0, 1.0)
    return _prism(SIXFOLD, q, r, across, thickness_m, spacing_m, dz, mirrored, margin)


def round_disc(
    radius_m: float,
    thickness_m: float,
    spacing_m: float,
    *,
    dz_m: float | None = None,
    mirrored: bool = True,
    margin: int = 2,
) -> Solid:
    """A plain circular cylinder of rings; parameters as for `hexagon`."""
    dz = spacing_m if dz_m is None else dz_m
    _lengths_positive(radius_m=radius_m, thickness_m=thickness_m, spacing_m=spacing_m, dz_m=dz)
    q = np.arange(math.ceil(radius_m / spacing_m) + margin, dtype=np.int32)
    across = np.clip(radius_m / spacing_m - q, 0.0, 1.0)
    return _prism(ROUND, q, np.zeros_like(q), across, thickness_m, spacing_m, dz, mirrored, margin)


def _prism(
    symmetry: str,
    q: IntArray,
    r: IntArray,
    across: FloatArray,
    thickness_m: float,
    spacing_m: float,
    dz: float,
    mirrored: bool,
    margin: int,
) -> Solid:
    height = thickness_m / 2.0 if mirrored else thickness_m
    nz = math.ceil(height / dz - 1e-9) + margin
    up = np.clip(height / dz - np.arange(nz), 0.0, 1.0)
    fill = np.outer(across, up).astype(np.float32)
    fill[fill > FULL] = 1.0
    frozen = np.where(fill >= FULL, np.float32(0.0), np.float32(np.nan))
    return Solid(symmetry, q, r, spacing_m, np.arange(nz + 1, dtype=np.float64) * dz, fill, frozen, mirrored)


def _lengths_positive(**lengths: float) -> None:
    for name, value in lengths.items():
        if not (math.isfinite(value) and value > 0):
            raise SolidError(got=f"{name} = {value}", wanted="a positive length in metres")
