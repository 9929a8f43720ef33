"""Saturation vapour pressure over ice (two independent formulations) and over supercooled water.

All are for pure vapour. In air at 1 atm the true saturation pressure is higher by the enhancement factor
(1.004 to 1.005 between -5 and -30 degC); it cancels in the supersaturation sigma = e/e_ice - 1 as long as
both pressures come from here, and not if one of them is a measured partial pressure in air.
"""

from __future__ import annotations

from typing import Literal, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from icewright.ground.errors import ConditionsError
from icewright.ground.sources import Source, register

IceFormulation = Literal["iapws-r14-08", "review-2005"]
DEFAULT_ICE: IceFormulation = "iapws-r14-08"

ICE_R14 = register(
    Source(
        "iapws-r14-08",
        "IAPWS R14-08(2011), sublimation pressure of water; J. Phys. Chem. Ref. Data 40, 043103, 2011",
        doi="10.1063/1.3657937",
        how="read",
        note="coefficients read in the iapws library; check value p(230 K) = 8.94735 Pa",
    )
)
REVIEW_2005 = register(
    Source(
        "review-2005",
        "Q. J. R. Meteorol. Soc. 131, 1539, 2005: review of vapour pressures of ice and supercooled water",
        doi="10.1256/qj.04.94",
        how="read",
        note="coefficients read in two public source files; volume, page and temperature ranges from memory",
    )
)

# Relative uncertainty we state for each, from the spread of independent routes between -40 and 0 degC
# (two formulas and equality of Gibbs energies): 2.5e-4 over ice, 1.5e-3 over supercooled water.
ICE_RELATIVE_SPREAD = 2.5e-4
WATER_RELATIVE_SPREAD = 1.5e-3

_ICE_RANGE_K: dict[str, tuple[float, float]] = {
    "iapws-r14-08": (50.0, 273.16),
    "review-2005": (110.0, 273.16),
}
_WATER_RANGE_K = (123.0, 332.0)

# IAPWS R14-08(2011), equation 6: ln(p/p_t) = (1/theta) sum a_i theta^b_i, theta = T/273.16 K.
_R14_A = (-21.2144006, 27.3203819, -6.10598130)
_R14_B = (0.00333333333, 1.20666667, 1.70333333)
_TRIPLE_K = 273.16
_TRIPLE_PA = 611.657


@overload
def ice_pressure(temperature_k: float, formulation: str = DEFAULT_ICE) -> float: ...
@overload
def ice_pressure(
    temperature_k: NDArray[np.float64], formulation: str = DEFAULT_ICE
) -> NDArray[np.float64]: ...
def ice_pressure(
    temperature_k: float | NDArray[np.float64], formulation: str = DEFAULT_ICE
) -> float | NDArray[np.float64]:
    """Saturation vapour pressure over ice, Pa, at ``temperature_k`` (K; a float, or an array of any shape).

    ``formulation``: ``"iapws-r14-08"`` (50 to 273.16 K, IAPWS R14-08 equation 6) or ``"review-2005"``
    (110 to 273.16 K, Q. J. R. Meteorol. Soc. 131, 1539, 2005, equation 7,
    equation number from memory).
    Raises ``ConditionsError`` for a temperature outside the range or an unknown formulation.
    """
    if formulation not in _ICE_RANGE_K:
        raise ConditionsError(
            "No such formulation of the pressure over ice.",
            got=repr(formulation),
            wanted=" or ".join(_ICE_RANGE_K),
        )
    T = _within(temperature_k, _ICE_RANGE_K[formulation], f"the pressure over ice ({formulation})")
    return _shaped(_r14(T) if formulation == "iapws-r14-08" else _ice_2005(T))


@overload
def water_pressure(temperature_k: float) -> float: ...
@overload
def water_pressure(temperature_k: NDArray[np.float64]) -> NDArray[np.float64]: ...
def water_pressure(temperature_k: float | NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Saturation vapour pressure over liquid (also supercooled) water, Pa, 123 to 332 K; any shape.

    Q. J. R. Meteorol. Soc. 131, 1539, 2005, equation 10 (number from memory).
    Raises ``ConditionsError`` outside the range.
    """
    return _shaped(_water_2005(_within(temperature_k, _WATER_RANGE_K, "the pressure over water")))


def ice_range_k(formulation: str = DEFAULT_ICE) -> tuple[float, float]:
    """Lowest and highest temperature, K, that a formulation over ice covers."""
    return _ICE_RANGE_K[formulation]


def water_range_k() -> tuple[float, float]:
    """Lowest and highest temperature, K, that the formula over water covers."""
    return _WATER_RANGE_K


def _r14(T: NDArray[np.float64]) -> NDArray[np.float64]:
    theta = T / _TRIPLE_K
    total = sum(a * theta**b for a, b in zip(_R14_A, _R14_B, strict=True))
    return np.asarray(_TRIPLE_PA * np.exp(total / theta), dtype=np.float64)


def _ice_2005(T: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(9.550426 - 5723.265 / T + 3.53068 * np.log(T) - 0.00728332 * T))


def _water_2005(T: NDArray[np.float64]) -> NDArray[np.float64]:
    lnT = np.log(T)
    hot = 54.842763 - 6763.22 / T - 4.210 * lnT + 0.000367 * T
    cold = 53.878 - 1331.22 / T - 9.44523 * lnT + 0.014025 * T
    return np.asarray(np.exp(hot + np.tanh(0.0415 * (T - 218.8)) * cold))


def _within(temperature_k: ArrayLike, range_k: tuple[float, float], what: str) -> NDArray[np.float64]:
    T = np.asarray(temperature_k, dtype=np.float64)
    low, high = range_k
    # Half a millikelvin of grace, so that rounding in 0.01 degC does not refuse the triple point itself.
    if not bool(np.all((low <= T) & (high + 5e-4 >= T))):
        raise ConditionsError(
            f"The temperature is outside the range of {what}.",
            got=f"{np.min(T):.6g} to {np.max(T):.6g} K" if T.ndim else f"{float(T):.6g} K",
            wanted=f"{low:g} to {high:g} K ({low - 273.15:.2f} to {high - 273.15:.2f} degC)",
            do="give kelvin here; -15 degC is 258.15 K",
        )
    return T


def _shaped(value: NDArray[np.float64]) -> float | NDArray[np.float64]:
    return value if value.ndim else float(value)
