"""Units against their definitions, constants against SciPy's copy of CODATA."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.constants as codata
from hypothesis import given
from hypothesis import strategies as st

from icewright.ground import constants, units

PAIRS = [
    (units.celsius_to_kelvin, units.kelvin_to_celsius),
    (units.um, units.from_um),
    (units.minutes, units.from_minutes),
    (units.hpa, units.from_hpa),
    (units.percent, units.from_percent),
    (units.ug, units.from_ug),
    (units.g_m3, units.from_g_m3),
]


@pytest.mark.parametrize(("there", "back"), PAIRS)
@given(value=st.floats(-1e6, 1e6))
def test_there_and_back(
    there: Callable[[float], float], back: Callable[[float], float], value: float
) -> None:
    assert back(there(value)) == pytest.approx(
        value, rel=1e-14, abs=1e-12 if there is not PAIRS[0][0] else 1e-9
    )


def test_definitions() -> None:
    # SI brochure, 9th edition, 2019.
    assert units.celsius_to_kelvin(-15.0) == 258.15
    assert units.um(2.5e-6) == pytest.approx(2.5)
    assert units.nm(1e-9) == pytest.approx(1.0)
    assert units.minutes(90.0) == 1.5
    assert units.hpa(101325.0) == 1013.25
    assert units.ug(3e-9) == pytest.approx(3.0)
    np.testing.assert_array_equal(units.percent(np.array([0.05, 0.5])), [5.0, 50.0])


def test_constants_against_codata() -> None:
    # scipy.constants, CODATA recommended values.
    assert constants.k_B == codata.Boltzmann
    assert codata.Avogadro == constants.N_A
    assert pytest.approx(codata.gas_constant, rel=1e-15) == constants.R_GAS
    assert codata.atm == constants.P_STANDARD


def test_water_against_other_libraries() -> None:
    # Molar mass and gas constant of water as the iapws library holds them (IAPWS-95: 461.51805 J/kg/K with
    # the gas constant of 1995, hence 2e-5); the project's physics notes: Rv = 461.52, m = 2.9915e-26 kg.
    from iapws._iapws import M, R

    assert pytest.approx(M * 1e-3, rel=1e-6) == constants.M_WATER
    assert pytest.approx(R * 1e3, rel=2e-5) == constants.RV
    assert pytest.approx(2.9915e-26, rel=1e-5) == constants.M_MOLECULE
