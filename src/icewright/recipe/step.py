"""One step of a recipe: what temperature and humidity do, and when the step ends."""

from __future__ import annotations

import math
from typing import Literal

from pydantic import BaseModel, ConfigDict, model_validator

from icewright.recipe.endings import Endings
from icewright.recipe.limits import RecipeError, check_length, check_minutes, check_sigma, check_temperature
from icewright.recipe.quantities import CELSIUS, GRAM_PER_CUBIC_METRE, PERCENT, PLAIN, Unit

Measure = Literal["sigma", "water_fraction", "excess"]

KEYS: dict[Measure, tuple[str, Unit]] = {
    "sigma": ("sigma_percent", PERCENT),
    "water_fraction": ("water_fraction", PLAIN),
    "excess": ("excess_g_m3", GRAM_PER_CUBIC_METRE),
}


class Humidity(BaseModel):
    """How moist the air is far from the crystal, at the start and at the end of a step.

    Attributes:
        measure: "sigma" (fraction over ice), "water_fraction" (vapour pressure over the saturation pressure
            of supercooled water, so 1 is where droplets form) or "excess" (vapour density above saturation
            over ice, kg/m3).
        start: value when the step begins.
        end: value when the step ends; equal to `start` for a hold.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    measure: Measure
    start: float
    end: float

    def at(self, fraction: float) -> float:
        """The value when `fraction` (0 to 1) of the step's time has passed; linear in time."""
        if self.start == self.end or fraction <= 0.0:
            return self.start
        return self.end if fraction >= 1.0 else self.start + (self.end - self.start) * fraction

    def sigma(self, temperature_k: float, fraction: float = 0.0) -> float:
        """Supersaturation over ice, a fraction, at this temperature.

        Saturation over ice and over water are those of `icewright.vapour.saturation`.
        """
        from icewright.vapour.saturation import ice_pressure, water_pressure

        value = self.at(fraction)
        if self.measure == "sigma":
            return value
        over_ice = float(ice_pressure(temperature_k))
        if self.measure == "water_fraction":
            return value * float(water_pressure(temperature_k)) / over_ice - 1.0
        from icewright.ground.constants import RV

        # Ideal gas: saturated vapour density over ice is e_i / (Rv T).
        return value * RV * temperature_k / over_ice

    def line(self) -> str:
        """The line of the file that says this: `sigma_percent = [2, 15]`."""
        key, unit = KEYS[self.measure]
        if self.start == self.end:
            return f"{key} = {unit.text(self.start)}"
        return f"{key} = [{unit.text(self.start)}, {unit.text(self.end)}]"


