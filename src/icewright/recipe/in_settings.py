"""A recipe whose steps are settings of an apparatus: resolved, lag and all, to an ordinary recipe.

    apparatus = "apparatus-reservoir.toml"
    before = { reservoir_c = -15, plate_c = -15 }     # where it had settled; without it: the first step's
    [[step]]
    settings = { reservoir_c = -13.4, plate_c = -15 } # a number holds, [from, to] ramps
    minutes = 10

The settings are checked against the apparatus: limits, smallest steps, fastest ramps. The air that they make,
with the lag of knobs and air (`icewright.apparatus.response`), is then cut into straight ramps
(`icewright.recipe.traced`), and both curves are kept (`icewright.recipe.curves`).

A size that ends a step: when it comes nobody knows beforehand. Such a step is resolved to the ramps of its
lag, each ending early on that size too, and then a hold; the next step sets out from settled air (or, with
`minutes` as well, from the air at that time). A size that comes before the air has settled therefore
leaves a small jump, and the plan says how long settling takes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from icewright.apparatus.basis import ApparatusError, Setting, unit_of
from icewright.apparatus.file import read as read_apparatus
from icewright.apparatus.model import Apparatus, nearest_step
from icewright.apparatus.response import Followed, follow, lag
from icewright.recipe.curves import AirCurves, of_steps
from icewright.recipe.endings import Endings
from icewright.recipe.limits import RecipeError
from icewright.recipe.model import Recipe
from icewright.recipe.step import Step
from icewright.recipe.traced import SIGMA, TEMPERATURE_K, Trace, hold, steps_of

SETTLED = 7.0  # lags: what is left of a change is then 0.1 %


@dataclass(frozen=True)
class SetStep:
    """One step in settings: (from, to) of each setting named, in the unit of its name."""

    settings: Mapping[str, tuple[float, float]]
    endings: Endings
    note: str = ""


@dataclass(frozen=True)
class Planned:
    """A recipe and the air behind it.

    Attributes:
        recipe: the ordinary recipe that is grown.
        curves: set and actual air; the same where no apparatus stands between.
        apparatus: None for a recipe that says its air.
        apparatus_path: file of the apparatus.
        origin: for each step of `recipe` the step of the file that it comes from, from 0.
        notes: sentences on lag, settling and the apparatus.
        cautions: what the apparatus implies for the people beside it.
        text: the file as it was written, for a recipe in settings.
        set_steps: its steps, each with every setting of the apparatus.
        before: settings at which the chamber had settled when the crystal was put in.
    """

    recipe: Recipe
    curves: AirCurves
    apparatus: Apparatus | None = None
    apparatus_path: Path | None = None
    origin: tuple[int, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    text: str = ""
    set_steps: tuple[SetStep, ...] = ()
    before: Mapping[str, float] = field(default_factory=dict)

    @property
    def lags(self) -> bool:
        """Whether set and actual air are told apart."""
        return self.curves.set_temperature_k is not self.curves.temperature_k

    def warnings(self) -> list[str]:
        """What `recipe.cautions.warnings` says, by the steps of the file and each thing once."""
        from icewright.recipe.cautions import warnings

        said: dict[str, str] = {}
        for words in warnings(self.recipe):
            shown = in_file(words, self.origin)
            said.setdefault(re.sub(r"(?<!step )[-\d.,\[\]]+", "", shown), shown)
        return list(said.values())


def in_file(words: str, origin: Sequence[int]) -> str:
    """The words with the number of a resolved step turned into that of the step in the file."""

    def turned(match: re.Match[str]) -> str:
        place = int(match[1]) - 1
        return f"step {origin[place] + 1}" if 0 <= place < len(origin) else match[0]

    return re.sub(r"\bstep (\d+)", turned, words) if origin else words


def plan(path: str | Path) -> Planned:
    """The recipe in a file with the air behind it, whether it is written in settings or in air.

    Raises:
        RecipeError: for what cannot be, or what the apparatus cannot do.
        ApparatusError: for an apparatus file that cannot be read.
    """
    from icewright.recipe import files

    return files.read_planned(path)


def of_air(recipe: Recipe) -> Planned:
    """A recipe that says its air: nothing lags."""
    t, step, kelvin, sigma = of_steps(recipe.steps)
    return Planned(
        recipe, AirCurves(t, step, kelvin, sigma, kelvin, sigma), origin=tuple(range(len(recipe.steps)))
    )


def resolve(
    given: Mapping[str, Any],
    steps: Sequence[SetStep],
    apparatus: Apparatus,
    *,
    apparatus_path: Path | None = None,
    before: Mapping[str, float] | None = None,
    tolerance_k: float = TEMPERATURE_K,
    tolerance_sigma: float = SIGMA,
) -> Planned:
    """The ordinary recipe of steps in settings.

    Args:
        given: every other argument of `Recipe`, without its steps.
        steps: the steps; a setting that a step leaves out stays as it was, or as the apparatus file says.
        apparatus: the apparatus.
        apparatus_path: its file, kept with the plan.
        before: settings at which the chamber had settled when the crystal was put in; None for those of the
            first step.
        tolerance_k, tolerance_sigma: how closely the ramps follow the air.

    Raises:
        RecipeError: naming the step, for settings that the knobs cannot do and air that no step may have.
    """
    if not steps:
        raise RecipeError(
            got="a recipe without steps",
            wanted="at least one step",
            do=f"[[step]]\n{_example(apparatus)}\nminutes = 10",
        )
    pressure = float(given.get("pressure_pa", apparatus.pressure_pa))
    whole, notes = _whole(steps, apparatus, before or {})
    start = _start(apparatus, whole, before)
    lengths = [
        _length_s(s, w, p, apparatus, pressure)
        for s, w, p in zip(steps, whole, _ends(whole, start), strict=True)
    ]
    moments: list[float] = []
    values: dict[str, list[float]] = {name: [] for name in apparatus.settings}
    now = 0.0
    for one, length in zip(whole, lengths, strict=True):
        moments += [now, now + length]
        for name, (first, last) in one.items():
            values[name] += [first, last]
        now += length
    try:
        air = follow(apparatus, moments, values, pressure_pa=pressure, start=start)
    except ApparatusError as cause:
        raise RecipeError(got=cause.got or cause.message, wanted=cause.wanted, do=cause.do) from cause
    made = _cut(
        given, steps, lengths, air, apparatus, apparatus_path, pressure, notes, (tolerance_k, tolerance_sigma)
    )
    full = tuple(SetStep(w, s.endings, s.note) for s, w in zip(steps, whole, strict=True))
    return replace(made, set_steps=full, before=start)


def _cut(
    given: Mapping[str, Any],
    steps: Sequence[SetStep],
    lengths: Sequence[float],
    air: Followed,
    apparatus: Apparatus,
    apparatus_path: Path | None,
    pressure: float,
    notes: list[str],
    tolerances: tuple[float, float],
) -> Planned:
    made: list[Step] = []
    origin: list[int] = []
    rows: list[tuple[int, int]] = []  # (row of the followed air, resolved step)
    begun = 0.0
    notes += [f"lag, {words}" for words in air.notes]
    for i, (step, length) in enumerate(zip(steps, lengths, strict=True)):
        first, last = _between(air.time_s, begun, begun + length)
        part = slice(first, last + 1)
        trace = Trace(air.time_s[part] - begun, air.temperature_k[part], air.sigma[part])
        try:
            ramps, at = steps_of(
                trace,
                tolerance_k=tolerances[0],
                tolerance_sigma=tolerances[1],
                size=step.endings,
                note=step.note,
            )
            if step.endings.time_s is None:
                settled = _sizes_alone(step.endings)
                if len(ramps) == 1 and not _moves(trace, tolerances):
                    ramps = [hold(trace.at(np.inf), settled, step.note)]
                else:
                    ramps.append(hold(trace.at(np.inf), settled))
                    at = [*at, len(trace.time_s) - 1]
        except RecipeError as cause:
            raise RecipeError(
                got=f"step {i + 1}{cause.got.removeprefix('step')}", wanted=cause.wanted, do=cause.do
            ) from cause
        ends = [*at[1:], len(trace.time_s) - 1]
        for k, (low, high) in enumerate(zip(at, ends, strict=True)):
            number = len(made) + k
            rows += [(first + j, number) for j in range(low, max(high, low) + 1)]
        made += ramps
        origin += [i] * len(ramps)
        notes += _unsettled(i, step, air, last, apparatus)
        begun += length
    index = np.array([row for row, _ in rows])
    curves = _thinned(
        AirCurves(
            air.time_s[index],
            np.array([number for _, number in rows], dtype=np.int64),
            air.set_temperature_k[index],
            air.set_sigma[index],
            air.temperature_k[index],
            air.sigma[index],
            {name: np.asarray(values)[index] for name, values in air.set_settings.items()},
        )
    )
    try:
        recipe = Recipe(**{**given, "pressure_pa": pressure}, steps=tuple(made))
    except RecipeError as cause:
        raise RecipeError(got=in_file(cause.got, origin), wanted=cause.wanted, do=cause.do) from cause
    said = {**dict(apparatus.notes), **recipe.notes.given()}
    held = replace(apparatus, notes=said)
    return Planned(
        recipe, curves, apparatus, apparatus_path, tuple(origin), tuple(notes), tuple(held.cautions())
    )


def _sizes_alone(endings: Endings) -> Endings:
    """The same sizes without a time."""
    return endings.model_copy(update={"time_s": None})


def _whole(
    steps: Sequence[SetStep], apparatus: Apparatus, before: Mapping[str, float]
) -> tuple[list[dict[str, tuple[float, float]]], list[str]]:
    """Every setting of every step, checked against the knobs."""
    _refuse_knob(apparatus, before, "before")
    stands: dict[str, float] = dict(before)
    out = []
    for i, step in enumerate(steps, 1):
        where = f"step {i}"
        for end in (0, 1):
            _refuse_knob(apparatus, {n: v[end] for n, v in step.settings.items()}, where)
        for name, (low, high) in step.settings.items():
            _refuse_ramp(name, low, high, step, apparatus.settings[name], where)
        try:
            first = apparatus.complete({**stands, **{n: v[0] for n, v in step.settings.items()}})
            last = apparatus.complete({**stands, **{n: v[1] for n, v in step.settings.items()}})
            for moment in (first, last):
                apparatus.check(moment)
        except ApparatusError as cause:
            raise _of_step(cause, where, apparatus) from cause
        out.append({name: (first[name], last[name]) for name in apparatus.settings})
        stands = last
    return out, []


def _of_step(cause: ApparatusError, where: str, apparatus: Apparatus) -> RecipeError:
    got = f"{where}: {cause.got}" if cause.got else where
    do = cause.do if "--set" not in cause.do else _example(apparatus)
    return RecipeError(cause.message, got=got, wanted=cause.wanted, do=do)


def _refuse_knob(apparatus: Apparatus, values: Mapping[str, float], where: str) -> None:
    try:
        apparatus.check(values)
    except ApparatusError as cause:
        raise _of_step(cause, where, apparatus) from cause
    for name, value in values.items():
        setting = apparatus.settings[name]
        near = nearest_step(value, setting)
        if abs(near - value) > 1e-6 * setting.step:
            raise RecipeError(
                got=f"{where}: {name} = {value:g}, between two steps of the knob",
                wanted=f"steps of {setting.step:g} {unit_of(name)} from {setting.low:g} on",
                do=f"{name} = {near:g}",
            )


def _refuse_ramp(name: str, low: float, high: float, step: SetStep, setting: Setting, where: str) -> None:
    if low == high:
        return
    if step.endings.time_s is None:
        raise RecipeError(
            got=f"{where}: {name} = [{low:g}, {high:g}] is a ramp without a time",
            wanted="minutes, because a ramp needs a time (a size may end the step earlier)",
            do="minutes = 10",
        )
    needed = abs(high - low) / setting.fastest_ramp
    if needed > step.endings.time_s * (1 + 1e-9):
        raise RecipeError(
            got=f"{where}: {name} from {low:g} to {high:g} in {step.endings.time_s / 60:g} minutes",
            wanted=f"at most {setting.fastest_ramp * 60:g} {unit_of(name)} a minute, which is all it can do",
            do=f"minutes = {np.ceil(needed / 60 * 10) / 10:g}",
        )


def _start(
    apparatus: Apparatus,
    whole: Sequence[Mapping[str, tuple[float, float]]],
    before: Mapping[str, float] | None,
) -> dict[str, float]:
    first = {name: ends[0] for name, ends in whole[0].items()}
    return {**first, **(before or {})}


def _ends(
    whole: Sequence[Mapping[str, tuple[float, float]]], start: Mapping[str, float]
) -> list[Mapping[str, float]]:
    """Where each knob stands before each step."""
    return [start, *({name: ends[1] for name, ends in one.items()} for one in whole[:-1])]


def _length_s(
    step: SetStep,
    whole: Mapping[str, tuple[float, float]],
    stood: Mapping[str, float],
    apparatus: Apparatus,
    pressure: float,
) -> float:
    """The step's time, or how long the air takes to settle where only a size ends it."""
    if step.endings.time_s is not None:
        return step.endings.time_s
    now = {name: ends[0] for name, ends in whole.items()}
    times = lag(apparatus, now, pressure_pa=pressure)
    slew = max(
        abs(now[name] - stood[name]) / setting.fastest_ramp for name, setting in apparatus.settings.items()
    )
    total = max(times.settings_s.values()) + times.temperature_s + times.vapour_s
    return max(slew + SETTLED * total, 1.0)


