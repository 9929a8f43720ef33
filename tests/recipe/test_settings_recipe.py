"""Recipes in the settings of an apparatus.

The reservoir's supersaturation at -15 degC: the project's section 5, public rows. 0.5 K gives 4.712 % and 1 K
9.627 %, printed with the 2005 formula; the IAPWS one used here is 0.7e-5 higher, so 1.2e-5 is asked for. The
lag of one knob with one time constant: 1 - exp(-t/tau), any text on first-order systems.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from icewright.recipe import curves
from icewright.recipe.files import dumps, loads, read, read_planned
from icewright.recipe.limits import RecipeError
from icewright.recipe.traced import Trace, knots, least_squares, steps_of
from icewright.vapour.saturation import ice_pressure

APPARATUS = """
kind = "icewright.apparatus"
schema = 1
apparatus = "reservoir"
title = "Tern Point cell"
[dimension]
gap_mm = 3
[setting.reservoir_c]
low = -35
high = -0.1
smallest_step = 0.1
response_s = 60
fastest_ramp_per_min = 1.0
[setting.plate_c]
low = -40
high = -0.5
smallest_step = 0.1
response_s = 0
[air]
pressure_hpa = 700
response_s = 0
[equipment]
voltage_kv = 2
"""
HEAD = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point"
apparatus = "cell.toml"
[seed]
radius_um = 5
thickness_um = 5
"""
STEPS = """
[[step]]
settings = { reservoir_c = -14.5, plate_c = -15 }
minutes = 3
[[step]]
settings = { reservoir_c = -14 }
minutes = 10
"""


@pytest.fixture
def made(tmp_path: Path):
    def make(steps: str = STEPS, head: str = HEAD, apparatus: str = APPARATUS) -> Path:
        (tmp_path / "cell.toml").write_text(apparatus)
        path = tmp_path / "recipe.toml"
        path.write_text(head + steps)
        return path

    return make


def test_set_air_is_that_of_the_settings_and_actual_air_comes_after(made) -> None:
    planned = read_planned(made())
    c = planned.curves
    assert c.set_sigma[c.time_s < 179.9] == pytest.approx(0.04712, abs=1.2e-5)
    assert c.set_sigma[c.time_s > 180.1] == pytest.approx(0.09627, abs=1.2e-5)
    assert planned.recipe.pressure_pa == 70000.0
    # Slew of 0.5 K at 1 K a minute, then the lag of 60 s: T_r = u - s tau (1 - exp(-t/tau)) on the ramp, and
    # the rest of it dies out. Closed form, sampled at the curve's own moments.
    t = c.time_s - 180.0
    lag = np.where(
        t < 0.0,
        -14.5,
        np.where(
            t < 30.0,
            -14.5 + (t - 60.0 * (1.0 - np.exp(-t / 60.0))) / 60.0,
            -14.0 - (1.0 - math.exp(-0.5)) * np.exp(-(t - 30.0) / 60.0),
        ),
    )
    assert c.sigma == pytest.approx(ice_pressure(lag + 273.15) / ice_pressure(258.15) - 1.0, abs=2e-5)


def test_the_ramps_that_are_grown_stay_close_to_the_actual_air(made) -> None:
    planned = read_planned(made())
    t, _, kelvin, sigma = curves.of_steps(planned.recipe.steps)
    c = planned.curves
    assert np.interp(c.time_s, t, kelvin) == pytest.approx(c.temperature_k, abs=0.0101)
    assert np.interp(c.time_s, t, sigma) == pytest.approx(c.sigma, abs=5.1e-4)
    assert sum(s.endings.time_s or 0.0 for s in planned.recipe.steps) == pytest.approx(780.0, abs=1e-3)
    assert planned.origin == tuple(sorted(planned.origin)) and set(planned.origin) == {0, 1}


def test_read_gives_an_ordinary_recipe_that_writes_back(made) -> None:
    recipe = read(made())
    assert loads(dumps(recipe)) == recipe
    assert recipe == read_planned(made()).recipe


