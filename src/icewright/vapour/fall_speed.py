"""How fast a crystal falls through still air: published drag relations from mass, size and shadow.

A body at its terminal speed has drag = weight, so the Best number needs no speed::

    X = C_d Re^2 = 2 m g rho D^2/(A eta^2)          Re = v D rho/eta

with D the largest extent across the fall and A the area of the shadow along it (buoyancy, one part in 700, is
left out). A drag relation turns X into Re, and so into the speed. Two are offered; both are written for
plates, columns and branched crystals alike, whose habit enters through m, A and D:

* "2010": J. Atmos. Sci. 67, 2469, 2010. With the area ratio A_r = A/(pi D^2/4) and
  X* = 8 m g rho/(pi eta^2 sqrt(A_r)),
  Re = (d^2/4) [sqrt(1 + 4 sqrt(X*)/(d^2 sqrt(C))) - 1]^2, d = 8.0, C = 0.35.
* "1996": J. Atmos. Sci. 53, 1710, 1996. Re = a X^b, four pieces from X = 0.01 up; below it Stokes' law,
  Re = X/24.

All coefficients are FROM MEMORY. That the four pieces meet within 1 % at their joints, and that both
relations pass into Stokes' law for small bodies within 10 and 20 %, speaks for them and is tested; it is no
confirmation. The two differ by about a fifth on stars of 2 mm and by half on needles: take the difference as
the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from icewright.ground.errors import ConditionsError
from icewright.ground.sources import Source, register

register(
    Source(
        "drag-2010",
        "J. Atmos. Sci. 67, 2469, 2010: fall speeds of ice particles from mass, size and area ratio",
        doi="10.1175/2010JAS3379.1",
        how="from memory",
    )
)
register(
    Source(
        "drag-1996",
        "J. Atmos. Sci. 53, 1710, 1996: power laws of the Reynolds number for ice particles",
        doi="10.1175/1520-0469(1996)053<1710:UOMAAD>2.0.CO;2",
        how="from memory",
    )
)
register(
    Source(
        "viscosity-1976",
        "U.S. Standard Atmosphere, NASA-TM-X-74335, 1976, equation 51: dynamic viscosity of air",
        how="from memory",
        note="within 1 % of the reference equation of state of air between -40 and 0 degC",
    )
)

GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd General Conference on Weights and Measures, 1901
GAS_CONSTANT_AIR = 287.05  # J/(kg K), dry air; U.S. Standard Atmosphere 1976, from memory
RELATIONS = {"2010": "drag-2010", "1996": "drag-1996"}
DEFAULT = "2010"
_LAYER, _DRAG = 8.0, 0.35  # d and C of "2010"
# upper end of X, a, b of "1996"
_PIECES = (
    (10.0, 0.04394, 0.970),
    (585.0, 0.06049, 0.831),
    (1.56e5, 0.2072, 0.638),
    (math.inf, 1.0865, 0.499),
)
_STOKES_BELOW = 0.01


@dataclass(frozen=True)
class FallingBody:
    """What air resistance and ventilation ask of a crystal; SI.

    ``mass_kg``; ``size_m`` largest extent across the fall; ``area_m2`` and ``perimeter_m`` of the shadow
    along the fall; ``surface_m2`` of the whole crystal.
    """

    mass_kg: float
    size_m: float
    area_m2: float
    perimeter_m: float
    surface_m2: float

    @property
    def area_ratio(self) -> float:
        """Shadow over the area of the circle around it."""
        return self.area_m2 / (math.pi / 4 * self.size_m**2)


def plate(
    mass_kg: float, radius_m: float, thickness_m: float, area_m2: float, perimeter_m: float
) -> FallingBody:
    """A flat crystal, whole or branched, that falls with its broad face down (the usual way, common
    practice).

    ``radius_m`` from the axis to the farthest tip; ``area_m2`` and ``perimeter_m`` of its outline seen along
    c.
    """
    return FallingBody(mass_kg, 2 * radius_m, area_m2, perimeter_m, 2 * area_m2 + perimeter_m * thickness_m)


def column(
    mass_kg: float, radius_m: float, length_m: float, area_m2: float, perimeter_m: float
) -> FallingBody:
    """A crystal longer than wide that falls with its c axis level (the usual way, common practice).

    ``area_m2`` and ``perimeter_m`` of its outline seen along c. Its width seen from the side is the mean over
    all turns about the axis, perimeter/pi for a convex outline (Cauchy's theorem).
    """
    width = perimeter_m / math.pi
    return FallingBody(
        mass_kg,
        max(length_m, 2 * radius_m),
        length_m * width,
        2 * (length_m + width),
        2 * area_m2 + perimeter_m * length_m,
    )


def air_density(temperature_k: float, pressure_pa: float) -> float:
    """Density of dry air, kg/m3, ideal gas."""
    return pressure_pa / (GAS_CONSTANT_AIR * temperature_k)


def viscosity(temperature_k: float) -> float:
    """Dynamic viscosity of air, Pa s, at any pressure: 1.458e-6 T^1.5/(T + 110.4)."""
    return float(1.458e-6 * math.pow(temperature_k, 1.5) / (temperature_k + 110.4))


def best_number(body: FallingBody, temperature_k: float, pressure_pa: float) -> float:
    """X = 2 m g rho D^2/(A eta^2)."""
    rho, eta = air_density(temperature_k, pressure_pa), viscosity(temperature_k)
    return 2 * body.mass_kg * GRAVITY_M_S2 * rho * body.size_m**2 / (body.area_m2 * eta**2)


def reynolds(body: FallingBody, temperature_k: float, pressure_pa: float, relation: str = DEFAULT) -> float:
    """Reynolds number v D rho/eta of the falling body.

    Raises ``ConditionsError`` for an unknown relation or a body without mass, size or shadow.
    """
    if relation not in RELATIONS:
        raise ConditionsError(
            "No such drag relation.", got=repr(relation), wanted="one of " + ", ".join(RELATIONS)
        )
    if not (body.mass_kg > 0 and body.size_m > 0 and body.area_m2 > 0):
        raise ConditionsError(
            "A falling body needs a mass, a size and a shadow.",
            got=f"{body.mass_kg} kg, {body.size_m} m, {body.area_m2} m2",
            wanted="all three above zero",
        )
    x = best_number(body, temperature_k, pressure_pa)
    if relation == "1996":
        if x < _STOKES_BELOW:
            return x / 24
        _, a, b = next(piece for piece in _PIECES if x <= piece[0])
        return float(a * math.pow(x, b))
    modified = x * math.sqrt(body.area_ratio)  # X* = X A_r / sqrt(A_r)
    root: float = math.sqrt(1 + 4 * math.sqrt(modified) / (_LAYER**2 * math.sqrt(_DRAG)))
    half: float = root - 1.0
    return _LAYER * _LAYER / 4 * half * half


def fall_speed(body: FallingBody, temperature_k: float, pressure_pa: float, relation: str = DEFAULT) -> float:
    """Terminal speed in still air, m/s; equations at the top of this module, errors as ``reynolds``."""
    re = reynolds(body, temperature_k, pressure_pa, relation)
    return re * viscosity(temperature_k) / (air_density(temperature_k, pressure_pa) * body.size_m)
