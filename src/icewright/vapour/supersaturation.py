"""One humidity, six ways to say it, and the conversions between them.

sigma over ice (fraction) and vapour pressure e are tied by e = (1 + sigma) e_ice(T). The others:

* relative humidity over water, RH = e/e_water(T), a fraction here;
* frost point T_f, where e_ice(T_f) = e; dew point T_d, where e_water(T_d) = e;
* excess vapour density, (e - e_ice(T))/(Rv T), kg/m3, ideal gas (negative below ice saturation).

Every function takes floats or arrays that broadcast, SI units, and answers in the same shape.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.constants import RV
from icewright.ground.errors import ConditionsError
from icewright.vapour.saturation import (
    DEFAULT_ICE,
    ice_pressure,
    ice_range_k,
    water_pressure,
    water_range_k,
)

# Floats stay floats and arrays stay arrays; mypy cannot follow that through numpy's broadcasting.
Value = Any


def vapour_pressure(temperature_k: Value, sigma: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Vapour pressure, Pa, from sigma over ice."""
    return (1.0 + sigma) * ice_pressure(temperature_k, formulation)


def sigma_from_vapour_pressure(
    temperature_k: Value, pressure_pa: Value, formulation: str = DEFAULT_ICE
) -> Value:
    """Sigma over ice (fraction) from vapour pressure, Pa."""
    return pressure_pa / ice_pressure(temperature_k, formulation) - 1.0


def sigma_at_water_saturation(temperature_k: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Sigma over ice (fraction) at which liquid water is saturated: above it fog droplets begin."""
    return water_pressure(temperature_k) / ice_pressure(temperature_k, formulation) - 1.0


def relative_humidity(temperature_k: Value, sigma: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Relative humidity over water (fraction) from sigma over ice."""
    return vapour_pressure(temperature_k, sigma, formulation) / water_pressure(temperature_k)


def sigma_from_relative_humidity(temperature_k: Value, rh: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Sigma over ice (fraction) from relative humidity over water (fraction)."""
    return sigma_from_vapour_pressure(temperature_k, rh * water_pressure(temperature_k), formulation)


def excess_density(temperature_k: Value, sigma: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Vapour density in excess of ice saturation, kg/m3, from sigma over ice."""
    return sigma * ice_pressure(temperature_k, formulation) / (RV * temperature_k)


def sigma_from_excess_density(
    temperature_k: Value, excess_kg_m3: Value, formulation: str = DEFAULT_ICE
) -> Value:
    """Sigma over ice (fraction) from excess vapour density, kg/m3."""
    return excess_kg_m3 * RV * temperature_k / ice_pressure(temperature_k, formulation)


def frost_point(pressure_pa: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Frost point, K, of a vapour pressure, Pa.

    Raises ``ConditionsError`` above the triple-point pressure (611.657 Pa), where no frost point exists,
    and below the pressure at the cold end of the formulation.
    """
    return _temperature_of(
        pressure_pa, lambda T: ice_pressure(T, formulation), ice_range_k(formulation), "frost point"
    )


def dew_point(pressure_pa: Value) -> Value:
    """Dew point (over supercooled water below 0 degC), K, of a pressure, Pa; errors as ``frost_point``."""
    return _temperature_of(pressure_pa, water_pressure, water_range_k(), "dew point")


def sigma_from_frost_point(
    temperature_k: Value, frost_point_k: Value, formulation: str = DEFAULT_ICE
) -> Value:
    """Sigma over ice (fraction) of air at ``temperature_k`` whose frost point is ``frost_point_k``."""
    return sigma_from_vapour_pressure(temperature_k, ice_pressure(frost_point_k, formulation), formulation)


def sigma_from_dew_point(temperature_k: Value, dew_point_k: Value, formulation: str = DEFAULT_ICE) -> Value:
    """Sigma over ice (fraction) of air at ``temperature_k`` whose dew point is ``dew_point_k``."""
    return sigma_from_vapour_pressure(temperature_k, water_pressure(dew_point_k), formulation)


@dataclass(frozen=True)
class Measure:
    """One way to say humidity: its SI unit, lowest sensible value, and the way there and back from sigma.

    ``to_sigma(T, value)`` and ``from_sigma(T, sigma)`` use the default formulation over ice.
    """

    unit: str
    lowest: float
    to_sigma: Callable[[Value, Value], Value]
    from_sigma: Callable[[Value, Value], Value]


MEASURES: dict[str, Measure] = {
    "sigma": Measure("1", -1.0, lambda T, value: value, lambda T, sigma: sigma),
    "rh_water": Measure("1", 0.0, sigma_from_relative_humidity, relative_humidity),
    "frost_point_k": Measure(
        "K", 0.0, sigma_from_frost_point, lambda T, sigma: frost_point(vapour_pressure(T, sigma))
    ),
    "dew_point_k": Measure(
        "K", 0.0, sigma_from_dew_point, lambda T, sigma: dew_point(vapour_pressure(T, sigma))
    ),
    "vapour_pressure_pa": Measure("Pa", 0.0, sigma_from_vapour_pressure, vapour_pressure),
    "excess_density_kg_m3": Measure("kg/m3", -np.inf, sigma_from_excess_density, excess_density),
}


def _temperature_of(
    pressure_pa: Value,
    curve: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    range_k: tuple[float, float],
    what: str,
) -> Value:
    """Invert a saturation curve: Newton on ln p against 1/T, which is nearly a straight line."""
    p = np.asarray(pressure_pa, dtype=np.float64)
    low, high = range_k
    p_low, p_high = (float(end) for end in curve(np.array([low, high])))
    if not bool(np.all((p >= p_low) & (p <= p_high))):
        raise ConditionsError(
            f"This vapour pressure has no {what}.",
            got=f"{np.min(p):.6g} to {np.max(p):.6g} Pa" if p.ndim else f"{float(p):.6g} Pa",
            wanted=f"{p_low:.3g} to {p_high:.6g} Pa",
        )
    T = np.full(p.shape, 260.0)
    for _ in range(60):
        up, down = np.minimum(T + 0.01, high), np.maximum(T - 0.01, low)
        # Slope in 1/T by a short central difference, good to 1e-8; Newton then corrects what is left of it.
        slope = np.log(curve(up) / curve(down)) / (1.0 / up - 1.0 / down)
        step = np.log(p / curve(T)) / slope
        new = np.clip(1.0 / np.maximum(1.0 / T + step, 1e-4), low, high)
        if bool(np.all(np.abs(new - T) < 1e-11 * high)):
            T = new
            break
        T = new
    return T if T.ndim else float(T)
