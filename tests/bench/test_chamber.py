"""Knobs that are the settings of an apparatus: the air comes after them, and the saved recipe says settings.

Outside checks: the closed form of a first-order lag under a jump, y = u + (y0 - u) exp(-t / tau) (common
practice, no source), and the library's own apparatus and recipe floors, which know nothing of the bench. The
apparatus files are invented, of the Tern Point science museum: patterns to follow, never taken as truth.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from icewright.apparatus.basis import ApparatusError
from icewright.bench import chamber
from icewright.bench.chamber import SetPlan, SetTarget
from icewright.bench.settings import Settings
from icewright.ground.errors import IcewrightError
from icewright.recipe import files
from icewright.recipe.model import Recipe
from icewright.recipe.seed import Seed

EXAMPLES = Path(__file__).parents[2] / "examples"
RESERVOIR = (EXAMPLES / "apparatus-reservoir.toml").read_text()
PRESSURE = 101325.0


class Hands:
    """A plan and the engine's steps, with a clock instead of a crystal."""

    def __init__(self, text: str = RESERVOIR) -> None:
        self.steps, self.plan = chamber.resolved(chamber.first("cell.toml", text), PRESSURE)
        self.starts, self.now = [0.0], 0.0

    def wait(self, seconds: float) -> None:
        self.now += seconds
        while (length := self.steps[len(self.starts) - 1].endings.time_s) is not None and (
            self.starts[-1] + length < self.now
        ):
            self.starts.append(self.starts[-1] + length)

    def turn(self, over_s: float = 0.0, **settings: float) -> None:
        index = len(self.starts) - 1
        self.steps, here, self.plan = chamber.turn(
            self.plan, self.steps, self.starts, index, self.now - self.starts[-1], self.now,
            SetTarget(settings, over_s), PRESSURE,
        )  # fmt: skip
        self.starts = [*self.starts[:here], self.now]

    def air(self, time_s: float) -> tuple[float, float]:
        return air_at(self.steps, time_s)


def air_at(steps, time_s: float) -> tuple[float, float]:
    for step in steps:
        length = step.endings.time_s
        if length is None or time_s <= length:
            return step.temperature_at(time_s), step.sigma_at(time_s)
        time_s -= length
    raise AssertionError("beyond the end")


def recipe(steps) -> Recipe:
    return Recipe(seed=Seed(radius_m=5e-6, thickness_m=5e-6), steps=tuple(steps), pressure_pa=PRESSURE)


def test_the_air_comes_after_the_knob_as_a_first_order_lag_says() -> None:
    hands = Hands()
    hands.wait(100)
    # The plate slews at 3 K/min (the file): 0.1 K takes 2 s, small beside its 25 s; the air adds < 1 s.
    hands.turn(plate_c=-15.1)
    for after in (10.0, 25.0, 60.0, 200.0):
        expected = (
            273.15 - 15.1 + 0.1 * math.exp(-(after - 1.0) / 25.0)
        )  # a ramp of 2 s lags as a jump after 1 s
        assert hands.air(100 + after)[0] == pytest.approx(
            expected, abs=0.011
        )  # 0.01 K: tolerance of the ramps
    assert hands.air(99)[0] == pytest.approx(258.15, abs=1e-6)


def test_a_saved_recipe_read_by_the_library_has_the_air_that_the_crystal_had(tmp_path) -> None:
    hands = Hands()
    for k, gap in enumerate((30, 7, 400, 130, 1200, 90)):
        hands.wait(gap)
        if k == 2:
            hands.turn(over_s=120, reservoir_c=-13.0, plate_c=-14.0)
        else:
            hands.turn(reservoir_c=round(-13.5 - 0.1 * k, 1))
    hands.wait(200)
    done = chamber.so_far(hands.plan, hands.starts, hands.now)
    text, rounded = chamber.dumps(recipe(hands.steps), done)
    assert not rounded
    (tmp_path / "cell.toml").write_text(RESERVOIR)
    planned = files.loads_planned(text, tmp_path)
    assert planned.lags and len(planned.set_steps) == len(done.steps)
    times = np.linspace(1, hands.now - 1, 300)
    mine = np.array([hands.air(t) for t in times])
    read = np.array([air_at(planned.recipe.steps, t) for t in times])
    # Both follow the same air within 0.01 K and 0.0005 (icewright.recipe.traced), so twice that between them.
    assert np.abs(mine - read)[:, 0].max() < 0.02
    assert np.abs(mine - read)[:, 1].max() < 0.001


