"""Turning knobs into a recipe: at every moment what was done is a list of steps.

The step that lasts is a hold (or a ramp, then a hold) without an end in sight; a recipe wants one, so it
carries the longest time that a recipe may have. A turn cuts the step at the present time and puts the new air
behind it. The engine reads its air through `LiveSchedule`, whose steps may be exchanged between time steps.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from icewright.recipe.endings import Endings
from icewright.recipe.limits import MINUTES_MAX
from icewright.recipe.model import Recipe
from icewright.recipe.schedule import Schedule
from icewright.recipe.step import Humidity, Measure, Step

HOLD_S = MINUTES_MAX * 60.0
WAIT = "wait:"  # a note that begins so makes the clock wait for a key before the step
# Numbers that a ramp or a conversion gives are kept to this many digits, so that a recipe stays readable.
_DIGITS = 9


class LiveSchedule(Schedule):
    """A schedule whose steps can be exchanged while the crystal grows."""

    def __init__(self, recipe: Recipe) -> None:
        super().__init__(recipe)
        self._steps: tuple[Step, ...] = tuple(recipe.steps)

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps now."""
        return self._steps

    @steps.setter
    def steps(self, steps: Sequence[Step]) -> None:
        self._steps = tuple(steps)


@dataclass(frozen=True)
class Target:
    """What the knobs were turned to, in SI; None is not touched.

    `measure` and `value` belong together; `over_s` 0 is a jump.
    """

    temperature_k: float | None = None
    measure: Measure | None = None
    value: float | None = None
    over_s: float = 0.0
    note: str = ""


def is_open(step: Step) -> bool:
    """Whether the step is a hold without an end in sight."""
    return step.endings.time_s is not None and step.endings.time_s >= HOLD_S


def hold(temperature_k: float, measure: Measure, value: float, note: str = "") -> Step:
    """A hold without an end in sight."""
    return Step(
        temperature_k=(temperature_k, temperature_k),
        humidity=Humidity(measure=measure, start=value, end=value),
        endings=Endings(time_s=HOLD_S),
        note=note,
    )


def cut(step: Step, time_s: float) -> Step:
    """The part of a step up to a time, as a step that ends on the clock alone."""
    if time_s >= HOLD_S:
        return step
    f = step.fraction(time_s)
    h = step.humidity
    return step.model_copy(
        update={
            "temperature_k": (step.temperature_k[0], _tidy(step.temperature_at(time_s))),
            "humidity": Humidity(measure=h.measure, start=h.start, end=_tidy(h.at(f))),
            "endings": Endings(time_s=time_s),
        }
    )


def turn(steps: Sequence[Step], index: int, time_in_step_s: float, target: Target) -> tuple[list[Step], int]:
    """The steps after a turn of the knobs, and the number of the one that is on now.

    Args:
        steps: as they are.
        index: the step that is on.
        time_in_step_s: how long it has been on.
        target: where to.

    Raises:
        RecipeError: for air that no step may have.
    """
    step = steps[index]
    t_now = _tidy(step.temperature_at(time_in_step_s))
    measure = target.measure or step.humidity.measure
    now = _tidy(_value(step, time_in_step_s, measure, t_now))
    t_end = target.temperature_k if target.temperature_k is not None else t_now
    end = target.value if target.value is not None else now
    done = list(steps[:index])
    if time_in_step_s > 0:
        done.append(cut(step, time_in_step_s))
    if target.over_s > 0:
        new = [
            Step(
                temperature_k=(t_now, t_end),
                humidity=Humidity(measure=measure, start=now, end=end),
                endings=Endings(time_s=target.over_s),
                note=target.note,
            ),
            hold(t_end, measure, end),
        ]
    else:
        new = [hold(t_end, measure, end, target.note)]
    return done + new, len(done)


def go_on(steps: Sequence[Step]) -> list[Step]:
    """The steps and a hold in the last one's final air."""
    last = steps[-1]
    return [*steps, hold(last.temperature_k[1], last.humidity.measure, last.humidity.end)]


def rest(steps: Sequence[Step], index: int, time_in_step_s: float) -> list[Step]:
    """What is left of the steps at a moment, as steps of their own."""
    step = steps[index]
    left = []
    time_s = step.endings.time_s
    if is_open(step) or time_s is None:
        left = [step]
    elif time_s > time_in_step_s:
        h = step.humidity
        left = [
            step.model_copy(
                update={
                    "temperature_k": (_tidy(step.temperature_at(time_in_step_s)), step.temperature_k[1]),
                    "humidity": Humidity(
                        measure=h.measure, start=_tidy(h.at(step.fraction(time_in_step_s))), end=h.end
                    ),
                    "endings": step.endings.model_copy(update={"time_s": time_s - time_in_step_s}),
                }
            )
        ]
    left += steps[index + 1 :]
    return left or go_on(steps)[-1:]


def recipe_so_far(
    recipe: Recipe, steps: Sequence[Step], starts: Sequence[float], time_s: float, title: str = ""
) -> Recipe:
    """What has been done up to a time, with what is still planned, as a recipe of its own.

    An open hold is written with the time that it has lasted; one that has not begun is left out. A session
    in which no time has passed gives its first hold one minute, as a recipe needs an end.
    """
    kept: list[Step] = []
    for i, step in enumerate(steps):
        if not is_open(step):
            kept.append(step)
        elif i < len(starts) and time_s > starts[i]:
            kept.append(cut(step, time_s - starts[i]))
    if not kept:
        kept = [cut(steps[0], 60.0)]
    return recipe.model_copy(update={"steps": tuple(kept), "title": title or recipe.title})


def _value(step: Step, time_in_step_s: float, measure: Measure, t_k: float) -> float:
    """The humidity now, in some measure."""
    if measure == step.humidity.measure:
        return step.humidity.at(step.fraction(time_in_step_s))
    from icewright.vapour import supersaturation as humid

    sigma = step.sigma_at(time_in_step_s)
    if measure == "sigma":
        return sigma
    if measure == "water_fraction":
        return float(humid.relative_humidity(t_k, sigma))
    return float(humid.excess_density(t_k, sigma))


def _tidy(value: float) -> float:
    if value == 0 or not math.isfinite(value):
        return value
    return round(value, _DIGITS - 1 - math.floor(math.log10(abs(value))))
