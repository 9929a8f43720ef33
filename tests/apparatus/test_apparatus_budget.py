"""The error budget: linear against Monte Carlo, the switch between them, and what to calibrate first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from icewright.apparatus.basis import Measured
from icewright.apparatus.file import read
from icewright.vapour.saturation import ice_pressure

EXAMPLES = Path(__file__).parents[2] / "examples"
KINDS = ["two-plate", "reservoir", "mixing", "falling", "needle"]


def load(kind: str):
    return read(EXAMPLES / f"apparatus-{kind}.toml")


def test_a_reservoir_cell_against_a_monte_carlo_of_its_own() -> None:
    # sigma = e(T_r)/e(T_s) - 1 drawn 400,000 times here, with nothing of the budget's machinery.
    a = load("reservoir")
    b = a.uncertainty({"reservoir_c": -13.6, "plate_c": -15.0})
    rng = np.random.default_rng(3)
    n = 400_000
    shared = 0.02 * rng.standard_normal(n)
    source = 273.15 - 13.6 + shared + np.hypot(0.02, 0.01) * rng.standard_normal(n)
    plate = 273.15 - 15.0 + shared + np.hypot(0.05, 0.01) * rng.standard_normal(n)
    sigma = ice_pressure(source) / ice_pressure(plate) - 1.0
    assert b.method == "linear"
    assert b.u_sigma == pytest.approx(float(sigma.std()), rel=0.02)
    assert b.u_temperature_k == pytest.approx(float(plate.std()), rel=0.02)
    # The 95 % interval is a percentile of 20,000 draws: its own luck is about 1.5 % of the half width.
    assert b.sigma_interval == pytest.approx(tuple(np.percentile(sigma, [2.5, 97.5])), abs=0.03 * b.u_sigma)


@pytest.mark.parametrize("kind", KINDS)
def test_linear_and_monte_carlo_agree_where_the_rule_holds(kind: str) -> None:
    b = load(kind).uncertainty()
    assert b.method == "linear" and "confirmed" in b.words
    for ours, drawn in zip(b.linear, b.monte_carlo, strict=True):
        assert ours == pytest.approx(drawn, rel=0.02)


def test_equal_plates_switch_to_monte_carlo_with_a_word() -> None:
    # Sigma has its minimum where the plates are equal: no slope, so the linear rule says 0 +- almost nothing.
    a = replace(load("two-plate"), shared_thermometer_uncertainty_k=None)
    b = a.uncertainty({"warm_plate_c": -12.0, "cold_plate_c": -12.0})
    assert b.method == "monte-carlo" and "linear rule misses" in b.words
    assert b.u_sigma == b.monte_carlo[1] > 3 * b.linear[1]
    assert b.sigma_mean > 0 and b.sigma_interval[0] >= -1e-12


def test_ten_times_the_error_is_ten_times_the_bar() -> None:
    # Habit of the field: error bars are tested by scaling the noise. All inputs of a cell but the formulas
    # scaled.
    a = load("reservoir")
    small = _scaled(a, 0.01).uncertainty({"reservoir_c": -14.0, "plate_c": -15.0})
    large = _scaled(a, 0.1).uncertainty({"reservoir_c": -14.0, "plate_c": -15.0})
    assert large.u_sigma == pytest.approx(10 * small.u_sigma, rel=0.02)


def _scaled(a, factor: float):
    return replace(
        a,
        thermometers={n: replace(t, uncertainty=t.uncertainty * factor) for n, t in a.thermometers.items()},
        settings={n: replace(s, stability=s.stability * factor) for n, s in a.settings.items()},
        shared_thermometer_uncertainty_k=a.shared_thermometer_uncertainty_k * factor,
    )


def test_the_first_thermometer_is_the_one_that_pays_most() -> None:
    a = load("reservoir")
    assert a.uncertainty().first_thermometer == "plate"
    worse = replace(a.thermometers["reservoir"], uncertainty=0.2)
    b = replace(a, thermometers={**a.thermometers, "reservoir": worse}).uncertainty()
    assert b.first_thermometer == "reservoir"
    # Known perfectly: recomputed with that thermometer's uncertainty at zero.
    perfect = replace(worse, uncertainty=0.0)
    left = replace(a, thermometers={**a.thermometers, "reservoir": perfect}).uncertainty().u_sigma
    assert f"to {100 * left:.2g} %" in b.first_words


def test_a_common_error_of_all_thermometers_hardly_matters_to_sigma() -> None:
    # d ln[e(T+d)/e(T)]: a shift of both by 0.1 K at -15 degC moves sigma by about 0.1 dT d(L/RvT^2)/dT,
    # 0.01 %.
    rows = {r.name: r for r in load("reservoir").uncertainty().rows}
    assert rows["shared"].in_sigma < 0.02 * rows["thermometer.plate"].in_sigma


def test_what_nobody_stated_is_named_not_taken_as_known() -> None:
    a = load("two-plate")
    silent = replace(
        a,
        thermometers={"lower": replace(a.thermometers["lower"], uncertainty=None)},
        dimensions={**a.dimensions, "gap_mm": Measured(20.0)},
    )
    b = silent.uncertainty()
    assert any("thermometer lower" in words for words in b.unknown)
    assert any("warm_plate_c" in words for words in b.unknown)
    assert any("gap_mm" in words and "moves sigma" in words for words in b.unknown)
    assert b.first_thermometer == "" and "no thermometer states" in b.first_words


def test_transport_rule_is_worth_less_than_one_per_cent_of_sigma() -> None:
    # Section 5 (a) of the collected physics: pressure-linear is right to 0.6 to 0.8 % at the maximum.
    a = load("two-plate")
    b = a.uncertainty({"warm_plate_c": -5.0, "cold_plate_c": -15.0})
    (row,) = [r for r in b.rows if r.name == "transport_rule"]
    assert 0.004 < row.in_sigma / b.sigma < 0.009


def test_calibrated_supersaturation_enters_with_its_uncertainty() -> None:
    a = load("reservoir")
    b = replace(a, sigma_offset=0.01, sigma_uncertainty=0.02)
    assert b.conditions().sigma == pytest.approx(a.conditions().sigma - 0.01)
    assert b.uncertainty().u_sigma == pytest.approx(np.hypot(a.uncertainty().u_sigma, 0.02), rel=1e-6)
