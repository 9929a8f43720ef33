"""A crystal on the end of a thin needle, at a height that can be set, in the gradient between two plates.

The needle conducts heat to where it is held, so the crystal is not quite as cold as the air about it. A
thin rod of radius r and conductivity k_n in air of linear temperature (slope G along the needle from its
foot, insulated tip):

    T_tip = T_air(tip) - G tanh(m L)/m,   m^2 = 2 k_air/(k_n r^2 ln(R/r)),

the fin equation (any text on heat conduction) with the heat exchange of a rod in still air out to R, half
the gap.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from icewright.apparatus.basis import Dimension, Profile, State, Value, Values
from icewright.apparatus.two_plate import TwoPlate, plates
from icewright.vapour import air


def tip_excess(
    slope: Value, length_m: Value, radius_m: Value, conductivity: Value, far_m: Value, air_conductivity: Value
) -> Value:
    """Temperature of the tip above that of the air beside it, K (negative on a foot that is colder).

    ``slope``: dT_air/ds along the needle from foot to tip, K/m; lengths in m, conductivities in W/(m K).
    """
    m = np.sqrt(2.0 * air_conductivity / (conductivity * radius_m**2 * np.log(far_m / radius_m)))
    return -slope * np.tanh(m * length_m) / m


class Needle(TwoPlate):
    """Two coated plates, the crystal on a needle from one of them or from the side."""

    name = "needle"
    words = "crystal on a thin needle at a height in a gradient"
    settings = TwoPlate.settings | {"height_mm": "height of the crystal above the cold plate"}
    dimensions = {  # noqa: RUF012
        "gap_mm": TwoPlate.dimensions["gap_mm"],
        "width_mm": TwoPlate.dimensions["width_mm"],
        "needle_radius_um": Dimension("radius of the needle", 0.5, 2000.0),
        "needle_conductivity_w_mk": Dimension("heat conductivity of the needle", 0.01, 500.0, 2.3),
    }
    choices = TwoPlate.choices | {"needle_from": ("cold", "warm", "side")}

    def share(self, x: Values) -> Value:
        """Height of the crystal over the gap."""
        return x["height"] / x["gap"]

    def state(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> State:
        """Vapour of the air at the crystal's height, at the temperature of the needle's tip."""
        beside = plates(x, self.share(x), choices)
        return State(beside.temperature_k + self.tip(x, choices), beside.vapour_pa)

    def temperature(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Value:
        """As ``state``, without the walls."""
        return super().temperature(x, pressure_pa, choices) + self.tip(x, choices)

    def tip(self, x: Values, choices: Mapping[str, str]) -> Value:
        """How much warmer (K) than the air beside it the crystal is; 0 for a needle from the side."""
        held = choices["needle_from"]
        if held == "side":
            return 0.0
        slope = (x["warm_plate"] - x["cold_plate"]) / x["gap"]
        length = x["height"] if held == "cold" else x["gap"] - x["height"]
        k_air = air.conductivity((x["warm_plate"] + x["cold_plate"]) / 2.0)
        sign = 1.0 if held == "cold" else -1.0
        return tip_excess(
            sign * slope, length, x["needle_radius"], x["needle_conductivity"], x["gap"] / 2.0, k_air
        )

    def profile(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Profile:
        """Air from plate to plate (the air's own temperature, not the needle's)."""
        return super().profile(x, pressure_pa, choices)

    def assumptions(self, x: Values, choices: Mapping[str, str]) -> list[str]:
        """Those of the plates, and the needle's heat."""
        said = super().assumptions(x, choices)
        if choices["needle_from"] != "side":
            warmer = float(np.mean(self.tip(x, choices)))
            said.append(
                f"heat along the needle makes the crystal {abs(warmer):.2g} K "
                f"{'warmer' if warmer > 0 else 'colder'} than the air beside it"
            )
        said.append("no electric field, and no vapour taken by the needle itself")
        return said


KIND = Needle()
