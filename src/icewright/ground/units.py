"""SI inside; laboratory units only at the edges, converted here and nowhere else.

Every function takes a float or an array of any shape and gives back the same shape.
The argument says the unit that goes in, the name says the unit that comes out.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])

ZERO_CELSIUS_K = 273.15  # exact, by the definition of the Celsius scale (SI brochure, 9th edition, 2019)


def celsius_to_kelvin(t_c: Number) -> Number:
    """Temperature in kelvin from degrees Celsius."""
    return t_c + ZERO_CELSIUS_K


def kelvin_to_celsius(t_k: Number) -> Number:
    """Temperature in degrees Celsius from kelvin."""
    return t_k - ZERO_CELSIUS_K


def um(x_m: Number) -> Number:
    """Length in micrometres from metres."""
    return x_m * 1e6


def from_um(x_um: Number) -> Number:
    """Length in metres from micrometres."""
    return x_um * 1e-6


def nm(x_m: Number) -> Number:
    """Length in nanometres from metres."""
    return x_m * 1e9


def minutes(t_s: Number) -> Number:
    """Time in minutes from seconds."""
    return t_s / 60.0


def from_minutes(t_min: Number) -> Number:
    """Time in seconds from minutes."""
    return t_min * 60.0


def hpa(p_pa: Number) -> Number:
    """Pressure in hectopascals from pascals."""
    return p_pa / 100.0


def from_hpa(p_hpa: Number) -> Number:
    """Pressure in pascals from hectopascals."""
    return p_hpa * 100.0


def percent(fraction: Number) -> Number:
    """Percent from a fraction."""
    return fraction * 100.0


def from_percent(value_percent: Number) -> Number:
    """Fraction from percent."""
    return value_percent / 100.0


def ug(mass_kg: Number) -> Number:
    """Mass in micrograms from kilograms."""
    return mass_kg * 1e9


def from_ug(mass_ug: Number) -> Number:
    """Mass in kilograms from micrograms."""
    return mass_ug * 1e-9


def g_m3(density_kg_m3: Number) -> Number:
    """Density in grams per cubic metre from kilograms per cubic metre."""
    return density_kg_m3 * 1e3


def from_g_m3(density_g_m3: Number) -> Number:
    """Density in kilograms per cubic metre from grams per cubic metre."""
    return density_g_m3 * 1e-3
