"""Isobaric mixing of a humid and a cold stream in one chamber.

Mixing ratio and enthalpy are conserved (ideal gases): with f the humid stream's share of the dry air,

    w = f w_h + (1-f) w_c,   w = 0.621945 e/(P - e)
    (1005 + 1860 w) t = f (1005 + 1860 w_h) t_h + (1-f) (1005 + 1860 w_c) t_c   (t in degC, J/kg)

before any condensation (the usual relations of psychrometry: ASHRAE Handbook Fundamentals, chapter
Psychrometrics, constants from memory). Flows are standard litres, as mass flow meters show them.
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
    over,
    over_ice,
)
from icewright.ground.sources import Source, register

register(
    Source(
        "psychrometrics",
        "ASHRAE Handbook Fundamentals, chapter Psychrometrics: mixing of moist air streams",
        how="from memory",
        note="0.621945, 1005 and 1860 J/(kg K); agrees with a virial equation of moist air within 0.01 K",
    )
)

MOLAR_RATIO = 0.621945  # water over dry air
CP_DRY, CP_VAPOUR = 1005.0, 1860.0  # J/(kg K)
ZERO_K = 273.15
STANDARD_PA, STANDARD_K = 101325.0, 273.15


def mixing_ratio(vapour_pa: Value, pressure_pa: float) -> Value:
    """Mass of vapour over mass of dry air."""
    return MOLAR_RATIO * vapour_pa / (pressure_pa - vapour_pa)


def mix(
    share: Value, humid_k: Value, cold_k: Value, humid_pa: Value, cold_pa: Value, pressure_pa: float
) -> State:
    """The mixture of ``share`` (of dry air) humid air and the rest cold air: K and Pa in, K and Pa out."""
    w_h, w_c = mixing_ratio(humid_pa, pressure_pa), mixing_ratio(cold_pa, pressure_pa)
    w = share * w_h + (1.0 - share) * w_c
    heat = share * (CP_DRY + CP_VAPOUR * w_h) * (humid_k - ZERO_K) + (1.0 - share) * (
        CP_DRY + CP_VAPOUR * w_c
    ) * (cold_k - ZERO_K)
    return State(ZERO_K + heat / (CP_DRY + CP_VAPOUR * w), pressure_pa * w / (MOLAR_RATIO + w))


class Mixing(Kind):
    """Two streams with flow rates into a stirred chamber."""

    name = "mixing"
    words = "isobaric mixing of a humid and a cold stream"
    settings = {  # noqa: RUF012
        "humid_flow_l_min": "flow of the humid stream, standard litres a minute",
        "cold_flow_l_min": "flow of the cold stream, standard litres a minute",
        "humid_c": "temperature of the humid stream",
        "cold_c": "temperature of the cold stream",
    }
    dimensions = {  # noqa: RUF012
        "volume_l": Dimension("volume of the chamber", 0.001, 1e4),
        "humid_saturation_percent": Dimension("saturation of the humid stream", 0.0, 200.0, 100.0),
        "cold_saturation_percent": Dimension("saturation of the cold stream over ice", 0.0, 200.0, 100.0),
        "wall_area_cm2": Dimension("frosted area of the walls", 0.0, 1e7, optional=True),
        "transfer_mm_s": Dimension(
            "mass transfer velocity of vapour to the walls", 0.0, 1000.0, optional=True
        ),
    }
    choices = {  # noqa: RUF012
        "humid_over": ("ice", "water"),
        "walls": ("dry", "frosted"),
    }
    driver, level = "humid_flow_l_min", "cold_c"
    source_keys = ("psychrometrics",)

    def streams(self, x: Values, choices: Mapping[str, str]) -> tuple[Value, Value]:
        """Vapour pressure of the humid and of the cold stream, Pa."""
        humid = x["humid_saturation"] * over(choices["humid_over"], x["humid"], x)
        return humid, x["cold_saturation"] * over_ice(x["cold"], x)

    def share(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Value:
        """Share of the dry air that comes with the humid stream."""
        humid, cold = self.streams(x, choices)
        a, b = x["humid_flow"] * (pressure_pa - humid), x["cold_flow"] * (pressure_pa - cold)
        return a / (a + b)

    def state(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> State:
        """The stirred mixture, less what frosted walls take: Q (e_mix - e) = h A (e - e_ice)."""
        humid, cold = self.streams(x, choices)
        mixed = mix(self.share(x, pressure_pa, choices), x["humid"], x["cold"], humid, cold, pressure_pa)
        if choices["walls"] == "dry":
            return mixed
        sink = x["wall_area"] * x["transfer"]
        flow = self.flow_m3_s(x, mixed.temperature_k, pressure_pa)
        at_wall = over_ice(mixed.temperature_k, x)
        return State(mixed.temperature_k, (flow * mixed.vapour_pa + sink * at_wall) / (flow + sink))

    def flow_m3_s(self, x: Values, temperature_k: Value, pressure_pa: float) -> Value:
        """Both flows together at chamber temperature and pressure, from standard litres (0 degC, 1 atm)."""
        return (x["humid_flow"] + x["cold_flow"]) * temperature_k / STANDARD_K * STANDARD_PA / pressure_pa

    def profile(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Profile:
        """The mixing line: every share of the humid stream, before losses to walls."""
        share = np.linspace(0.0, 1.0, 201)
        humid, cold = self.streams(x, choices)
        found = mix(share, x["humid"], x["cold"], humid, cold, pressure_pa)
        here = float(self.share(x, pressure_pa, choices))
        axis = "share of the humid stream (1)"
        ends = ("cold stream", "humid stream")
        return Profile(share, found.temperature_k, found.vapour_pa, here, axis, ends)

    def air_response_s(
        self, x: Values, pressure_pa: float, choices: Mapping[str, str]
    ) -> tuple[float | None, float | None, str]:
        """The time to flush a stirred chamber, V/Q."""
        T = float(self.state(x, pressure_pa, choices).temperature_k)
        flow = float(self.flow_m3_s(x, T, pressure_pa))
        flush = float(x["volume"]) / flow
        words = "estimated: flushing of a stirred chamber, V/Q"
        if choices["walls"] == "dry":
            return flush, flush, words
        return flush, float(x["volume"]) / (flow + float(x["wall_area"] * x["transfer"])), words

    def needs(self, choices: Mapping[str, str]) -> tuple[str, ...]:
        """Frosted walls need area and transfer velocity."""
        return ("wall_area_cm2", "transfer_mm_s") if choices["walls"] == "frosted" else ()

    def refuse(self, lab: Mapping[str, float], choices: Mapping[str, str]) -> None:
        """Refuse a humid stream that is the colder one, and no flow at all."""
        if lab["humid_c"] < lab["cold_c"]:
            raise ApparatusError(
                "The streams are swapped: the humid one is the colder.",
                got=f"humid_c = {lab['humid_c']:g}, cold_c = {lab['cold_c']:g}",
                wanted="the humid stream warmer than the cold one",
                do=f"humid_c = {lab['cold_c']:g}, cold_c = {lab['humid_c']:g}",
            )
        if not lab["humid_flow_l_min"] + lab["cold_flow_l_min"] > 0:
            raise ApparatusError(
                "Nothing flows.",
                got="humid_flow_l_min + cold_flow_l_min = 0",
                wanted="a flow",
                do="cold_flow_l_min = 1",
            )
        if choices["humid_over"] == "ice" and lab["humid_c"] > 0.01:
            raise ApparatusError(
                "A stream above 0 degC is not saturated over ice.",
                got=f"humid_c = {lab['humid_c']:g}",
                wanted="0 degC or colder, or a humidifier with water",
                do='humid_over = "water" under [arrangement]',
            )

    def assumptions(self, x: Values, choices: Mapping[str, str]) -> list[str]:
        """Mixing rule and walls."""
        said = ["mixing ratio and enthalpy conserved, walls without heat, no droplets before the crystal"]
        if choices["walls"] == "dry":
            said.append("walls dry: frost on them would lower the supersaturation")
        return said


KIND = Mixing()
