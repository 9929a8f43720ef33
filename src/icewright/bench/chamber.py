"""Knobs that are the settings of an apparatus: what is set, and the air that comes after it.

A path whose knobs are settings holds two lists of steps that belong together: `SetStep`s (what the hands did)
and the engine's ordinary steps (the air that the crystal has: `icewright.apparatus.response.follow`, cut
into straight ramps). `origin` says for each of the engine's which of the first it comes from. A turn follows
the history of the knobs to the present and beyond, so that a knob turned before the air has settled sets out
from where the air really is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from icewright.apparatus import file as apparatus_file
from icewright.apparatus.basis import ApparatusError, unit_of
from icewright.apparatus.model import Apparatus, nearest_step
from icewright.apparatus.response import follow, lag
from icewright.bench import live
from icewright.bench.live import HOLD_S
from icewright.ground.errors import IcewrightError
from icewright.recipe import files, traced
from icewright.recipe.curves import AirCurves
from icewright.recipe.endings import Endings
from icewright.recipe.in_settings import SETTLED, Planned, SetStep
from icewright.recipe.limits import RecipeError
from icewright.recipe.model import Recipe
from icewright.recipe.quantities import MICROGRAM, MICROMETRE, MINUTE
from icewright.recipe.step import Humidity, Step

_MOST_SAMPLES = 4000
_NOTHING = np.zeros(0)
_NO_CURVES = AirCurves(_NOTHING, np.zeros(0, dtype=np.int64), _NOTHING, _NOTHING, _NOTHING, _NOTHING)
Ends = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class SetTarget:
    """Settings that are turned to, in the units of their names; those left out stay. `over_s` 0 is a jump."""

    settings: Mapping[str, float]
    over_s: float = 0.0
    note: str = ""


@dataclass(frozen=True)
class SetPlan:
    """What was set, and is planned to be set, on one path.

    Attributes:
        name: file of the apparatus in the chosen folder.
        text: what that file said when it was taken up; it may change or go, and the path stays.
        before: settings at which the chamber had settled when the crystal was put in.
        steps: every setting of every step.
        origin: for each step of the engine the number of the step here that it comes from.
    """

    name: str
    text: str
    before: dict[str, float]
    steps: tuple[SetStep, ...]
    origin: tuple[int, ...] = ()

    @cached_property
    def apparatus(self) -> Apparatus:
        """The apparatus. Raises ApparatusError, RecordError."""
        return apparatus_file.loads(self.text)

    def starts(self, starts: Sequence[float]) -> list[float]:
        """When each step here began, from when the engine's did; steps to come have none."""
        out: list[float] = []
        for number, start in zip(self.origin, starts, strict=False):
            if number == len(out):
                out.append(start)
        return out

    def at(self, number: int, time_in_step_s: float) -> dict[str, float]:
        """The settings at a time of a step."""
        step = self.steps[number]
        length = step.endings.time_s
        share = 1.0 if not length else min(max(time_in_step_s / length, 0.0), 1.0)
        return {n: a if a == b else a + share * (b - a) for n, (a, b) in step.settings.items()}

    def dump(self) -> dict[str, Any]:
        """For the session's record."""
        return {
            "name": self.name, "text": self.text, "before": self.before, "origin": list(self.origin),
            "steps": [
                {"settings": {n: list(v) for n, v in s.settings.items()},
                 "endings": s.endings.model_dump(), "note": s.note}
                for s in self.steps
            ],
        }  # fmt: skip

    @classmethod
    def of(cls, record: Mapping[str, Any]) -> SetPlan:
        """From the session's record."""
        steps = tuple(
            SetStep({n: (v[0], v[1]) for n, v in s["settings"].items()}, Endings(**s["endings"]), s["note"])
            for s in record["steps"]
        )
        return cls(record["name"], record["text"], dict(record["before"]), steps, tuple(record["origin"]))


@dataclass(frozen=True)
class Found:
    """A recipe that came in, in settings or in air; `plan` None for air."""

    recipe: Recipe
    plan: SetPlan | None = None
    notes: tuple[str, ...] = field(default=())


def found(planned: Planned, name: str) -> Found:
    """A planned recipe as the bench holds it; `name` is that of its apparatus file in the folder."""
    if planned.apparatus is None or planned.apparatus_path is None:
        return Found(planned.recipe)
    text = planned.apparatus_path.read_text(encoding="utf-8-sig")
    plan = SetPlan(name, text, dict(planned.before), planned.set_steps, planned.origin)
    return Found(planned.recipe, plan, planned.notes)


