"""The clock beside the microscope, with a wall clock of the test's own. Times are worked by hand."""

from __future__ import annotations

import pytest

from icewright.bench.clock import ClockRun, clock_words, when_size
from icewright.recipe.endings import Endings
from icewright.recipe.step import Humidity, Step


def step(t_c, percent, note="", **ends):
    return Step(
        temperature_k=(273.15 + t_c, 273.15 + t_c),
        humidity=Humidity(measure="sigma", start=percent / 100, end=percent / 100),
        endings=Endings(**ends),
        note=note,
    )


STEPS = [
    step(-15, 2, radius_m=100e-6),
    step(-12, 2, time_s=120.0, note="focus"),
    step(-12, 5, time_s=600.0, note="wait: when it is sharp"),
]
STARTS = [0.0, 300.0, 420.0]
# radius grows evenly, 10 um at the start and 110 um at 300 s
ROWS = [
    {"time_s": t, "radius_tip_m": (10 + t / 3) * 1e-6, "thickness_m": (5 + t / 60) * 1e-6}
    for t in range(0, 1021, 30)
]


class Wall:
    now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def wall():
    return Wall()


@pytest.fixture
def clock(wall):
    made = ClockRun(wall)
    made.start()
    return made


def look(clock, ring=True):
    return clock.look(STEPS, STARTS, ROWS, ring=ring)


def test_no_clock_before_the_start(wall) -> None:
    assert not ClockRun(wall).look(STEPS, STARTS, ROWS).running


def test_next_cue_with_size_and_time(clock, wall) -> None:
    wall.now += 60
    seen = look(clock)
    assert seen.cue.in_s == pytest.approx(240)
    assert seen.cue.at_um == pytest.approx(100)
    assert seen.cue.words == "at 100 um radius, or in 4 min: warm to -12 degC (focus)"
    assert not seen.cue.sound


def test_the_cue_sounds_once_and_the_step_moves_on(clock, wall) -> None:
    wall.now += 299.5
    assert not look(clock).cue.sound
    wall.now += 0.9  # events come once a second, never at the very moment
    asked = look(clock, ring=False)
    assert asked.cue.words == "now: warm to -12 degC (focus)" and asked.cue.in_s == 0 and asked.step == 1
    assert not asked.cue.sound, "who only asks does not use it up"
    assert look(clock).cue.sound
    wall.now += 1
    again = look(clock)
    assert not again.cue.sound and again.cue.words.startswith("now:")
    wall.now += 10
    assert look(clock).cue.words.startswith("at ") and not look(clock).cue.sound
    wall.now += 48.6
    seen = look(clock)
    assert seen.step == 1
    assert seen.cue.in_s == pytest.approx(60)


def test_the_last_cue_sounds_too_and_again_where_the_clock_was_set_back(wall) -> None:
    clock = ClockRun(wall)
    clock.start()
    steps = STEPS[:2]
    wall.now += 301
    assert clock.look(steps, STARTS[:2], ROWS, ring=True).cue.sound
    wall.now += 20
    assert clock.look(steps, STARTS[:2], ROWS, ring=True).cue is None
    clock.shift_to(250)  # the real crystal is behind
    assert not clock.look(steps, STARTS[:2], ROWS, ring=True).cue.sound
    wall.now += 50.5
    assert clock.look(steps, STARTS[:2], ROWS, ring=True).cue.sound


def test_a_step_that_waits_holds_the_hands_until_the_key(clock, wall) -> None:
    wall.now += 500
    first = look(clock)
    assert first.model_s == pytest.approx(420)
    assert first.cue.waiting and first.cue.sound
    assert "press the key" in first.cue.words
    wall.now += 100
    again = look(clock)
    assert again.model_s == pytest.approx(420) and not again.cue.sound
    clock.key()
    wall.now += 10
    after = look(clock)
    assert after.step == 2 and after.model_s == pytest.approx(430) and after.cue is None


def test_held_hands_stand_still(clock, wall) -> None:
    wall.now += 50
    clock.hold(True)
    wall.now += 500
    assert look(clock).model_s == pytest.approx(50) and look(clock).held
    clock.hold(False)
    wall.now += 20
    assert look(clock).model_s == pytest.approx(70)


def test_the_real_one_shifts_the_clock_along_the_prediction(clock, wall) -> None:
    wall.now += 100
    time_s, more = when_size(ROWS, 60e-6, 10e-6)
    assert time_s == pytest.approx(150)  # 10 + t/3 = 60
    assert more["off"] == pytest.approx(7.5 / 10 - 1)
    assert clock.shift_to(time_s) == pytest.approx(50)
    assert look(clock).cue.in_s == pytest.approx(150)
    assert when_size(ROWS, 900e-6) is None


def test_the_end_is_said(clock, wall) -> None:
    wall.now += 2000
    look(clock)
    clock.key()
    wall.now += 700
    assert look(clock).done


def test_clock_words() -> None:
    assert clock_words(390) == "6 min 30 s"
    assert clock_words(3601) == "1 h 1 s"
    assert clock_words(0.2) == "0 s"
