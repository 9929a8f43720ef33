"""`air`: one humidity in, all the others out, each with uncertainty and source; slips of units refused.

Outside sources: the project's table at water saturation (from Q. J. R. Meteorol. Soc. 131, 1539, 2005);
CoolProp for a dew and frost point of moist air.
"""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from icewright.ground.errors import ConditionsError
from icewright.tasks.air import AirReport, air
from icewright.vapour.supersaturation import MEASURES

P = 101325.0


@given(temperature_k=st.floats(233.15, 272.0), sigma=st.floats(-0.9, 0.05))
def test_any_measure_gives_the_same_air(temperature_k: float, sigma: float) -> None:
    first = air(temperature_k, P, sigma=sigma)
    for name in MEASURES:
        again = air(temperature_k, P, **{name: first.quantity(name).value})
        for other in MEASURES:
            value, expected = again.quantity(other).value, first.quantity(other).value
            assert value == pytest.approx(expected, rel=1e-8, abs=1e-11), (name, other)


def test_water_saturation_is_where_droplets_begin() -> None:
    # -15 degC: sigma 15.742 %, 0.2184 g/m3 in excess (with the second ice formulation, hence the limits).
    report = air(258.15, P, rh_water=1.0)
    assert report.quantity("sigma").value == pytest.approx(0.15742, abs=2e-4)
    assert report.quantity("excess_density_kg_m3").value == pytest.approx(0.2184e-3, abs=0.3e-6)
    assert report.quantity("sigma_margin").value == pytest.approx(0.0, abs=1e-12)
    assert report.quantity("dew_point_k").value == pytest.approx(258.15, abs=1e-8)
    assert not air(258.15, P, rh_water=0.999).droplets
    above = air(258.15, P, rh_water=1.001)
    assert above.droplets and "droplets will form" in above.words


def test_against_coolprop_humid_air() -> None:
    # CoolProp HAPropsSI at -10 degC, partial pressure 200 Pa in air. What it calls the dew point is over ice
    # below freezing, and includes the enhancement factor in air, 1.0044 in pressure or 0.05 K: the limit.
    from CoolProp.CoolProp import HAPropsSI

    outside = HAPropsSI("D", "T", 263.15, "P", P, "P_w", 200.0)
    report = air(263.15, P, vapour_pressure_pa=200.0)
    assert report.quantity("frost_point_k").value == pytest.approx(outside, abs=0.06)


def test_the_given_value_is_exact_and_the_rest_carries_the_formulas() -> None:
    # Stated spreads: 2.5e-4 over ice, 1.5e-3 over water, 5 % for D (physics notes, sections 1.1 and 1.3).
    report = air(258.15, P, sigma=0.05)
    sigma, rh, e, D = (report.quantity(n) for n in ("sigma", "rh_water", "vapour_pressure_pa", "D_m2_s"))
    assert sigma.uncertainty == 0.0
    assert e.value and e.uncertainty == pytest.approx(2.5e-4 * e.value)
    assert rh.value and rh.uncertainty == pytest.approx((2.5e-4**2 + 1.5e-3**2) ** 0.5 * rh.value)
    assert D.value and D.uncertainty == pytest.approx(0.05 * D.value)
    assert report.quantity("frost_point_k").uncertainty is None  # cancels, not known to be zero
    by_rh = air(258.15, P, rh_water=0.9)
    assert by_rh.quantity("rh_water").uncertainty == pytest.approx(0.0, abs=1e-15)
    assert by_rh.quantity("sigma").uncertainty == pytest.approx(rh.uncertainty / rh.value * 1.042, rel=1e-3)


def test_the_stated_uncertainty_covers_the_other_formulation() -> None:
    # The two ice formulations are independent: what they change must lie within the printed uncertainty.
    from icewright.vapour import supersaturation as humid

    for t_c in (-2.0, -15.0, -35.0):
        T = 273.15 + t_c
        e = air(T, P, vapour_pressure_pa=humid.vapour_pressure(T, 0.03)).quantity("sigma")
        other = humid.sigma_from_vapour_pressure(T, humid.vapour_pressure(T, 0.03), "review-2005")
        assert e.value is not None and e.uncertainty is not None
        assert abs(other - e.value) < e.uncertainty


def test_what_rests_on_memory_is_marked() -> None:
    report = air(258.15, P, sigma=0.05)
    assert report.quantity("D_m2_s").from_memory and report.quantity("X0_m").from_memory
    assert not report.quantity("sigma").from_memory


def test_no_frost_point_is_said_and_not_invented() -> None:
    report = air(271.15, P, excess_density_kg_m3=1e-3)
    frost = report.quantity("frost_point_k")
    assert frost.value is None and "611.657" in frost.note


def test_a_gas_of_ones_own_has_no_uncertainty_that_we_could_know() -> None:
    class Gas:
        diffusivity_m2_s = 7e-5
        conductivity_w_mk = 0.14

    report = air(258.15, P, sigma=0.05, gas=Gas())
    assert report.quantity("D_m2_s").value == 7e-5
    assert report.quantity("chi0").uncertainty is None


def test_the_record_is_json_with_kind_and_schema() -> None:
    record = air(258.15, P, sigma=0.05).to_dict()
    assert (record["kind"], record["schema"]) == ("icewright.air", 1)
    assert json.loads(json.dumps(record, allow_nan=False)) == json.loads(json.dumps(record))
    assert all(item["citations"] for item in record["humidity"] + record["scales"])


REFUSALS: list[tuple[dict[str, float], str]] = [
    ({}, "humidity once"),
    ({"sigma": 0.1, "rh_water": 0.9}, "humidity once"),
    ({"sigma": 5.0}, "slip of units"),
    ({"rh_water": 85.0}, "slip of units"),
    ({"sigma": -1.1}, "negative"),
    ({"rh_water": -0.1}, "negative"),
    ({"vapour_pressure_pa": -1.0}, "negative"),
    ({"excess_density_kg_m3": -0.1}, "negative"),
    ({"sigma": float("nan")}, "not a number"),
    ({"frost_point_k": 280.0}, "no frost point"),
]


@pytest.mark.parametrize(("humidity", "words"), REFUSALS)
def test_refused_humidities(humidity: dict[str, float], words: str) -> None:
    with pytest.raises(ConditionsError, match=words) as caught:
        air(258.15, P, **humidity)
    assert caught.value.got and caught.value.wanted


@pytest.mark.parametrize(
    ("temperature_k", "pressure_pa", "words"),
    [
        (275.0, P, "no ice above"),
        (-15.0, P, "slip of units"),
        (258.15, 10.0, "pressure"),
        (258.15, 1e7, "pressure"),
    ],
)
def test_refused_states(temperature_k: float, pressure_pa: float, words: str) -> None:
    with pytest.raises(ConditionsError, match=words):
        air(temperature_k, pressure_pa, sigma=0.05)


def test_dry_air_is_allowed() -> None:
    report: AirReport = air(258.15, P, sigma=-1.0)
    assert report.quantity("vapour_pressure_pa").value == 0.0
    assert report.quantity("frost_point_k").value is None