def first(name: str, text: str, wanted: tuple[float, float] | None = None) -> SetPlan:
    """A plan that holds: the settings that give (temperature in K, sigma), else those of the file.

    Raises:
        ApparatusError, RecordError: for a file that cannot be read, or that gives no air with ice.
    """
    plan = SetPlan(name, text, {}, ())
    apparatus = plan.apparatus
    stand: dict[str, float] | None = None
    for air in (wanted, None, (258.15, 0.05)):
        try:
            stand = apparatus.complete() if air is None else apparatus.settings_for(*air)
            stand = {n: nearest_step(v, apparatus.settings[n]) for n, v in stand.items()}
            apparatus.conditions(stand)
        except IcewrightError:
            stand = None
        if stand is not None:
            break
    if stand is None:
        stand = apparatus.complete()  # says what is missing
        apparatus.conditions(stand)
    return replace(plan, before=stand, steps=(_hold(stand),))


def check(plan: SetPlan, stands: Mapping[str, float], target: SetTarget) -> dict[str, float]:
    """Every setting after a turn. Raises ApparatusError for what the knobs cannot do."""
    apparatus = plan.apparatus
    apparatus.check(target.settings)
    for name, value in target.settings.items():
        setting = apparatus.settings[name]
        near = nearest_step(value, setting)
        if abs(near - value) > 1e-6 * setting.step:
            raise ApparatusError(
                got=f"{name} = {value:g}, between two steps of the knob",
                wanted=f"steps of {setting.step:g} {unit_of(name)} from {setting.low:g} on",
                do=f"{name} = {near:g}",
            )
        needed = abs(value - stands[name]) / setting.fastest_ramp
        if 0 < target.over_s < needed * (1 - 1e-9):
            raise ApparatusError(
                got=f"{name} from {stands[name]:g} to {value:g} in {target.over_s:g} s",
                wanted=f"at most {setting.fastest_ramp * 60:g} {unit_of(name)} a minute",
                do=f"a ramp over {math.ceil(needed)} s",
            )
    whole = {**stands, **target.settings}
    apparatus.check(whole)
    return whole


def turn(
    plan: SetPlan, steps: Sequence[Step], starts: Sequence[float], index: int, since_s: float, now_s: float,
    target: SetTarget, pressure_pa: float,
) -> tuple[list[Step], int, SetPlan]:  # fmt: skip
    """The engine's steps after a turn, the number of the one that is on now, and the plan.

    Args:
        plan: as it is.
        steps: the engine's, as they are.
        starts: when each of them began, s.
        index: the engine's step that is on.
        since_s: how long it has been on.
        now_s: the time since the seed.
        target: where to.
        pressure_pa: of the recipe.

    Raises:
        ApparatusError: for what the knobs cannot do.
        RecipeError: for air that no step may have.
    """
    on = plan.origin[index]
    begun = plan.starts(starts)
    into = max(now_s - begun[on], 0.0)
    stands = plan.at(on, into)
    aim = check(plan, stands, target)
    done = list(plan.steps[:on])
    if into > 0:
        done.append(cut(plan.steps[on], into))
    new = [_hold(aim, target.note)]
    if target.over_s > 0:
        ramp = {n: (stands[n], aim[n]) for n in aim}
        new = [SetStep(ramp, Endings(time_s=target.over_s), target.note), _hold(aim)]
    lengths: list[float | None] = [b - a for a, b in zip(begun, [*begun[1 : len(done)], now_s], strict=False)]
    lengths = lengths[: len(done)] + [None] * len(new)
    kept = list(steps[:index])
    if since_s > 0:
        kept.append(live.cut(steps[index], since_s))
    changed = replace(plan, steps=(*done, *new))
    more, origin = air_of(changed, lengths, pressure_pa, first=len(done))
    return kept + more, len(kept), replace(changed, origin=(*plan.origin[: len(kept)], *origin))


def hold_on(plan: SetPlan) -> SetPlan:
    """The plan with a hold after its last step, for one more step of the engine."""
    last = {n: ends[1] for n, ends in plan.steps[-1].settings.items()}
    return replace(plan, steps=(*plan.steps, _hold(last)), origin=(*plan.origin, len(plan.steps)))


