"""Set-points for controllers against a reference library; numbers in the rescue lines against formulas."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from iapws._iapws import _Sublimation_Pressure  # IAPWS R14-08(2011), by the iapws library

from icewright.sheets import setpoints, words

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="module")
def rows(turn_sheet):
    with turn_sheet.with_suffix(".csv").open() as file:
        return list(csv.DictReader(file))


def _ice_pa(celsius: float) -> float:
    return float(_Sublimation_Pressure(celsius + 273.15)) * 1e6


def test_vapour_pressure_and_frost_point_are_those_of_the_standard(rows) -> None:
    for row in rows:
        vapour = float(row["vapour_pressure_pa"])
        over_ice = 1.0 + float(row["sigma_percent"]) / 100.0
        # Four decimals of a pascal are printed, and 1e-5 is far below any controller.
        assert vapour == pytest.approx(over_ice * _ice_pa(float(row["temperature_c"])), rel=1e-5)
        assert vapour == pytest.approx(_ice_pa(float(row["frost_point_c"])), rel=2e-5)


def test_straight_lines_between_the_rows_follow_the_ramp(rows, turn_run) -> None:
    ramp = [row for row in rows if row["step"] == "2"]
    t = np.array([float(row["time_s"]) for row in ramp])
    at = np.linspace(t[0], t[-1], 500)
    part = (at - t[0]) / (t[-1] - t[0])
    kelvin, sigma = -15 + 1.75 * part, 0.12 + (0.025 - 0.12) * part
    want = np.array([(1 + s) * _ice_pa(c) for c, s in zip(kelvin, sigma, strict=True)])
    frost = np.interp(at, t, [float(row["frost_point_c"]) for row in ramp])
    got = np.array([_ice_pa(c) for c in frost])
    # 0.01 K of frost point is 0.1 % of the pressure; times are printed to a tenth of a second.
    assert np.max(np.abs(got / want - 1)) < 1e-3


def test_rows_jump_where_the_air_jumps_and_say_what_ends_a_step(rows, turn_run) -> None:
    assert {row["step"]: row["until"] for row in rows} == {"1": "size", "2": "clock", "3": "clock"}
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(times)
    assert {(row["kind"], row["schema"]) for row in rows} == {(setpoints.KIND, str(setpoints.SCHEMA))}
    with (turn_run / "series.csv").open() as file:
        last = list(csv.DictReader(file))[-1]
    assert times[-1] == pytest.approx(float(last["time_s"]), abs=0.05)


def test_settings_make_the_air_that_is_asked_for(turn_run, tmp_path) -> None:
    from icewright.apparatus import file
    from icewright.tasks.sheet import sheet

    path = EXAMPLES / "apparatus-reservoir.toml"
    sheet(turn_run, tmp_path / "kit.pdf", apparatus=path, csv=tmp_path / "kit.csv")
    kit = file.read(path)
    with (tmp_path / "kit.csv").open() as source:
        rows = list(csv.DictReader(source))
    for row in rows[:: max(1, len(rows) // 8)]:
        air = kit.conditions({name: float(row[name]) for name in ("reservoir_c", "plate_c")})
        # Half a step of each knob, 0.05 K, and its worth in vapour: Clausius-Clapeyron, 9.5 % a kelvin.
        assert air.temperature_k - 273.15 == pytest.approx(float(row["temperature_c"]), abs=0.051)
        assert 100 * air.sigma == pytest.approx(float(row["sigma_percent"]), abs=2 * 0.05 * 9.5 * 1.15)


def test_air_beyond_the_apparatus_is_refused_by_its_step(turn_run, tmp_path) -> None:
    from icewright.ground.errors import IcewrightError
    from icewright.tasks.sheet import sheet

    text = (EXAMPLES / "apparatus-reservoir.toml").read_text(encoding="utf-8")
    text = text.replace("high = -0.1", "high = -14.2").replace("now = -13.4", "now = -14.6")
    (tmp_path / "weak.toml").write_text(text, encoding="utf-8")
    with pytest.raises(IcewrightError, match="step 1"):
        sheet(turn_run, tmp_path / "no.pdf", apparatus=tmp_path / "weak.toml")
    assert not (tmp_path / "no.pdf").exists()


def test_a_warmer_crystal_in_the_same_vapour() -> None:
    # d ln e / dT = L / (Rv T^2), Clausius-Clapeyron, with L 2.838e6 J/kg and Rv 461.5 J/(kg K) near -15 degC.
    kelvin, sigma = 258.15, 0.15
    want = -(1 + sigma) * 2.838e6 / (461.5 * kelvin**2) * 0.1
    assert words._per_tenth(kelvin, sigma) == pytest.approx(want, rel=0.01)


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(0, "0:00"), (47.4, "0:47"), (59.6, "1:00"), (3599.6, "1:00:00"), (3876, "1:04:36")],
)
def test_the_clock(seconds, shown) -> None:
    assert words.clock(seconds) == shown


@pytest.mark.parametrize(
    ("values", "shown"),
    [(["15"], "15"), (["15", "15"], "15"), (["15", "2", "2", "8"], "15 → 2 → 8")],
)
def test_a_way_through_the_air(values, shown) -> None:
    assert words.through(values) == shown


def test_a_long_way_names_its_ends_and_extremes() -> None:
    said = words.through(["4", "7", "1", "7", "\N{MINUS SIGN}2", "5"])
    assert said == "4 → 5, between \N{MINUS SIGN}2 and 7"


def test_all_usual_mishaps_have_a_line(turn_run) -> None:
    from icewright.notebook.store import RunFolder
    from icewright.tasks.sheet import _planned_of, gather

    run = RunFolder(turn_run)
    held, _ = gather(run, _planned_of(run), None)
    lines = dict(words.rescue(held))
    for start in ("Behind", "Ahead", "Fog", "Overshoot"):
        assert any(key.startswith(start) for key in lines)
    assert any(key.endswith("unequal") for key in lines)
    fog = next(text for key, text in lines.items() if key.startswith("Fog"))
    assert "at −15 °C" in fog and "in step 1" in fog
