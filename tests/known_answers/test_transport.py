"""Transport, latent heat, density of ice against equations of state.

Outside sources: CoolProp (air, IAPWS-95), iapws (ice IAPWS-06), one published density of ice. The diffusivity
formulas themselves are from memory, so no outside number limits them; only their spread and pressure law.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from icewright.ground.constants import P_STANDARD
from icewright.vapour.air import (
    DIFFUSIVITIES,
    conductivity,
    diffusivity,
    ice_density,
    latent_heat_sublimation,
)
from icewright.vapour.saturation import ice_pressure


@pytest.mark.parametrize("t_c", [0.0, -10.0, -15.0, -20.0, -30.0])
def test_conductivity_against_the_equation_of_state_of_air(t_c: float) -> None:
    # CoolProp "Air": the formula of J. Atmos. Sci. 28, 1455, 1971 is lower by 1.2 to 2.3 %; its stated
    # uncertainty is 2.5 %.
    from CoolProp.CoolProp import PropsSI

    outside = PropsSI("L", "T", 273.15 + t_c, "P", P_STANDARD, "Air")
    assert conductivity(273.15 + t_c) == pytest.approx(outside, rel=0.025)


@pytest.mark.parametrize("t_c", [-1.0, -2.0, -5.0, -10.0, -15.0, -20.0, -30.0, -40.0])
def test_latent_heat_against_equations_of_state(t_c: float) -> None:
    # Enthalpy of saturated vapour (IAPWS-95, CoolProp) less that of ice (IAPWS-06, iapws): the review's
    # formula was found to agree to 0.01 %, the uncertainty that we state. (With vapour at 1 Pa instead of at
    # saturation the answer would be another quantity, 0.02 % larger.)
    import CoolProp
    from iapws._iapws import _Ice

    T = 273.15 + t_c
    state = CoolProp.AbstractState("HEOS", "Water")
    state.specify_phase(CoolProp.iphase_gas)
    state.update(CoolProp.PT_INPUTS, ice_pressure(T), T)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        ice = float(_Ice(T, ice_pressure(T) * 1e-6)["h"]) * 1e3
    assert latent_heat_sublimation(T) == pytest.approx(float(state.hmass()) - ice, rel=1e-4)


def test_published_density_of_ice() -> None:
    # IAPWS-06 at 273.152519 K and 101325 Pa: 916.721463 kg/m3 (computed with iapws; published digits
    # from memory).
    assert ice_density(273.152519) == pytest.approx(916.721463, abs=2e-3)


def test_density_of_ice_over_the_range() -> None:
    # iapws `_Ice` at 1 atm; the cubic's stated largest departure is 1.2e-3 kg/m3.
    from iapws._iapws import _Ice

    T = np.linspace(173.15, 273.15, 21)
    outside = np.array([_Ice(float(x), 0.101325)["rho"] for x in T])
    assert np.max(np.abs(ice_density(T) - outside)) < 1.3e-3


def test_published_diffusivities_spread_as_stated() -> None:
    # Computed for the project's physics notes: 1.891, 1.966, 1.859e-5 m2/s at -15 degC and 1 atm, 5.7 %
    # apart.
    got = {choice: diffusivity(258.15, P_STANDARD, choice) for choice in DIFFUSIVITIES}
    assert got == pytest.approx({"1976": 1.891e-5, "1998": 1.966e-5, "1972": 1.859e-5}, abs=0.6e-8)
    spread = (max(got.values()) - min(got.values())) / np.mean(list(got.values()))
    assert spread == pytest.approx(0.057, abs=1e-3)


@pytest.mark.parametrize("choice", list(DIFFUSIVITIES))
def test_diffusivity_goes_as_one_over_pressure(choice: str) -> None:
    # Kinetic theory of dilute gases: common practice.
    assert diffusivity(258.15, 2 * P_STANDARD, choice) == pytest.approx(
        diffusivity(258.15, P_STANDARD, choice) / 2, rel=1e-14
    )
