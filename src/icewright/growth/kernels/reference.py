"""What the compiled kernels must give, in plain numpy, from the physics and not from their loops.

For small lattices only: matrices are dense and cells are visited one by one. Tests hold `cpu` and `surface`
to this. Layout as everywhere, ``[column, z]``; lengths in dx; mask codes: 0 vapour, 1 ice, 3 inert (odd:
closed to vapour). All sums are in double precision.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
BASAL, PRISM, CORNER, KINK = "basal", "prism", "corner", "kink"
LEAK = 1e-6  # a sealed void keeps a tiny leak so that its equation is not singular


# -- the field: flux balance of finite volumes ----------


@dataclass(frozen=True)
class Links:
    """Conductances of a lattice with ice in it: flux through a link = conductance times difference of u.

    lateral[column, direction, z] to neighbours[column, direction]; upright[column, z] between layers z and
    z + 1. A link carries nothing if either end is closed to vapour.
    """

    neighbours: Ints
    lateral: Floats
    upright: Floats
    vapour: NDArray[np.bool_]

    @classmethod
    def of(cls, mask: Any, neighbours: Ints, link: Any, area: Any, edges: Floats) -> Links:
        """Links of cells with the given edges along z.

        A lateral link has link[column, direction] per height; an upright one area / distance of the centres.
        """
        vapour = (np.asarray(mask) & 1) == 0
        height = np.diff(edges)
        centres = 0.5 * (edges[1:] + edges[:-1])
        held = neighbours >= 0
        other = np.where(held[..., None], vapour[neighbours], False)
        lateral = np.asarray(link, float)[:, :, None] * height * (other & vapour[:, None, :])
        upright = np.zeros(vapour.shape)
        upright[:, :-1] = (
            np.asarray(area, float)[:, None] / np.diff(centres) * (vapour[:, 1:] & vapour[:, :-1])
        )
        return cls(neighbours, lateral, upright, vapour)

    def diagonal(self) -> Floats:
        """Sum of the conductances out of every vapour cell, [column, z]; zero in ice."""
        total = self.lateral.sum(axis=1) + self.upright
        total[:, 1:] += self.upright[:, :-1]
        return np.where(self.vapour, np.maximum(total, LEAK), 0.0)

    def residual(self, u: Floats, sink: Floats, b: Floats) -> Floats:
        """b + (what flows in through every link) - sink u, [column, z]; zero in ice."""
        out = b - sink * u
        for d in range(self.neighbours.shape[1]):
            out += self.lateral[:, d] * (u[self.neighbours[:, d]] - u)
        step = self.upright[:, :-1] * (u[:, 1:] - u[:, :-1])
        out[:, :-1] += step
        out[:, 1:] -= step
        return np.where(self.vapour, out, 0.0)

    def solve_column(self, c: int, u: Floats, sink: Floats, b: Floats, k0: int, k1: int) -> Floats:
        """u of column c, layers k0..k1-1, that balances it with all other cells held; zero in ice."""
        n = k1 - k0
        matrix, right = np.eye(n), np.zeros(n)
        diagonal = self.diagonal()[c]
        for k in range(k0, k1):
            if not self.vapour[c, k]:
                continue
            i = k - k0
            matrix[i, i] = diagonal[k] + sink[c, k]
            right[i] = b[c, k] + sum(
                self.lateral[c, d, k] * u[m, k] for d, m in enumerate(self.neighbours[c]) if m >= 0
            )
            for kk, g in ((k + 1, self.upright[c, k]), (k - 1, self.upright[c, k - 1] if k > 0 else 0.0)):
                if k0 <= kk < k1:
                    matrix[i, kk - k0] = -g
                elif kk >= 0:
                    right[i] += g * u[c, kk]
        return np.asarray(np.linalg.solve(matrix, right))

    def solve(self, u: Floats, sink: Floats, b: Floats, columns: int, k0: int, k1: int) -> Floats:
        """The whole field at once: cells of the first `columns` columns, layers k0..k1-1, the rest held."""
        free = np.zeros(u.shape, dtype=bool)
        free[:columns, k0:k1] = self.vapour[:columns, k0:k1]
        cells = np.argwhere(free)
        start = np.where(free, 0.0, u)
        right = self.residual(start, sink, b)[free]
        matrix = np.zeros((len(cells), len(cells)))
        for j, (c, k) in enumerate(cells):
            unit = np.zeros(u.shape)
            unit[c, k] = 1.0
            matrix[:, j] = -self.residual(unit, sink, np.zeros(u.shape))[free]
        out = start
        out[free] = np.linalg.solve(matrix, right)
        return out


def interpolation(parents: Ints, coarse: int) -> Floats:
    """Linear interpolation [fine column, coarse column]: half of each of two parents (none outside)."""
    p = np.zeros((len(parents), coarse))
    for row, pair in enumerate(parents):
        for c in pair:
            if c >= 0:
                p[row, c] += 0.5
    return p


def restriction(p: Floats, fine_weight: Floats, coarse_weight: Floats) -> Floats:
    """Transpose of interpolation on the whole plane, where a column stands as often as its weight says."""
    return np.asarray(p.T * fine_weight[None, :] / coarse_weight[:, None])


def galerkin_lateral(links: Links, p: Floats, r: Floats, k: int) -> Floats:
    """Coarse lateral matrix R A P of layer k (dense); off the diagonal it holds minus the coarse links."""
    n = len(p)
    a = np.zeros((n, n))
    for c in range(n):
        for d, m in enumerate(links.neighbours[c]):
            a[c, c] += links.lateral[c, d, k]
            if 0 <= m < n:
                a[c, m] -= links.lateral[c, d, k]
    return r @ a @ p


def far_potential(z_source: Floats, moments: Floats, mirror: bool, rho: Floats, z: Floats) -> Floats:
    """Sum over sources and l = 0, 2, 4 of M_l P_l(cos theta) / (4 pi R^(l+1)); mirror adds images."""
    from numpy.polynomial.legendre import legval

    out = np.zeros(len(rho))
    for zs, (m0, m2, m4) in zip(z_source, moments, strict=True):
        for source in (zs, -zs) if mirror else (zs,):
            distance = np.hypot(rho, z - source)
            cosine = (z - source) / distance
            for degree, m in ((0, m0), (2, m2), (4, m4)):
                unit = np.zeros(degree + 1)
                unit[degree] = m
                out += legval(cosine, unit) / (4 * np.pi * distance ** (degree + 1))
    return out


# -- the surface: which cells vapour meets, and how they grow ----------


@dataclass
class Meeting:
    """One vapour cell with ice beside it.

    sides: directions of the ice neighbours in the layer; below, above: whether ice is there; area (dx^2),
    h (dx) distance to the surface, width (dx) of its facet; terrace: a number shared by cells that move as
    one; links: cells it touches on its facet.
    """

    column: int
    k: int
    kind: str
    sides: tuple[int, ...]
    below: bool
    above: bool
    area: float
    h: float
    width: float = 0.0
    terrace: int = -1
    links: list[int] = field(default_factory=list)


def meetings(
    mask: Any,
    neighbours: Ints,
    face_area: Any,
    face_distance: Any,
    area: Any,
    dz: Any,
    columns: int,
    k0: int,
    k1: int,
    doubles: bool,
) -> list[Meeting]:
    """Boundary cells in order of (column, z), with kind, area, distance and the height of the wall beside."""
    ice = np.asarray(mask) == 1
    six = neighbours.shape[1] == 6
    out = []
    for c, layer in np.argwhere(np.asarray(mask)[:columns, k0:k1] == 0):
        k = layer + k0
        sides = tuple(d for d, n in enumerate(neighbours[c]) if n >= 0 and n != c and ice[n, k])
        below, above = bool(k > 0 and ice[c, k - 1]), bool(ice[c, k + 1])
        if not (sides or below or above):
            continue
        kind = _kind(sides, below, above, six)
        # a lone corner cell stands before a whole facet cell, two links wide
        share = 2.0 if kind == CORNER else 1.0
        faces = [(share * face_area[c, d] * dz[k], face_distance[c, d]) for d in sides]
        faces += [(area[c], 0.5 * dz[k])] * (below + above)
        total = float(sum(a for a, _ in faces))
        # parallel conductances a/d of the faces add
        h = total / float(sum(a / d for a, d in faces))
        cell = Meeting(int(c), int(k), kind, sides, below, above, total, h)
        if kind in (PRISM, CORNER):
            cell.width = _wall(ice[neighbours[c, _facing(sides)]], int(k), dz, k0, k1, doubles)
        out.append(cell)
    return out


def _kind(sides: tuple[int, ...], below: bool, above: bool, six: bool) -> str:
    if not sides:
        return KINK if below and above else BASAL
    if below or above:
        return KINK
    if not six:
        return PRISM if len(sides) == 1 else KINK
    if len(sides) == 1:
        return CORNER
    return PRISM if len(sides) == 2 and (sides[1] - sides[0]) % 6 in (1, 5) else KINK


def _facing(sides: tuple[int, ...]) -> int:
    """The first of two adjacent directions, counted round the circle."""
    return 5 if sides == (0, 5) else sides[0]


def _wall(ice: NDArray[np.bool_], k: int, dz: Any, k0: int, k1: int, doubles: bool) -> float:
    """Height of the unbroken ice through layer k."""
    gaps = np.nonzero(~ice[k0:k1])[0] + k0
    lo = int(gaps[gaps < k].max()) + 1 if (gaps < k).any() else k0
    hi = int(gaps[gaps > k].min()) if (gaps > k).any() else k1
    return float(np.sum(dz[lo:hi])) * (2.0 if doubles and lo == 0 else 1.0)


def label_terraces(cells: list[Meeting], neighbours: Ints) -> None:
    """Number the terraces: flood fill over cells that share a flat facet.

    Basal cells join over all lateral neighbours if ice is on the same side; prism cells along the wall (up,
    down and, on the hexagonal lattice, to the two columns of their own row); a corner with its own corner
    cells above and below and with the prism rows that end at it. Kinks stand alone.
    """
    at = {(m.column, m.k): i for i, m in enumerate(cells)}
    six = neighbours.shape[1] == 6
    for i, m in enumerate(cells):
        m.links = []
        near: list[tuple[int, int]] = []
        if m.kind == BASAL:
            near = [(int(n), m.k) for n in neighbours[m.column]]
        elif m.kind in (PRISM, CORNER):
            near = [(m.column, m.k + 1), (m.column, m.k - 1)]
            if six:
                # the row of a facet runs across the two directions of its ice; a corner faces one direction,
                # and the rows that end at it start beside its ice
                f = _facing(m.sides)
                along = (f + 2, f + 5) if m.kind == PRISM else (f + 1, f + 5)
                near += [(int(neighbours[m.column, d % 6]), m.k) for d in along]
        for place in near:
            j = at.get(place, -1)
            if j >= 0 and j != i and _one_terrace(m, cells[j], place[0] == m.column):
                m.links.append(j)
    both: list[set[int]] = [set() for _ in cells]
    for i, m in enumerate(cells):
        for j in m.links:
            both[i].add(j)
            both[j].add(i)
    for m in cells:
        m.terrace = -1
    for i in range(len(cells)):
        if cells[i].terrace >= 0:
            continue
        front = [i]
        while front:
            j = front.pop()
            if cells[j].terrace < 0:
                cells[j].terrace = i
                front.extend(both[j])


def _one_terrace(a: Meeting, b: Meeting, same_column: bool) -> bool:
    if a.kind == BASAL:
        return b.kind == BASAL and a.below == b.below
    if same_column:
        return a.kind == b.kind and _facing(a.sides) == _facing(b.sides)
    return b.kind == PRISM


def basal_width(
    cells: list[Meeting], terrace: int, mask: Any, neighbours: Ints, face_area: Any, area: Any, weight: Any
) -> float:
    """2 area / perimeter of a basal terrace (dx), whole plane; its edges are where no ice lies beyond."""
    ice = np.asarray(mask) == 1
    top = rim = 0.0
    for m in cells:
        if m.terrace != terrace or m.kind != BASAL:
            continue
        top += area[m.column] * weight[m.column]
        for d, n in enumerate(neighbours[m.column]):
            if n >= 0 and n != m.column and not ((m.k > 0 and ice[n, m.k - 1]) or ice[n, m.k + 1]):
                rim += face_area[m.column, d] * weight[m.column]
    return 2 * top / rim if rim > 0 else 1e6


def facet_rate(alpha: Callable[[float], float], u: float, h: float, x0: float) -> float:
    """Flux per area g with g = alpha(s) s / x0 = (u - s) / h, by bisection for the surface value s."""
    lo, hi = 0.0, u
    for _ in range(200):
        s = 0.5 * (lo + hi)
        if alpha(s) * s / x0 > (u - s) / h:
            hi = s
        else:
            lo = s
    return (u - 0.5 * (lo + hi)) / h


def fluxes(
    cells: list[Meeting],
    u: Floats,
    rate: Callable[[str, float, float], float],
    *,
    x0: float,
    shift: float,
    capillary: float,
    roughening: tuple[float, float],
) -> tuple[Floats, Floats]:
    """(flux into every boundary cell, how far it moves with its terrace, 0 to 1).

    rate(kind, width, u) is the facet law with the half cell's resistance in series. Warming (shift) and
    curvature (2 capillary / width) lower what a cell sees. A kink takes all that reaches it. A terrace goes
    at the rate of its best cell, a corner counting as the facets beside it, while alpha there is below
    roughening[0]; above roughening[1] each cell goes by itself; no cell takes more than alpha = 1 allows.
    """
    seen = np.array([u[m.column, m.k] for m in cells], float) - shift
    seen -= [0.0 if m.kind == KINK else 2 * capillary / max(m.width, 1.0) for m in cells]
    seen = np.maximum(seen, 1e-9)
    most = np.array([e / (m.h + x0) for m, e in zip(cells, seen, strict=True)])
    own = np.array(
        [
            t if m.kind == KINK else min(rate(m.kind, m.width, e), t)
            for m, e, t in zip(cells, seen, most, strict=True)
        ]
    )
    lead: dict[int, tuple[float, int]] = {}
    for i, m in enumerate(cells):
        if m.kind == KINK:
            continue
        g = own[i] if m.kind != CORNER else rate(PRISM, m.width, seen[i])
        if g > lead.get(m.terrace, (0.0, -1))[0]:
            lead[m.terrace] = (g, i)
    flux, weight = np.empty(len(cells)), np.zeros(len(cells))
    for i, m in enumerate(cells):
        g = own[i]
        if m.kind != KINK:
            best, j = lead[m.terrace]
            s = seen[j] - best * cells[j].h  # surface value at the leading cell
            alpha = min(best * x0 / max(s, 1e-12), 1.0)
            t = float(np.clip((alpha - roughening[0]) / (roughening[1] - roughening[0]), 0, 1))
            weight[i] = 1 - t * t * (3 - 2 * t)
            g = (1 - weight[i]) * own[i] + weight[i] * min(best, most[i])
        flux[i] = m.area * g
    return flux, weight


def shared_fill(
    fill: Floats, volume: Floats, terrace: Ints, weight: Floats, moves: NDArray[np.bool_]
) -> Floats:
    """Fill after cells that move with their terrace drew to its mean, by their weight."""
    out = fill.copy()
    for t in np.unique(terrace[moves]):
        here = moves & (terrace == t)
        mean = float(volume[here] @ fill[here]) / float(volume[here].sum())
        out[here] += weight[here] * (mean - fill[here])
    return out


def surplus_goes_to(mask: Any, neighbours: Ints, c: int, k: int, k0: int, k1: int) -> tuple[int, int] | None:
    """The vapour cell beside (c, k) with the most ice around it, the first of equals, or None."""
    ice = np.asarray(mask) == 1

    def around(cc: int, kk: int) -> int:
        beside = sum(bool(ice[n, kk]) for n in neighbours[cc] if n >= 0)
        return beside + int(kk > 0 and ice[cc, kk - 1]) + int(ice[cc, kk + 1])

    places = [(int(n), k) for n in neighbours[c]] + [(c, k - 1), (c, k + 1)]
    places = [(cc, kk) for cc, kk in places if cc >= 0 and k0 <= kk < k1 and mask[cc, kk] == 0]
    counts = [around(cc, kk) for cc, kk in places]
    return places[int(np.argmax(counts))] if counts and max(counts) > 0 else None
