"""Static diffusion chamber: still air between a warm plate above and a cold plate below, both coated.

The vapour pressure runs nearly linearly between the plates while saturation is convex in temperature: the air
between is supersaturated, most a little below the middle.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from icewright.apparatus import sinks
from icewright.apparatus.basis import (
    ICE_TERM,
    WATER_TERM,
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
from icewright.apparatus.gradient import RULE_TERM, RULES, between
from icewright.vapour import air

_HEAT_CAPACITY = 1005.0  # J/(kg K), dry air near 0 degC; common engineering value
_GAS_CONSTANT_AIR = 287.05  # J/(kg K), dry air; common engineering value


def plates(x: Values, share: Value, choices: Mapping[str, str]) -> State:
    """Air at ``share`` of the gap between the coated plates, frosted side walls included."""
    cold, warm = x["cold_plate"], x["warm_plate"]
    ends = over_ice(cold, x), over(choices["warm_coat"], warm, x)
    rule = choices["transport"]
    T, e = between(share, cold, warm, *ends, rule, x)
    if choices["walls"] == "dry":
        return State(T, e)
    c, w, e_c, e_w = (np.asarray(v, dtype=float)[..., None] for v in (cold, warm, *ends))
    at_walls = {k: np.asarray(v, dtype=float)[..., None] for k, v in x.items()}
    T_wall, e_wall = between(sinks.wall_nodes(), c, w, e_c, e_w, rule, at_walls)
    excess = sinks.wall_excess(T_wall, e_wall, at_walls)
    lost = sinks.wall_loss(share, x["width"] / x["gap"], excess, choices["wall_shape"])
    return State(T, e - lost)


def still_air_response_s(length_m: float, temperature_k: float, pressure_pa: float) -> tuple[float, float]:
    """Slowest first-order times (s) of (heat, vapour) in still air of that depth between two fixed ends.

    tau = H^2/(pi^2 D), the first Fourier mode of the diffusion equation (any text on diffusion); for heat D
    is k/(rho cp). A space closed at one end behaves as one twice as deep.
    """
    D = air.diffusivity(temperature_k, pressure_pa)
    rho = pressure_pa / (_GAS_CONSTANT_AIR * temperature_k)
    kappa = air.conductivity(temperature_k) / (rho * _HEAT_CAPACITY)
    return length_m**2 / (math.pi**2 * kappa), length_m**2 / (math.pi**2 * D)


class TwoPlate(Kind):
    """Two coated plates, still air, the crystal at a fixed height between them."""

    name = "two-plate"
    words = "static diffusion chamber of two coated plates"
    settings = {  # noqa: RUF012 - declared ClassVar in Kind
        "warm_plate_c": "temperature of the upper, warm plate",
        "cold_plate_c": "temperature of the lower, cold plate",
    }
    dimensions = {  # noqa: RUF012
        "gap_mm": Dimension("distance between the plates", 0.5, 500.0),
        "crystal_height_mm": Dimension("height of the crystal above the cold plate", 0.0, 500.0),
        "width_mm": Dimension("distance across, wall to wall", 1.0, 2000.0, optional=True),
    }
    choices = {  # noqa: RUF012
        "transport": RULES,
        "warm_coat": ("ice", "water"),
        "walls": ("dry", "frosted"),
        "wall_shape": ("round", "slab"),
    }
    driver, level = "warm_plate_c", "cold_plate_c"
    terms = (ICE_TERM, WATER_TERM, RULE_TERM)
    source_keys = ("conductivity-1971", "diffusivity-1976")

    def share(self, x: Values) -> Value:
        """Height of the crystal over the gap."""
        return x["crystal_height"] / x["gap"]

    def state(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> State:
        """Air at the crystal's height."""
        return plates(x, self.share(x), choices)

    def temperature(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Value:
        """As ``state``, without the walls: they take vapour, not heat."""
        return plates(x, self.share(x), {**choices, "walls": "dry"}).temperature_k

    def profile(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Profile:
        """Air from plate to plate, on the axis."""
        share = np.linspace(0.0, 1.0, 201)
        found = plates(x, share, choices)
        gap = float(x["gap"])
        return Profile(
            share * gap,
            found.temperature_k,
            found.vapour_pa,
            float(self.share(x)) * gap,
            "height above the cold plate (mm)",
            ("cold plate", "warm plate"),
        )

    def air_response_s(
        self, x: Values, pressure_pa: float, choices: Mapping[str, str]
    ) -> tuple[float | None, float | None, str]:
        """Diffusion of heat and vapour across the gap."""
        middle = (float(x["warm_plate"]) + float(x["cold_plate"])) / 2.0
        heat, vapour = still_air_response_s(float(x["gap"]), middle, pressure_pa)
        return heat, vapour, "estimated: diffusion across the gap, H^2/(pi^2 D)"

    def needs(self, choices: Mapping[str, str]) -> tuple[str, ...]:
        """Frosted walls need their distance."""
        return ("width_mm",) if choices["walls"] == "frosted" else ()

    def refuse(self, lab: Mapping[str, float], choices: Mapping[str, str]) -> None:
        """Refuse swapped plates, an ice coat that has melted, and a crystal outside the gap."""
        warm, cold = lab["warm_plate_c"], lab["cold_plate_c"]
        if warm < cold:
            raise ApparatusError(
                "The plates are swapped: the warm plate is colder than the cold one.",
                got=f"warm_plate_c = {warm:g}, cold_plate_c = {cold:g}",
                wanted="the warm plate above, warmer than the cold plate below",
                do=f"warm_plate_c = {cold:g}, cold_plate_c = {warm:g}",
            )
        melted = [n for n in self._iced(choices) if lab[n] > 0.01]
        if melted:
            raise ApparatusError(
                "A plate coated with ice cannot be warmer than 0 degC.",
                got=f"{melted[0]} = {lab[melted[0]]:g}",
                wanted="0 degC or colder",
                do='warm_coat = "water" under [arrangement], if the warm plate is wet'
                if melted[0] == "warm_plate_c"
                else f"{melted[0]} = -15",
            )
        if choices["warm_coat"] == "water":
            refuse_frozen("warm_plate_c", warm)
        self._inside(lab)

    def _iced(self, choices: Mapping[str, str]) -> list[str]:
        return ["cold_plate_c", *(["warm_plate_c"] if choices["warm_coat"] == "ice" else [])]

    def _inside(self, lab: Mapping[str, float]) -> None:
        key = "crystal_height_mm" if "crystal_height_mm" in lab else "height_mm"
        if lab[key] > lab["gap_mm"]:
            raise ApparatusError(
                "The crystal would be outside the gap.",
                got=f"{key} = {lab[key]:g}",
                wanted=f"at most gap_mm = {lab['gap_mm']:g}",
                do=f"{key} = {lab['gap_mm'] / 2:g}",
            )

    def assumptions(self, x: Values, choices: Mapping[str, str]) -> list[str]:
        """The transport rule and the walls."""
        said = [f"transport between the plates: {choices['transport']}"]
        if choices["walls"] == "frosted":
            said.append(
                f"side walls frosted ({choices['wall_shape']}), as warm as the air beside them would be"
            )
        else:
            said.append("side walls dry and far: frost on them would lower the supersaturation")
        return said


KIND = TwoPlate()
