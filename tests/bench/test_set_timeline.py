"""The settings of an apparatus edited on the timeline: the past stays, the air after it comes by its lag.

Outside checks: the closed form of a first-order lag under a jump, y = u + (y0 - u) exp(-t / tau) (common
practice, no source). The apparatus is invented, of the Tern Point science museum.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from test_chamber import PRESSURE, RESERVOIR, Hands, air_at

from icewright.apparatus.basis import ApparatusError
from icewright.bench.set_timeline import edited
from icewright.recipe.endings import Endings
from icewright.recipe.in_settings import SetStep


def done() -> Hands:
    """A hold of 300 s, the plate at -15.6 for 200 s, the reservoir at -14 since then, 400 s ago."""
    hands = Hands()
    hands.wait(300)
    hands.turn(plate_c=-15.6)
    hands.wait(200)
    hands.turn(reservoir_c=-14.0)
    hands.wait(400)
    return hands


def steps_of(hands: Hands) -> list[SetStep]:
    return list(hands.plan.steps)


def change(hands: Hands, wanted: list[SetStep]):
    return edited(hands.plan, hands.steps, hands.starts, wanted, PRESSURE)


def test_what_was_not_changed_is_not_grown_anew() -> None:
    hands = done()
    assert change(hands, steps_of(hands)) is None
    # As a page sends it: through JSON, a note with other blanks, settings that did not move left out.
    partial = [
        SetStep({n: v for n, v in s.settings.items() if i == 0 or (n == "plate_c" and i == 1) or i == 2},
                s.endings, f" {s.note} ")
        for i, s in enumerate(steps_of(hands))
    ]  # fmt: skip
    assert change(hands, partial) is None


def test_a_dragged_setting_moves_the_air_after_it_and_none_before() -> None:
    hands = done()
    steps = steps_of(hands)
    steps[1] = replace(steps[1], settings=dict(steps[1].settings) | {"plate_c": (-15.1, -15.1)})
    made = change(hands, steps)
    assert made is not None and made.at_s == 300
    for time in (10, 150, 299):
        assert air_at(made.steps, time) == hands.air(time)
    # The plate slews 0.1 K in 2 s at 3 K/min and follows by a first-order lag of 25 s; the rest is below 1 s.
    for after in (10.0, 25.0, 60.0, 150.0):
        expected = 273.15 - 15.1 + 0.1 * math.exp(-(after - 1.0) / 25.0)
        assert air_at(made.steps, 300 + after)[0] == pytest.approx(expected, abs=0.011)  # 0.01 K: the ramps
    assert made.plan.starts(made.starts) == [0, 300]
    assert sorted(set(made.plan.origin)) == [0, 1, 2] and len(made.plan.origin) == len(made.steps)


def test_a_hold_becomes_a_ramp_within_what_the_knob_can_do() -> None:
    hands = done()
    steps = steps_of(hands)
    ramp = dict(steps[1].settings) | {"plate_c": (-15.0, -16.0)}
    steps[1] = SetStep(ramp, Endings(time_s=200.0))
    steps[2] = replace(steps[2], settings=dict(steps[2].settings) | {"plate_c": (-16.0, -16.0)})
    made = change(hands, steps)
    assert made is not None
    # A first-order lag follows a long ramp at the same rate, tau behind: -15 - (t - 25 s) / 200 s.
    expected = 273.15 - 15.0 - (180.0 - 25.0) / 200.0
    assert air_at(made.steps, 480)[0] == pytest.approx(expected, abs=0.015)
    for settings, seconds, words in (
        ({"plate_c": (-15.0, -30.0)}, 60.0, "step 2"),  # 15 K in a minute, 3 K/min is all it can do
        ({"plate_c": (-15.0, -60.0)}, 6000.0, "-40"),  # beyond its range
        ({"plate_c": (-15.04, -15.04)}, 200.0, "steps of 0.1"),
        ({"lid_c": (-3.0, -3.0)}, 200.0, "plate_c"),
        ({"plate_c": (-15.0, -16.0)}, None, "minutes"),
    ):
        whole = steps_of(hands)
        ends = Endings(radius_m=1e-4) if seconds is None else Endings(time_s=seconds)
        whole[1] = SetStep(dict(whole[1].settings) | settings, ends)
        with pytest.raises(ApparatusError) as refused:
            change(hands, whole)
        assert words in str(refused.value)
        assert "step 2" in refused.value.got


def test_a_plan_for_later_leaves_what_is_growing_alone() -> None:
    hands = done()
    steps = steps_of(hands)
    steps[2] = replace(steps[2], endings=Endings(time_s=600.0))
    steps.append(SetStep({"plate_c": (-14.0, -14.0)}, Endings(time_s=300.0)))
    first = change(hands, steps)
    assert first is not None and first.at_s == 500, "an open hold that is given an end begins anew"
    hands.steps, hands.plan, hands.starts = first.steps, first.plan, [0.0]
    hands.now = 0.0
    hands.wait(900)
    later = [*steps[:3], replace(steps[3], settings={"plate_c": (-13.5, -13.5)})]
    made = change(hands, later)
    assert made is not None and made.at_s is None
    assert air_at(made.steps, 1099) == hands.air(1099)
    assert air_at(made.steps, 1399)[0] == pytest.approx(273.15 - 13.5, abs=0.02)
    # Taken off again: what is over stays, and nothing comes after it.
    fewer = change(hands, steps[:2])
    assert fewer is not None and len(fewer.plan.steps) == 2 and fewer.at_s == 500


def test_a_ramp_that_was_cut_short_does_not_stand_in_the_way() -> None:
    hands = Hands()
    hands.wait(50)
    hands.turn(over_s=100, plate_c=-16.0)
    hands.wait(33)  # at -15.33, between two steps of the knob
    hands.turn(reservoir_c=-14.0)
    hands.wait(100)
    steps = steps_of(hands)
    assert steps[1].settings["plate_c"][1] != round(steps[1].settings["plate_c"][1], 1)
    steps[2] = replace(steps[2], settings=dict(steps[2].settings) | {"reservoir_c": (-14.5, -14.5)})
    made = change(hands, steps)
    assert made is not None and made.at_s == 83


def test_the_bench_shows_the_air_beforehand_and_grows_it(served) -> None:
    name = "apparatus-reservoir.toml"
    (served.settings.folder / name).write_text(RESERVOIR)
    sid = served.new(final_radius_um=60, apparatus=name)
    served.until(sid, lambda s: s["state"]["time_s"] > 40)
    served.post(f"/api/sessions/{sid}/turn", settings={"plate_c": -15.6})
    served.until(sid, lambda s: s["state"]["time_s"] > 120)
    served.post(f"/api/sessions/{sid}/pace", paused=True)
    before = served.until(sid, lambda s: s["state"]["worker"] == "paused")
    branch = before["tree"]["branches"][0]
    sent = [
        {k: s[k] for k in ("settings", "minutes", "radius_um", "thickness_um", "mass_ug", "wait", "note")}
        for s in branch["set_steps"]
    ]
    told = served.post(f"/api/sessions/{sid}/recipe/air", set_steps=sent)
    assert [s["settings"] for s in told["set_steps"]] == [s["settings"] for s in branch["set_steps"]]
    sent[1]["settings"]["plate_c"] = [-14.4, -14.4]
    told = served.post(f"/api/sessions/{sid}/recipe/air", set_steps=sent)
    assert told["set_steps"][1]["temperature_c"] == pytest.approx([-14.4, -14.4])
    assert told["steps"][-1]["temperature_c"][1] == pytest.approx(-14.4, abs=0.02), "when it has settled"
    assert len(served.session(sid)["tree"]["branches"]) == 1, "only thought of"
    answer = served.client.put(f"/api/sessions/{sid}/recipe", json={"set_steps": sent})
    assert answer.status_code == 200, answer.text
    after = served.until(
        sid,
        lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] > before["state"]["time_s"] - 1,
    )
    tree = after["tree"]
    new = next(b for b in tree["branches"] if b["number"] == tree["current"])
    assert new["parent"] == branch["number"]
    assert new["from_s"] == pytest.approx(branch["set_steps"][1]["from_s"])
    assert new["set_steps"][1]["settings"]["plate_c"] == [-14.4, -14.4]
    assert after["state"]["temperature_c"] > before["state"]["temperature_c"] + 0.5
    refused = served.client.put(
        f"/api/sessions/{sid}/recipe", json={"set_steps": [{"settings": {"plate_c": [-60, -60]}}]}
    )
    assert refused.status_code == 400 and "-40" in refused.text
    other = served.new(example="plate", paused=True)
    served.post(f"/api/sessions/{other}/recipe/air", 400, set_steps=sent)
    for each in (sid, other):
        served.client.delete(f"/api/sessions/{each}")
