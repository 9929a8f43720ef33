"""What the crystal and its neighbours drink: capacitance formula, equal neighbours, a cloud of crystals.

All of it is diffusion outside bodies of capacitance C (m): the vapour lost at distance r from a crystal is
(sigma - sigma_surface) C/r, and its mass grows by 4 pi C D rho_sat (sigma - sigma_surface).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from icewright.apparatus.basis import Air, ApparatusError
from icewright.ground.constants import RV
from icewright.ground.sources import Source, register
from icewright.vapour.saturation import ice_pressure
from icewright.vapour.scales import scales

register(
    Source(
        "capacitance-2008",
        "J. Atmos. Sci. 65, 206, 2008: capacitance of hexagonal prisms",
        doi="10.1175/2007JAS2315.1",
        how="from memory",
        note="coefficients of the fit; within 0.7 % of our own walk-on-spheres values",
    )
)
SOURCE_KEYS = ("capacitance-2008", "diffusivity-1976", "conductivity-1971", "latent-heat-review-2005")


def prism_capacitance_m(radius_m: float, length_m: float) -> float:
    """Capacitance, m, of a hexagonal prism: centre to corner ``radius_m``, extent along c ``length_m``.

    0.58 (1 + 0.95 A^0.75) a, A = L/2a (J. Atmos. Sci. 65, 206, 2008, DOI 10.1175/2007JAS2315.1; coefficients
    from memory, within 0.7 % of our own walk-on-spheres values for A from 0.01 to 10).
    """
    return float(0.58 * (1.0 + 0.95 * (length_m / (2.0 * radius_m)) ** 0.75) * radius_m)


def prism_area_m2(radius_m: float, length_m: float) -> float:
    """Whole surface of that prism, m2."""
    return 3.0 * math.sqrt(3.0) * radius_m**2 + 6.0 * radius_m * length_m


def two_spheres_factor(distance_over_radius: float) -> float:
    """Growth of each of two equal spheres over that of one alone, centres ``distance_over_radius`` apart.

    sinh b sum (-1)^(n+1)/sinh(n b) with cosh b = s/2R (bispherical coordinates, any text on potential
    theory); in contact ln 2, far apart 1/(1 + R/s). Raises ``ApparatusError`` for spheres that overlap.
    """
    s = float(distance_over_radius)
    if s < 2.0:
        raise ApparatusError("The neighbours overlap.", got=f"distance = {s:.3g} radii", wanted="2 or more")
    b = math.acosh(s / 2.0)
    if b < 1e-6:
        return math.log(2.0)
    total, n = 0.0, 1
    while n * b < 50.0 and n < 200000:
        total += (-1.0) ** (n + 1) / math.sinh(n * b)
        n += 1
    if n * b < 50.0:  # an alternating sum cut off: the mean of its last two values is what it tends to
        total += 0.5 * (-1.0) ** (n + 1) / math.sinh(n * b)
    return math.sinh(b) * total


def neighbours_factor(capacitance_m: float, distance_m: float, count: int = 1) -> float:
    """Growth of a crystal with ``count`` equal neighbours, all at ``distance_m``, over that of one alone.

    The crystals count as spheres of radius C. For one neighbour exact (``two_spheres_factor``); for several
    the losses are added, 1/(1 + n (1/f - 1)), which is right far apart and too kind when they also screen
    each other.
    """
    if count < 1:
        return 1.0
    one = two_spheres_factor(distance_m / capacitance_m)
    return 1.0 / (1.0 + count * (1.0 / one - 1.0))


def plates_factor(capacitance_m: float, gap_m: float, where: str) -> float:
    """Growth near surfaces that hold their vapour, over that far from any.

    Image charges of a small body: half way ``"between"`` two such plates 1/(1 - 2 ln 2 C/H); ``"under"``
    one at distance H, on a dry plate, 1/(1 - ln 2 C/H) (any text on electrostatics). Raises
    ``ApparatusError`` where the crystal fills a third of the gap and a small body it is not.
    """
    ratio = capacitance_m / gap_m
    if ratio > 1.0 / 3.0:
        raise ApparatusError(
            "The crystal is too large for its chamber.",
            got=f"capacitance {1e3 * capacitance_m:.3g} mm in a gap of {1e3 * gap_m:.3g} mm",
            wanted="at most a third",
        )
    return 1.0 / (1.0 - (2.0 if where == "between" else 1.0) * math.log(2.0) * ratio)


def cloud_factor(
    capacitance_m: float, per_m3: float, supply_s: float, diffusivity_m2_s: float, chi0: float
) -> float:
    """Supersaturation left over where ``per_m3`` crystals share air that is renewed in ``supply_s``.

    Balance of supply (sigma_0 - sigma)/tau and uptake 4 pi N C D sigma/(1 + chi0), surfaces at sigma = 0.
    """
    uptake = 4.0 * math.pi * per_m3 * capacitance_m * diffusivity_m2_s / (1.0 + chi0)
    return 1.0 / (1.0 + uptake * supply_s)


@dataclass(frozen=True)
class Depletion:
    """What is left at the crystal's surface; SI, sigma as fractions.

    ``factors`` are multipliers on growth by name; ``sigma_surface`` with attachment coefficient ``alpha``,
    and ``mass_rate_kg_s``. ``reach_m``: the distance at which the crystal takes a hundredth of the far sigma.
    """

    capacitance_m: float
    alpha: float
    sigma_far: float
    sigma_surface: float
    mass_rate_kg_s: float
    mass_rate_alone_kg_s: float
    reach_m: float
    warming_k: float
    factors: dict[str, float]

    def to_dict(self) -> dict[str, Any]:
        """The same as plain data."""
        return asdict(self)


def deplete(
    air: Air,
    radius_m: float,
    length_m: float,
    *,
    alpha: float = 1.0,
    on_plate: bool = False,
    factors: dict[str, float] | None = None,
) -> Depletion:
    """Growth of a hexagonal prism in ``air`` with attachment coefficient ``alpha`` all over.

    v rho = alpha v_kin rho sigma_s on the surface A balances 4 pi C D rho_sat (sigma - sigma_s - chi0
    v-term): sigma_s/sigma = 1/(1 + (1 + chi0) alpha A/(4 pi C X0)), times the factors. ``on_plate``: the
    crystal lies on a dry, flat plate that takes its heat (mirror symmetry: half the flux of a prism twice
    as long, chi0 = 0). With alpha = 1 this is the most a crystal of that size can drink.
    """
    if not (radius_m > 0 and length_m > 0 and 0 < alpha <= 1):
        raise ApparatusError(
            "The crystal needs a size and an attachment coefficient.",
            got=f"radius {radius_m:g} m, length {length_m:g} m, alpha {alpha:g}",
            wanted="sizes above zero, 0 < alpha <= 1",
        )
    s = scales(air.temperature_k, air.pressure_pa)
    sigma = air.sigma_with_fog
    whole = prism_capacitance_m(radius_m, 2.0 * length_m if on_plate else length_m)
    area = prism_area_m2(radius_m, 2.0 * length_m if on_plate else length_m)
    chi0 = 0.0 if on_plate else s.chi0
    share = 0.5 if on_plate else 1.0
    rho_sat = float(ice_pressure(air.temperature_k)) / (RV * air.temperature_k)
    resist = (1.0 + chi0) * alpha * area / (4.0 * math.pi * whole * s.X0_m)
    product = math.prod((factors or {}).values())
    # A neighbour or plate changes the diffusive conductance, not attachment: the factor sits beside C.
    surface = sigma / (1.0 + resist / product)
    alone = sigma / (1.0 + resist)
    conduct = 4.0 * math.pi * whole * s.D_m2_s * rho_sat * share / (1.0 + chi0)
    rate = conduct * product * (sigma - surface)
    warming = (
        0.0 if on_plate else s.latent_j_kg * rate / (4.0 * math.pi * whole * product * s.conductivity_w_mk)
    )
    return Depletion(
        capacitance_m=whole,
        alpha=alpha,
        sigma_far=sigma,
        sigma_surface=surface,
        mass_rate_kg_s=rate,
        mass_rate_alone_kg_s=conduct * (sigma - alone),
        # The vapour field carries only what is not spent as heat: (sigma - s)/(1 + chi0) C/r.
        reach_m=100.0 * whole * (1.0 - surface / sigma) / (1.0 + chi0) if sigma else 0.0,
        warming_k=warming,
        factors=dict(factors or {}),
    )
