"""An ice-coated reservoir above a cold plate that carries the crystal.

With nothing else to drink the vapour, the air over a dry plate holds what the reservoir gives off, and the
crystal, as cold as the plate, has sigma = e_ice(T_reservoir)/e_ice(T_plate) - 1. That is an upper bound:
frost on the plate takes its share.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from icewright.apparatus import sinks
from icewright.apparatus.basis import (
    ApparatusError,
    Dimension,
    Kind,
    Profile,
    State,
    Value,
    Values,
    over,
    over_ice,
    refuse_frozen,
)
from icewright.apparatus.two_plate import still_air_response_s


class Reservoir(Kind):
    """Reservoir above, crystal on the plate below."""

    name = "reservoir"
    words = "ice-coated reservoir above a cold plate that carries the crystal"
    settings = {  # noqa: RUF012
        "reservoir_c": "temperature of the ice-coated reservoir",
        "plate_c": "temperature of the plate that carries the crystal",
    }
    dimensions = {  # noqa: RUF012
        "gap_mm": Dimension("distance from plate to reservoir", 0.2, 500.0),
        "clear_radius_mm": Dimension(
            "radius of the dry zone about the crystal in a frosted plate", 0.01, 500.0, optional=True
        ),
    }
    choices = {  # noqa: RUF012
        "plate": ("dry", "frosted"),
        "reservoir_coat": ("ice", "water"),
    }
    driver, level = "reservoir_c", "plate_c"

    def reach(self, x: Values, choices: Mapping[str, str]) -> Value:
        """Share of the reservoir's excess that reaches the crystal past the plate's frost."""
        return 1.0 if choices["plate"] == "dry" else sinks.clear_zone_factor(x["clear_radius"] / x["gap"])

    def state(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> State:
        """Air at the crystal, which is as cold as the plate."""
        source, plate = over(choices["reservoir_coat"], x["reservoir"], x), over_ice(x["plate"], x)
        return State(x["plate"], plate + self.reach(x, choices) * (source - plate))

    def profile(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Profile:
        """Air straight up from the crystal to the reservoir."""
        share = np.linspace(0.0, 1.0, 201)
        gap = float(x["gap"])
        source = float(over(choices["reservoir_coat"], x["reservoir"]))
        plate = float(over_ice(x["plate"]))
        if choices["plate"] == "dry":
            part = np.ones_like(share)
        else:
            part = sinks.solve_clear_zone(min(float(x["clear_radius"]) / gap, 8.0), share)
        return Profile(
            share * gap,
            x["plate"] + share * (x["reservoir"] - x["plate"]),
            plate + part * (source - plate),
            0.0,
            "height above the plate (mm)",
            ("plate with crystal", "reservoir"),
        )

    def air_response_s(
        self, x: Values, pressure_pa: float, choices: Mapping[str, str]
    ) -> tuple[float | None, float | None, str]:
        """Vapour diffuses to the closed, dry plate; the crystal's temperature is the plate's own."""
        _, vapour = still_air_response_s(2.0 * float(x["gap"]), float(x["plate"]), pressure_pa)
        return 0.0, vapour, "estimated: diffusion from the reservoir to the dry plate, 4 H^2/(pi^2 D)"

    def needs(self, choices: Mapping[str, str]) -> tuple[str, ...]:
        """A frosted plate needs the radius of what is still clear."""
        return ("clear_radius_mm",) if choices["plate"] == "frosted" else ()

    def refuse(self, lab: Mapping[str, float], choices: Mapping[str, str]) -> None:
        """Refuse melted ice; a reservoir colder than the plate only makes the crystal shrink."""
        for name, coat in (("reservoir_c", choices["reservoir_coat"]), ("plate_c", "ice")):
            if coat == "ice" and lab[name] > 0.01:
                raise ApparatusError(
                    "A surface coated with ice cannot be warmer than 0 degC.",
                    got=f"{name} = {lab[name]:g}",
                    wanted="0 degC or colder",
                    do=f"{name} = -15",
                )
            if coat == "water":
                refuse_frozen(name, lab[name])

    def assumptions(self, x: Values, choices: Mapping[str, str]) -> list[str]:
        """What the plate's frost does, and a reservoir that drinks."""
        said = []
        if choices["plate"] == "dry":
            said.append("upper bound: no other ice; frost on the plate or the walls would lower it")
        else:
            share = float(np.mean(self.reach(x, choices)))
            said.append(f"frost around the clear zone leaves {100 * share:.3g} % of the reservoir's excess")
        if np.all(x["reservoir"] < x["plate"]):
            said.append(
                "reservoir and plate swapped? the reservoir is the colder one: the crystal sublimates"
            )
        return said


KIND = Reservoir()
