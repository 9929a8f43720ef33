"""A recipe and kinetics in, a growing crystal out: the simulation that tasks drive.

Assumptions on heat (see docs/physics/growth.md): ice conducts about a hundred times better than air, so a
crystal in free air warms as one body; the warming lowers the supersaturation everywhere on it by
chi0 (sigma - mean surface value). Vapour and heat leave by the same harmonic field, so no second field is
solved. On a plate, on a pedestal and on a needle the heat is taken to flow into the holder (shift zero); for
long arms and needles in free air the one-body assumption is kept and stated.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from icewright.growth.rules import GrowthTables
from icewright.growth.stepping import Grower, table_distances
from icewright.recipe.endings import time_left_s, why_ended
from icewright.recipe.model import Recipe
from icewright.recipe.resolution import voxel_m
from icewright.recipe.schedule import Conditions, Schedule
from icewright.shape import sizes
from icewright.shape.solid import Solid
from icewright.vapour.scales import Scales, scales

LAYER_HEIGHT = 1.0  # height of a layer over the lattice spacing
TABLE_STEP_K = 0.01  # the sampled kinetics are renewed when the air is further off than this
RAMP_STEPS = 200
REST_S = 10.0  # longest step while nothing grows

_SCALARS = (
    "time_s",
    "steps",
    "sigma",
    "shift",
    "far_sum",
    "near_sum",
    "far_all",
    "near_all",
    "taken",
    "lost",
    "fresh",
    "fill_fraction",
    "last_dt",
    "drift",
)


class Simulation:
    """One crystal growing by its recipe.

    Parameters
    ----------
    recipe : what is done to it
    kinetics : any object of the `icewright.kinetics.model.Kinetics` protocol
    seed : a saved crystal to start from, instead of the recipe's hexagonal prism

    Attributes: time_s, step_index, time_in_step_s, ended (None while it grows, then why it stopped, in
    words), warnings (list of texts).
    """

    def __init__(self, recipe: Recipe, kinetics: Any, *, seed: Solid | None = None, finer: int = 1) -> None:
        self.recipe, self.kinetics = recipe, kinetics
        self.schedule = Schedule(recipe)
        self.dx_m = voxel_m(recipe) / finer
        self.step_index, self.time_in_step_s = 0, 0.0
        self.ended: str | None = None
        self.warnings: list[str] = []
        self._table_t = math.nan
        self._last_tip: tuple[float, float] = (0.0, 0.0)
        self._tip_velocity = 0.0
        self._ratio = 1.0
        if seed is not None:
            self.dx_m = seed.spacing_m
        self.grower = self._grower()
        if seed is not None:
            self._plant_saved(seed)
        else:
            self._plant()
        self._volume0 = self.grower.ice_volume()

    # -- set-up -------------------------------------------------------------------------------------------

    def _grower(self) -> Grower:
        way = self.recipe.held.way
        round_ = self.recipe.model == "round"
        return Grower(
            "round" if round_ else "sixfold",
            self.dx_m,
            LAYER_HEIGHT,
            mirror=way == "free",
            bottom_far=way == "needle",
            facets=self.recipe.facets,
        )

    def _plant(self) -> None:
        held, seed = self.recipe.held, self.recipe.seed
        assert seed.radius_m is not None and seed.thickness_m is not None
        radius = seed.radius_m / self.dx_m - (0.5 if self.recipe.model == "3d" else 0.0)
        height = seed.thickness_m / self.dx_m
        stalk = (held.stalk_radius_m or 0.0) / self.dx_m
        if held.way == "free":
            self.grower.seed(radius, height / 2)
        elif held.way == "plate":
            self.grower.seed(radius, height)
        else:
            self.grower.seed(radius, height, (held.height_m or 0.0) / self.dx_m, max(stalk, 0.6))
        made = self.solid()
        got = sizes.measure(made)
        if (
            abs(got.thickness_m / seed.thickness_m - 1) > 0.1
            or abs(got.radius_tip_m / seed.radius_m - 1) > 0.1
        ):
            um = 1e6
            self.warnings.append(
                f"the seed of {seed.radius_m * um:.3g} x {seed.thickness_m * um:.3g} um is held on voxels of "
                f"{self.dx_m * um:.3g} um as {got.radius_tip_m * um:.3g} x {got.thickness_m * um:.3g} um "
                "(radius x thickness)"
            )

    def _plant_saved(self, seed: Solid) -> None:
        if (seed.symmetry == "round") != (self.recipe.model == "round"):
            self.warnings.append("the saved crystal was grown by the other model")
        dz = self.dx_m * LAYER_HEIGHT
        fill = np.where(np.abs(seed.dz_m / dz - 1)[None, :] < 1e-6, seed.fill, 0)
        self.grower.seed_from(
            seed.q.astype(np.int64),
            seed.r.astype(np.int64),
            seed.z_edges_m / self.dx_m,
            fill,
            seed.frozen_s * 0,
        )

    # -- growing ------------------------------------------------------------------------------------------

    def conditions(self) -> Conditions:
        """The air far from the crystal now."""
        return self.schedule.conditions(self.step_index, self.time_in_step_s)

    def _scales(self, c: Conditions) -> Scales:
        return scales(
            c.temperature_k, c.pressure_pa, diffusivity=self.recipe.diffusivity, gas=self.recipe.gas
        )

    def _tables(self, temperature_k: float, x0: float) -> GrowthTables:
        if not abs(temperature_k - self._table_t) <= TABLE_STEP_K:
            self._table_t = temperature_k
            self._table_x0 = x0
            h = table_distances(self.grower.symmetry, self.grower.dz)
            self._table = GrowthTables(self.kinetics, temperature_k, self.dx_m, x0, (h[0], h[1]))
        return self._table

    def advance(self) -> None:
        """Grow by one time step; lands on the end of the recipe's step."""
        if self.ended:
            return
        c = self.conditions()
        step = self.schedule[self.step_index]
        longest = time_left_s(step, self.time_in_step_s)
        ramp = step.temperature_k[0] != step.temperature_k[1] or step.humidity.start != step.humidity.end
        if ramp and step.endings.time_s:
            longest = min(longest, step.endings.time_s / RAMP_STEPS)
        g = self.grower
        if c.sigma <= 0:
            self._rest(min(longest, REST_S), c.sigma)
        else:
            sc = self._scales(c)
            x0 = sc.X0_m / self.dx_m
            tables = self._tables(c.temperature_k, x0)
            chi0 = sc.chi0 if self.recipe.held.way == "free" else 0.0
            dt = g.step(
                tables, x0, sc.capillary_m / self.dx_m, chi0, c.sigma, sc.v_kin_m_s * x0 / self.dx_m, longest
            )
            self.time_in_step_s += dt
        self._move_on()

    def _rest(self, dt: float, sigma: float) -> None:
        note = "below ice saturation the crystal is held unchanged: sublimation is not modelled"
        if sigma == 0:
            note = "at ice saturation the crystal neither grows nor shrinks"
        if note not in self.warnings:
            self.warnings.append(note)
        if not math.isfinite(dt):
            dt = REST_S
        self.grower.time_s += dt
        self.time_in_step_s += dt

    def _move_on(self) -> None:
        radius, thickness, mass = self._quick()
        why = why_ended(self.schedule[self.step_index], self.time_in_step_s, radius, thickness, mass)
        if why is None:
            return
        if self.step_index + 1 == len(self.schedule):
            self.ended = f"the recipe is done: in step {self.step_index + 1} {why}"
        else:
            self.step_index += 1
            self.time_in_step_s = 0.0

    @property
    def time_s(self) -> float:
        """Seconds since the start."""
        return self.grower.time_s

    # -- readings -----------------------------------------------------------------------------------------

    def _density(self) -> float:
        return self._scales(self.conditions()).ice_density_kg_m3

    def _quick(self) -> tuple[float, float, float]:
        g = self.grower
        f, lat = g.field, g.field.lattice
        row = lat.columns_within(g._radius + 2)
        line = np.nonzero(lat.r[:row] == 0)[0]
        line = line[np.argsort(lat.q[line])]
        fills = g.crystal.fill[line]
        whole = fills >= 1
        last = np.where(whole.any(axis=0), len(line) - 1 - np.argmax(whole[::-1], axis=0), -1)
        ks = np.nonzero(last >= 0)[0]
        beyond = np.minimum(last[ks] + 1, len(line) - 1)
        tips = last[ks] + np.minimum(fills[beyond, ks], 1)
        half = 0.5 if g.symmetry == "sixfold" else 1.0
        far = g._radius + 0.5
        tip = max(float(tips.max(initial=0.0)) + half, far)
        part = min(float(g.crystal.fill[:row, g._hi + 1].max()), 1.0)
        thick = float(f.edges[g._hi + 1]) + part * g.dz
        if g.mirror:
            thick *= 2
        else:
            down = min(float(g.crystal.fill[:row, g._lo - 1].max()), 1.0) if g._lo > 0 else 0.0
            thick -= float(f.edges[g._lo]) - down * g.dz
        # by what was taken up, which `reading` compares with the ice itself
        volume = (self._volume0 + g.taken - g.lost) * (2 if g.mirror else 1) * self.dx_m**3
        return tip * self.dx_m, thick * self.dx_m, volume * self._density()

    def glance(self) -> dict[str, float]:
        """Time, air and the three sizes that endings look at; cheap."""
        c = self.conditions()
        radius, thickness, mass = self._quick()
        return {
            "time_s": self.time_s,
            "temperature_k": c.temperature_k,
            "sigma": c.sigma,
            "radius_tip_m": radius,
            "thickness_m": thickness,
            "mass_kg": mass,
        }

    def reading(self) -> dict[str, float]:
        """One row of the series, in SI units."""
        g = self.grower
        out = self.glance()
        s = sizes.measure(self.solid())
        t0, tip0 = self._last_tip
        if out["time_s"] > t0:
            self._tip_velocity = (out["radius_tip_m"] - tip0) / (out["time_s"] - t0) if tip0 > 0 else 0.0
            self._last_tip = (out["time_s"], out["radius_tip_m"])
        gained = g.ice_volume() - self._volume0
        out |= {
            "radius_facet_m": s.radius_facet_m,
            "area_m2": s.area_m2,
            "perimeter_m": s.perimeter_m,
            "solidity": s.solidity,
            "aspect_ratio": out["thickness_m"] / (2 * out["radius_tip_m"]),
            "tip_velocity_m_s": self._tip_velocity,
            "mass_balance_error": abs(gained / g.taken - 1) if g.taken > 0 else 0.0,
            "field_flux_ratio": self._flux_ratio(),
            "overall_flux_ratio": g.far_all / g.near_all if g.near_all > 0 else 1.0,
            "step": self.step_index,
            "cells": int(g.field.u.size),
        }
        return out

    def _flux_ratio(self) -> float:
        """Vapour through the outer surface over vapour into the crystal, since the last reading."""
        g = self.grower
        if g.near_sum > 0:
            self._ratio = g.far_sum / g.near_sum
            g.far_sum = g.near_sum = 0.0
        return self._ratio

    def solid(self) -> Solid:
        """The crystal now."""
        g = self.grower
        f, lat = g.field, g.field.lattice
        # whole rows of the wedge, so that its corner is held
        reach = lat.q + lat.r
        n = lat.columns_within(g._radius + 2)
        some = (g.crystal.fill[:n] > 0).any(axis=1)
        keep = np.nonzero(reach[:n] <= int(reach[:n][some].max()) + 1)[0]
        lo = 0 if not g.bottom_far and g.mirror else max(g._lo - 1, 0)
        hi = g._hi + 2
        cols = np.ix_(keep, np.arange(lo, hi))
        # float32 sums may pass 1 by a rounding
        fill = np.clip(g.crystal.fill[cols], 0, 1)
        return Solid(
            g.symmetry,
            lat.q[keep],
            lat.r[keep],
            self.dx_m,
            f.edges[lo : hi + 1] * self.dx_m,
            fill,
            g.crystal.frozen_s[cols],
            g.mirror,
        )

    # -- checkpoints --------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything that going on needs, to the bit."""
        g, f = self.grower, self.grower.field
        out: dict[str, Any] = {name: getattr(g, name) for name in _SCALARS}
        n = min(f.lattice.columns_within(g._radius + 4), f.lattice.n_free)
        out |= {
            "box": list(g.box_arguments),
            "stalk": list(g.stalk) if g.stalk else None,
            "dx_m": self.dx_m,
            "u": f.u,
            "mask": f.mask[:n],
            "fill": g.crystal.fill[:n],
            "frozen_s": g.crystal.frozen_s[:n],
            "moments": f.moments,
            "law": g.surface.last[:n],
            "damping": g.surface.damping[:n],
            "bins": list(g.bins),
            "radius": g._radius,
            "lo": g._lo,
            "hi": g._hi,
            "volume0": self._volume0,
            "step_index": self.step_index,
            "time_in_step_s": self.time_in_step_s,
            "table_t": self._table_t,
            "table_x0": getattr(self, "_table_x0", math.nan),
            "last_tip": list(self._last_tip),
            "tip_velocity": self._tip_velocity,
            "ratio": self._ratio,
            "ended": self.ended,
            "warnings": list(self.warnings),
        }
        return out

    @classmethod
    def from_state(cls, recipe: Recipe, kinetics: Any, state: Any) -> Simulation:
        """Go on from `state()`, bit for bit on the same machine and thread count."""
        s = cls.__new__(cls)
        s.recipe, s.kinetics = recipe, kinetics
        s.schedule = Schedule(recipe)
        s.dx_m = float(state["dx_m"])
        s.grower = g = s._grower()
        box = state["box"]
        g._box(float(box[0]), int(box[1]), int(box[2]), first=True)
        n = len(state["fill"])
        g.crystal.fill[:n] = state["fill"]
        g.crystal.frozen_s[:n] = state["frozen_s"]
        g.stalk = (float(state["stalk"][0]), int(state["stalk"][1])) if state["stalk"] is not None else None
        g._adopt()
        f = g.field
        f.mask[:n] = state["mask"]
        f.u[:] = state["u"]
        for name in _SCALARS:
            value = getattr(g, name)
            if name in state:  # a checkpoint of an older version lacks the newer ones
                setattr(g, name, type(value)(state[name]))
        g._radius, g._lo, g._hi = float(state["radius"]), int(state["lo"]), int(state["hi"])
        g.bins = (int(state["bins"][0]), int(state["bins"][1]), float(state["bins"][2]))
        f.set_bins(*g.bins)
        f.moments[:] = state["moments"]
        f.set_active(g._radius + 2.5, g._hi + 3)
        f.refresh(np.arange(f.lattice.n_free, dtype=np.int32))
        g.surface.rescan()
        g.surface.last[:n] = state["law"]
        g.surface.damping[:n] = state["damping"]
        s.step_index, s.time_in_step_s = int(state["step_index"]), float(state["time_in_step_s"])
        s._volume0 = float(state["volume0"])
        s._table_t = math.nan
        if math.isfinite(float(state["table_t"])):
            s._tables(float(state["table_t"]), float(state["table_x0"]))
        s._last_tip = (float(state["last_tip"][0]), float(state["last_tip"][1]))
        s._tip_velocity = float(state["tip_velocity"])
        s._ratio = float(state["ratio"])
        s.ended = state["ended"]
        s.warnings = list(state["warnings"])
        return s


__all__ = ["Simulation"]