def rest(plan: SetPlan, number: int, time_in_step_s: float) -> SetPlan:
    """What is left of the plan at a moment, with the chamber settled at what is set then."""
    step, stands = plan.steps[number], plan.at(number, time_in_step_s)
    length, left = step.endings.time_s, list(plan.steps[number + 1 :])
    if is_open(step) or length is None:
        left.insert(0, step)
    elif length > time_in_step_s:
        ends = {n: (stands[n], v[1]) for n, v in step.settings.items()}
        over = step.endings.model_copy(update={"time_s": length - time_in_step_s})
        left.insert(0, SetStep(ends, over, step.note))
    return replace(plan, before=stands, steps=tuple(left) or (_hold(stands),), origin=())


def resolved(plan: SetPlan, pressure_pa: float) -> tuple[list[Step], SetPlan]:
    """The engine's steps of a plan from the seed on, and the plan with their origins. Raises as `turn`."""
    steps, origin = air_of(plan, [None] * len(plan.steps), pressure_pa)
    return steps, replace(plan, origin=tuple(origin))


def air_of(
    plan: SetPlan, lengths: Sequence[float | None], pressure_pa: float, first: int = 0
) -> tuple[list[Step], list[int]]:
    """The air as steps of the engine, from step `first` of the plan on, and where each comes from.

    Args:
        plan: the steps.
        lengths: how long each has lasted, s; None for its own time, or until the air has settled.
        pressure_pa: of the recipe.
        first: the first step wanted; those before only say where the air comes from.

    Raises:
        RecipeError: for air that no step may have.
    """
    apparatus = plan.apparatus
    skip, before = _settled_before(plan, lengths[:first], pressure_pa)
    stood = dict(before)
    moments: list[float] = []
    values: dict[str, list[float]] = {name: [] for name in apparatus.settings}
    now, begun = 0.0, [(0.0, 0.0)] * skip
    for step, given in zip(plan.steps[skip:], lengths[skip:], strict=True):
        length = _length_s(step, stood, apparatus, pressure_pa) if given is None else given
        begun.append((now, now + length))
        moments += [now, now + length]
        for name, (a, b) in step.settings.items():
            values[name] += [a, b]
        stood = {name: ends[1] for name, ends in step.settings.items()}
        now += length
    times = lag(apparatus, before, pressure_pa=pressure_pa)
    lags = [tau for tau in (*times.settings_s.values(), times.temperature_s, times.vapour_s) if tau > 0]
    every = max(min(lags, default=now) / 10.0, now / _MOST_SAMPLES)  # a turn of a knob must not wait
    air = follow(
        apparatus, moments, values, pressure_pa=pressure_pa, start=before, every_s=every, check=False
    )
    made: list[Step] = []
    origin: list[int] = []
    for number in range(first, len(plan.steps)):
        step, (start, end) = plan.steps[number], begun[number]
        hair = 1e-9 * max(1.0, end)
        low = int(np.searchsorted(air.time_s, start + hair, side="right")) - 1
        high = int(np.searchsorted(air.time_s, end - hair, side="left"))
        part = slice(low, high + 1)
        trace = traced.Trace(
            air.time_s[part] - air.time_s[low], air.temperature_k[part], np.maximum(air.sigma[part], -1.0)
        )
        some = _steps_of(step, trace)
        made += some
        origin += [number] * len(some)
    return made, origin


def _settled_before(
    plan: SetPlan, lengths: Sequence[float | None], pressure_pa: float
) -> tuple[int, Mapping[str, float]]:
    """(how many first steps the present air has forgotten, the settings at which it had settled then).

    A hold that outlasts every slew and twelve times all lags leaves less than 1e-5 of what was before it.
    Where the lags themselves hang on the settings nothing is left out, so that a saved recipe says the same
    air.
    """
    apparatus = plan.apparatus
    times = lag(apparatus, plan.before, pressure_pa=pressure_pa)
    total = max(times.settings_s.values()) + times.temperature_s + times.vapour_s
    seen = {n: [plan.before[n], plan.before[n]] for n in plan.before}
    found: tuple[int, Mapping[str, float]] = (0, plan.before)
    for i, (step, length) in enumerate(zip(plan.steps, lengths, strict=False)):
        for name, ends in step.settings.items():
            seen[name] = [min(seen[name][0], *ends), max(seen[name][1], *ends)]
        slew = max((b - a) / apparatus.settings[n].fastest_ramp for n, (a, b) in seen.items())
        if length is None or any(a != b for a, b in step.settings.values()) or length < slew + 12.0 * total:
            continue
        stands = {n: v[0] for n, v in step.settings.items()}
        there = lag(apparatus, stands, pressure_pa=pressure_pa)
        if math.isclose(there.temperature_s + there.vapour_s, times.temperature_s + times.vapour_s):
            found = (i + 1, stands)
    return found


