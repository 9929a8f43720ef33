"""A crystal that falls as it grows: ventilation and fall speed around the growth engine, outside it.

A ventilated crystal takes up vapour as one in still air of sigma_eff = <s> + f (sigma - <s>), <s> the mean
value at its surface (`icewright.vapour.ventilation`). The engine is handed that sigma, and chi0/f for its
warming, so that the warming stays chi0 (sigma - <s>). f follows the size: the crystal is measured again each
time its mass has grown by a twentieth. The shadow is taken broad side down: a plate falls flat, a column
level.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from icewright.growth.run import Simulation
from icewright.recipe.schedule import Conditions
from icewright.shape import sizes
from icewright.shape.sizes import Sizes
from icewright.vapour import fall_speed, ventilation
from icewright.vapour.fall_speed import FallingBody
from icewright.vapour.scales import Scales

MEASURE_EVERY = 1.05  # in mass
FOLLOW = 0.3  # share of the change in <s> taken over a step: a damped feedback
_KEPT = ("factor", "speed_m_s", "fallen_m", "_measured_at_kg", "_surface")


def body_of(read: Sizes, mass_kg: float) -> FallingBody:
    """What the air sees of a crystal: flat if it is no longer than wide, else level."""
    make = fall_speed.plate if read.thickness_m <= 2 * read.radius_max_m else fall_speed.column
    return make(mass_kg, read.radius_max_m, read.thickness_m, read.area_m2, read.perimeter_m)


class FallingSimulation(Simulation):
    """`icewright.growth.run.Simulation` of a crystal falling at its terminal speed through the same air.

    Attributes besides those: factor (f), speed_m_s, fallen_m since the start. ``drag`` and ``vents`` name the
    published relations. Only free crystals fall: with another way of being held f stays 1.
    """

    drag = fall_speed.DEFAULT
    vents = ventilation.DEFAULT
    factor = 1.0
    speed_m_s = 0.0
    fallen_m = 0.0
    _measured_at_kg = 0.0
    _surface = 0.0

    def conditions(self) -> Conditions:
        """The air as the engine is to see it: with sigma_eff."""
        c = super().conditions()
        if c.sigma <= 0:
            return c
        return replace(
            c, sigma=ventilation.effective_sigma(c.sigma, min(self._surface, c.sigma), self.factor)
        )

    def air(self) -> Conditions:
        """The air as it is."""
        return super().conditions()

    def _scales(self, c: Conditions) -> Scales:
        made = super()._scales(c)
        return replace(made, chi0=made.chi0 / self.factor)

    def advance(self) -> None:
        """Grow by one time step, and fall."""
        if self.ended:
            return
        self._look()
        before = self.time_s
        super().advance()
        self.fallen_m += self.speed_m_s * (self.time_s - before)
        if self.grower.surface.count:
            self._surface += FOLLOW * (self.grower.surface.mean_surface() - self._surface)

    def _look(self) -> None:
        """Fall speed and f of the crystal now, if it has grown enough to be measured again."""
        if self.recipe.held.way != "free":
            return
        mass = self.grower.ice_volume() * (2 if self.grower.mirror else 1) * self.dx_m**3 * self._density()
        if mass < MEASURE_EVERY * self._measured_at_kg:
            return
        self._measured_at_kg = mass
        c, body = self.air(), body_of(sizes.measure(self.solid()), mass)
        self.speed_m_s = fall_speed.fall_speed(body, c.temperature_k, c.pressure_pa, self.drag)
        self.factor = ventilation.factor(
            body,
            self.speed_m_s,
            c.temperature_k,
            c.pressure_pa,
            diffusivity_m2_s=super()._scales(c).D_m2_s,
            relation=self.vents,
        )

    def glance(self) -> dict[str, float]:
        """As the engine's, with the true sigma, and f, fall speed and metres fallen."""
        return super().glance() | {
            "sigma": self.air().sigma,
            "ventilation": self.factor,
            "fall_speed_m_s": self.speed_m_s,
            "fallen_m": self.fallen_m,
        }

    def state(self) -> dict[str, Any]:
        """As the engine's, with the fall."""
        return super().state() | {"falling": {name: float(getattr(self, name)) for name in _KEPT}}

    @classmethod
    def from_state(cls, recipe: Any, kinetics: Any, state: Any) -> FallingSimulation:
        """Go on from ``state()``."""
        made = super().from_state(recipe, kinetics, state)
        assert isinstance(made, cls)
        for name in _KEPT:
            setattr(made, name, float(state["falling"][name]))
        return made