def test_a_size_ends_the_ramps_of_its_lag_and_then_a_hold(made) -> None:
    steps = STEPS.replace("minutes = 10", "radius_um = 40") + "[[step]]\nsettings = {}\nminutes = 1\n"
    planned = read_planned(made(steps))
    mine = [s for s, o in zip(planned.recipe.steps, planned.origin, strict=True) if o == 1]
    assert len(mine) > 2 and all(s.endings.radius_m == 40e-6 for s in mine)
    assert [s.endings.time_s is None for s in mine] == [False] * (len(mine) - 1) + [True]
    assert mine[-1].sigma_at(0.0) == pytest.approx(0.09627, abs=1e-4)
    (last,) = [s for s, o in zip(planned.recipe.steps, planned.origin, strict=True) if o == 2]
    assert last.sigma_at(0.0) == pytest.approx(0.09627, abs=1e-4)


def test_before_says_where_the_chamber_had_settled(made) -> None:
    planned = read_planned(made(head=HEAD.replace("[seed]", "before = { reservoir_c = -15 }\n[seed]")))
    assert planned.curves.sigma[0] == pytest.approx(0.0, abs=1e-9)
    assert planned.curves.set_sigma[0] == pytest.approx(0.04712, abs=1.2e-5)


def test_what_has_not_settled_is_said(made) -> None:
    planned = read_planned(made(STEPS.replace("minutes = 10", "minutes = 1")))
    assert any("step 2 ends before the air has settled" in words for words in planned.notes)


def test_cautions_of_the_apparatus_and_of_the_notes(made) -> None:
    head = HEAD + "[notes]\nvolts = 2000\nadditive = 'acetic acid vapour'\nneedle_axis = 'c'\n"
    planned = read_planned(made(head=head))
    text = " ".join(planned.cautions)
    for word in ("High voltage", "acetic acid", "local rules"):
        assert word in text
    assert planned.recipe.notes.given() == {
        "volts": 2000.0,
        "additive": "acetic acid vapour",
        "needle_axis": "c",
    }
    assert loads(dumps(planned.recipe)).notes == planned.recipe.notes


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (STEPS.replace("-14.5", "-40"), "step 1: reservoir_c = -40"),
        (STEPS.replace("-14.5", "6"), "if it was Fahrenheit: reservoir_c = -14.4444"),
        (STEPS.replace("-14.5", "-14.53"), "reservoir_c = -14.5"),
        (STEPS.replace("{ reservoir_c = -14 }", "{ reservoir_c = [-14.5, -4] }"), "minutes = 10.5"),
        (STEPS.replace("{ reservoir_c = -14 }", "{ lid_c = -14 }"), "no setting lid_c"),
        (
            STEPS.replace("settings = { reservoir_c = -14 }", "temperature_c = -15\nsigma_percent = 2"),
            "step 2 with temp",
        ),
        (STEPS.replace(", plate_c = -15", ""), "plate_c is not given"),
        (STEPS.replace("minutes = 10", "").replace("= -14 }", "= [-14.5, -14] }"), "without a time"),
        (STEPS.replace("minutes = 10", "mass_ug = 0.000001"), "step 2: mass_ug"),
    ],
)
def test_what_the_knobs_cannot_do_is_one_line_with_its_step(made, steps: str, words: str) -> None:
    with pytest.raises(RecipeError) as caught:
        read(made(steps))
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) <= 3


def test_settings_without_an_apparatus(made) -> None:
    with pytest.raises(RecipeError, match="try: apparatus = "):
        read(made(head=HEAD.replace('apparatus = "cell.toml"\n', "")))


def test_fog_is_warned_of_once_and_by_the_step_of_the_file(made) -> None:
    planned = read_planned(made(STEPS.replace("-14 }", "-12.5 }")))
    fog = [words for words in planned.warnings() if "water saturation" in words]
    assert len(fog) == 1 and fog[0].startswith("step 2:")


