"""The timeline of a path whose knobs are settings: other steps for it, and the air that would come of them.

What was set before the first changed step stays as it was done, and so does the air of that time; the air
after it is followed anew, lag and all (`icewright.bench.chamber.air_of`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from icewright.apparatus.basis import ApparatusError, unit_of
from icewright.bench.chamber import SetPlan, SetTarget, air_of, check, is_open
from icewright.bench.words import ending_of
from icewright.ground.errors import IcewrightError
from icewright.recipe.in_settings import SetStep
from icewright.recipe.step import Step

if TYPE_CHECKING:
    from icewright.bench.shapes import SetStepEdit


@dataclass(frozen=True)
class Edited:
    """A path with other settings.

    Attributes:
        plan: with the new steps.
        steps: the engine's.
        starts: when those of them began that stay as they were done, s; the new ones begin at `at_s`.
        at_s: where the new path leaves the old one; None where only what is still to come has changed.
    """

    plan: SetPlan
    steps: list[Step]
    starts: list[float]
    at_s: float | None


def set_step_of(edit: SetStepEdit) -> SetStep:
    """A step from the timeline."""
    ends, note = ending_of(edit)
    return SetStep(dict(edit.settings), ends, note)


def edited(
    plan: SetPlan,
    steps: Sequence[Step],
    starts: Sequence[float],
    wanted: Sequence[SetStep],
    pressure_pa: float,
) -> Edited | None:
    """The path with other steps; None where nothing has changed.

    Args:
        plan: as it is.
        steps: the engine's, as they are.
        starts: when each of those that have begun did so, s.
        wanted: all steps, those that are over too; a setting left out stays where the step before left it.
        pressure_pa: of the recipe.

    Raises:
        ApparatusError: naming the step, for what the knobs cannot do.
        RecipeError: for air that no step may have.
    """
    whole = _whole(plan, wanted)
    first = next((i for i, (a, b) in enumerate(zip(whole, plan.steps, strict=False)) if a != b), None)
    if first is None:
        if len(whole) == len(plan.steps):
            return None
        first = min(len(whole), len(plan.steps))
    _check(plan, whole, first)
    begun = plan.starts(starts)
    kept = sum(number < first for number in plan.origin)
    # How long what is over has lasted; what is planned before the first change has its own time.
    over = [b - a for a, b in pairwise(begun)][:first]
    lengths: list[float | None] = [*over, *[None] * (len(whole) - len(over))]
    changed = replace(plan, steps=tuple(whole))
    more, origin = air_of(changed, lengths, pressure_pa, first=first) if first < len(whole) else ([], [])
    changed = replace(changed, origin=(*plan.origin[:kept], *origin))
    at = begun[first] if first < len(begun) else None
    return Edited(changed, [*steps[:kept], *more], list(starts[: kept + 1]), at)


def _whole(plan: SetPlan, wanted: Sequence[SetStep]) -> list[SetStep]:
    """Every setting of every step; numbers that are those of the old step to nine digits are the old ones."""
    out: list[SetStep] = []
    stands = dict(plan.before)
    for i, step in enumerate(wanted):
        full = {n: step.settings.get(n, (v, v)) for n, v in stands.items()}
        full |= {n: v for n, v in step.settings.items() if n not in full}  # unknown ones are refused later
        whole = replace(step, settings=full)
        if i < len(plan.steps) and _same(whole, plan.steps[i]):
            whole = plan.steps[i]
        out.append(whole)
        stands = {n: v[1] for n, v in whole.settings.items()}
    return out


def _same(a: SetStep, b: SetStep) -> bool:
    """Whether a step has come back from the page as it went there."""
    if a.settings.keys() != b.settings.keys() or a.note.strip() != b.note.strip():
        return False
    pairs = [(x, y) for n, v in a.settings.items() for x, y in zip(v, b.settings[n], strict=True)]
    ends = zip(a.endings.model_dump().values(), b.endings.model_dump().values(), strict=True)
    pairs += [(x, y) for x, y in ends if x is not None and y is not None]
    blank = [x is None for x in a.endings.model_dump().values()]
    return blank == [y is None for y in b.endings.model_dump().values()] and all(
        abs(x - y) <= 1e-9 * max(abs(x), abs(y)) for x, y in pairs
    )


def _check(plan: SetPlan, whole: Sequence[SetStep], first: int) -> None:
    """Limits, smallest steps and fastest ramps of the changed steps."""
    for i in range(first, len(whole)):
        step = whole[i]
        if i < len(plan.steps) and step is plan.steps[i]:
            continue
        start = {n: v[0] for n, v in step.settings.items()}
        end = {n: v[1] for n, v in step.settings.items()}
        moved = {n: v for n, v in end.items() if v != start[n]}
        # A ramp that was cut short left its knob between two steps: what stays as it was is not refused.
        before = plan.steps[i].settings if i < len(plan.steps) else {}
        left = whole[i - 1].settings if i else {}
        given = {n: v for n, v in start.items() if before.get(n) != step.settings[n]
                 and (n in moved or n not in left or left[n][1] != v)}  # fmt: skip
        try:
            if given:
                check(plan, start, SetTarget(given))
            if not moved:
                continue
            if step.endings.time_s is None or is_open(step):
                name, (a, b) = next((n, step.settings[n]) for n in moved)
                raise ApparatusError(
                    got=f"{name} from {a:g} to {b:g} {unit_of(name)} without a time",
                    wanted="minutes, because a ramp needs a time (a size may end the step earlier)",
                    do="minutes: 10",
                )
            check(plan, start, SetTarget(moved, step.endings.time_s))
        except IcewrightError as cause:
            raise ApparatusError(
                cause.message if not cause.got else "", got=f"step {i + 1}: {cause.got}", wanted=cause.wanted,
                do=cause.do,
            ) from cause  # fmt: skip
