"""The scales that rule growth, worked out from temperature and pressure.

With s = sqrt(kT/(2 pi m)), c_sat the saturated vapour density and c_ice the density of ice::

    v_kin = (c_sat/c_ice) s         surface speed of a fully absorbing facet at sigma = 1
    X0    = D/s                     below this size attachment, above it diffusion, limits growth
    d_sv  = gamma/(c_ice k T)       Gibbs-Thomson: sigma_eq = d_sv * curvature (2/R for a sphere)
    eta   = L/(Rv T^2) - 1/T        d ln c_sat/dT
    chi0  = eta L c_sat D/k_air     latent heat slows mass-transfer-limited growth by 1/(1 + chi0)
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from icewright.ground.constants import M_MOLECULE, RV, k_B
from icewright.ground.errors import ConditionsError
from icewright.vapour import air
from icewright.vapour.saturation import DEFAULT_ICE, ice_pressure, water_pressure


class Gas(Protocol):
    """A gas of the user's own: values taken as they are, at the run's own temperature and pressure."""

    @property
    def diffusivity_m2_s(self) -> float:
        """Diffusivity of water vapour in this gas, m2/s."""

    @property
    def conductivity_w_mk(self) -> float:
        """Heat conductivity of this gas, W/(m K)."""


@dataclass(frozen=True)
class Scales:
    """Scales of growth at one temperature and pressure; floats in SI, unit in each name."""

    temperature_k: float
    pressure_pa: float
    D_m2_s: float
    conductivity_w_mk: float
    v_kin_m_s: float
    X0_m: float
    c_ratio: float  # saturated vapour density over density of ice
    capillary_m: float  # d_sv
    eta_per_k: float
    chi0: float
    latent_j_kg: float
    ice_density_kg_m3: float
    sigma_water: float  # sigma over ice at water saturation
    thermal_speed_m_s: float  # sqrt(kT/(2 pi m))
    source_keys: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """The same values as a plain dictionary."""
        return asdict(self)


def scales(
    temperature_k: float,
    pressure_pa: float,
    *,
    diffusivity: str = "1976",
    gas: Gas | None = None,
    formulation: str = DEFAULT_ICE,
) -> Scales:
    """Scales at ``temperature_k`` (K) and ``pressure_pa`` (Pa); equations at the top of this module.

    ``diffusivity`` chooses the formula for air; ``gas`` replaces it, and the conductivity, by the user's own.
    Raises ``ConditionsError`` outside the range of the formulas or for a gas with values not above zero.
    """
    T = float(temperature_k)
    if gas is None:
        D = air.diffusivity(T, float(pressure_pa), diffusivity)
        k = air.conductivity(T)
        transport: tuple[str, ...] = (air.DIFFUSIVITIES[diffusivity].source_key, "conductivity-1971")
    else:
        D, k = float(gas.diffusivity_m2_s), float(gas.conductivity_w_mk)
        transport = ()
        if not (D > 0 and k > 0):
            raise ConditionsError(
                "A gas of your own needs both its values above zero.",
                got=f"diffusivity {D} m2/s, conductivity {k} W/(m K)",
                wanted="for air at 0 degC and 1 atm they are about 2.1e-5 and 0.024",
            )
    e_ice = ice_pressure(T, formulation)
    c_sat = e_ice / (RV * T)  # kg/m3, ideal gas
    rho = air.ice_density(T)
    latent = air.latent_heat_sublimation(T)
    speed = math.sqrt(k_B * T / (2.0 * math.pi * M_MOLECULE))
    eta = latent / (RV * T * T) - 1.0 / T
    return Scales(
        temperature_k=T,
        pressure_pa=float(pressure_pa),
        D_m2_s=D,
        conductivity_w_mk=k,
        v_kin_m_s=c_sat / rho * speed,
        X0_m=D / speed,
        c_ratio=c_sat / rho,
        # rho/m molecules per volume: gamma/(c_ice k T) with c_ice a number density.
        capillary_m=air.SURFACE_ENERGY.value * M_MOLECULE / (rho * k_B * T),
        eta_per_k=eta,
        chi0=eta * latent * c_sat * D / k,
        latent_j_kg=latent,
        ice_density_kg_m3=rho,
        sigma_water=water_pressure(T) / e_ice - 1.0,
        thermal_speed_m_s=speed,
        source_keys=(
            formulation,
            *transport,
            "iapws-r10-06",
            "latent-heat-review-2005",
            "surface-energy-1969",
            "review-2005",
            "si-2019",
        ),
    )
