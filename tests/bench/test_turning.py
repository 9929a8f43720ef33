"""Turning knobs makes a recipe: whatever is done, it is one, and it says the air that was there."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from icewright.bench.live import HOLD_S, Target, cut, go_on, hold, is_open, recipe_so_far, rest, turn
from icewright.recipe import files
from icewright.recipe.model import Recipe
from icewright.recipe.schedule import Schedule
from icewright.recipe.seed import Seed

SEED = Seed(radius_m=5e-6, thickness_m=5e-6)
turns = st.lists(
    st.tuples(
        st.floats(1, 600),  # seconds before it
        st.one_of(st.none(), st.floats(243, 272)),
        st.one_of(
            st.none(),
            st.tuples(st.just("sigma"), st.floats(0.001, 0.2)),
            st.tuples(st.just("water_fraction"), st.floats(0.5, 1.0)),
        ),
        st.sampled_from([0.0, 30.0, 300.0]),
    ),
    min_size=1,
    max_size=6,
)


def do(sequence):
    """Steps after a sequence of turns, and the air asked for at the end of each."""
    steps, index, starts, now = [hold(258.15, "sigma", 0.02)], 0, [0.0], 0.0
    for wait, t_k, humidity, over in sequence:
        now += wait
        # what the engine does: pass the steps whose time is over
        while now - starts[index] >= steps[index].endings.time_s:
            starts.append(starts[index] + steps[index].endings.time_s)
            index += 1
        measure, value = humidity or (None, None)
        steps, index = turn(steps, index, now - starts[index], Target(t_k, measure, value, over))
        starts = [*starts[:index], now]
    return steps, starts, now


@settings(max_examples=60, deadline=None)
@given(turns)
def test_whatever_is_done_is_a_recipe_that_reads_back(sequence) -> None:
    steps, starts, now = do(sequence)
    made = recipe_so_far(Recipe(seed=SEED, steps=(steps[0],)), steps, starts, now + 10.0)
    checked = Recipe.model_validate(made.model_dump(by_alias=True))
    assert files.loads(files.dumps(checked)) == checked
    assert not any(is_open(step) for step in checked.steps)
    if not steps[-1].ramps and len(starts) == len(steps):
        assert Schedule(checked).longest_s() == pytest.approx(now + 10.0, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(turns)
def test_the_past_is_not_changed_by_a_turn(sequence) -> None:
    before, b_starts, b_now = do(sequence[:-1])
    after, a_starts, a_now = do(sequence)
    recipe = Recipe(seed=SEED, steps=(before[0],))
    old = recipe_so_far(recipe, before, b_starts, a_now)
    new = recipe_so_far(recipe, after, a_starts, a_now)
    for t in (0.0, 0.3 * b_now, 0.99 * b_now):
        a, b = air(old, t), air(new, t)
        assert a[0] == pytest.approx(b[0], abs=1e-5)
        assert a[1] == pytest.approx(b[1], rel=1e-5, abs=1e-7)


def air(recipe, time_s):
    plan = Schedule(recipe)
    for i in range(len(plan)):
        length = plan[i].endings.time_s
        if time_s < length or i == len(plan) - 1:
            c = plan.conditions(i, time_s)
            return c.temperature_k, c.sigma
        time_s -= length
    raise AssertionError


def test_turning_the_temperature_alone_keeps_what_was_given_of_the_humidity() -> None:
    steps = [hold(258.15, "water_fraction", 0.95)]
    steps, i = turn(steps, 0, 60.0, Target(temperature_k=268.15))
    assert steps[i].humidity.measure == "water_fraction"
    assert steps[i].humidity.start == 0.95


def test_a_ramp_starts_from_the_air_as_it_is_and_is_cut_where_it_stands() -> None:
    steps, i = turn([hold(258.15, "sigma", 0.02)], 0, 60.0, Target(263.15, "sigma", 0.04, 100.0))
    assert steps[i].temperature_k == (258.15, 263.15)
    steps, i = turn(steps, i, 50.0, Target(measure="sigma", value=0.01))
    assert steps[i - 1].temperature_k == pytest.approx((258.15, 260.65))
    assert steps[i - 1].humidity.end == pytest.approx(0.03)
    assert steps[i].temperature_k[0] == pytest.approx(260.65)


def test_turns_without_time_between_leave_no_trace() -> None:
    steps, i = turn([hold(258.15, "sigma", 0.02)], 0, 0.0, Target(measure="sigma", value=0.05))
    steps, i = turn(steps, i, 0.0, Target(measure="sigma", value=0.07))
    assert len(steps) == 1 and i == 0 and steps[0].humidity.start == 0.07


def test_what_is_left_of_a_ramp_goes_on_from_where_it_stood() -> None:
    steps, i = turn([hold(258.15, "sigma", 0.02)], 0, 60.0, Target(263.15, None, None, 100.0))
    left = rest(steps, i, 40.0)
    assert left[0].temperature_k == pytest.approx((260.15, 263.15))
    assert left[0].endings.time_s == pytest.approx(60.0)
    assert is_open(left[-1])
    assert rest([cut(steps[0], 60.0)], 0, 60.0)[0].endings.time_s == HOLD_S
    assert go_on(steps)[-1].temperature_k[0] == 263.15
