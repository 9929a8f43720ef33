"""What the ice itself tells about the air: three witnesses of supersaturation, each with its error bar.

* First droplets on a clean surface: the air there is at water saturation.
* A crystal that neither grows nor shrinks: the air is at ice saturation over its own curved surface.
* A thin needle that thickens: the cylinder law with vapour and heat turns its radius over time into sigma.

Each answers with `Witness`: sigma over ice (a fraction) at the temperature of the crystal, its standard
uncertainty, and the words that say what it hangs on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.vapour.saturation import WATER_RELATIVE_SPREAD
from icewright.vapour.scales import Scales, scales
from icewright.vapour.supersaturation import sigma_at_water_saturation


class CalibrationError(IcewrightError):
    """An observation that cannot be, or that says nothing about the apparatus."""


@dataclass(frozen=True)
class Witness:
    """A supersaturation told by the ice: sigma (fraction), its standard uncertainty, and what it hangs on."""

    sigma: float
    uncertainty: float
    words: str
    notes: tuple[str, ...] = field(default_factory=tuple)


def droplets(temperature_k: float) -> Witness:
    """Water saturation at the temperature of the surface on which the first droplets stand.

    The uncertainty is that of the formula over water (two routes differ by 0.15 %); how closely the moment of
    the first droplets was met is for the settings just before it to say.
    """
    sigma = float(sigma_at_water_saturation(temperature_k))
    return Witness(
        sigma,
        WATER_RELATIVE_SPREAD * (1.0 + sigma),
        "first droplets: water saturation",
        (
            "droplets on a clean, water-repelling surface begin late, on a dusty or salty one early: look at "
            "a clean one and note both settings, without and with droplets (common practice, no source)",
        ),
    )


def standstill(
    temperature_k: float,
    pressure_pa: float,
    *,
    radius_m: float,
    noticed_m: float = 0.0,
    time_s: float = 0.0,
    alpha: float = 1.0,
    barrier: float = 0.0,
) -> Witness:
    """Ice saturation over a crystal of that radius that neither grew nor shrank while it was watched.

    Over a sphere of radius R, sigma_eq = exp(2 d_sv/R) - 1 (Gibbs-Thomson; d_sv the capillary length). What
    could have gone unnoticed, a change of `noticed_m` within `time_s`, is a speed, and the law of the sphere,
    sigma = v [1/alpha + (R/X0)(1 + chi0)]/v_kin, makes it a supersaturation on both sides; taken as the
    half-width of an even distribution, its standard uncertainty is that over sqrt 3 (JCGM 100:2008, 4.3.7).

    A faceted crystal may also stand still in air a little above ice saturation, where no layer nucleates, but
    shrinks at once below it. `barrier` is that width in sigma, as the user knows it: the answer moves up by
    half of it and gains barrier/sqrt 12. None is assumed.

    Raises ``CalibrationError`` for a radius, time or change that cannot be.
    """
    if not radius_m > 0 or noticed_m < 0 or not 0 < alpha <= 1 or barrier < 0:
        raise CalibrationError(
            got=f"radius {radius_m * 1e6:g} um, change {noticed_m * 1e6:g} um, alpha {alpha:g}",
            wanted="a radius above 0, a change not below 0, alpha above 0 and at most 1",
            do="radius_um = 20",
        )
    if noticed_m > 0 and not time_s > 0:
        raise CalibrationError(
            got="noticed_um without minutes", wanted="how long the crystal was watched", do="minutes = 20"
        )
    s = scales(temperature_k, pressure_pa)
    curved = math.expm1(2.0 * s.capillary_m / radius_m)
    hidden = 0.0
    if noticed_m > 0:
        hidden = noticed_m / time_s * (1 / alpha + radius_m / s.X0_m * (1 + s.chi0)) / s.v_kin_m_s
    spread = math.hypot(hidden / math.sqrt(3.0), barrier / math.sqrt(12.0))
    notes = [f"Gibbs-Thomson over a radius of {radius_m * 1e6:g} um: {curved * 100:.3g} %"]
    if noticed_m > 0:
        notes.append(
            f"a change of {noticed_m * 1e6:g} um in {time_s / 60:g} min unnoticed: {hidden * 100:.2g} %"
        )
    else:
        notes.append(
            "without noticed_um and minutes nothing says how still the crystal stood: no spread for it"
        )
    if barrier == 0.0:
        notes.append(
            "a faceted crystal can stand still a little above ice saturation too, for want of new layers; "
            "watch for the first loss on the dry side, or give barrier_percent"
        )
    return Witness(curved + barrier / 2.0, spread, "neither growth nor loss: ice saturation", tuple(notes))


@dataclass(frozen=True)
class NeedleFit:
    """Supersaturation from a needle that thickens.

    Attributes:
        sigma, uncertainty: the result, fractions; alpha and the outer radius are in it if their ranges were.
        from_reading: part of the uncertainty that comes from reading the radii.
        from_alpha: part from the attachment coefficient.
        from_far: part from the outer radius.
        start_m: radius at the first moment by the fitted law.
        chi2_per_free: misfit per degree of freedom against the stated errors; NaN for two readings.
        fitted_m: radius at each moment by the law, (n,).
    """

    sigma: float
    uncertainty: float
    from_reading: float
    from_alpha: float
    from_far: float
    start_m: float
    chi2_per_free: float
    fitted_m: NDArray[np.float64]


def needle(
    time_s: Sequence[float] | NDArray[np.float64],
    radius_m: Sequence[float] | NDArray[np.float64],
    *,
    temperature_k: float,
    pressure_pa: float,
    far_m: float,
    error_m: float,
    alpha: tuple[float, float] = (1.0, 1.0),
    far_range_m: tuple[float, float] | None = None,
) -> NeedleFit:
    """Supersaturation at the distance `far_m` from a long thin needle of growing radius.

    The cylinder law with vapour and heat, dR/dt = v_kin sigma/[1/alpha + (R/X0)(1 + chi0) ln(R_far/R)], has
    an integral in closed form: with

        G(R) = R/alpha + (1 + chi0)/X0 (R^2/2 ln(R_far/R) + R^2/4),    G(R(t)) = G(R(0)) + v_kin sigma t,

    so sigma is the slope of a straight line of G over t, weighted by the reading errors dG = G' dR.

    Args:
        time_s: moments, s, (n,), two or more.
        radius_m: radius (half the width) at each, m, (n,).
        temperature_k, pressure_pa: air.
        far_m: where the air is not disturbed: the wall, or half the way to the next needle.
        error_m: standard error of one radius.
        alpha: lowest and highest attachment coefficient of the prism facets that you would believe; the
            middle (of logarithms) is used and the ends give their share of the error (half the difference).
        far_range_m: the same for the outer radius, if it is not well known.

    Raises:
        CalibrationError: for too few readings, radii beyond the outer one, or values not above zero.
    """
    t, r = np.asarray(time_s, dtype=float), np.asarray(radius_m, dtype=float)
    if t.shape != r.shape or t.ndim != 1 or t.size < 2 or np.ptp(t) == 0.0:
        raise CalibrationError(
            got=f"{t.size} moments and {r.size} radii of a needle",
            wanted="as many radii as moments, two or more, at different times",
            do="minutes = [0, 10, 20]\nradius_um = [2.5, 4.1, 5.2]",
        )
    lowest = min(far_m, *(far_range_m or (far_m,)))
    if not (r > 0).all() or not (r < lowest).all() or not error_m > 0:
        raise CalibrationError(
            got=f"radii {r.min() * 1e6:g} to {r.max() * 1e6:g} um, outer radius {far_m * 1e3:g} mm, error "
            f"{error_m * 1e6:g} um",
            wanted="radii above 0 and inside the outer radius, and an error above 0",
            do="far_mm = 10\nerror_um = 0.3",
        )
    low, high = min(alpha), max(alpha)
    if not 0 < low <= high <= 1:
        raise CalibrationError(
            got=f"alpha from {low:g} to {high:g}", wanted="above 0 and at most 1", do="alpha = [0.3, 1]"
        )
    s = scales(temperature_k, pressure_pa)
    middle = math.sqrt(low * high)
    sigma, reading, line, free = _slope(t, r, s, middle, far_m, error_m)
    by_alpha = abs(_slope(t, r, s, low, far_m, error_m)[0] - _slope(t, r, s, high, far_m, error_m)[0]) / 2.0
    by_far = 0.0
    if far_range_m is not None:
        ends = [_slope(t, r, s, middle, far, error_m)[0] for far in far_range_m]
        by_far = abs(ends[0] - ends[1]) / 2.0
    fitted = np.array([_radius_of(g, s, middle, far_m, float(r.max()) * 2.0) for g in line])
    chi2 = float((((r - fitted) / error_m) ** 2).sum()) / free if free else math.nan
    return NeedleFit(
        sigma,
        math.sqrt(reading**2 + by_alpha**2 + by_far**2),
        reading,
        by_alpha,
        by_far,
        float(fitted[0]),
        chi2,
        fitted,
    )


def _g(r: NDArray[np.float64] | float, s: Scales, alpha: float, far_m: float) -> NDArray[np.float64]:
    r = np.asarray(r, dtype=float)
    return r / alpha + (1 + s.chi0) / s.X0_m * (0.5 * r * r * np.log(far_m / r) + 0.25 * r * r)


def _slope(
    t: NDArray[np.float64], r: NDArray[np.float64], s: Scales, alpha: float, far_m: float, error_m: float
) -> tuple[float, float, NDArray[np.float64], int]:
    """(sigma, its standard error from the readings, G on the fitted line, degrees of freedom)."""
    g = _g(r, s, alpha, far_m)
    slope = 1 / alpha + (1 + s.chi0) / s.X0_m * r * np.log(far_m / r)
    weight = 1.0 / (slope * error_m) ** 2
    mean_t, mean_g = (float(np.average(v, weights=weight)) for v in (t, g))
    spread = float((weight * (t - mean_t) ** 2).sum())
    rate = float((weight * (t - mean_t) * (g - mean_g)).sum()) / spread
    line = mean_g + rate * (t - mean_t)
    return rate / s.v_kin_m_s, 1.0 / math.sqrt(spread) / s.v_kin_m_s, line, t.size - 2


def _radius_of(g: float, s: Scales, alpha: float, far_m: float, guess_m: float) -> float:
    from scipy.optimize import brentq

    high = min(guess_m, far_m * 0.999)
    if g <= 0:
        return 0.0
    return float(brentq(lambda x: float(_g(x, s, alpha, far_m)) - g, 1e-12, high, xtol=1e-15))