def test_a_ramp_cut_short_is_written_to_the_nearest_step_of_the_knob_and_says_so(tmp_path) -> None:
    hands = Hands()
    hands.wait(50)
    hands.turn(over_s=100, plate_c=-16.0)
    hands.wait(33)
    hands.turn(plate_c=-15.5)
    hands.wait(60)
    text, rounded = chamber.dumps(recipe(hands.steps), chamber.so_far(hands.plan, hands.starts, hands.now))
    assert len(rounded) == 1 and "nearest step" in rounded[0] and "-15.33 as -15.3" in rounded[0]
    (tmp_path / "cell.toml").write_text(RESERVOIR)
    assert files.loads_planned(text, tmp_path).set_steps[1].settings["plate_c"] == (-15.0, -15.3)


def test_settings_that_the_knobs_cannot_do_are_refused_with_what_to_type() -> None:
    hands = Hands()
    stands = hands.plan.at(0, 0.0)
    for target, do in (
        (SetTarget({"plate_c": -60}), "plate_c = -40"),
        (SetTarget({"plate_c": -15.04}), "plate_c = -15"),
        (SetTarget({"reservoir_c": -16.4}, over_s=60), "180 s"),  # 3 K at 1 K/min
        (SetTarget({"lid_c": -3}), "plate_c"),
    ):
        with pytest.raises(ApparatusError) as refused:
            chamber.check(hands.plan, stands, target)
        assert do in refused.value.do or do in refused.value.wanted, str(refused.value)


def test_a_settled_hold_makes_older_turns_forgotten_without_a_trace() -> None:
    short, long = Hands(), Hands()
    long.wait(10)
    long.turn(reservoir_c=-14.0)
    long.wait(40 * 60)
    long.turn(reservoir_c=-13.4)
    begun = long.now + 90 * 60  # 35 K at 1 K/min and every lag twelve times over
    long.wait(90 * 60)
    short.wait(90 * 60)
    for hands in (short, long):
        hands.turn(reservoir_c=-14.2)
    for after in (5, 30, 120, 600):
        assert long.air(begun + after) == pytest.approx(short.air(90 * 60 + after), abs=1e-4)


@pytest.mark.parametrize("name", sorted(p.name for p in EXAMPLES.glob("apparatus-*.toml")))
def test_every_example_apparatus_has_knobs_that_turn(name: str) -> None:
    hands = Hands((EXAMPLES / name).read_text())
    apparatus = hands.plan.apparatus
    for knob, setting in apparatus.settings.items():
        hands.wait(120)
        now = hands.plan.at(len(hands.plan.steps) - 1, 0.0)[knob]
        to = now + setting.step if now + setting.step <= setting.high else now - setting.step
        try:
            hands.turn(**{knob: round(to, 9)})
        except IcewrightError:  # one knob of two plates may contradict the other
            continue
        ramps = [s.endings.time_s or 0.0 for s in hands.steps[len(hands.starts) - 1 : -1]]
        hands.wait(sum(ramps) + 60.0)
        settled = apparatus.conditions(hands.plan.at(len(hands.plan.steps) - 1, 0.0))
        t_k, sigma = hands.air(hands.now)
        assert t_k == pytest.approx(settled.temperature_k, abs=0.02)
        assert sigma == pytest.approx(settled.sigma, abs=0.002)


def test_a_plan_survives_the_disk_although_its_file_has_gone() -> None:
    hands = Hands()
    hands.wait(20)
    hands.turn(plate_c=-15.2)
    import json

    again = SetPlan.of(json.loads(json.dumps(hands.plan.dump())))
    assert again == hands.plan
    assert again.apparatus.settings == hands.plan.apparatus.settings


def test_what_is_done_beside_the_microscope_is_said_in_settings() -> None:
    hands = Hands()
    hands.wait(60)
    hands.turn(over_s=120, plate_c=-16.0)
    old, new = hands.plan.steps[0], replace(hands.plan.steps[1], note="wait: until the stage is still")
    said = chamber.doing(old, new)
    assert said == "turn plate to -16 degC over 2 min (until the stage is still)"


def test_the_apparatus_of_the_command_line_is_brought_into_the_folder(tmp_path) -> None:
    source = tmp_path / "elsewhere" / "cell.toml"
    source.parent.mkdir()
    source.write_text(RESERVOIR)
    folder = tmp_path / "tonight"
    folder.mkdir()
    settings = Settings(folder=folder, apparatus=source)
    assert settings.apparatus == folder / "cell.toml" and settings.apparatus.read_text() == RESERVOIR
    assert chamber.listed(folder) == ["cell.toml"]
    Settings(folder=folder, apparatus=source)  # the same again is no conflict
    source.write_text(RESERVOIR.replace("-13.4", "-13.5"))
    with pytest.raises(IcewrightError, match="Another cell"):
        Settings(folder=folder, apparatus=source)
    source.write_text("kind = 3")
    with pytest.raises(IcewrightError):
        Settings(folder=folder, apparatus=source)


