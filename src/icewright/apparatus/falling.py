"""A free-fall column above a warm water source: convection stirs the air, frosted walls cool it.

In stirred air between a wet source (area A_s, temperature T_s) and frosted walls (A_w, T_w) heat and vapour
are handed over with nearly the same coefficient (Lewis number of moist air close to 1, common engineering
practice), so that in a steady state both settle at the same share f = A_s/(A_s + A_w):

    T = f T_s + (1-f) T_w,   e = f e_water(T_s) + (1-f) e_ice(T_w).

The losses to the frosted walls are therefore inside f. It is an estimate: give ``source_share_percent``
from a hygrometer in its place as soon as you have one (arXiv:0809.4869 calibrates so).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from icewright.apparatus.basis import (
    ApparatusError,
    Dimension,
    Kind,
    Profile,
    State,
    Value,
    Values,
    over_ice,
    over_water,
    refuse_frozen,
)
from icewright.ground.constants import RV
from icewright.ground.sources import Source, register
from icewright.vapour.air import latent_heat_sublimation

register(
    Source(
        "fall-chamber-2008",
        "arXiv:0809.4869: a convection chamber calibrated with a differential hygrometer",
        how="abstract",
    )
)


def curvature(temperature_k: Value) -> Value:
    """e''/e of saturation over ice, 1/K2: (L/(Rv T^2))^2 - 2 L/(Rv T^3)."""
    a = latent_heat_sublimation(temperature_k) / (RV * temperature_k**2)
    return a * a - 2.0 * a / temperature_k


def sigma_from_spread(temperature_k: Value, spread_k: Value) -> Value:
    """Supersaturation (fraction) of air stirred from ice-saturated parcels with that standard deviation of T.

    Half e''/e times the variance: the second-order term of the mixing line.
    """
    return 0.5 * curvature(temperature_k) * spread_k**2


class Falling(Kind):
    """Crystals fall through stirred air over warm water."""

    name = "falling"
    words = "free-fall column above a warm water source"
    settings = {  # noqa: RUF012
        "water_c": "temperature of the water at the foot of the column",
        "wall_c": "temperature of the frosted walls",
    }
    dimensions = {  # noqa: RUF012
        "height_mm": Dimension("height of fall", 10.0, 1e5),
        "source_area_cm2": Dimension("wet area of the source", 0.01, 1e6, optional=True),
        "wall_area_cm2": Dimension("frosted area of the walls", 0.01, 1e7, optional=True),
        "source_share_percent": Dimension(
            "share of the source in the stirred air, from a hygrometer", 0.0, 100.0, optional=True
        ),
        "fall_speed_mm_s": Dimension("fall speed of the crystal", 0.1, 5000.0, optional=True),
        "spread_k": Dimension("standard deviation of the air temperature", 0.0, 20.0, optional=True),
        "transfer_mm_s": Dimension("transfer velocity from air to walls", 0.01, 1000.0, optional=True),
        "volume_l": Dimension("volume of the column", 0.1, 1e6, optional=True),
    }
    choices = {"share": ("areas", "measured")}  # noqa: RUF012
    driver, level = "water_c", "wall_c"
    source_keys = ("fall-chamber-2008", "latent-heat-review-2005")

    def share(self, x: Values, choices: Mapping[str, str]) -> Value:
        """Share of the source."""
        if choices["share"] == "measured":
            return x["source_share"]
        return x["source_area"] / (x["source_area"] + x["wall_area"])

    def state(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> State:
        """The stirred air."""
        return self._mixed(self.share(x, choices), x)

    def _mixed(self, f: Value, x: Values) -> State:
        return State(
            f * x["water"] + (1.0 - f) * x["wall"],
            f * over_water(x["water"], x) + (1.0 - f) * over_ice(x["wall"], x),
        )

    def profile(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Profile:
        """The mixing line from the walls to the water."""
        f = np.linspace(0.0, 1.0, 401)
        found = self._mixed(f, x)
        here = float(self.share(x, choices))
        axis = "share of the source in the air (1)"
        return Profile(f, found.temperature_k, found.vapour_pa, here, axis, ("frosted walls", "water"))

    def air_response_s(
        self, x: Values, pressure_pa: float, choices: Mapping[str, str]
    ) -> tuple[float | None, float | None, str]:
        """V/(h A) where the file gives volume, areas and transfer velocity; else unknown."""
        have = all(key in x for key in ("volume", "transfer", "source_area", "wall_area"))
        if not have:
            return None, None, "unknown: give [air] response_s, or volume_l, transfer_mm_s and both areas"
        time = float(x["volume"] / (x["transfer"] * (x["source_area"] + x["wall_area"])))
        return time, time, "estimated: exchange with source and walls, V/(h A)"

    def needs(self, choices: Mapping[str, str]) -> tuple[str, ...]:
        """Either both areas or the measured share."""
        if choices["share"] == "measured":
            return ("source_share_percent",)
        return ("source_area_cm2", "wall_area_cm2")

    def refuse(self, lab: Mapping[str, float], choices: Mapping[str, str]) -> None:
        """Refuse walls that are not frosted or are warmer than the water."""
        if lab["water_c"] < lab["wall_c"]:
            raise ApparatusError(
                "Water and walls are swapped: the walls are the warmer.",
                got=f"water_c = {lab['water_c']:g}, wall_c = {lab['wall_c']:g}",
                wanted="water warmer than the walls",
                do=f"water_c = {lab['wall_c']:g}, wall_c = {lab['water_c']:g}",
            )
        refuse_frozen("water_c", lab["water_c"])
        if lab["wall_c"] > 0.01:
            raise ApparatusError(
                "Frosted walls cannot be warmer than 0 degC.",
                got=f"wall_c = {lab['wall_c']:g}",
                wanted="0 degC or colder",
                do="wall_c = -20",
            )

    def assumptions(self, x: Values, choices: Mapping[str, str]) -> list[str]:
        """How the share is known, the time of fall, and the cross-check by the temperature's spread."""
        said = []
        if choices["share"] == "areas":
            said.append(
                "share of the source estimated from the areas, with equal transfer of heat and vapour; "
                "a hygrometer should replace it"
            )
        if "fall_speed" in x:
            time = float(np.mean(x["height"])) / float(np.mean(x["fall_speed"]))
            said.append(f"time of fall {time:.3g} s, height over fall speed")
        if "spread" in x and np.ndim(x["spread"]) == 0:
            T = self._mixed(self.share(x, choices), x).temperature_k
            sigma = float(np.mean(sigma_from_spread(T, x["spread"])))
            said.append(
                f"cross-check: a spread of {x['spread']:.3g} K of ice-saturated parcels makes "
                f"sigma {100 * sigma:.3g} %"
            )
        return said


KIND = Falling()