class Step(BaseModel):
    """Hold or ramp temperature and humidity until the first of the endings is reached.

    Attributes:
        temperature_k: (start, end) in kelvin; equal for a hold. A ramp is linear in time over
            `endings.time_s`.
        humidity: what the air far away holds.
        endings: when the step ends.
        note: free words, kept with the recipe.

    Raises:
        RecipeError: for impossible values, for a ramp without a time, for a step without an ending.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    temperature_k: tuple[float, float]
    humidity: Humidity
    endings: Endings
    note: str = ""

    @property
    def ramps(self) -> bool:
        """Whether anything changes within the step."""
        return self.temperature_k[0] != self.temperature_k[1] or self.humidity.start != self.humidity.end

    def fraction(self, time_in_step_s: float) -> float:
        """Part of the step's time that has passed, 0 to 1; 0 for a step without a time."""
        if self.endings.time_s is None:
            return 0.0
        return min(1.0, max(0.0, time_in_step_s / self.endings.time_s))

    def temperature_at(self, time_in_step_s: float) -> float:
        """Temperature in kelvin at that moment."""
        start, end = self.temperature_k
        f = self.fraction(time_in_step_s)
        return start if start == end or f <= 0.0 else end if f >= 1.0 else start + (end - start) * f

    def sigma_at(self, time_in_step_s: float) -> float:
        """Supersaturation over ice, a fraction, at that moment."""
        return self.humidity.sigma(self.temperature_at(time_in_step_s), self.fraction(time_in_step_s))

    def sigma_range(self, samples: int = 33) -> tuple[float, float]:
        """Least and greatest supersaturation over ice within the step, from evenly spaced moments."""
        if not self.ramps or self.endings.time_s is None:
            value = self.sigma_at(0.0)
            return value, value
        values = [self.sigma_at(self.endings.time_s * i / (samples - 1)) for i in range(samples)]
        return min(values), max(values)

    def temperature_line(self) -> str:
        """The line of the file that says the temperature: `temperature_c = [-6, -15]`."""
        start, end = self.temperature_k
        if start == end:
            return f"temperature_c = {CELSIUS.text(start)}"
        return f"temperature_c = [{CELSIUS.text(start)}, {CELSIUS.text(end)}]"

    def refuse(self, where: str) -> None:
        """Raise for values that no step may have.

        Args:
            where: which step, for the message, such as "step 2".

        Raises:
            RecipeError: with what was got, what was wanted and the line to type.
        """
        for t_k in self.temperature_k:
            check_temperature(t_k, where)
        self._refuse_humidity(where)
        ends = self.endings
        if ends.time_s is not None:
            check_minutes(ends.time_s, where)
        for value, key in ((ends.radius_m, "radius_um"), (ends.thickness_m, "thickness_um")):
            if value is not None:
                check_length(value, where, key)
        if ends.mass_kg is not None and ends.mass_kg <= 0:
            raise RecipeError(
                got=f"{where}: mass_ug = {ends.mass_kg * 1e9:g}", wanted="a mass above 0", do="mass_ug = 1"
            )
        if ends.time_s is None and not ends.names_size:
            raise RecipeError(
                got=f"{where} has no ending",
                wanted="at least one of minutes, radius_um, thickness_um, mass_ug",
                do="minutes = 10",
            )
        if self.ramps and ends.time_s is None:
            ramp = (
                self.temperature_line()
                if self.temperature_k[0] != self.temperature_k[1]
                else self.humidity.line()
            )
            raise RecipeError(
                got=f"{where}: {ramp} is a ramp without a time",
                wanted="minutes, because a ramp needs a time (a size may end the step earlier)",
                do="minutes = 10",
            )
        if ends.time_s is None and self.sigma_range()[1] <= 0.0:
            raise RecipeError(
                got=f"{where} ends only on size, but at {self.humidity.line()} the air is not above ice "
                "saturation, so the crystal never grows and the step can never end",
                wanted="a time, or air above ice saturation",
                do="minutes = 10",
            )

    def _refuse_humidity(self, where: str) -> None:
        h = self.humidity
        if h.measure == "water_fraction":
            for value in (h.start, h.end):
                if value < 0:
                    raise RecipeError(
                        got=f"{where}: {h.line()}, a negative humidity",
                        wanted="a fraction of water saturation from 0 to about 1",
                        do="water_fraction = 0.95",
                    )
                if value > 2:
                    do = f"water_fraction = {value / 100:g}" if value <= 200 else "water_fraction = 0.95"
                    raise RecipeError(
                        got=f"{where}: {h.line()}, {value:g} times water saturation",
                        wanted="a fraction of water saturation (1 is where droplets form), not percent",
                        do=do,
                    )
        for fraction, t_k in ((0.0, self.temperature_k[0]), (1.0, self.temperature_k[1])):
            sigma = h.sigma(t_k, fraction)
            if not math.isfinite(sigma):
                raise RecipeError(
                    got=f"{where}: {h.line()}", wanted="a finite humidity", do="sigma_percent = 2"
                )
            check_sigma(sigma, where, h.line())

    @model_validator(mode="after")
    def _check(self) -> Step:
        self.refuse("step")
        return self
