"""How much faster vapour and heat reach a falling crystal than one in still air.

The flux to a body of given surface value grows by the factor f of X = Sc^(1/3) Re^(1/2), Sc = eta/(rho D):

* "1976": f = 1 + 0.14 X^2 for X < 1, else 0.86 + 0.28 X; plates, columns and other ice crystals
  (J. Atmos. Sci. 33, 1995, 1976). Re is taken on L = surface of the body over perimeter of its shadow.
* "1971": f = 1 + 0.108 X^2 for X < 1.4, else 0.78 + 0.308 X; spheres, Re on the diameter (J. Atmos. Sci. 28,
  1455, 1971). Offered as the other end of what is known.

All coefficients are FROM MEMORY. Both pairs meet at their joint (1.14 and 1.14; 1.2117 and 1.2112), which is
tested and speaks for them; it is no confirmation. Fits by habit (J. Atmos. Sci. 56, 829, 1999) exist and
could not be confirmed even so far, so they are left out. f is taken to be the same for heat, whose
diffusivity in air is within 15 % of the vapour's.

A crystal whose surface value is <s> in the mean then grows as one in still air of

    sigma_eff = <s> + f (sigma - <s>),

because still air gives it a flux proportional to sigma_eff - <s>. Its warming stays chi0 (sigma - <s>): the
flux of vapour and the loss of heat are both multiplied by f.
"""

from __future__ import annotations

import math

from icewright.ground.errors import ConditionsError
from icewright.ground.sources import Source, register
from icewright.vapour.air import diffusivity as air_diffusivity
from icewright.vapour.fall_speed import FallingBody, air_density, viscosity

register(
    Source(
        "ventilation-1976",
        "J. Atmos. Sci. 33, 1995, 1976: ventilation of ice crystals falling in air",
        doi="10.1175/1520-0469(1976)033<1995:TSOIPF>2.0.CO;2",
        how="from memory",
    )
)
register(
    Source(
        "ventilation-1971",
        "J. Atmos. Sci. 28, 1455, 1971: ventilation of small spheres falling in air",
        how="from memory",
    )
)

RELATIONS = {"1976": "ventilation-1976", "1971": "ventilation-1971"}
DEFAULT = "1976"
# joint, then c of 1 + c X^2 below it, a and b of a + b X from it on
_LAWS = {"1976": (1.0, 0.14, 0.86, 0.28), "1971": (1.4, 0.108, 0.78, 0.308)}


def law(x: float, relation: str = DEFAULT) -> float:
    """f(X), X = Sc^(1/3) Re^(1/2). Raises ``ConditionsError`` for an unknown relation or X below 0."""
    if relation not in RELATIONS:
        raise ConditionsError(
            "No such ventilation relation.", got=repr(relation), wanted="one of " + ", ".join(RELATIONS)
        )
    if not x >= 0:
        raise ConditionsError("X cannot be below zero.", got=str(x), wanted="Sc^(1/3) Re^(1/2)")
    joint, square, start, slope = _LAWS[relation]
    return 1 + square * x * x if x < joint else start + slope * x


def factor(
    body: FallingBody,
    speed_m_s: float,
    temperature_k: float,
    pressure_pa: float,
    *,
    diffusivity_m2_s: float | None = None,
    relation: str = DEFAULT,
) -> float:
    """f of a body moving at ``speed_m_s`` through air; ``diffusivity_m2_s`` of vapour, None for the default.

    Raises as ``law``.
    """
    nu = viscosity(temperature_k) / air_density(temperature_k, pressure_pa)
    D = air_diffusivity(temperature_k, pressure_pa) if diffusivity_m2_s is None else diffusivity_m2_s
    length = body.surface_m2 / body.perimeter_m if relation == "1976" else body.size_m
    return law(float((nu / D) ** (1 / 3)) * math.sqrt(abs(speed_m_s) * length / nu), relation)


def effective_sigma(sigma: float, surface_sigma: float, f: float) -> float:
    """<s> + f (sigma - <s>): the far supersaturation in still air that feeds the crystal as much."""
    return surface_sigma + f * (sigma - surface_sigma)
