"""Transport in air, heat of sublimation, density of ice and surface energy, each with its source.

The published diffusivities of water vapour in air differ by 5.7 % at -15 degC and few data exist below
0 degC, so +-5 % is the systematic uncertainty stated for all three and the user chooses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from icewright.ground.constants import M_WATER, P_STANDARD, Constant
from icewright.ground.errors import ConditionsError
from icewright.ground.sources import Source, register

register(
    Source(
        "diffusivity-1976",
        "J. Atmos. Sci. 33, 1995, 1976: diffusivity of water vapour in air below 0 degC",
        doi="10.1175/1520-0469(1976)033<1995:TSOIPF>2.0.CO;2",
        how="from memory",
    )
)
register(
    Source(
        "diffusivity-1998",
        "Atmos. Environ. 32, 1111, 1998: review of molecular diffusivities in air",
        doi="10.1016/S1352-2310(97)00391-9",
        how="from memory",
    )
)
register(
    Source(
        "diffusivity-1972",
        "J. Phys. Chem. Ref. Data 1, 3, 1972: gaseous diffusion coefficients",
        doi="10.1063/1.3253094",
        how="from memory",
        note="stated for 282 K and above; used below that by extrapolation",
    )
)
register(
    Source(
        "conductivity-1971",
        "J. Atmos. Sci. 28, 1455, 1971: thermal conductivity of air",
        how="read",
        note="coefficients read in a public cloud-model source; citation from memory; "
        "1.2 to 2.3 % below the reference equation of state of air",
    )
)
register(
    Source(
        "iapws-r10-06",
        "IAPWS R10-06(2009), equation of state of ice Ih; J. Phys. Chem. Ref. Data 35, 1021, 2006",
        doi="10.1063/1.2183324",
        how="computed",
        note="cubic fitted here to the density at 101325 Pa given by the iapws library, -100 to 0 degC",
    )
)
register(
    Source(
        "surface-energy-1969",
        "Philos. Mag. 19, 1161, 1969: surface free energy of ice",
        doi="10.1080/14786436908228641",
        how="abstract",
        note="0.109 J/m2 at 0 degC, little variation with orientation; the uncertainty is from memory",
    )
)
register(
    Source("ice-conductivity", "Thermal conductivity of ice near -10 degC, common value", how="from memory")
)
register(
    Source(
        "latent-heat-review-2005",
        "Q. J. R. Meteorol. Soc. 131, 1539, 2005: molar heat of sublimation",
        doi="10.1256/qj.04.94",
        how="from memory",
        note="agrees with the equations of state of ice and vapour to 0.01 %",
    )
)

SURFACE_ENERGY = Constant(0.109, "J/m2", 0.003, "surface-energy-1969")
ICE_CONDUCTIVITY = Constant(2.3, "W/(m K)", 0.1, "ice-conductivity")

DIFFUSIVITY_RELATIVE_UNCERTAINTY = 0.05
CONDUCTIVITY_RELATIVE_UNCERTAINTY = 0.025
LATENT_HEAT_RELATIVE_UNCERTAINTY = 1e-4
ICE_DENSITY_RELATIVE_UNCERTAINTY = 2e-5


@dataclass(frozen=True)
class DiffusivityChoice:
    """D = d0 (T/t0)^power (101325 Pa/P); ``d0`` in m2/s, ``t0`` in K."""

    d0: float
    t0: float
    power: float
    source_key: str


DIFFUSIVITIES: dict[str, DiffusivityChoice] = {
    "1976": DiffusivityChoice(2.11e-5, 273.15, 1.94, "diffusivity-1976"),
    "1998": DiffusivityChoice(2.178e-5, 273.15, 1.81, "diffusivity-1998"),
    # Published as 1.87e-10 T^2.072 at 1 atm; t0 = 1 K keeps its own number in sight.
    "1972": DiffusivityChoice(1.87e-10, 1.0, 2.072, "diffusivity-1972"),
}


@overload
def diffusivity(temperature_k: float, pressure_pa: float, choice: str = "1976") -> float: ...
@overload
def diffusivity(
    temperature_k: NDArray[np.float64], pressure_pa: float | NDArray[np.float64], choice: str = "1976"
) -> NDArray[np.float64]: ...
def diffusivity(
    temperature_k: float | NDArray[np.float64],
    pressure_pa: float | NDArray[np.float64],
    choice: str = "1976",
) -> float | NDArray[np.float64]:
    """Diffusivity of water vapour in air, m2/s, at K and Pa (floats or arrays that broadcast), +-5 %.

    ``choice``: ``"1976"``, ``"1998"`` or ``"1972"``, named by year of publication (see ``DIFFUSIVITIES``).
    Raises ``ConditionsError`` for an unknown choice, or a temperature or pressure not above zero.
    """
    if choice not in DIFFUSIVITIES:
        raise ConditionsError(
            "No such diffusivity formula.",
            got=repr(choice),
            wanted="one of " + ", ".join(DIFFUSIVITIES),
            do='diffusivity = "1976"',
        )
    if not (np.all(np.asarray(temperature_k) > 0) and np.all(np.asarray(pressure_pa) > 0)):
        raise ConditionsError(
            "Temperature and pressure must be above zero.",
            got=f"T = {temperature_k} K, P = {pressure_pa} Pa",
            wanted="kelvin and pascals, both above zero",
        )
    law = DIFFUSIVITIES[choice]
    return law.d0 * (temperature_k / law.t0) ** law.power * (P_STANDARD / pressure_pa)


@overload
def conductivity(temperature_k: float) -> float: ...
@overload
def conductivity(temperature_k: NDArray[np.float64]) -> NDArray[np.float64]: ...
def conductivity(temperature_k: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Heat conductivity of air at any pressure, W/(m K), any shape; J. Atmos. Sci. 28, 1455, 1971."""
    return 0.023823 + 7.118e-5 * (temperature_k - 273.15)


@overload
def latent_heat_sublimation(temperature_k: float) -> float: ...
@overload
def latent_heat_sublimation(temperature_k: NDArray[np.float64]) -> NDArray[np.float64]: ...
def latent_heat_sublimation(temperature_k: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Heat of sublimation of ice, J/kg, any shape; Q. J. R. Meteorol. Soc. 131, 1539, 2005, equation 5
    (equation number and coefficients from memory)."""
    T = temperature_k
    gauss = 541.5 * np.exp(-((T / 123.75) ** 2))
    molar = 46782.5 + 35.8925 * T - 0.07414 * T**2 + gauss  # J/mol
    return molar / M_WATER if isinstance(molar, np.ndarray) else float(molar) / M_WATER


@overload
def ice_density(temperature_k: float) -> float: ...
@overload
def ice_density(temperature_k: NDArray[np.float64]) -> NDArray[np.float64]: ...
def ice_density(temperature_k: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Density of ice Ih at 1 atm, kg/m3, any shape.

    Cubic fitted to IAPWS R10-06(2009) between -100 and 0 degC; largest departure there 1.2e-3 kg/m3.
    """
    t = temperature_k - 273.15
    return 916.722998 + t * (-0.146282107 + t * (-1.97914945e-4 + t * 5.95404688e-7))
