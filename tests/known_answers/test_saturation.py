"""Saturation pressures against published check values and two reference libraries.

Outside sources: the check value of IAPWS R14-08(2011); the value table of Q. J. R. Meteorol. Soc. 131, 1539,
2005; equations of state of vapour (IAPWS-95, CoolProp), ice (IAPWS-06) and supercooled water (IAPWS R12-15,
both in iapws); MetPy's approximate formulas.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from icewright.vapour.saturation import ice_pressure, water_pressure

TRIPLE_K, TRIPLE_PA = 273.16, 611.657


def test_release_check_value() -> None:
    # IAPWS R14-08(2011): p(230 K) = 8.94735 Pa, all published digits.
    assert ice_pressure(230.0) == pytest.approx(8.94735, abs=5e-6)


# Table of Q. J. R. Meteorol. Soc. 131, 1539, 2005: K, Pa over ice, Pa over water; limit: its last digit.
REVIEW = [
    (150.0, "6.106e-6", "1.562e-5"),
    (180.0, "0.0053975", "0.011239"),
    (210.0, "0.70202", "1.2335"),
    (240.0, "27.272", "37.667"),
    (273.15, "611.154", "611.213"),
    (273.16, "611.657", "611.657"),
]


def in_last_digit(printed: str) -> float:
    """Half a unit of the last printed digit, with room for rounding to even."""
    digits, _, power = printed.partition("e")
    decimals = len(digits.partition(".")[2])
    return float(0.501 * 10.0 ** (int(power or 0) - decimals))


@pytest.mark.parametrize(("temperature_k", "ice", "water"), REVIEW)
def test_review_table(temperature_k: float, ice: str, water: str) -> None:
    assert abs(ice_pressure(temperature_k, "review-2005") - float(ice)) < in_last_digit(ice)
    assert abs(water_pressure(temperature_k) - float(water)) < in_last_digit(water)


def test_review_table_above_freezing() -> None:
    # Same table, 300 K, over water only.
    assert abs(water_pressure(300.0) - 3536.8) < 0.05


def vapour_gibbs(temperature_k: float, pressure_pa: float) -> float:
    """Gibbs energy of vapour, J/kg, by IAPWS-95 (zero for the liquid at the triple point)."""
    import CoolProp

    state = CoolProp.AbstractState("HEOS", "Water")
    state.specify_phase(CoolProp.iphase_gas)
    state.update(CoolProp.PT_INPUTS, pressure_pa, temperature_k)
    return float(state.gibbsmass())


def pressure_where_vapour_has(gibbs_j_kg, temperature_k: float) -> float:  # type: ignore[no-untyped-def]
    from scipy.optimize import brentq

    guess = ice_pressure(temperature_k)
    return float(
        brentq(lambda p: vapour_gibbs(temperature_k, p) - gibbs_j_kg(p), 0.8 * guess, 1.6 * guess, rtol=1e-12)
    )


@pytest.mark.parametrize("t_c", [-2.0, -10.0, -20.0, -40.0])
def test_ice_against_equality_of_gibbs_energies(t_c: float) -> None:
    # Independent of both formulas: ice IAPWS-06 (iapws) = vapour IAPWS-95 (CoolProp). Suggested limit
    # 3e-4.
    from iapws._iapws import _Ice

    temperature_k = 273.15 + t_c

    def ice(p: float) -> float:
        with warnings.catch_warnings():
            # The library warns that ice at these pressures is next to vapour; that is the point of the
            # test.
            warnings.simplefilter("ignore")
            return float(_Ice(temperature_k, p * 1e-6)["g"]) * 1e3

    outside = pressure_where_vapour_has(ice, temperature_k)
    assert ice_pressure(temperature_k) == pytest.approx(outside, rel=3e-4)
    assert ice_pressure(temperature_k, "review-2005") == pytest.approx(outside, rel=3e-4)


@pytest.mark.parametrize("t_c", [-2.0, -10.0, -20.0, -35.0])
def test_supercooled_water_against_its_entropy(t_c: float) -> None:
    # Liquid IAPWS R12-15 (iapws) = vapour IAPWS-95 (CoolProp), suggested limit 2e-3. The g that iapws
    # 1.5.5 gives for supercooled water does not satisfy dg/dT = -s (6.6 % in pressure at -30 degC), so s
    # is integrated from the triple point, where liquid, ice and vapour share one g.
    from iapws._iapws import _Supercooled

    temperature_k = 273.15 + t_c
    nodes, weights = np.polynomial.legendre.leggauss(24)
    half = (TRIPLE_K - temperature_k) / 2
    grid = temperature_k + half * (1 + nodes)
    pressure_mpa = (
        0.1  # liquid is so stiff that 1 bar instead of 5 mbar moves ln p by under 1e-3; put right below
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        states = [_Supercooled(float(T), pressure_mpa) for T in grid]
    entropy = np.array([state["s"] for state in states]) * 1e3  # J/(kg K)
    at_triple = vapour_gibbs(TRIPLE_K, TRIPLE_PA) + (pressure_mpa * 1e6 - TRIPLE_PA) / 999.8
    at_1_bar = at_triple + half * float(np.sum(weights * entropy))

    def water(p: float) -> float:
        return at_1_bar - (pressure_mpa * 1e6 - p) / 990.0  # volume of the liquid, good to 2 %, on 85 J/kg

    outside = pressure_where_vapour_has(water, temperature_k)
    assert water_pressure(temperature_k) == pytest.approx(outside, rel=2e-3)


@pytest.mark.parametrize("t_c", [-2.0, -10.0, -20.0, -40.0])
def test_against_metpy(t_c: float) -> None:
    # MetPy 1.7's own formulas are approximate: 0.04 to 0.25 % over ice, 0.07 to 0.4 % over water in this
    # range (differences computed for the project's physics notes). A check against gross error only,
    # limit 0.5 %.
    from metpy.calc import saturation_vapor_pressure
    from metpy.units import units

    at = units.Quantity(t_c, "degC")
    ice = saturation_vapor_pressure(at, phase="solid").to("Pa").magnitude
    water = saturation_vapor_pressure(at, phase="liquid").to("Pa").magnitude
    assert ice_pressure(273.15 + t_c) == pytest.approx(ice, rel=5e-3)
    assert water_pressure(273.15 + t_c) == pytest.approx(water, rel=5e-3)


def test_enhancement_in_air_is_not_in_our_pressure() -> None:
    # CoolProp's humid air at 1 atm: saturation is higher than over pure ice by 1.0042 (-5), 1.0045
    # (-15), 1.0051 (-30 degC). Ours is the pure pressure, so this factor must be what separates the two.
    from CoolProp.CoolProp import HAPropsSI

    for t_c, factor in [(-5.0, 1.0042), (-15.0, 1.0045), (-30.0, 1.0051)]:
        T = 273.15 + t_c
        in_air = HAPropsSI("P_w", "T", T, "P", 101325.0, "R", 1.0)
        assert in_air / ice_pressure(T) == pytest.approx(factor, abs=2e-4)
