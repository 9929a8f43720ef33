"""Where fog forms, and the ceiling that it puts on the supersaturation.

Droplets form on ordinary dust as soon as air passes water saturation (common practice, no source) and hold the
vapour there; what a calculation shows above it is never reached for long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from icewright.apparatus.basis import ApparatusError, Profile
from icewright.apparatus.inverse import settings_for
from icewright.apparatus.model import Apparatus
from icewright.vapour.saturation import ice_pressure, water_pressure


def zones(profile: Profile) -> list[tuple[float, float]]:
    """Stretches of ``profile.x`` above water saturation, as (from, to), ends interpolated."""
    over = profile.vapour_pa / profile.water_pa - 1.0
    x = profile.x
    found: list[tuple[float, float]] = []
    begin: float | None = None
    # Plates coated with water stand at exactly zero: a hair above it is rounding.
    above = over > 1e-9
    for k in range(x.size):
        if above[k] and begin is None:
            begin = float(x[k]) if k == 0 else _crossing(x, over, k - 1)
        if not above[k] and begin is not None:
            found.append((begin, _crossing(x, over, k - 1)))
            begin = None
    if begin is not None:
        found.append((begin, float(x[-1])))
    return found


def _crossing(x: np.ndarray, over: np.ndarray, k: int) -> float:  # type: ignore[type-arg]
    a, b = float(over[k]), float(over[k + 1])
    return float(x[k] + (x[k + 1] - x[k]) * a / (a - b)) if a != b else float(x[k])


def capped(profile: Profile) -> Profile:
    """The profile with its vapour held at water saturation where fog would form."""
    return replace(profile, vapour_pa=np.minimum(profile.vapour_pa, profile.water_pa))


@dataclass(frozen=True)
class Ceiling:
    """The largest sigma at the crystal without fog, and the settings (unit of their names) that reach it.

    ``at_crystal``: water saturation at the crystal's temperature (fraction). ``anywhere``: sigma at the crystal
    when the first fog forms anywhere along the profile, None where limits stop the settings before; ``settings``
    belong to it.
    """

    temperature_k: float
    at_crystal: float
    anywhere: float | None
    settings: Mapping[str, float] | None
    words: str


def ceiling(
    apparatus: Apparatus,
    temperature_k: float,
    *,
    pressure_pa: float | None = None,
    held: Mapping[str, float] | None = None,
) -> Ceiling:
    """How far sigma can be raised at ``temperature_k`` (K) before fog, with two settings moved together."""
    P = pressure_pa or apparatus.pressure_pa
    top = float(water_pressure(temperature_k) / ice_pressure(temperature_k)) - 1.0

    def fogs(sigma: float) -> bool:
        found = settings_for(apparatus, temperature_k, sigma, pressure_pa=P, held=held)
        profile = apparatus.physics.profile(apparatus.inputs(found), P, apparatus.choices)
        return bool(zones(profile)) or sigma > top

    low, high = 0.0, top
    last: float | None = None
    try:
        if fogs(0.0):
            return Ceiling(temperature_k, top, 0.0, None, "fog forms before the crystal has any supersaturation")
    except ApparatusError:
        return Ceiling(temperature_k, top, None, None, "the settings do not reach this temperature")
    beyond = False
    for _ in range(15):
        middle = (low + high) / 2.0
        try:
            if fogs(middle):
                high, beyond = middle, False
            else:
                low = last = middle
        except ApparatusError:
            high, beyond = middle, True
    if last is None or (beyond and high < top * (1 - 1e-6)):
        return Ceiling(temperature_k, top, None, None, "the knobs' limits end before fog forms")
    settings = settings_for(apparatus, temperature_k, low, pressure_pa=P, held=held)
    where = "at the crystal itself" if low > top * (1 - 1e-4) else "elsewhere, before it forms at the crystal"
    words = f"the first fog forms {where}, when the crystal has {100 * low:.2f} %"
    return Ceiling(temperature_k, top, low, settings, words)
