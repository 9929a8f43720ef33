"""One growth step: solve the field, let boundary cells fill, freeze the full ones, let the box follow.

The field is quasi-static (R^2/D is a millisecond for 100 um), so time enters only through the filling of
cells. A step is short enough that the fastest cell fills by FILL_FRACTION, or lands on the moment when the
next cell is full.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from icewright.growth.crystal import ICE, INERT, Crystal, column_map
from icewright.growth.field import Field, z_edges
from icewright.growth.kernels import surface as ks
from icewright.growth.lattice import FACET_DISTANCE, Lattice, hexagonal_wedge, rings
from icewright.growth.rules import GrowthTables, Surface

# Measured on a star, a hollow column, a thick and a thin plate against FILL_FRACTION 0.05 and tight rounds:
# compact crystals end within 1.5 % of that in time, at a fifth of the V-cycles (docs/physics/growth.md).
FILL_FRACTION = 0.4
LANDING_FLOOR = 0.6  # of the longest step; what fills earlier than that overfills and hands on the rest
MOST_LONGER = 2.0  # a step over the one before
MOST_ROUNDS = 12  # of laws + V-cycle a step
FLUX_TOLERANCE = 0.05  # far flux over surface flux, at which a step's rounds may stop ...
DRIFT = 0.01  # ... unless its mean of late is off by more than this
MEAN_FLUX_TOLERANCE = 0.01  # then the rounds go on to here
LAW_TOLERANCE = 0.05  # share of the flux that may hang on laws taken away from the present field
LAW_ROUNDS = 3  # rounds for the sake of the laws alone: on a star each step disturbs them anew
PATIENCE = 0.6  # of Newton's step for the far field; at 1 a compact round crystal swings
BOX = 1.45  # outer radius of a new box over the crystal's
TIGHT = 1.25  # the box is renewed when it is tighter than this


class Grower:
    """Crystal, vapour and boundary on one lattice that follows the crystal; lengths in dx, time in s.

    Parameters
    ----------
    symmetry : "sixfold" or "round"
    dx_m, dz : lattice spacing in metres; height of a layer in dx
    mirror : z = 0 is the crystal's own mid-plane
    bottom_far : vapour comes from below too (no plane at z = 0)
    """

    def __init__(
        self, symmetry: str, dx_m: float, dz: float, *, mirror: bool, bottom_far: bool, facets: str = "joined"
    ) -> None:
        self.symmetry, self.dx_m, self.dz = symmetry, dx_m, dz
        self.mirror, self.bottom_far, self.facets = mirror, bottom_far, facets
        self.time_s = 0.0
        self.steps = 0
        self.sigma = 0.0
        self.shift = 0.0
        self.fill_fraction = FILL_FRACTION
        self.far_sum = self.near_sum = 0.0  # since the last reading
        self.far_all = self.near_all = 0.0  # since the start
        self.last_dt = 0.0
        self.drift = 0.0  # mean of late of far flux over surface flux, less one
        self.taken = 0.0  # volume of vapour taken up, dx^3 of ice, held half
        self.lost = 0.0
        self.stalk: tuple[float, int] | None = None  # radius, top layer

    def seed(self, radius: float, half: float, base: float = 0.0, stalk_radius: float = 0.0) -> None:
        """A hexagonal prism (or disc): corner radius, height above `base` (all dx)."""
        k_base, n = round(base / self.dz), max(int(half / self.dz + 0.5), 1)
        self._box(radius, k_base, k_base + n, first=True)
        lat = self.field.lattice
        r_cells = max(int(radius + 0.5), 1)  # half up, not to the even one
        inside = lat.q + lat.r <= r_cells if lat.symmetry == "sixfold" else lat.q < r_cells
        k0 = self._k_zero
        ice = np.zeros(self.field.u.shape, dtype=bool)
        ice[np.ix_(inside, np.arange(k0 + k_base, k0 + k_base + n))] = True
        self.crystal.fill[ice] = 1
        self.crystal.frozen_s[ice] = 0
        if stalk_radius > 0:
            self.stalk = (stalk_radius, k_base)
        self._adopt()

    def seed_from(self, q: Any, r: Any, edges: Any, fill: Any, frozen: Any) -> None:
        """Take over a saved crystal of the same symmetry, spacing and layer height."""
        tops = np.nonzero((fill >= 1).any(axis=0))[0]
        k_lo = round(float(edges[tops[0]]) / self.dz)
        cols = (fill >= 1).any(axis=1)
        rad = np.sqrt(q[cols] ** 2 + r[cols] ** 2 + q[cols] * r[cols]).max() + 1
        self._box(float(rad), k_lo, k_lo + len(tops), first=True)
        lat = self.field.lattice
        size = int(max(lat.q.max(), q.max())) + 1
        look = np.full((size, size), -1, dtype=np.int64)
        look[q, r] = np.arange(len(q))
        found = look[lat.q, lat.r]
        keep = found >= 0
        for k in range(tops[0], tops[-1] + 1):
            kk = k_lo + (k - tops[0]) + self._k_zero
            self.crystal.fill[keep, kk] = fill[found[keep], k]
            self.crystal.frozen_s[keep, kk] = frozen[found[keep], k]
        self._adopt()

    # -- the box ------------------------------------------------------------------------------------------

    def _box(self, radius: float, k_lo: int, k_hi: int, *, first: bool = False) -> None:
        """Make lattice and field for ice out to `radius`, layers k_lo..k_hi counted from z = 0."""
        self.box_arguments = (radius, k_lo, k_hi)
        top = k_hi * self.dz
        low = -k_lo * self.dz if self.bottom_far else 0.0
        long = max(top, low)
        outer = max(BOX * radius, radius + 0.3 * long, radius + 8)
        reach = max(1.45 * long, long + 0.5 * radius, long + 8, 1.45 * radius)
        lattice: Lattice = (hexagonal_wedge if self.symmetry == "sixfold" else rings)(outer)
        room = 4 + k_hi // 6
        if self.bottom_far:
            edges = z_edges(self.dz, k_hi + room, reach, reach, max(-k_lo, 0) + room)
        else:
            edges = z_edges(self.dz, k_hi + room, reach)
        self.field = Field(lattice, edges, bottom_far=self.bottom_far)
        self._k_zero = int(np.argmin(np.abs(edges)))
        self._uniform_top = self._k_zero + k_hi + room
        self._uniform_low = self._k_zero - (max(-k_lo, 0) + room) if self.bottom_far else 0
        self._outer = outer
        if first:
            self.crystal = Crystal.empty(lattice.n, self.field.nz)

    def _adopt(self) -> None:
        """After fill was set on a fresh box: mask, matrices, boundary, sources."""
        f, lat = self.field, self.field.lattice
        f.mask[self.crystal.fill >= 1] = ICE
        if self.stalk is not None:
            radius, top = self.stalk
            cols = lat.radius <= radius
            ks_below = np.arange(0, self._k_zero + top)
            sub = np.ix_(cols, ks_below)
            m = f.mask[sub]
            m[m == 0] = INERT
            f.mask[sub] = m
        f.u[f.mask & 1 == 1] = 0
        r, lo, hi = self.crystal.extent(lat)
        self._radius, self._lo, self._hi = r, lo, hi
        f.set_active(r + 2.5, hi + 3)
        f.refresh(np.arange(lat.n_free, dtype=np.int32))
        self.set_bins(lo, hi + 1)
        self.surface = Surface(f, doubles=self.mirror)
        self.surface.rescan()
        self.fresh = True

    def _renew_box(self) -> None:
        """A larger box around the same crystal; the field is carried over and settled again."""
        old_f, old_c, old_zero = self.field, self.crystal, self._k_zero
        self._box(self._radius, self._lo - old_zero, self._hi + 1 - old_zero)
        f, lat = self.field, self.field.lattice
        self.crystal = Crystal.empty(lat.n, f.nz)
        a, b = column_map(old_f.lattice, lat)
        self.set_bins(self._lo - old_zero + self._k_zero, self._hi + 1 - old_zero + self._k_zero)
        # the old moments, spread onto the new slabs by their heights
        j = np.argmin(np.abs(f.z_source[None, :] - old_f.z_source[:, None]), axis=1)
        np.add.at(f.moments, j, old_f.moments)
        old_u = old_f.u[a]
        pos = np.interp(f.z_mid, old_f.z_mid, np.arange(old_f.nz))
        i = np.clip(pos.astype(int), 0, old_f.nz - 2)
        w = (pos - i).astype(np.float32)
        inside = (f.z_mid >= old_f.z_mid[0] - 1e-9) & (f.z_mid <= old_f.z_mid[-1])
        rows = np.nonzero(inside)[0]
        mixed = old_u[:, i] * (1 - w) + old_u[:, i + 1] * w
        f.u[np.ix_(b, rows)] = mixed[:, rows]
        new = np.ones(f.u.shape, dtype=bool)
        new[np.ix_(b, rows)] = False
        c, k = np.nonzero(new)
        f.u[c, k] = np.maximum(self.sigma - f.potential(lat.radius[c].astype(np.float64), f.z_mid[k]), 0)
        shift = self._k_zero - old_zero
        ks_old = np.arange(max(self._lo - 3, 0), min(self._hi + 4, old_f.nz - 1))
        ks_old = ks_old[(ks_old + shift >= 0) & (ks_old + shift < f.nz - 1)]
        for name in ("fill", "frozen_s"):
            getattr(self.crystal, name)[np.ix_(b, ks_old + shift)] = getattr(old_c, name)[np.ix_(a, ks_old)]
        self._adopt_keep_moments()

    def _adopt_keep_moments(self) -> None:
        moments = self.field.moments.copy()
        self._adopt()
        if moments.shape == self.field.moments.shape:
            self.field.moments[:] = moments

    def set_bins(self, lo: int, hi: int) -> None:
        """Slabs of the far field's sources; their arguments are kept for checkpoints."""
        self.bins = (lo, hi, self._radius)
        self.field.set_bins(lo, hi, self._radius)

    def needs_room(self) -> bool:
        """The crystal has come too near the box or to the end of the even layers."""
        f = self.field
        long = max(
            abs(float(f.edges[self._hi + 1])), abs(float(f.edges[self._lo])) if self.bottom_far else 0.0
        )
        return (
            self._radius * TIGHT > self._outer
            or self._radius + 0.2 * long > self._outer
            or self._radius + 4 > self._outer
            or self._hi + 3 >= self._uniform_top
            or (self.bottom_far and self._lo - 3 <= self._uniform_low and self.stalk is None)
        )

    # -- one step -----------------------------------------------------------------------------------------

    def settle(
        self, tables: GrowthTables, x0: float, capillary: float, chi0: float, sigma: float, most: int = 60
    ) -> None:
        """Iterate field, laws and far field at rest until the flux no longer changes (start, new box)."""
        f = self.field
        if not f.u.any():
            f.moments[:, 0] = 0
            f.u[:] = sigma
            f.u[f.mask & 1 == 1] = 0
        last = -1.0
        for _ in range(most):
            q, far = self._solve(tables, x0, capillary, sigma)
            self._warm(chi0, sigma, 0.3)
            if abs(q - last) <= 1e-4 * abs(q) and abs(far - q) < 3e-3 * q:
                break
            last = q
        self.fresh = False

    def _solve(self, tables: GrowthTables, x0: float, capillary: float, sigma: float) -> tuple[float, float]:
        """One round; (flux into the surface, flux through the outer surface before the far field follows)."""
        f, s = self.field, self.surface
        s.apply(tables, x0, self.shift, capillary, self.facets)
        m = s.count
        f.prepare(s.column[:m], s.k[:m])
        f.write_far(sigma)
        f.cycle()
        q, far = s.take_up(), f.far_flux()
        moments = f.moments_of(s.column[:m], s.k[:m], s.flux[:m])
        f.moments += self._follow(q, sigma) * (moments - f.moments)
        return q, far

    def _follow(self, q: float, sigma: float) -> float:
        """How much of what is missing the far field follows in one round.

        With M the source in use, the flux it leads to falls by dq/dM = -1 / (4 pi sigma R / q - 1), R the
        radius of the box (the air there is sigma - M / (4 pi R), and the flux is proportional to that).
        Newton's step for q(M) = M is then 1 - q / (4 pi sigma R) of the difference: half for a plate, a third
        for a compact crystal in its tight box. A fixed share swings for the one or lags for the other.
        PATIENCE is for the field, which has not quite answered after one cycle.
        """
        whole = q * (1 if self.bottom_far else 2)
        return PATIENCE * float(np.clip(1 - whole / (4 * np.pi * sigma * self._outer), 0.1, 1.0))

    def _warm(self, chi0: float, sigma: float, share: float) -> None:
        """Let the crystal's own warming follow its growth by a share of what is missing.

        Once a step only: where a facet is starved its supersaturation is just above the shift, and a shift
        that moved within the rounds would turn the flux there on and off.
        """
        want = chi0 * max(sigma - self.surface.mean_surface(), 0.0) if chi0 > 0 else 0.0
        self.shift += share * (want - self.shift)

    def change_air(self, sigma: float) -> None:
        """The far supersaturation changes: the field is linear in it, so scale it as a first guess."""
        if self.sigma > 0 and sigma > 0 and sigma != self.sigma:
            ratio = sigma / self.sigma
            self.field.u *= np.float32(ratio)
            self.field.moments *= ratio
            self.shift *= ratio
            if abs(ratio - 1) > 0.05:  # a jump: what the laws gave before is no guide
                self.last_dt = 0.0
                self.surface.last[:] = 0
                self.surface.damping[:] = 0
        self.sigma = sigma

    def step(
        self,
        tables: GrowthTables,
        x0: float,
        capillary: float,
        chi0: float,
        sigma: float,
        speed: float,
        longest_s: float,
    ) -> float:
        """Grow for one step and return its length in s.

        speed = v_kin x0 / dx in 1/s: a flux F fills a cell of volume V at F speed / V.
        """
        if self.needs_room():
            self._renew_box()
        self.change_air(sigma)
        f, s = self.field, self.surface
        if self.fresh:
            self.settle(tables, x0, capillary, chi0, sigma)
            f, s = self.field, self.surface
        q = far = 0.0
        for i in range(MOST_ROUNDS):
            q, far = self._solve(tables, x0, capillary, sigma)
            settled = s.away <= LAW_TOLERANCE * q or i + 1 >= LAW_ROUNDS
            near_enough = FLUX_TOLERANCE if abs(self.drift) <= DRIFT else MEAN_FLUX_TOLERANCE
            if settled and abs(far - q) <= near_enough * q:
                break
        if q > 0:
            self.drift += 0.1 * ((far - q) / q - self.drift)
        self._warm(chi0, sigma, 0.2)
        m = s.count
        c, k = s.column[:m], s.k[:m]
        rate = s.flux[:m] * speed / s.volume[:m]
        fastest = float(rate.max(initial=0.0))
        if fastest <= 0:
            dt = longest_s if np.isfinite(longest_s) else 1.0
        else:
            dt = self.fill_fraction / fastest
            if self.last_dt > 0:  # a step whose rounds ran out must not run away with the clock
                dt = min(dt, MOST_LONGER * self.last_dt)
            self.last_dt = dt
            grow = rate > 1e-12 * fastest
            next_full = float(np.min((1 - self.crystal.fill[c, k][grow]) / rate[grow]))
            if next_full < dt:
                dt = max(next_full * 1.000001, LANDING_FLOOR * dt)
            dt = min(dt, longest_s)
        ks.fill_up(s.column, s.k, m, s.flux, speed * dt, s.volume, self.crystal.fill)
        self.taken += q * speed * dt
        self.far_sum += far * dt
        self.near_sum += q * dt
        self.far_all += far * dt
        self.near_all += q * dt
        lat = f.lattice
        ks.share(
            s.column,
            s.k,
            s.kind,
            s.parent,
            s.weight,
            s.capped,
            lat.multiplicity,
            s.volume,
            m,
            self.crystal.fill,
        )
        self.time_s += dt
        self.steps += 1
        n, lost = ks.freeze(
            s.column,
            s.k,
            m,
            f.mask,
            self.crystal.fill,
            self.crystal.frozen_s,
            lat.levels[0].neighbours,
            lat.multiplicity,
            lat.area,
            f.dz,
            f.k0,
            f.k1,
            self.time_s,
            s.new_c,
            s.new_k,
        )
        self.lost += lost
        if n:
            self._after_freezing(n)
        return dt

    def _after_freezing(self, n: int) -> None:
        f, s, lat = self.field, self.surface, self.field.lattice
        nc, nk = s.new_c[:n], s.new_k[:n]
        f.u[nc, nk] = 0
        near = lat.levels[0].neighbours[nc]
        touched = np.unique(np.concatenate([nc, near[near >= 0]]))
        touched = touched[touched < lat.n_free].astype(np.int32)
        f.refresh(touched)
        self._radius = max(self._radius, float(lat.radius[nc].max()))
        self._lo, self._hi = min(self._lo, int(nk.min())), max(self._hi, int(nk.max()))
        f.set_active(self._radius + 2.5, self._hi + 3)
        s.rescan(touched)

    # -- readings -----------------------------------------------------------------------------------------

    def ice_volume(self) -> float:
        """Volume of ice incl. partly filled cells, dx^3 of the whole plane (held half if mirrored)."""
        f, lat = self.field, self.field.lattice
        w = (lat.area * lat.multiplicity).astype(np.float64)
        n = min(f.n_active + 8, lat.n_free)
        return float(w[:n] @ (self.crystal.fill[:n].astype(np.float64) @ f.dz.astype(np.float64)))


def table_distances(symmetry: str, dz: float) -> tuple[float, float]:
    """Half-cell distances (basal, prism) for `GrowthTables`, in dx."""
    return 0.5 * dz, FACET_DISTANCE if symmetry == "sixfold" else 0.5
