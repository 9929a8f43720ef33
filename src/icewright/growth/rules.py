"""Boundary rules: where vapour meets a facet, a corner or a kink, and how much it takes up.

``alpha(T, surface supersaturation, facet, width)`` of any kinetics is sampled into tables, together with the
series resistance of the half cell between the cell's centre and the surface::

    g = alpha(s) s / x0 = (u - s) / h        (s surface supersaturation, u in the cell, lengths in dx)

so that a kernel reads g(u) without iterating, and nothing is recompiled for a user's own function.

Facets ("joined", the default): molecular steps are 0.3 nm high and sweep a facet thousands of times faster
than a voxel-high step can, so on a real facet the layers that start where the air is richest carry the whole
facet along. A terrace therefore moves as one body, at the rate of its best supplied cell, while nucleation is
the bottleneck (alpha of that cell small); a cell where that rate would need alpha > 1 falls behind and leaves
the terrace: the facet hollows or branches. Where nucleation is no bottleneck (alpha near 1: kinetic
roughening) layers start everywhere, there is no common facet to hold together, and each cell obeys its own
law. "collective" and "local" are the two limits everywhere.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from icewright.growth.field import Field
from icewright.growth.kernels import surface as ks

ROUGHENING = {"joined": (0.25, 0.75), "collective": (2.0, 3.0), "local": (-2.0, -1.0)}
LNU = np.linspace(np.log(1e-6), np.log(4.0), 320)
LNW = np.linspace(np.log(0.05e-6), np.log(200e-6), 25)
# From trials of a prototype, not measured: the barrier by which a lone corner cell starts a new row.
CORNER_BARRIER = 0.004


class GrowthTables:
    """ln g(facet, ln width, ln u) at one temperature; facets basal, prism, corner."""

    def __init__(
        self, kinetics: Any, temperature_k: float, dx_m: float, x0: float, h: tuple[float, float]
    ) -> None:
        ln_s = np.linspace(np.log(1e-7), np.log(4.0), 1200)
        s = np.exp(ln_s)
        width = np.exp(LNW)[:, None]
        out = np.empty((3, len(LNW), len(LNU)))
        for facet in (0, 1):
            alpha = np.clip(kinetics.alpha(temperature_k, s[None, :], facet, width), 1e-13, 1.0)
            alpha = np.broadcast_to(alpha, (len(LNW), len(s)))
            if (alpha[1:] == alpha[0]).all():  # no narrow-facet effect: one row says it for every width
                alpha = alpha[:1]
            laws = [(facet, alpha)]
            if facet == 1:
                laws.append((2, np.maximum(alpha * np.exp(-CORNER_BARRIER / s), 1e-13)))
            for t, taken in laws:
                g = taken * s / x0
                u = s + h[facet] * g
                for j in range(len(g)):
                    out[t, j] = np.interp(LNU, np.log(u[j]), np.log(g[j]))
                out[t, len(g) :] = out[t, 0]
        self.values = out
        self.ln_width0 = float(LNW[0] - np.log(dx_m))
        self.d_ln_width = float(LNW[1] - LNW[0])


class _Cells(NamedTuple):
    """What a scan finds of every boundary cell."""

    column: NDArray[np.int32]
    k: NDArray[np.int32]
    kind: NDArray[np.int8]
    way: NDArray[np.int8]
    area: NDArray[np.float64]
    h: NDArray[np.float64]
    width: NDArray[np.float64]

    @classmethod
    def empty(cls, n: int) -> _Cells:
        def whole() -> NDArray[np.int32]:
            return np.zeros(n, dtype=np.int32)

        def small() -> NDArray[np.int8]:
            return np.zeros(n, dtype=np.int8)

        return cls(whole(), whole(), small(), small(), np.zeros(n), np.zeros(n), np.zeros(n))


class Surface:
    """The boundary cells of a crystal in a field, and their laws.

    Arrays of length `count`: column, k, kind, way, area, h, width (dx), terrace (index of its first cell),
    volume, flux, weight (1 moves with its terrace, 0 alone), capped, alpha (of the driving cell).
    """

    def __init__(self, field: Field, *, doubles: bool) -> None:
        self.field, self.doubles = field, doubles
        self._room(4096)
        self.index = np.full(field.u.shape, -1, dtype=np.int32)
        # where each cell's law was taken last (u, 0 for none) and how fast that may follow u; see `laws`
        self.last = np.zeros(field.u.shape, dtype=np.float32)
        self.damping = np.zeros(field.u.shape, dtype=np.float32)
        self.count = 0
        self.away = (
            0.0  # flux that hangs on laws taken away from the present field; see `kernels.surface.uptake`
        )

    def _room(self, n: int) -> None:
        self.flux, self.weight, self.alpha, self.volume, self.steep = (np.zeros(n) for _ in range(5))
        self.capped = np.zeros(n, dtype=np.int8)
        self.parent = np.zeros(n, dtype=np.int32)
        self.new_c, self.new_k = np.zeros(n, dtype=np.int32), np.zeros(n, dtype=np.int32)
        self._lists = (_Cells.empty(n), _Cells.empty(n))
        self.column, self.k, self.kind, self.way, self.area, self.h, self.width = self._lists[0]
        self._starts = [np.zeros(self.field.lattice.n + 1, dtype=np.int32) for _ in range(2)]

    def rescan(self, changed: NDArray[np.int32] | None = None) -> None:
        """Find boundary cells and terraces again after ice changed in or beside some columns (or any)."""
        f, lat = self.field, self.field.lattice
        if self.count:
            c, k = self.column[: self.count], self.k[: self.count]
            f.sink[c, k] = 0
            f.b[c, k] = 0
        nb = lat.levels[0].neighbours
        while True:
            look = np.ones(lat.n, dtype=np.bool_)
            if changed is not None:
                look[:] = False
                look[changed] = True
            last, new = self._lists
            m = ks.scan(
                f.mask,
                nb,
                lat.face_area,
                lat.face_distance,
                lat.area,
                f.dz,
                f.n_active,
                f.k0,
                f.k1,
                self.doubles,
                look,
                self._starts[0],
                last,
                self._starts[1],
                *new,
            )
            if m >= 0:
                break
            self._room(2 * len(self.column))
            changed = None
        self._lists = (new, last)
        self._starts.reverse()
        self.column, self.k, self.kind, self.way, self.area, self.h, self.width = new
        self.count = m
        ks.terraces(self.column, self.k, self.kind, self.way, nb, self.index, m, self.parent)
        ks.basal_widths(
            self.column,
            self.k,
            self.kind,
            self.parent,
            nb,
            f.mask,
            lat.area,
            lat.multiplicity,
            lat.face_area,
            m,
            self.width,
        )
        self.volume[:m] = lat.area[self.column[:m]] * f.dz[self.k[:m]]

    def apply(self, tables: GrowthTables, x0: float, shift: float, capillary: float, facets: str) -> None:
        """Write the linearised sinks of every boundary cell into the field."""
        f = self.field
        lo, hi = ROUGHENING[facets]
        ks.laws(
            self.column,
            self.k,
            self.kind,
            self.area,
            self.h,
            self.width,
            self.parent,
            self.count,
            f.u,
            tables.values,
            LNU[0],
            LNU[1] - LNU[0],
            tables.ln_width0,
            tables.d_ln_width,
            x0,
            shift,
            capillary,
            lo,
            hi,
            f.sink,
            f.b,
            self.weight,
            self.capped,
            self.alpha,
            self.last,
            self.damping,
            self.steep,
        )

    def take_up(self) -> float:
        """Flux into every boundary cell from the present field; returns its total over the whole plane."""
        f, m = self.field, self.count
        total, self.away = ks.uptake(
            self.column,
            self.k,
            m,
            f.u,
            f.sink,
            f.b,
            f.lattice.multiplicity,
            self.last,
            self.steep,
            self.flux,
        )
        return float(total)

    def mean_surface(self) -> float:
        """Flux-weighted supersaturation on the surface."""
        m = self.count
        f = self.field
        c, k = self.column[:m], self.k[:m]
        w = self.flux[:m] * f.lattice.multiplicity[c]
        s = f.u[c, k] - self.flux[:m] / self.area[:m] * self.h[:m]
        return float(np.sum(w * s) / max(float(np.sum(w)), 1e-30))