def _between(time_s: Any, start: float, end: float) -> tuple[int, int]:
    """First and last row of the air from `start` to `end`; of two rows at a jump, the one inside."""
    hair = 1e-9 * max(1.0, abs(end))
    return (
        int(np.searchsorted(time_s, start + hair, side="right")) - 1,
        int(np.searchsorted(time_s, end - hair, side="left")),
    )


def _moves(trace: Trace, tolerances: tuple[float, float]) -> bool:
    return bool(np.ptp(trace.temperature_k) > tolerances[0] or np.ptp(trace.sigma) > tolerances[1])


def _unsettled(i: int, step: SetStep, air: Followed, last: int, apparatus: Apparatus) -> list[str]:
    """How far the air still is from what is set when a timed step ends."""
    if step.endings.time_s is None:
        return []
    warm = float(air.temperature_k[last] - air.set_temperature_k[last])
    moist = float(air.sigma[last] - air.set_sigma[last])
    if abs(warm) < 0.02 and abs(moist) < 0.002:
        return []
    return [
        f"step {i + 1} ends before the air has settled: {warm:+.3g} K and {100 * moist:+.3g} % over ice from "
        "what is set"
    ]


def _thinned(curves: AirCurves, most: int = 1200) -> AirCurves:
    """At most about `most` rows; the first and last row of each step stay."""
    n = len(curves.time_s)
    if n <= most:
        return curves
    keep = np.zeros(n, dtype=bool)
    keep[:: int(np.ceil(n / most))] = True
    turn = np.flatnonzero(np.diff(curves.step) != 0)
    keep[[0, n - 1, *turn, *(turn + 1)]] = True
    keep[1:] |= np.diff(curves.time_s) == 0
    return AirCurves(
        curves.time_s[keep],
        curves.step[keep],
        curves.set_temperature_k[keep],
        curves.set_sigma[keep],
        curves.temperature_k[keep],
        curves.sigma[keep],
        {name: values[keep] for name, values in curves.settings.items()},
    )


def _example(apparatus: Apparatus) -> str:
    def usual(setting: Setting) -> float:
        return nearest_step((setting.low + setting.high) / 2, setting) if setting.now is None else setting.now

    inside = ", ".join(f"{name} = {usual(setting):g}" for name, setting in apparatus.settings.items())
    return f"settings = {{ {inside} }}"


__all__ = ["Planned", "SetStep", "of_air", "plan", "read_apparatus", "resolve"]
