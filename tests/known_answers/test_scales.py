"""Scales of growth and conditions at water saturation against independently computed tables.

Outside source: tables worked out for the project with other code from Q. J. R. Meteorol. Soc. 131, 1539, 2005
(pressures), J. Atmos. Sci. 33, 1995, 1976 (D), J. Atmos. Sci. 28, 1455, 1971 (k), IAPWS-06 (density) and
gamma = 0.109 J/m2; and, for sigma at water saturation, the equation of state of supercooled water.
"""

from __future__ import annotations

import math

import pytest

from icewright.ground.constants import P_STANDARD, RV
from icewright.vapour.air import ice_density, latent_heat_sublimation
from icewright.vapour.saturation import ice_pressure, water_pressure
from icewright.vapour.scales import scales
from icewright.vapour.supersaturation import excess_density, sigma_at_water_saturation

# degC, sigma %, e_w - e_i Pa, excess g/m3, saturated g/m3, L J/g, ice kg/m3
AT_WATER_SATURATION = [
    (-1, 0.982, 5.53, 0.0440, 4.480, 2834.5, 916.868),
    (-2, 1.966, 10.18, 0.0813, 4.137, 2834.7, 917.014),
    (-5, 4.979, 20.00, 0.1616, 3.246, 2835.4, 917.449),
    (-10, 10.220, 26.56, 0.2187, 2.140, 2836.5, 918.166),
    (-15, 15.742, 26.02, 0.2184, 1.387, 2837.3, 918.871),
    (-20, 21.551, 22.25, 0.1905, 0.8837, 2837.9, 919.565),
    (-30, 33.998, 12.92, 0.1152, 0.3387, 2838.6, 920.917),
    (-40, 47.242, 6.07, 0.0564, 0.1194, 2838.5, 922.219),
]


@pytest.mark.parametrize("row", AT_WATER_SATURATION)
def test_at_water_saturation(row: tuple[float, ...]) -> None:
    t_c, sigma_percent, over_pa, excess_g, saturated_g, latent_j_g, density = row
    T = 273.15 + t_c
    # Same formulas on both sides, so the limit is the last digit printed (one unit, for its own
    # rounding).
    sigma = sigma_at_water_saturation(T, "review-2005")
    assert 100 * sigma == pytest.approx(sigma_percent, abs=1e-3)
    assert water_pressure(T) - ice_pressure(T, "review-2005") == pytest.approx(over_pa, abs=0.01)
    assert 1e3 * excess_density(T, sigma, "review-2005") == pytest.approx(excess_g, abs=1e-4)
    assert 1e3 * ice_pressure(T, "review-2005") / (RV * T) == pytest.approx(saturated_g, abs=1e-3)
    assert latent_heat_sublimation(T) / 1e3 == pytest.approx(latent_j_g, abs=0.1)
    assert ice_density(T) == pytest.approx(density, abs=2e-3)


@pytest.mark.parametrize(
    ("t_c", "percent"), [(-5, 4.980), (-10, 10.217), (-15, 15.725), (-20, 21.51), (-30, 33.86)]
)
def test_sigma_at_water_saturation_by_another_route(t_c: float, percent: float) -> None:
    # Supercooled-water equation of state over the 2005 ice; the two routes to e_water agree within
    # 1.5e-3 of e.
    ours = scales(273.15 + t_c, P_STANDARD).sigma_water
    assert ours == pytest.approx(percent / 100, abs=1.5e-3 * (1 + percent / 100))


# degC, sqrt(kT/2 pi m) m/s, c_sat/c_ice, v_kin um/s, X0 um, d_sv nm, eta 1/K, chi0
SCALES = [
    (0, 141.65, 5.288e-6, 749.1, 0.1490, 0.943, 0.0787, 0.957),
    (-5, 140.34, 3.538e-6, 496.6, 0.1451, 0.960, 0.0817, 0.653),
    (-15, 137.70, 1.510e-6, 207.9, 0.1373, 0.996, 0.0884, 0.289),
    (-30, 133.64, 3.678e-7, 49.2, 0.1260, 1.055, 0.0999, 0.0746),
]