def _steps_of(step: SetStep, trace: traced.Trace) -> list[Step]:
    timed = step.endings.time_s is not None and not is_open(step)
    sizes = step.endings.model_copy(update={"time_s": None})
    still = np.ptp(trace.temperature_k) < traced.TEMPERATURE_K and np.ptp(trace.sigma) < traced.SIGMA
    last = trace.at(math.inf)
    if is_open(step):
        t, s = last
        held = live.hold(round(t - 273.15, 4) + 273.15, "sigma", round(s, 6))
    elif not timed:
        held = traced.hold(last, sizes)
    if not timed and still:
        return [held.model_copy(update={"note": step.note})]
    ramps, _ = traced.steps_of(trace, size=sizes, note=step.note)
    return ramps if timed else [*ramps, held]


def set_air(plan: SetPlan, settings: Mapping[str, Any], pressure_pa: float) -> tuple[Any, Any]:
    """(temperature in K, sigma) that settings would make at once; arrays where the settings are."""
    from icewright.ground.constants import TRIPLE_POINT_K
    from icewright.vapour.saturation import ice_pressure

    state = plan.apparatus.state(settings, pressure_pa=pressure_pa)
    e_ice = ice_pressure(np.minimum(state.temperature_k, TRIPLE_POINT_K))
    return state.temperature_k, state.vapour_pa / e_ice - 1.0


def as_air(plan: SetPlan, pressure_pa: float) -> list[Step]:
    """Each step of the plan in the air that it sets, as if nothing lagged: for curves and cues."""
    names = list(plan.apparatus.settings)
    ends = {n: np.array([s.settings[n] for s in plan.steps]) for n in names}  # (steps, 2)
    t_k, sigma = (np.broadcast_to(v, (len(plan.steps), 2)).tolist() for v in set_air(plan, ends, pressure_pa))
    # What is set may be air that no step of the engine may have, until the lag has softened it: not checked.
    return [
        Step.model_construct(
            temperature_k=(t[0], t[1]),
            humidity=Humidity.model_construct(measure="sigma", start=s[0], end=s[1]),
            endings=step.endings,
            note=step.note,
        )
        for step, t, s in zip(plan.steps, t_k, sigma, strict=True)
    ]


def doing(old: SetStep, new: SetStep) -> str:
    """What to do at the beginning of a step, as one would say it across the room."""
    from icewright.bench.clock import clock_words

    said = []
    for name, (start, end) in new.settings.items():
        was = old.settings[name][1]
        if start == was == end:
            continue
        unit, stem = unit_of(name), spoken(name)
        if start == end:
            said.append(f"{stem} to {end:g} {unit}")
            continue
        over = clock_words(new.endings.time_s or 0.0)
        jump = f"to {start:g}, then " if start != was else ""
        said.append(f"{stem} {jump}to {end:g} {unit} over {over}")
    note = new.note.removeprefix(live.WAIT).strip()
    text = "turn " + ", ".join(said) if said else "leave the knobs"
    return f"{text} ({note})" if note else text


def so_far(plan: SetPlan, starts: Sequence[float], time_s: float) -> SetPlan:
    """What has been done up to a time, with what is still planned; holds with the time they have lasted."""
    begun, kept = plan.starts(starts), []
    for i, step in enumerate(plan.steps):
        if not is_open(step):
            kept.append(step)
        elif i < len(begun) and time_s > begun[i]:
            kept.append(cut(step, time_s - begun[i]))
    return replace(plan, steps=tuple(kept or [cut(plan.steps[0], 60.0)]), origin=())


def cautions(recipe: Recipe, plan: SetPlan | None) -> list[str]:
    """What `recipe.cautions` says, by the steps that a person sees, each thing once."""
    said = Planned(recipe, _NO_CURVES, origin=() if plan is None else plan.origin)
    return said.warnings()