def test_the_bench_grows_in_the_air_of_an_apparatus_and_saves_settings(served) -> None:
    """From the seed to a saved recipe, with the real engine."""
    server = served
    name = "apparatus-reservoir.toml"
    (server.settings.folder / name).write_text(RESERVOIR)
    assert name in server.client.get("/api/about").json()["apparatus"]
    sid = server.new(final_radius_um=60, apparatus=name)
    session = server.session(sid)
    assert [k["name"] for k in session["setup"]["apparatus"]["knobs"]] == ["reservoir_c", "plate_c"]
    assert any("gloves" in c or "laser" in c.lower() for c in session["setup"]["apparatus"]["cautions"])
    refused = server.post(f"/api/sessions/{sid}/turn", 400, temperature_c=-12)["error"]
    assert "settings" in refused["wanted"]
    refused = server.post(f"/api/sessions/{sid}/turn", 400, settings={"plate_c": -60})["error"]
    assert "-40" in refused["wanted"]
    server.until(sid, lambda s: s["state"]["time_s"] > 20)
    told = server.post(f"/api/sessions/{sid}/turn", settings={"reservoir_c": -14.0})
    at = server.until(sid, lambda s: s["state"]["act"] >= told["act"])
    now = at["state"]["chamber"]
    assert now["settings"] == {"reservoir_c": -14.0, "plate_c": -15.0}
    assert 0 < now["settles_in_s"] < 900
    later = server.until(sid, lambda s: s["state"]["time_s"] > at["state"]["time_s"] + 60)
    assert abs(later["state"]["chamber"]["off_sigma_percent"]) < abs(now["off_sigma_percent"])
    branch = later["tree"]["branches"][0]
    assert [s["settings"]["reservoir_c"] for s in branch["set_steps"]] == [[-13.4, -13.4], [-14.0, -14.0]]
    server.post(f"/api/sessions/{sid}/pace", paused=True)
    server.until(sid, lambda s: s["state"]["worker"] == "paused")
    # Going back and turning there makes a path of its own, with its own settings.
    server.post(f"/api/sessions/{sid}/go", time_s=10)
    server.until(sid, lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] < 20)
    server.post(f"/api/sessions/{sid}/turn", settings={"plate_c": -15.3})
    two = server.until(sid, lambda s: len(s["tree"]["branches"]) == 2)["tree"]
    assert [len(b["set_steps"]) for b in two["branches"]] == [2, 2]
    assert two["branches"][1]["set_steps"][1]["settings"]["plate_c"] == [-15.3, -15.3]
    assert two["branches"][0]["set_steps"][1]["settings"]["plate_c"] == [-15.0, -15.0]
    server.post(f"/api/sessions/{sid}/step", seconds=30)
    server.until(sid, lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] > 35)
    assert server.post(f"/api/sessions/{sid}/recipe/save", name="cell night")["name"] == "cell night.toml"
    saved = files.read_planned(server.settings.folder / "cell night.toml")
    assert saved.apparatus is not None and saved.set_steps[-1].settings["plate_c"] == (-15.3, -15.3)
    opened = server.session(server.new(recipe="cell night.toml", paused=True))
    assert opened["tree"]["branches"][0]["set_steps"] is not None
    clock = server.post(f"/api/sessions/{opened['id']}/clock", start=True)
    assert "turn plate to -15.3 degC" in clock["cue"]["words"]
    # No other folder: neither by name nor through a recipe.
    server.post(f"/api/sessions/{sid}/setup", 404, apparatus="../apparatus-reservoir.toml")
    text = saved.text.replace('"apparatus-reservoir.toml"', f'"{EXAMPLES / "apparatus-needle.toml"}"')
    server.post("/api/sessions", 403, toml=text)
    # And back to the air's own knobs, on a path of its own.
    back = server.post(f"/api/sessions/{sid}/setup", apparatus="")
    assert back["setup"]["apparatus"] is None and back["state"]["chamber"] is None
    assert len(back["tree"]["branches"]) == 3
    for each in (sid, opened["id"]):
        server.client.delete(f"/api/sessions/{each}")
