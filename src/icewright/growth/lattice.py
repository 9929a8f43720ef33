"""Column lattices: where the cells are, who their neighbours are, and how levels coarsen.

Array layout everywhere in the growth floor: ``field[column, z]`` with z contiguous. A lattice knows
nothing of ice. All lengths are in units of the lattice spacing dx.

Two lattices share every kernel:

* the hexagonal wedge, 1/12 of the plane (30 degrees), q >= r >= 0 in axial coordinates, with the
  sixfold-and-mirror symmetry folded into the neighbour table, so that it holds to the last bit;
* rings around an axis, for the axisymmetric model.

Coarse levels take every second point in each lattice direction (nested linear elements), so that a
coarse lateral link is exactly a quarter of the sum of four fine links (Galerkin): the two along it and
the two parallel ones in the triangles beside it. On rings the latter two do not exist.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

I32 = NDArray[np.int32]
F32 = NDArray[np.float32]
I64 = NDArray[np.int64]
Bools = NDArray[np.bool_]

NONE = -1  # beyond the lattice: value zero on coarse levels

# axial steps at 0, 60, ... 300 degrees
STEPS = np.array([(1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1)], dtype=np.int64)
SQRT3 = 3.0**0.5
FACET_DISTANCE = SQRT3 / 4  # from a boundary cell's centre to the flat facet before it


def fold(q: I64, r: I64) -> tuple[I64, I64, I64, Bools]:
    """Fold axial coordinates into the wedge q >= r >= 0.

    Returns (q, r, turns, swapped): the image, how many turns by -60 degrees were made, and whether the
    mirror at 30 degrees was used, so that directions can be folded along: d -> (d - turns) % 6, then
    1 - d if swapped.
    """
    q, r = q.copy(), r.copy()
    turns = np.zeros_like(q)
    for _ in range(6):
        out = ~(((q > 0) & (r >= 0)) | ((q == 0) & (r == 0)))
        if not out.any():
            break
        q[out], r[out] = (q + r)[out], (-q)[out]
        turns[out] += 1
    swapped = r > q
    q[swapped], r[swapped] = r[swapped], q[swapped]
    return q, r, turns, swapped


def fold_direction(d: I64, turns: I64, swapped: Bools) -> I64:
    """Direction index after folding; see `fold`."""
    d = (d - turns) % 6
    out: I64 = np.where(swapped, (1 - d) % 6, d)
    return out


@dataclass
class Level:
    """One multigrid level of columns.

    neighbours[column, direction] is a column or NONE; no two columns of one colour touch. The rest ties the
    level to the finer one; None on the finest.
    """

    neighbours: I32
    order: I32  # columns, colour after colour
    starts: I32  # where each colour begins in `order`, and its end
    radius: F32  # in finest dx
    fine_centre: I32 | None = None  # [n]
    fine_middles: I32 | None = None  # [n, nd], NONE where there is none
    fine_links: I32 | None = None  # [n, nd, 4] flat index column*nd + direction, NONE
    parents: I32 | None = None  # on the finer level's columns: [n_fine, 2] coarse columns or NONE
    far_link: float = 0.0  # lateral conductance per height of every link away from ice
    edge: F32 | None = None  # [n] conductance per height to the fixed cells that the coarse links miss


@dataclass
class Lattice:
    """Columns of one symmetry out to a radius; free columns first (by radius), then fixed ones.

    Attributes
    ----------
    symmetry : "sixfold" or "round"
    q, r : int32[n] axial coordinates (rings: ring number and 0)
    n_free : number of columns solved for; the rest carry the far field
    link : float32[n, nd] lateral conductance per unit height of every direction
    area : float32[n] horizontal area of a column
    multiplicity : float32[n] how often the column stands in the whole plane
    face_area, face_distance : float32[n, nd] area per unit height of the facet that a lateral link
        crosses, and the distance from the cell centre to it
    radius : float32[n] distance of the column centre (rings: middle of the ring) from the axis
    """

    symmetry: str
    outer: float
    q: I32
    r: I32
    n_free: int
    link: F32
    area: F32
    multiplicity: F32
    face_area: F32
    face_distance: F32
    radius: F32
    far_link: float = 0.0  # what a link that is not held counts for (0 on rings)
    levels: list[Level] = field(default_factory=list)

    @property
    def n(self) -> int:
        """Number of columns, fixed ones included."""
        return len(self.q)

    @property
    def directions(self) -> int:
        """Number of lateral neighbours: 6 or 2."""
        return int(self.link.shape[1])

    def columns_within(self, radius: float) -> int:
        """How many of the first free columns lie within a radius."""
        return int(np.searchsorted(self.radius[: self.n_free], radius, side="right"))


def _table(q: I64, r: I64, size: int) -> I32:
    look = np.full((size, size), NONE, dtype=np.int32)
    look[q, r] = np.arange(len(q), dtype=np.int32)
    return look


def _find(look: I32, q: I64, r: I64) -> tuple[I32, I64, Bools]:
    fq, fr, turns, swapped = fold(q, r)
    ok = fq < look.shape[0]
    out: I32 = np.full(q.shape, NONE, dtype=np.int32)
    out[ok] = look[fq[ok], fr[ok]]
    return out, turns, swapped


def hexagonal_wedge(outer: float) -> Lattice:
    """Wedge of hexagonal cells whose centres lie within `outer` (in dx) of the axis."""
    size = int(outer) + 4
    qq, rr = np.meshgrid(np.arange(size), np.arange(size), indexing="ij")
    keep = (rr <= qq) & (np.sqrt(qq**2 + rr**2 + qq * rr) <= outer)
    q, r = qq[keep].astype(np.int64), rr[keep].astype(np.int64)
    rad = np.sqrt(q**2 + r**2 + q * r)
    look = _table(q, r, size + 2)
    inner = np.ones(len(q), dtype=bool)
    for d in range(6):
        inner &= _find(look, q + STEPS[d, 0], r + STEPS[d, 1])[0] >= 0
    order = np.lexsort((r, q, rad, ~inner))
    q, r, rad = q[order], r[order], rad[order]
    n, n_free = len(q), int(inner.sum())
    ones6 = np.ones((n, 6), dtype=np.float32)
    mult = np.where((q == 0) & (r == 0), 1, np.where((r == 0) | (q == r), 6, 12))
    lat = Lattice(
        "sixfold",
        outer,
        q.astype(np.int32),
        r.astype(np.int32),
        n_free,
        ones6 * np.float32(1 / SQRT3),
        np.full(n, SQRT3 / 2, dtype=np.float32),
        mult.astype(np.float32),
        # half a lattice spacing a link: two links make one facet cell of width dx; a raw hexagon's
        # faces would be 15 % too large on a flat prism facet
        ones6 * np.float32(0.5),
        ones6 * np.float32(FACET_DISTANCE),
        rad.astype(np.float32),
        far_link=1 / SQRT3,
    )
    _hex_levels(lat)
    _outer_edges(lat)
    return lat


def _hex_neighbours(look: I32, q: I64, r: I64, step: int) -> I32:
    # a cell beside the mirror is its own neighbour: kept as such, so that all far columns share one matrix
    out = np.full((len(q), 6), NONE, dtype=np.int32)
    for d in range(6):
        out[:, d] = _find(look, q + step * STEPS[d, 0], r + step * STEPS[d, 1])[0]
    return out


def _hex_levels(lat: Lattice) -> None:
    q, r = lat.q.astype(np.int64), lat.r.astype(np.int64)
    size = int(q.max()) + 3
    look = _table(q, r, size)
    nb = _hex_neighbours(look, q, r, 1)
    lat.levels = [Level(nb, *_colours((q - r) % 3, lat.n_free), lat.radius)]
    step = 1
    fq, fr, n_free, flook = q, r, lat.n_free, look
    while n_free > 4:
        cstep = step * 2
        pick = np.nonzero((fq[:n_free] % cstep == 0) & (fr[:n_free] % cstep == 0))[0]
        cq, cr = fq[pick], fr[pick]
        clook = _table(cq, cr, size)
        level = Level(
            _hex_neighbours(clook, cq, cr, cstep),
            *_colours(((cq - cr) // cstep) % 3, len(cq)),
            lat.radius[: lat.n][_find(look, cq, cr)[0]],
        )
        level.fine_centre = pick.astype(np.int32)
        middles = np.full((len(cq), 6), NONE, dtype=np.int32)
        links = np.full((len(cq), 6, 4), NONE, dtype=np.int32)
        for d in range(6):
            dq, dr = step * STEPS[d]
            m = _find(flook, cq + dq, cr + dr)
            middles[:, d] = np.where(m[0] < n_free, m[0], NONE)
            # four fine links under the coarse one: where each starts
            left, right = step * STEPS[(d + 1) % 6], step * STEPS[(d - 1) % 6]
            starts = [
                (cq, cr),
                (cq + dq, cr + dr),
                (cq + left[0], cr + left[1]),
                (cq + right[0], cr + right[1]),
            ]
            for s, (sq, sr) in enumerate(starts):
                cell, turns, swapped = _find(flook, sq, sr)
                fd = fold_direction(np.full(len(cq), d), turns, swapped)
                links[:, d, s] = np.where((cell >= 0) & (cell < n_free), cell * 6 + fd, NONE)
        level.fine_middles, level.fine_links = middles, links
        parents = np.full((n_free, 2), NONE, dtype=np.int32)
        me_q, me_r = fq[:n_free], fr[:n_free]
        oq, orr = (me_q // step) % 2, (me_r // step) % 2
        for a, b, d in ((1, 0, 0), (0, 1, 1), (1, 1, 2)):
            sel = (oq == a) & (orr == b)
            dq, dr = step * STEPS[d]
            parents[sel, 0] = _find(clook, me_q[sel] + dq, me_r[sel] + dr)[0]
            parents[sel, 1] = _find(clook, me_q[sel] - dq, me_r[sel] - dr)[0]
        parents[pick] = np.arange(len(pick), dtype=np.int32)[:, None]
        level.parents = parents
        lat.levels.append(level)
        step, fq, fr, n_free, flook = cstep, cq, cr, len(cq), clook


def _outer_edges(lat: Lattice) -> None:
    """Lump what the coarse links miss beside the fixed columns into `Level.edge`.

    A coarse link that ends beyond the lattice passes fixed fine cells earlier than linear interpolation
    says; without the missing conductance the cycle over-corrects there and diverges. The exact Galerkin row
    sum (restrict, fine matrix, prolong, applied to one) gives it.
    """
    nd = lat.directions
    nb = lat.levels[0].neighbours[: lat.n_free].copy()
    nb[nb >= lat.n_free] = NONE
    link = lat.link[: lat.n_free].astype(np.float64)
    edge = np.zeros(lat.n_free)
    for level in lat.levels[1:]:
        assert level.fine_links is not None and level.parents is not None
        assert level.fine_centre is not None and level.fine_middles is not None
        n = len(level.neighbours)
        one = 0.5 * (level.parents >= 0).sum(axis=1)
        a_one = edge * one
        for d in range(nd):
            other = np.where(nb[:, d] >= 0, one[nb[:, d]], 0.0)
            a_one += link[:, d] * (one - other)
        exact = a_one[level.fine_centre]
        for d in range(nd):
            m = level.fine_middles[:, d]
            exact = exact + np.where(m >= 0, 0.5 * a_one[m], 0.0)
        flat = link.ravel()
        coarse = 0.25 * np.where(level.fine_links >= 0, flat[level.fine_links], lat.far_link).sum(axis=2)
        held = np.where(level.neighbours == NONE, coarse, 0.0).sum(axis=1)
        edge = np.maximum(exact - held, 0.0)
        level.edge = edge.astype(np.float32)
        level.far_link = lat.far_link
        nb, link = level.neighbours, coarse
        assert len(edge) == n


def _colours(colour: I64, n_free: int) -> tuple[I32, I32]:
    """(columns by falling colour, where each colour begins)."""
    colour = colour[:n_free]
    order = np.argsort(-colour, kind="stable").astype(np.int32)
    counts = np.bincount(colour)[::-1]
    return order, np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)


def rings(outer: float) -> Lattice:
    """Rings of width dx around an axis out to `outer` (in dx)."""
    n = int(np.ceil(outer)) + 1
    j = np.arange(n)
    link = np.zeros((n, 2), dtype=np.float32)
    link[:, 0] = 2 * np.pi * (j + 1)
    link[:, 1] = 2 * np.pi * j
    dist = np.full((n, 2), 0.5, dtype=np.float32)
    lat = Lattice(
        "round",
        outer,
        j.astype(np.int32),
        np.zeros(n, dtype=np.int32),
        n - 1,
        link,
        (np.pi * (2 * j + 1)).astype(np.float32),
        np.ones(n, dtype=np.float32),
        link.copy(),
        dist,
        (j + 0.5).astype(np.float32),
    )
    nb = np.stack([j + 1, j - 1], axis=1).astype(np.int32)
    nb[0, 1] = 0  # its link is zero
    nb[-1, 0] = NONE
    lat.levels = [Level(nb, *_colours(j % 2, n - 1), lat.radius)]
    n_free = n - 1
    scale = 1
    while n_free > 3:
        nc = (n_free + 1) // 2
        c = np.arange(nc)
        cnb = np.stack([np.where(c + 1 < nc, c + 1, NONE), np.where(c > 0, c - 1, 0)], axis=1)
        level = Level(cnb.astype(np.int32), *_colours(c % 2, nc), lat.radius[:: 2 * scale][:nc])
        level.fine_centre = (2 * c).astype(np.int32)
        mid = np.stack([2 * c + 1, 2 * c - 1], axis=1)
        level.fine_middles = np.where((mid >= 0) & (mid < n_free), mid, NONE).astype(np.int32)
        links = np.full((nc, 2, 4), NONE, dtype=np.int32)
        links[:, 0, 0] = 2 * c * 2
        links[:, 0, 1] = np.where(2 * c + 1 < n_free, (2 * c + 1) * 2, NONE)
        links[1:, 1, 0] = (2 * c * 2 + 1)[1:]
        links[1:, 1, 1] = ((2 * c - 1) * 2 + 1)[1:]
        level.fine_links = links
        f = np.arange(n_free)
        par = np.stack([f // 2, (f + 1) // 2], axis=1)
        par[f % 2 == 1, 1] = np.where(par[f % 2 == 1, 1] < nc, par[f % 2 == 1, 1], NONE)
        level.parents = par.astype(np.int32)
        lat.levels.append(level)
        n_free, scale = nc, scale * 2
    _outer_edges(lat)
    return lat