def dumps(recipe: Recipe, plan: SetPlan) -> tuple[str, list[str]]:
    """(recipe in settings as TOML, what was rounded, in words). A knob shows only its own steps."""
    head = files.dumps(recipe).split("\n[[step]]")[0]
    before = f"before = {_table({n: (v, v) for n, v in plan.before.items()})}\n"
    name = files._quoted(plan.name)
    place = head.index("\n[")
    text = head[:place] + f"apparatus = {name}\n{before}" + head[place:]
    said: list[str] = []
    last = plan.before
    for i, step in enumerate(plan.steps, 1):
        ends, rounded = _on_steps(plan.apparatus, step)
        if rounded:
            said.append(f"step {i} is written to the nearest step of the knob: {', '.join(rounded)}")
        changed = {n: v for n, v in ends.items() if v[0] != last[n] or v[1] != last[n]} or ends
        last = {n: v[1] for n, v in ends.items()}
        lines = ["", "[[step]]"]
        if step.note:
            lines.append(f"note = {files._quoted(step.note)}")
        lines.append(f"settings = {_table(changed)}")
        e = step.endings
        lines += files._optional(
            (
                ("minutes", e.time_s, MINUTE),
                ("radius_um", e.radius_m, MICROMETRE),
                ("thickness_um", e.thickness_m, MICROMETRE),
                ("mass_ug", e.mass_kg, MICROGRAM),
            )
        )
        text += "\n".join(lines) + "\n"
    return text, said


def read_named(folder: Path, name: str) -> str:
    """The text of an apparatus file. Raises ApparatusError, RecordError where it is none."""
    path = folder / name
    apparatus_file.read(path)
    return path.read_text(encoding="utf-8-sig")


def listed(folder: Path) -> list[str]:
    """Names of the apparatus files in a folder."""
    from icewright.bench.security import BenchError, plain_name

    out = []
    for path in sorted(folder.glob("*.toml")):
        try:
            plain_name(path.name)
            if path.is_symlink() or path.stat().st_size > 200_000:
                continue
            if f'"{apparatus_file.KIND}"' in path.read_text(encoding="utf-8-sig"):
                out.append(path.name)
        except (BenchError, OSError, UnicodeDecodeError):
            continue
    return out


def cut(step: SetStep, time_s: float) -> SetStep:
    """The part of a step up to a time, as one that ends on the clock alone."""
    length = step.endings.time_s
    share = 1.0 if not length else min(time_s / length, 1.0)
    ends = {n: (a, a if a == b else a + share * (b - a)) for n, (a, b) in step.settings.items()}
    return SetStep(ends, Endings(time_s=time_s), step.note)


def is_open(step: SetStep) -> bool:
    """Whether the step is a hold without an end in sight."""
    return step.endings.time_s is not None and step.endings.time_s >= HOLD_S


def _hold(settings: Mapping[str, float], note: str = "") -> SetStep:
    return SetStep({n: (v, v) for n, v in settings.items()}, Endings(time_s=HOLD_S), note)


def _length_s(step: SetStep, stood: Mapping[str, float], apparatus: Apparatus, pressure_pa: float) -> float:
    """Its own time, or as long as the air takes to settle."""
    if step.endings.time_s is not None and not is_open(step):
        return step.endings.time_s
    now = {n: v[0] for n, v in step.settings.items()}
    times = lag(apparatus, now, pressure_pa=pressure_pa)
    slew = max(abs(now[n] - stood[n]) / s.fastest_ramp for n, s in apparatus.settings.items())
    total = max(times.settings_s.values()) + times.temperature_s + times.vapour_s
    return max(slew + SETTLED * total, 1.0)


def _on_steps(apparatus: Apparatus, step: SetStep) -> tuple[dict[str, tuple[float, float]], list[str]]:
    """The settings as the knobs can show them, and those that had to be rounded."""
    ends, rounded = {}, []
    for name, (a, b) in step.settings.items():
        setting = apparatus.settings[name]
        low, high = (nearest_step(v, setting) for v in (a, b))
        if step.endings.time_s and abs(high - low) > setting.fastest_ramp * step.endings.time_s:
            high -= math.copysign(setting.step, high - low)  # rounding must not make the ramp too steep
        if max(abs(low - a), abs(high - b)) > 1e-6 * setting.step:
            rounded.append(f"{name} {b:.4g} as {high:g}")
        ends[name] = (low, round(high, 9))
    return ends, rounded


def _table(ends: Ends) -> str:
    parts = [f"{n} = {a!r}" if a == b else f"{n} = [{a!r}, {b!r}]" for n, (a, b) in ends.items()]
    return "{ " + ", ".join(parts) + " }"


def spoken(name: str) -> str:
    """`warm_plate_c` as `warm plate`."""
    from icewright.apparatus.basis import bare

    return bare(name).replace("_", " ")


__all__ = ["Found", "RecipeError", "SetPlan", "SetTarget"]
