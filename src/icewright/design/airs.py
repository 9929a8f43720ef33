"""The airs that a recipe may use: temperatures, and the moistest air at each; of an apparatus or of nature.

Without an apparatus the moistest air is the target's share of water saturation. With one, its two working
knobs are walked over their ranges, and the moistest air found near each temperature is the limit there.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from icewright.design.portrait import DesignError, FloatArray
from icewright.ground.units import kelvin_to_celsius
from icewright.vapour.saturation import ice_pressure
from icewright.vapour.supersaturation import sigma_at_water_saturation

if TYPE_CHECKING:
    from icewright.apparatus.model import Apparatus
    from icewright.design.target import Target

KNOTS = 97
_GRID = 61
LEAST_SHARE = 0.02  # the driest air tried, as a share of the moistest
RATE_K_PER_S = 10 / 60  # how fast a small stage is taken to change, without an apparatus (common practice)
LEAST_RAMP_S = 12.0
LAGS = 3.0  # a change is taken to need this many lags of the apparatus


@dataclass(frozen=True)
class Airs:
    """Limits on the air: sigma_most[k] at temperature_k[k] (rising), linear between; fastest changes."""

    temperature_k: FloatArray
    sigma_most: FloatArray
    ramp_s: float
    rate_k_s: float
    notes: tuple[str, ...] = ()

    @property
    def coldest_k(self) -> float:
        """Coldest air, K."""
        return float(self.temperature_k[0])

    @property
    def warmest_k(self) -> float:
        """Warmest air, K."""
        return float(self.temperature_k[-1])

    def most(self, temperature_k: float | FloatArray) -> FloatArray:
        """The moistest air there, sigma as a fraction."""
        return np.asarray(np.interp(temperature_k, self.temperature_k, self.sigma_most))

    def sigma(self, temperature_k: float, share: float) -> float:
        """Air for a share 0..1, on a scale of equal ratios from ``LEAST_SHARE`` of the moistest to it."""
        return float(self.most(temperature_k) * LEAST_SHARE ** (1 - min(max(share, 0.0), 1.0)))

    def share(self, temperature_k: float, sigma: float) -> float:
        """The share of that air, the inverse of ``sigma``; 0..1."""
        most = float(self.most(temperature_k))
        return float(np.clip(1 - np.log(max(sigma, 1e-9) / most) / np.log(LEAST_SHARE), 0, 1))

    def ramp(self, from_k: float, to_k: float) -> float:
        """Seconds for a change between two airs."""
        return max(self.ramp_s, abs(to_k - from_k) / self.rate_k_s)


def airs(target: Target) -> Airs:
    """The airs of a target. Raises ``DesignError`` if none is left, ``ApparatusError`` for a bad file."""
    from icewright.kinetics import load

    low, high = target.limits.temperature_k
    valid = load(target.kinetics).valid_range_k
    low, high = max(low, valid[0]), min(high, valid[1])
    if high <= low:
        raise DesignError(
            f"The kinetics {Path(target.kinetics).stem!r} say nothing at these temperatures.",
            got="{:g} to {:g} degC".format(*(kelvin_to_celsius(t) for t in target.limits.temperature_k)),
            wanted="within {:g} to {:g} degC".format(*(kelvin_to_celsius(t) for t in valid)),
        )
    at = np.linspace(low, high, KNOTS)
    water = np.asarray((1 + sigma_at_water_saturation(at)) * target.limits.water_fraction - 1)
    if (water <= 0).any():
        keep = water > 0
        if keep.sum() < 2:
            raise DesignError(
                "No air is left to grow in.", got="air that is drier than ice", do="water_fraction = 0.98"
            )
        at, water = at[keep], water[keep]
    if target.apparatus is None:
        return Airs(at, water, LEAST_RAMP_S, RATE_K_PER_S)
    from icewright.apparatus.file import read

    return _of_apparatus(read(Path(target.apparatus)), target, at, water)


def _of_apparatus(apparatus: Apparatus, target: Target, at: FloatArray, water: FloatArray) -> Airs:
    from icewright.apparatus.response import lag
    from icewright.ground.errors import IcewrightError

    kind = apparatus.physics
    one, two = (apparatus.settings[name] for name in (kind.driver, kind.level))
    temperature, sigma = [], []
    for driver in np.linspace(one.low, one.high, _GRID):
        for level in np.linspace(two.low, two.high, _GRID):
            try:
                whole = apparatus.complete({kind.driver: float(driver), kind.level: float(level)})
                apparatus.check(whole)
                found = apparatus.state(whole, pressure_pa=target.pressure_pa)
            except IcewrightError:
                continue
            over = float(found.vapour_pa) / float(ice_pressure(float(found.temperature_k))) - 1
            if over > 0:
                temperature.append(float(found.temperature_k))
                sigma.append(over)
    t, s = np.array(temperature), np.array(sigma)
    half = max(0.5 * (at[1] - at[0]), 0.26)
    best = np.array([s[np.abs(t - k) <= half].max(initial=0.0) for k in at])
    some = np.flatnonzero(best > 1e-4)
    if some.size < 2:
        raise DesignError(
            "This apparatus makes no moist air within the limits.",
            got=f"{apparatus.title or Path(target.apparatus or '').name}",
            wanted="air above ice saturation between {:g} and {:g} degC".format(
                *(kelvin_to_celsius(float(v)) for v in (at[0], at[-1]))
            ),
            do="other limits of temperature_c, or another apparatus",
        )
    run = slice(some[0], some[-1] + 1)
    # A little less than the walk's best, so that every air named can really be set.
    most = np.minimum(0.97 * best[run], water[run])
    found_lag = lag(
        apparatus, apparatus.complete({kind.driver: one.now or one.low, kind.level: two.now or two.high})
    )
    rates = [s.fastest_ramp for s in (one, two) if np.isfinite(s.fastest_ramp)]
    note = (
        f"{apparatus.title or 'the apparatus'} reaches {kelvin_to_celsius(float(at[run][0])):.1f} to "
        f"{kelvin_to_celsius(float(at[run][-1])):.1f} degC, at most {100 * most.max():.3g} % over ice"
    )
    return Airs(
        at[run], most, max(LEAST_RAMP_S, LAGS * found_lag.longest_s), min([RATE_K_PER_S, *rates]), (note,)
    )


def celsius(temperature_k: float) -> float:
    """Degrees Celsius, to a tenth: what a person sets."""
    return round(float(kelvin_to_celsius(temperature_k)), 1)


def kelvin(temperature_c: float) -> float:
    """Back from ``celsius``."""
    from icewright.recipe.quantities import CELSIUS

    return CELSIUS.to_si(round(temperature_c, 1))
