"""Growth laws that need no grid: what the engine must give where an exact answer is known.

SI units throughout; sigma is the supersaturation over ice as a fraction, alpha the attachment coefficient.
Every law follows from laplace(sigma) = 0 outside the ice and from alpha v_kin sigma_surface = flux into it;
where a paper is its source, it stands beside the function.

Names used below: `v_kin` kinetic velocity (m/s), `x0` = D / sqrt(k T / 2 pi m) (m), `chi0` the latent-heat
factor (0 where the heat goes into a holder), `d_sv` the capillary length (m).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

EULER = 0.57721566490153286


@dataclass(frozen=True)
class Growth:
    """Growth of a smooth body: speed of its surface (m/s), surface supersaturation and alpha there."""

    v_m_s: float
    sigma_surface: float
    alpha: float


# -- spheres and cylinders ----------


def sphere(
    radius_m: float,
    sigma: float,
    alpha: float,
    *,
    v_kin: float,
    x0: float,
    chi0: float = 0.0,
    far_m: float = math.inf,
) -> Growth:
    """A sphere with constant alpha; the air has `sigma` at `far_m`.

    v = v_kin sigma / [1/alpha + (R/X0) (1 - R/R_far) (1 + chi0)]. A hemisphere on a dry, impermeable, flat
    plate grows at the same speed (mirror symmetry), its mass at half the rate.
    """
    diffusion = radius_m / x0 * (1 - radius_m / far_m) * (1 + chi0)
    v = v_kin * sigma / (1 / alpha + diffusion)
    return Growth(v, v / (alpha * v_kin), alpha)


def sphere_radius(
    time_s: float, start_m: float, sigma: float, alpha: float, *, v_kin: float, x0: float
) -> float:
    """Radius (m) of a sphere with constant alpha after a time, no heat: the integral of `sphere`."""
    b = x0 / alpha
    return -b + math.sqrt((start_m + b) ** 2 + 2 * v_kin * sigma * x0 * time_s)


def sphere_diffusion_limited(
    time_s: float, start_m: float, sigma: float, *, v_kin: float, x0: float, chi0: float
) -> float:
    """Radius (m) after a time where attachment is no bottleneck (R >> X0/alpha): R^2 grows evenly."""
    return math.sqrt(start_m**2 + 2 * v_kin * x0 * sigma / (1 + chi0) * time_s)


def sphere_nucleation(
    radius_m: float, sigma: float, a: float, sigma0: float, *, v_kin: float, x0: float
) -> Growth:
    """A sphere with layer nucleation, alpha = A exp(-sigma0/s), no heat.

    The surface value s is the root of A exp(-sigma0/s) s = (X0/R) (sigma - s), of which there is one: the
    left side grows with s, the right side falls.
    """
    from scipy.optimize import brentq

    def excess(s: float) -> float:
        return float(a * math.exp(-sigma0 / s) * s - x0 / radius_m * (sigma - s))

    s = float(brentq(excess, sigma * 1e-9 + sigma0 * 1e-3, sigma, xtol=1e-16, rtol=1e-14))
    alpha = a * math.exp(-sigma0 / s)
    return Growth(alpha * v_kin * s, s, alpha)


def sphere_warming(
    radius_m: float, v_m_s: float, *, latent_j_kg: float, density_kg_m3: float, conductivity: float
) -> float:
    """How much warmer (K) than the air the surface of a growing sphere is: dT = L rho v R / k."""
    return latent_j_kg * density_kg_m3 * v_m_s * radius_m / conductivity


def cylinder(
    radius_m: float, far_m: float, sigma: float, alpha: float, *, v_kin: float, x0: float, chi0: float = 0.0
) -> Growth:
    """An endless cylinder in a wall at `far_m` that holds `sigma` (and the temperature, if chi0 > 0).

    v = v_kin sigma / [1/alpha + (B R / X0) (1 + chi0)], B = ln(R_far/R).
    """
    b = math.log(far_m / radius_m)
    v = v_kin * sigma / (1 / alpha + b * radius_m / x0 * (1 + chi0))
    return Growth(v, v / (alpha * v_kin), alpha)


# -- needles and tips ----------


def ivantsov_3d(peclet: float) -> float:
    """Dimensionless undercooling Delta = Pe e^Pe E1(Pe) of a paraboloid, Pe = v R / 2 D."""
    from scipy.special import exp1

    return float(peclet * math.exp(peclet) * exp1(peclet))


def ivantsov_2d(peclet: float) -> float:
    """Delta = sqrt(pi Pe) e^Pe erfc(sqrt Pe) of a parabolic cylinder."""
    from scipy.special import erfcx  # e^(x^2) erfc(x)

    return float(math.sqrt(math.pi * peclet) * erfcx(math.sqrt(peclet)))


def ivantsov_3d_small(peclet: float) -> float:
    """Leading term of `ivantsov_3d` for small Pe: -Pe (ln Pe + 0.5772...)."""
    return -peclet * (math.log(peclet) + EULER)


def ivantsov_3d_inverse(delta: float) -> float:
    """The Peclet number of a paraboloid with 0 < Delta < 1."""
    from scipy.optimize import brentq

    return math.exp(float(brentq(lambda x: ivantsov_3d(math.exp(x)) - delta, -60.0, 6.0, rtol=1e-15)))


# -- when a smooth surface ripples ----------


def flat_front_growth_rate(
    k: float, v_m_s: float, alpha: float, *, x0: float, diffusivity: float, c_ratio: float, d_sv: float
) -> float:
    """Rate (1/s) at which a ripple of wave number k (1/m) grows on a flat front at speed v (quasi-static).

    omega (1 + k X0/alpha) = v k - D (c_sat/c_ice) d_sv k^3.
    """
    return (v_m_s * k - diffusivity * c_ratio * d_sv * k**3) / (1 + k * x0 / alpha)


def flat_front_fastest(
    v_m_s: float, *, diffusivity: float, c_ratio: float, d_sv: float
) -> tuple[float, float]:
    """(wavelength in m, rate in 1/s) of the fastest ripple where attachment is no bottleneck."""
    k0 = math.sqrt(v_m_s / (diffusivity * c_ratio * d_sv))
    return 2 * math.pi * math.sqrt(3) / k0, 2 * v_m_s * k0 / (3 * math.sqrt(3))


def nucleus_radius(sigma: float, d_sv: float) -> float:
    """R* = 2 d_sv/sigma (m): a smaller sphere evaporates in air of supersaturation sigma."""
    return 2 * d_sv / sigma


def sphere_ripple_rate(
    degree: int, radius_m: float, sigma: float, *, diffusivity: float, c_ratio: float, d_sv: float
) -> float:
    """Relative growth rate (1/s) of a ripple Y_l on a sphere, attachment no bottleneck.

    (l-1) D c_sat/(c_ice R^2) [sigma - 2 d/R - (l+1)(l+2) d/R]; J. Appl. Phys. 34, 323, 1963,
    DOI 10.1063/1.1702607.
    """
    n = degree
    d = d_sv / radius_m
    return (n - 1) * diffusivity * c_ratio / radius_m**2 * (sigma - 2 * d - (n + 1) * (n + 2) * d)


def sphere_critical_radius(degree: int, sigma: float, d_sv: float) -> float:
    """Radius (m) above which `sphere_ripple_rate` is positive: R* [1 + (l+1)(l+2)/2]."""
    return nucleus_radius(sigma, d_sv) * (1 + (degree + 1) * (degree + 2) / 2)


def sphere_relative_critical_radius(degree: int, sigma: float, d_sv: float) -> float:
    """Radius (m) above which the ripple grows faster, relative to R, than the sphere itself.

    The sphere's own relative rate is D c_sat/(c_ice R^2) [sigma - 2 d/R]; infinite for degree 2 and below.
    """
    n = degree
    if n <= 2:
        return math.inf
    return nucleus_radius(sigma, d_sv) * (1 + (n - 1) * (n + 1) * (n + 2) / (2 * (n - 2)))


# -- capacitance: total flux = 4 pi C sigma D where alpha is no bottleneck ----------


def capacitance_spheroid(a: float, c: float) -> float:
    """Spheroid with equatorial radius a and polar radius c, in their unit (any text on potential theory)."""
    if a == c:
        return a
    if a > c:
        e = math.sqrt(1 - (c / a) ** 2)
        return a * e / math.asin(e)
    e = math.sqrt(1 - (a / c) ** 2)
    return c * e / math.atanh(e)


def capacitance_disc(a: float) -> float:
    """A thin disc of radius a: 2 a / pi."""
    return 2 * a / math.pi


def capacitance_prism(a: float, length: float) -> float:
    """A hexagonal prism, 2a from corner to corner: 0.58 (1 + 0.95 A^0.75) a with A = length/2a.

    J. Atmos. Sci. 65, 206, 2008, DOI 10.1175/2007JAS2315.1; coefficients from memory, within 0.7 % of our own
    walk-on-spheres values for A from 0.01 to 10.
    """
    return float(0.58 * (1 + 0.95 * (length / (2 * a)) ** 0.75) * a)
