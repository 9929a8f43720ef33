"""Fog, lag, cautions, and each kind seen from outside: signs, limits and orders of magnitude."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from icewright.apparatus import fog, response
from icewright.apparatus.basis import ApparatusError, Equipment
from icewright.apparatus.file import read
from icewright.vapour.saturation import ice_pressure, water_pressure

EXAMPLES = Path(__file__).parents[2] / "examples"


def load(kind: str):
    return read(EXAMPLES / f"apparatus-{kind}.toml")


# -- fog ----------


def test_fog_ceiling_of_a_reservoir_is_water_saturation() -> None:
    # Table of section 5 (b): at -15 degC the reservoir may be 1.594 K warmer (2005 review; R14-08 within
    # 0.003 K).
    c = fog.ceiling(load("reservoir"), 258.15)
    assert c.at_crystal == pytest.approx(float(water_pressure(258.15) / ice_pressure(258.15)) - 1)
    assert c.settings_at_crystal["reservoir_c"] == pytest.approx(-15 + 1.594, abs=3e-3)
    assert c.first == pytest.approx(c.at_crystal)


def test_zones_are_where_vapour_exceeds_water_and_capping_ends_them() -> None:
    profile = load("two-plate").profile({"warm_plate_c": 0.0, "cold_plate_c": -30.0})
    ((low, high),) = fog.zones(profile)
    inside = (profile.x > low) & (profile.x < high)
    assert np.all((profile.vapour_pa > profile.water_pa)[inside])
    assert not np.any((profile.vapour_pa > profile.water_pa * (1 + 1e-9))[~inside])
    assert fog.zones(fog.capped(profile)) == []
    assert fog.zones(load("two-plate").profile({"warm_plate_c": -14.0, "cold_plate_c": -16.0})) == []


def test_first_fog_is_where_the_search_says() -> None:
    a = load("two-plate")
    c = fog.ceiling(a, 258.15)
    assert c.first < c.at_crystal
    quiet = a.settings_for(258.15, c.first * 0.999)
    loud = a.settings_for(258.15, c.first * 1.002)
    assert not fog.zones(a.profile(quiet)) and fog.zones(a.profile(loud))


def test_air_above_water_saturation_says_so() -> None:
    air = load("reservoir").conditions({"reservoir_c": -13.0, "plate_c": -15.0})
    assert air.fog and air.sigma_with_fog == air.sigma_water and "droplets" in air.notes[0]


# -- sinks ----------


def test_frost_only_ever_takes() -> None:
    plates, cell = load("two-plate"), load("reservoir")
    frosted = replace(plates, choices={**plates.choices, "walls": "frosted"})
    narrow = replace(
        frosted,
        dimensions={**frosted.dimensions, "width_mm": replace(plates.dimensions["gap_mm"], value=10.0)},
    )
    s = [x.conditions().sigma for x in (plates, frosted, narrow)]
    assert s[0] > s[1] > s[2] > 0
    patch = replace(cell, choices={**cell.choices, "plate": "frosted"})
    assert 0 < patch.conditions().sigma < cell.conditions().sigma


def test_needle_takes_the_temperature_of_its_foot() -> None:
    a = load("needle")

    def held(where: str, height: float = 16.0):
        return (
            replace(a, choices={**a.choices, "needle_from": where})
            .conditions({"height_mm": height})
            .temperature_k
        )

    assert held("cold") < held("side") < held("warm")
    thick = replace(
        a,
        dimensions={**a.dimensions, "needle_conductivity_w_mk": replace(a.dimensions["gap_mm"], value=400.0)},
    )
    assert thick.conditions().temperature_k < a.conditions().temperature_k


def test_the_ends_of_every_mixing_line_are_the_sources() -> None:
    a = load("mixing")
    profile = a.profile()
    assert profile.temperature_k[[0, -1]] == pytest.approx([253.15, 269.15])
    assert profile.vapour_pa[[0, -1]] == pytest.approx(
        [0.95 * ice_pressure(253.15), 0.98 * ice_pressure(269.15)], rel=1e-12
    )
    falling = load("falling").profile()
    assert falling.vapour_pa[-1] == pytest.approx(float(water_pressure(285.15)))


def test_profile_passes_through_the_crystal() -> None:
    for kind in ("two-plate", "reservoir", "falling"):
        a = load(kind)
        air, profile = a.conditions(), a.profile()
        assert np.interp(profile.crystal_x, profile.x, profile.temperature_k) == pytest.approx(
            air.temperature_k, abs=1e-3
        )
        assert np.interp(profile.crystal_x, profile.x, profile.vapour_pa) == pytest.approx(
            air.vapour_pa, rel=1e-4
        )


# -- wanted air ----------


def test_wanted_air_beyond_the_knobs_says_how_far_one_gets() -> None:
    with pytest.raises(ApparatusError) as refusal:
        load("two-plate").settings_for(258.15, 0.9)
    assert "limits" in str(refusal.value) and "up to" in str(refusal.value)
    a = load("two-plate")
    best = float(str(refusal.value).split("up to ")[1].split(" %")[0]) / 100
    a.settings_for(258.15, 0.98 * best)
    with pytest.raises(ApparatusError):
        a.settings_for(258.15, 1.03 * best)


@pytest.mark.parametrize(
    ("t_c", "sigma", "words"),
    [
        (5.0, 0.05, "Fahrenheit: --temperature -15"),
        (15.0, 0.05, "minus sign was lost: --temperature -15"),
        (258.15, 0.05, "kelvin: --temperature -15"),
        (-15.0, -1.5, "cannot be"),
    ],
)
def test_wanted_air_that_cannot_be(t_c: float, sigma: float, words: str) -> None:
    with pytest.raises(ApparatusError, match=words):
        load("reservoir").settings_for(t_c + 273.15, sigma)


# -- lag ----------


def test_followed_air_ends_where_the_settings_lead() -> None:
    a = load("reservoir")
    went = response.step(a, "plate_c", -16.0)
    end = a.conditions({"plate_c": -16.0})
    assert went.sigma[-1] == pytest.approx(end.sigma, rel=3e-3)
    assert went.sigma[0] == pytest.approx(a.conditions().sigma)
    assert went.set_sigma[0] == pytest.approx(end.sigma)
    # The actual plate never ramps faster than its limit, 3 K a minute.
    plate = went.settings["plate_c"]
    assert np.max(np.abs(np.diff(plate) / np.diff(went.time_s))) < 3 / 60 * 1.001
    assert 60 < response.settled_after_s(went) < 200


def test_steady_settings_stay_steady_and_every_sample_is_kept() -> None:
    a = load("two-plate")
    t = [0.0, 100.0, 100.0, 250.0, 600.0]
    went = response.follow(a, t, {"warm_plate_c": -10.0})
    assert set(t) <= set(went.time_s.tolist())
    assert went.sigma == pytest.approx(a.conditions().sigma) and went.temperature_k == pytest.approx(257.65)
    assert any("measured" in words for words in went.notes) and any(
        "estimated" in words for words in went.notes
    )


def test_a_jump_at_one_time_is_a_jump() -> None:
    a = load("reservoir")
    quick = replace(
        a,
        settings={n: replace(s, response_s=0.0, fastest_ramp=np.inf) for n, s in a.settings.items()},
        air_response_s=0.0,
    )
    went = response.follow(quick, [0, 60, 60, 120], {"plate_c": [-15, -15, -16, -16]}, every_s=10.0)
    assert went.settings["plate_c"][went.time_s < 60] == pytest.approx(-15)
    assert went.settings["plate_c"][went.time_s > 60] == pytest.approx(-16)
    assert went.temperature_k == pytest.approx(went.set_temperature_k)


@pytest.mark.parametrize(
    ("times", "values", "words"),
    [
        ([0, 60, 30], [-15, -15, -15], "rise"),
        ([0, 60], [-15, -15, -15], "another number"),
        ([0, 60], [-15, 5], "out of its range"),
    ],
)
def test_what_cannot_be_followed(times, values, words) -> None:
    with pytest.raises(ApparatusError, match=words):
        response.follow(load("reservoir"), times, {"plate_c": values})


# -- cautions ----------


@pytest.mark.parametrize(
    ("kit", "word"),
    [
        (Equipment(voltage_kv=2.0), "High voltage"),
        (Equipment(coolant="liquid nitrogen"), "displaces oxygen"),
        (Equipment(coolant="dry ice in ethanol"), "carbon dioxide"),
        (Equipment(vapours=("acetic acid",)), "acetic acid"),
        (Equipment(laser_class="3B"), "class 3B"),
        (Equipment(vacuum_glass=True), "implode"),
    ],
)
def test_cautions_follow_the_equipment(kit: Equipment, word: str) -> None:
    bare = replace(load("two-plate"), equipment=Equipment())
    said = " ".join(replace(bare, equipment=kit).cautions())
    assert word in said and word not in " ".join(bare.cautions())
    assert "local rules" in said and "licensed" in said


def test_notes_of_a_needle_stage_are_kept_and_imply_their_caution() -> None:
    a = load("needle")
    assert a.notes["volts"] == 2000 and a.notes["needle_axis"] == "a"
    assert "High voltage" in a.cautions()[0]
    silent = replace(a, notes={}, equipment=Equipment())
    assert silent.conditions() == a.conditions()  # kept as data: nothing is computed from them
