"""Worked examples of laboratory devices, to the printed digits.

Outside source: the table of devices in the project's collected physics (section 5), worked out there by a
program of its own from the saturation formulas of Q. J. R. Meteorol. Soc. 131, 1539, 2005. The term
``ice_formula`` = 1 moves our saturation over ice to exactly that formulation, so that the last digit can be
compared; the default formulation (IAPWS R14-08) differs by up to 2.5e-4.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from icewright.apparatus import falling, gradient, mixing, reservoir, two_plate
from icewright.apparatus.basis import over_ice
from icewright.vapour.saturation import ice_pressure, water_pressure

P = 101325.0
REVIEW = {"ice_formula": 1.0}


def half_digit(printed: str) -> float:
    return 0.501 * 10.0 ** -len(printed.partition(".")[2])


def close(value: float, printed: str, digits: float = 1.0) -> bool:
    return abs(value - float(printed)) < digits * half_digit(printed)


def plates(warm_c: float, cold_c: float, share: float, rule: str) -> tuple[float, float]:
    choices = {"transport": rule, "warm_coat": "ice", "walls": "dry", "wall_shape": "round"}
    x = {
        "warm_plate": warm_c + 273.15,
        "cold_plate": cold_c + 273.15,
        "gap": 1.0,
        "crystal_height": share,
        **REVIEW,
    }
    found = two_plate.KIND.state(x, P, choices)
    T = float(found.temperature_k)
    return T, float(found.vapour_pa) / float(ice_pressure(T, "review-2005")) - 1.0


def largest(warm_c: float, cold_c: float, rule: str) -> tuple[float, float]:
    found = minimize_scalar(
        lambda z: -plates(warm_c, cold_c, z, rule)[1],
        bounds=(0, 1),
        method="bounded",
        options={"xatol": 1e-7},
    )
    return float(found.x), -float(found.fun)


# Section 5 (a): T_h/T_c; sigma mid; sigma max; x of max; T there; max by density-linear; diffusivity; full.
TWO_PLATES = [
    (-14, -16, "0.00390", "0.00390", "0.483", "-15.03", "0.00356", "0.00407", "0.00393"),
    (-5, -15, "0.09093", "0.09332", "0.421", "-10.80", "0.0847", "0.0976", "0.0939"),
]


@pytest.mark.parametrize("row", TWO_PLATES)
def test_two_plates(row: tuple) -> None:
    warm, cold, mid, top, at, there, density, diffusivity, full = row
    assert close(plates(warm, cold, 0.5, "pressure-linear")[1], mid)
    share, sigma = largest(warm, cold, "pressure-linear")
    assert close(sigma, top)
    assert close(share, at, 1.2)
    assert close(plates(warm, cold, share, "pressure-linear")[0] - 273.15, there, 1.2)
    for rule, printed in (("density-linear", density), ("diffusivity", diffusivity), ("full", full)):
        assert close(largest(warm, cold, rule)[1], printed)


def test_zero_over_minus_thirty_fogs() -> None:
    # Same section: "0/-30 exceeds water saturation".
    T, sigma = plates(0, -30, 0.5, "pressure-linear")
    assert sigma > float(water_pressure(T) / ice_pressure(T)) - 1


# Section 5 (b): plate temperature; sigma for a reservoir 0.1, 0.5, 1, 2 K warmer; dT for water saturation.
RESERVOIR = [
    (-5, ("0.00858", "0.04358", "0.08889", "0.18493"), "0.570"),
    (-15, ("0.00927", "0.04712", "0.09627", "0.20096"), "1.594"),
    (-20, ("0.00964", "0.04906", "0.10031", "0.20977"), "2.050"),
]
DRY = {"plate": "dry", "reservoir_coat": "ice"}


def over_reservoir(plate_c: float, warmer_k: float) -> float:
    x = {"plate": plate_c + 273.15, "reservoir": plate_c + warmer_k + 273.15, "gap": 0.003, **REVIEW}
    found = reservoir.KIND.state(x, P, DRY)
    return float(found.vapour_pa) / float(over_ice(x["plate"], REVIEW)) - 1.0


@pytest.mark.parametrize(("plate", "sigmas", "to_water"), RESERVOIR)
def test_reservoir(plate: float, sigmas: tuple, to_water: str) -> None:
    for warmer, printed in zip((0.1, 0.5, 1.0, 2.0), sigmas, strict=True):
        assert close(over_reservoir(plate, warmer), printed)
    T = plate + 273.15
    top = float(water_pressure(T)) / float(ice_pressure(T, "review-2005")) - 1.0
    assert close(float(brentq(lambda d: over_reservoir(plate, d) - top, 0.01, 5.0)), to_water)


def test_mixing() -> None:
    # Section 5 (c): 0 degC and -30 degC, both saturated over ice, 0.3 of the dry air humid.
    humid, cold = (float(ice_pressure(T, "review-2005")) for T in (273.15, 243.15))
    found = mixing.mix(0.3, 273.15, 243.15, humid, cold, P)
    assert close(found.temperature_k - 273.15, "-20.959")
    assert close(found.vapour_pa, "210.64")
    assert close(found.vapour_pa / float(ice_pressure(found.temperature_k, "review-2005")), "2.2374")
    assert close(found.vapour_pa / float(water_pressure(found.temperature_k)), "1.8235")


def test_mixing_against_real_moist_air() -> None:
    # Enthalpy of moist air by CoolProp (HAPropsSI, virial equation of state), J/kg of dry air. Half-saturated
    # streams, for the library refuses air above saturation.
    from CoolProp.HumidAirProp import HAPropsSI

    hot, chill, share = 268.15, 243.15, 0.35
    e = [0.5 * float(ice_pressure(T)) for T in (hot, chill)]
    w_hot, w_chill = (float(mixing.mixing_ratio(e_i, P)) for e_i in e)
    w = share * w_hot + (1 - share) * w_chill
    H = share * HAPropsSI("H", "T", hot, "P", P, "W", w_hot)
    H += (1 - share) * HAPropsSI("H", "T", chill, "P", P, "W", w_chill)
    T = brentq(lambda T: HAPropsSI("H", "T", T, "P", P, "W", w) - H, chill, hot)
    found = mixing.mix(share, hot, chill, *e, P)
    assert found.temperature_k == pytest.approx(T, abs=0.01)
    assert mixing.mixing_ratio(found.vapour_pa, P) == pytest.approx(w, rel=1e-12)


# Section 5, sensitivity: +0.1 K error of the crystal at water saturation changes sigma by this much.
SENSITIVITY = [(-5, "-0.0090"), (-10, "-0.0098"), (-15, "-0.0107"), (-20, "-0.0117"), (-30, "-0.0139")]


@pytest.mark.parametrize(("t_c", "printed"), SENSITIVITY)
def test_a_tenth_of_a_degree(t_c: float, printed: str) -> None:
    # The table is linear, -(1 + sigma) L/(Rv T^2) 0.1 K: so is a central difference of the plate's
    # temperature.
    T, d = t_c + 273.15, 1e-3
    vapour = float(water_pressure(T))
    slope = (vapour / float(over_ice(T + d)) - vapour / float(over_ice(T - d))) / (2 * d)
    assert close(0.1 * slope, printed)


def test_curvature_of_saturation() -> None:
    # Section 5 (a): e''/e = (L/RvT^2)^2 - 2L/(RvT^3), against second differences of the saturation formula
    # itself.
    T, d = 258.15, 0.05
    second = (ice_pressure(T + d) - 2 * ice_pressure(T) + ice_pressure(T - d)) / d**2 / ice_pressure(T)
    assert falling.curvature(T) == pytest.approx(second, rel=3e-3)


def test_two_parcels_make_half_the_variance() -> None:
    # Section 5 (d): sigma about (1/2)(e''/e) var(T). Two equal parcels 1 K apart, exactly mixed.
    T = np.array([257.65, 258.65])
    exact = float(np.mean(ice_pressure(T)) / ice_pressure(258.15)) - 1
    assert falling.sigma_from_spread(258.15, 0.5) == pytest.approx(exact, rel=5e-3)


def test_full_rule_against_an_ode_solver() -> None:
    # k(T) T' and D(T) e'/T constant, integrated by SciPy from the published k and D themselves.
    from scipy.integrate import quad

    from icewright.vapour.air import conductivity, diffusivity

    cold, warm, e_c, e_w = 243.15, 271.15, 40.0, 500.0
    whole_k = quad(conductivity, cold, warm)[0]

    def weight(T: float) -> float:
        return T * conductivity(T) / diffusivity(T, P)

    whole_e = quad(weight, cold, warm)[0]
    for share in (0.2, 0.5, 0.9):
        T, e = gradient.between(share, cold, warm, e_c, e_w, "full")
        assert quad(conductivity, cold, float(T))[0] / whole_k == pytest.approx(share, rel=1e-9)
        assert (float(e) - e_c) / (e_w - e_c) == pytest.approx(
            quad(weight, cold, float(T))[0] / whole_e, rel=1e-9
        )
