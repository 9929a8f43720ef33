"""Where fog forms, and the ceiling that it puts on the supersaturation.

Droplets form on ordinary dust as soon as air passes water saturation (common practice, no source) and hold
the vapour there; what a calculation shows above it is never reached for long.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

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


def _crossing(x: NDArray[np.float64], over: NDArray[np.float64], k: int) -> float:
    a, b = float(over[k]), float(over[k + 1])
    return float(x[k] + (x[k + 1] - x[k]) * a / (a - b)) if a != b else float(x[k])


def capped(profile: Profile) -> Profile:
    """The profile with its vapour held at water saturation where fog would form."""
    return replace(profile, vapour_pa=np.minimum(profile.vapour_pa, profile.water_pa))


@dataclass(frozen=True)
class Ceiling:
    """How far sigma at the crystal can be raised before fog; ``settings`` in the unit of their names.

    ``at_crystal``: water saturation at the crystal's temperature (fraction), reached with
    ``settings_at_crystal``. ``first``: sigma at the crystal when the first fog forms anywhere along the
    profile, reached with ``settings_first`` (None where there is fog even at ice saturation). Settings may
    lie beyond the limits of the knobs: ``words`` say so.
    """

    temperature_k: float
    at_crystal: float
    settings_at_crystal: Mapping[str, float] | None
    first: float | None
    settings_first: Mapping[str, float] | None
    words: tuple[str, ...]


def ceiling(
    apparatus: Apparatus,
    temperature_k: float,
    *,
    pressure_pa: float | None = None,
    held: Mapping[str, float] | None = None,
) -> Ceiling:
    """The ceiling at ``temperature_k`` (K), raising sigma with the kind's two settings together."""
    P = pressure_pa or apparatus.pressure_pa
    top = float(water_pressure(temperature_k) / ice_pressure(temperature_k)) - 1.0

    def needed(sigma: float) -> dict[str, float] | None:
        try:
            return settings_for(apparatus, temperature_k, sigma, pressure_pa=P, held=held, limits=False)
        except ApparatusError:
            return None

    def fogs(sigma: float) -> bool:
        found = needed(sigma)
        return found is None or bool(
            zones(apparatus.physics.profile(apparatus.inputs(found), P, apparatus.choices))
        )

    at_top = needed(top)
    words = [_reached(f"the crystal itself meets fog at {100 * top:.2f} %", apparatus, at_top)]
    low, high = 1e-6, top
    if fogs(low):
        words.append("elsewhere there is fog even while the crystal is at ice saturation")
        return Ceiling(temperature_k, top, at_top, None, None, tuple(words))
    if not fogs(top * (1 - 1e-6)):
        return Ceiling(temperature_k, top, at_top, top, at_top, tuple(words))
    for _ in range(12):
        middle = (low + high) / 2.0
        low, high = (low, middle) if fogs(middle) else (middle, high)
    first = needed(low)
    if low < top * (1 - 1e-3):
        said = f"fog begins elsewhere when the crystal has {100 * low:.2f} %"
        words.append(_reached(said, apparatus, first))
    return Ceiling(temperature_k, top, at_top, low, first, tuple(words))


def _reached(words: str, apparatus: Apparatus, settings: Mapping[str, float] | None) -> str:
    if settings is None:
        return f"{words}, which this apparatus cannot reach"
    shown = ", ".join(f"{name} = {value:.4g}" for name, value in settings.items())
    out = [
        name
        for name, value in settings.items()
        if not apparatus.settings[name].low - 1e-9 <= value <= apparatus.settings[name].high + 1e-9
    ]
    beyond = f" (beyond the limits of {' and '.join(out)})" if out else ""
    return f"{words}: {shown}{beyond}"
