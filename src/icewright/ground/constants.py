"""Physical constants, each with unit, uncertainty and source key, and as a plain float.

Uncertainties are one standard deviation in the unit of the value; 0.0 means exact by definition.
"""

from __future__ import annotations

from dataclasses import dataclass

from icewright.ground.sources import Source, register

register(
    Source(
        "si-2019",
        "The International System of Units, SI brochure, 9th edition, BIPM, 2019",
        how="read",
        note="Boltzmann and Avogadro constants are exact by definition; values read in scipy.constants",
    )
)
register(
    Source(
        "iapws-g5-01",
        "IAPWS Guideline G5-01(2020): fundamental constants and reference values of water",
        how="from memory",
        note="molar mass of water of standard ocean isotopic composition",
    )
)
register(Source("icewright-derived", "Worked out in Icewright from other registered values", how="computed"))
register(
    Source(
        "standard-atmosphere",
        "10th General Conference on Weights and Measures, resolution 4, 1954: standard atmosphere 101325 Pa",
        how="from memory",
    )
)


@dataclass(frozen=True)
class Constant:
    """A value with its unit, standard uncertainty in that unit, and source key."""

    value: float
    unit: str
    uncertainty: float
    source_key: str

    def __float__(self) -> float:
        return self.value


BOLTZMANN = Constant(1.380649e-23, "J/K", 0.0, "si-2019")
AVOGADRO = Constant(6.02214076e23, "1/mol", 0.0, "si-2019")
GAS_CONSTANT = Constant(1.380649e-23 * 6.02214076e23, "J/(mol K)", 0.0, "si-2019")
MOLAR_MASS_WATER = Constant(18.015268e-3, "kg/mol", 2e-9, "iapws-g5-01")
MOLECULE_MASS = Constant(
    MOLAR_MASS_WATER.value / AVOGADRO.value, "kg", 2e-9 / AVOGADRO.value, "icewright-derived"
)
VAPOUR_GAS_CONSTANT = Constant(
    GAS_CONSTANT.value / MOLAR_MASS_WATER.value, "J/(kg K)", 5.1e-5, "icewright-derived"
)
STANDARD_PRESSURE = Constant(101325.0, "Pa", 0.0, "standard-atmosphere")

k_B = BOLTZMANN.value  # noqa: N816 - the symbol physicists read; J/K
N_A = AVOGADRO.value  # 1/mol
R_GAS = GAS_CONSTANT.value  # J/(mol K)
M_WATER = MOLAR_MASS_WATER.value  # kg/mol
M_MOLECULE = MOLECULE_MASS.value  # kg
RV = VAPOUR_GAS_CONSTANT.value  # J/(kg K)
P_STANDARD = STANDARD_PRESSURE.value  # Pa

TRIPLE_POINT_K = 273.16  # K; the ice formulas end here