def test_kilovolts_typed_for_volts() -> None:
    text = 'kind = "icewright.recipe"\nschema = 1\n[seed]\nradius_um = 5\naspect = 1\n[notes]\nvolts = 2\n'
    with pytest.raises(RecipeError, match="volts = 2000"):
        loads(text + "[[step]]\ntemperature_c = -15\nsigma_percent = 2\nminutes = 1\n")


# -- traces -------------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(240, 272), st.floats(0, 0.3)), min_size=2, max_size=40))
def test_every_moment_of_any_trace_lies_within_the_tolerance(air: list[tuple[float, float]]) -> None:
    kelvin, sigma = (np.array(v) for v in zip(*air, strict=True))
    trace = Trace(10.0 * np.arange(len(air)), kelvin, sigma)
    at = knots(trace, 0.5, 0.01)
    for values, tolerance in ((kelvin, 0.5), (sigma, 0.01)):
        line = np.interp(trace.time_s, trace.time_s[at], values[at])
        assert np.abs(line - values).max() <= tolerance * (1 + 1e-9)


def test_a_noisy_ramp_is_one_step_through_its_middle() -> None:
    # Against numpy.polyfit, a general library: with two knots the straight line of least squares.
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 600.0, 5.0)
    trace = Trace(
        t, 258.0 + t / 600.0 + 0.01 * rng.normal(size=t.size), 0.1 + 0.001 * rng.normal(size=t.size)
    )
    (step,), _ = steps_of(trace, tolerance_k=0.06, tolerance_sigma=0.006, noisy=True)
    slope, start = np.polyfit(t, trace.temperature_k, 1)
    assert step.temperature_k[0] == pytest.approx(start, abs=1e-4)
    assert step.temperature_k[1] == pytest.approx(start + slope * t[-1], abs=1e-4)


def test_least_squares_of_many_knots_against_numpy() -> None:
    rng = np.random.default_rng(8)
    t = np.sort(rng.uniform(0, 100, 60))
    trace = Trace(t, rng.normal(size=60), rng.normal(size=60))
    at = [0, 11, 30, 59]
    hats = np.stack([np.interp(t, t[at], np.eye(4)[k]) for k in range(4)], axis=1)
    best = np.linalg.lstsq(hats, trace.sigma, rcond=None)[0]
    assert least_squares(trace, at).sigma == pytest.approx(best, abs=1e-10)


# -- air.csv ------------------------------------------------------------------------------------------------


def test_curves_come_back_from_their_file(made, tmp_path: Path) -> None:
    c = read_planned(made()).curves
    c.write(tmp_path / "air.csv")
    back = curves.read(tmp_path / "air.csv")
    for name in curves.NAMES:
        assert np.array_equal(getattr(back, name), getattr(c, name))
    assert set(back.settings) == {"reservoir_c", "plate_c"}


def test_set_air_on_a_run_that_ended_a_step_early(made) -> None:
    planned = read_planned(made(STEPS.replace("minutes = 3", "minutes = 3\nradius_um = 20")))
    n = len(planned.recipe.steps)
    # A run whose first step ended on its size after one minute.
    t, _, sigma = planned.curves.on_run(np.array([0.0, 60.0, 660.0]), np.array([0, 1, n - 1]))
    assert sigma[t < 59.9] == pytest.approx(0.04712, abs=1.2e-5)
    assert sigma[t > 60.1] == pytest.approx(0.09627, abs=1.2e-5)


def test_differences_of_a_known_offset() -> None:
    t = np.array([0.0, 10.0, 20.0])
    flat = np.full(3, 258.0)
    c = curves.AirCurves(
        t, np.zeros(3, np.int64), flat, flat * 0 + 0.1, flat + 0.2, np.array([0.1, 0.13, 0.1])
    )
    warm, moist = curves.differences(c)
    assert warm["mean"] == pytest.approx(0.2) and warm["rms"] == pytest.approx(0.2)
    assert moist["mean"] == pytest.approx(0.015) and moist["most"] == pytest.approx(0.03)
    assert moist["at_s"] == 10.0