@pytest.mark.parametrize("row", SCALES)
def test_scales_table(row: tuple[float, ...]) -> None:
    t_c, speed, ratio, v_kin_um, X0_um, d_nm, eta, chi0 = row
    found = scales(273.15 + t_c, P_STANDARD)
    # The table's own limit with the same D and k: +-0.5 %.
    got = (
        found.thermal_speed_m_s,
        found.c_ratio,
        1e6 * found.v_kin_m_s,
        1e6 * found.X0_m,
        1e9 * found.capillary_m,
        found.eta_per_k,
        found.chi0,
    )
    assert got == pytest.approx((speed, ratio, v_kin_um, X0_um, d_nm, eta, chi0), rel=5e-3)


# Standard capacitance growth law, 4 pi G at water saturation, kg/s per metre of capacitance.
@pytest.mark.parametrize(("t_c", "rate"), [(-5, 2.502e-8), (-15, 4.026e-8)])
def test_scales_give_the_capacitance_growth_law(t_c: float, rate: float) -> None:
    # dm/dt = 4 pi C sigma D rho_sat/(1 + chi0) must be the textbook law with its two resistances.
    found = scales(273.15 + t_c, P_STANDARD)
    T, L = found.temperature_k, found.latent_j_kg
    ours = (
        4
        * math.pi
        * found.sigma_water
        * found.D_m2_s
        * found.c_ratio
        * found.ice_density_kg_m3
        / (1 + found.chi0)
    )
    e_ice = ice_pressure(T)
    heat = (L / (RV * T) - 1) * L / (found.conductivity_w_mk * T)
    vapour = RV * T / (e_ice * found.D_m2_s)
    assert ours == pytest.approx(4 * math.pi * found.sigma_water / (heat + vapour), rel=1e-12)
    assert ours == pytest.approx(rate, rel=1.5e-3)


@pytest.mark.parametrize(("t_c", "radius_um"), [(-5, 51.26), (-10, 62.67)])
def test_pure_diffusion_sphere(t_c: float, radius_um: float) -> None:
    # Sphere from 5 um after 600 s at water saturation, alpha = 1, R >> X0, heat on: R^2 = R0^2 + 2 D c
    # sigma t/(1+chi0).
    found = scales(273.15 + t_c, P_STANDARD)
    area = 25e-12 + 2 * found.D_m2_s * found.c_ratio * found.sigma_water * 600 / (1 + found.chi0)
    assert 1e6 * math.sqrt(area) == pytest.approx(radius_um, rel=1e-3)


def test_sphere_with_heat_and_attachment() -> None:
    # -15 degC, sigma 0.15742, R 50 um, alpha 1: 6.958e-8 m/s with heat, 8.964e-8 without; 0.399 K
    # warmer.
    found = scales(258.15, P_STANDARD)
    R, sigma = 50e-6, 0.15742
    with_heat = found.v_kin_m_s * sigma / (1 + R / found.X0_m * (1 + found.chi0))
    without = found.v_kin_m_s * sigma / (1 + R / found.X0_m)
    warming = found.latent_j_kg * found.ice_density_kg_m3 * with_heat * R / found.conductivity_w_mk
    assert (with_heat, without) == pytest.approx((6.958e-8, 8.964e-8), rel=1e-3)
    assert warming == pytest.approx(0.399, abs=1e-3)


def test_a_gas_of_ones_own_is_taken_as_it_is() -> None:
    class Gas:
        diffusivity_m2_s = 7e-5
        conductivity_w_mk = 0.14

    in_air, in_gas = scales(258.15, P_STANDARD), scales(258.15, 2 * P_STANDARD, gas=Gas())
    assert in_gas.D_m2_s == 7e-5
    assert in_gas.X0_m == pytest.approx(in_air.X0_m * 7e-5 / in_air.D_m2_s, rel=1e-12)
    assert in_gas.chi0 == pytest.approx(
        in_air.chi0 * (7e-5 / in_air.D_m2_s) * (in_air.conductivity_w_mk / 0.14), rel=1e-12
    )
    assert in_gas.v_kin_m_s == in_air.v_kin_m_s
