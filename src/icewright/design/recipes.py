"""The family of recipes that is searched: a few steps, each an air and a size at which it ends.

A recipe is made from numbers between 0 and 1 (a point of the unit cube), so that every search sees the same
box. Per step: temperature, humidity (on a scale of equal ratios up to the moistest air there), and, where the
target does not fix it, the size at which the step ends. Between two steps the air changes on a ramp. What is
grown is what is written: temperatures to 0.1 degC, supersaturation to 0.01 percent, sizes to 0.1 um.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.design.airs import Airs, celsius, kelvin
from icewright.design.portrait import DesignError, FloatArray

if TYPE_CHECKING:
    from icewright.design.target import Target
    from icewright.recipe.model import Recipe

DEFAULT_SEED_M = (3e-6, 3e-6)
DIP_TO = 0.25  # humidity within a dip, as a share of what it was
PULSE_ROOM = 0.6  # with pulses the step itself keeps to this share, so that there is room above
DIP_S = (10.0, 120.0)
DRIFT_S = (60.0, 5400.0)
LENGTH_FIRST = "length, then radius"
_LEAST_GROWTH_M = 0.4e-6


@dataclass(frozen=True)
class Piece:
    """One step of a form.

    Parameters
    ----------
    cue : "radius", "thickness" or "time": what ends it.
    size_m : where, if the target fixes it; else a share of the way from the size before to ``upto_m``.
    drifts : the air goes from one to another over the step, over a time of its own.
    branch_at_m : radii at which the humidity dips or pulses.
    stage : number of the target's stage that ends with this step, or None.
    """

    cue: str
    size_m: float | None = None
    upto_m: float = 0.0
    drifts: bool = False
    branch_at_m: tuple[float, ...] = ()
    set_off_by: str = "dip"
    stage: int | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """What the numbers of this step mean, in order."""
        found = ["temperature", "humidity"]
        if self.drifts:
            found += ["temperature at the end", "humidity at the end", "minutes"]
        if self.size_m is None and self.cue != "time":
            found.append("size")
        if self.branch_at_m:
            found.append("dip")
        return tuple(found)


@dataclass(frozen=True)
class Form:
    """A kind of recipe: its pieces in order."""

    name: str
    pieces: tuple[Piece, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Every number, `1 temperature`, `1 humidity`, ..."""
        return tuple(f"{i} {name}" for i, piece in enumerate(self.pieces, 1) for name in piece.names)

    @property
    def size(self) -> int:
        """How many numbers it has."""
        return len(self.names)


@dataclass(frozen=True)
class Made:
    """A recipe made from a point, and which of its steps end a stage."""

    recipe: Recipe
    stage_steps: tuple[int, ...]
    settings: tuple[tuple[float, float], ...]  # degC and percent of each piece's start


def forms(target: Target) -> list[Form]:
    """The forms that can give the target, the simplest first.

    With stages there is one, a step a stage. Without, forms of one to the most steps allowed; a long crystal
    is ended on its length, a flat one on its radius, and where it may be a capped column also on first one
    and then the other.
    """
    if target.stages:
        return [_of_stages(target)]
    radius, height = _final(target)
    found = [_steps(target, 1, radius, height)]
    if target.limits.steps >= 2:
        found.append(Form("drift", (replace(found[0].pieces[0], drifts=True),)))
    for n in range(2, target.limits.steps + 1):
        found.append(_steps(target, n, radius, height))
    c = target.crystal
    capped = (
        c is not None
        and height is not None
        and radius is not None
        and c.sizes.radius_end_m > 1.15 * c.sizes.radius_waist_m
    )
    capped = capped or any(w.name == "end_over_waist" for w in target.wants)
    # About as long as wide: a column that then widened is as likely as a plate that thickened.
    capped = capped or (height is not None and radius is not None and 0.4 < height / (2 * radius) < 2.5)
    if capped and radius is not None and height is not None and target.limits.steps >= 2:
        found.insert(1, Form(LENGTH_FIRST, (Piece("thickness", None, height), Piece("radius", radius))))
    return found


def constant(target: Target) -> Form:
    """The form of one constant air, whatever the target is: what a design must beat."""
    radius, height = _final(target)
    made = _steps(target, 1, radius, height)
    if target.stages:
        made = Form(made.name, (replace(made.pieces[0], stage=len(target.stages) - 1),))
    return made


def _final(target: Target) -> tuple[float | None, float | None]:
    radius, height = target.radius_m, target.thickness_m
    for want in target.wants:
        if want.name == "radius_um" and radius is None and math.isfinite(want.high):
            radius = 0.5e-6 * (want.low + want.high)
        if want.name == "thickness_um" and height is None and math.isfinite(want.high) and want.low > 0:
            height = 0.5e-6 * (want.low + want.high)
    return radius, height


def _steps(target: Target, n: int, radius: float | None, height: float | None) -> Form:
    long = radius is None or (height is not None and height > 1.8 * radius)
    cue, size = ("thickness", height) if long and height is not None else ("radius", radius)
    if size is None:
        cue = "time"
    pieces = [Piece(cue if cue != "time" else "radius", None, size or target.extent_m) for _ in range(n - 1)]
    return Form(f"{n} step{'s' if n > 1 else ''}", (*pieces, Piece(cue, size)))


def _of_stages(target: Target) -> Form:
    pieces = []
    radius, height = _final(target)
    for i, stage in enumerate(target.stages):
        last = i == len(target.stages) - 1
        long = stage.long and stage.thickness_m is not None
        size = stage.thickness_m if long else stage.radius_m
        cue = "thickness" if long else "radius"
        if size is None and last:
            cue, size = (
                ("thickness", height)
                if stage.habit in ("column", "hollow column", "needle")
                else (cue, radius)
            )
        upto = next(
            (s.radius_m for s in target.stages[i + 1 :] if s.radius_m is not None), radius or target.extent_m
        )
        if size is None and last:
            cue = "time"
        pieces.append(Piece(cue, size, upto, False, stage.branch_at_m, stage.set_off_by, i))
    return Form("stages", tuple(pieces))


def make(form: Form, point: FloatArray, target: Target, airs: Airs, voxel_m: float, title: str = "") -> Made:
    """The recipe at a point of the unit cube, shape [form.size]; points outside are brought in.

    Raises ``DesignError`` if the target's own sizes contradict each other.
    """
    from icewright.recipe.held import Held
    from icewright.recipe.limits import RecipeError
    from icewright.recipe.model import Recipe
    from icewright.recipe.resolution import Resolution
    from icewright.recipe.seed import Seed

    x = iter(np.clip(np.asarray(point, dtype=float), 0.0, 1.0).tolist())
    seed = target.seed or Seed(radius_m=DEFAULT_SEED_M[0], thickness_m=DEFAULT_SEED_M[1])
    was = {"radius": seed.radius_m or 0.0, "thickness": seed.thickness_m or 0.0}
    steps: list[Any] = []
    ends: list[int] = []
    settings = []
    air: tuple[float, float] | None = None
    for number, piece in enumerate(form.pieces):
        t, s = _air(airs, next(x), next(x))
        after, minutes = (t, s), 0.0
        if piece.drifts:
            after = _air(airs, next(x), next(x))
            minutes = _between(DRIFT_S, next(x))
        size = piece.size_m
        if size is None and piece.cue != "time":
            share = 0.05 + 0.9 * next(x)
            # Room for the steps that follow: each must still have something to grow.
            later = sum(p.cue == piece.cue for p in form.pieces[number + 1 :])
            most = piece.upto_m - _LEAST_GROWTH_M * max(later, 1)
            size = was[piece.cue] + max(share * (piece.upto_m - was[piece.cue]), _LEAST_GROWTH_M)
            size = min(size, max(most, was[piece.cue] + 0.1 * _LEAST_GROWTH_M))
        if air is not None and air != (t, s):
            steps.append(
                _step(
                    air,
                    (t, s),
                    _tenth_minute(airs.ramp(kelvin(air[0]), kelvin(t))),
                    None,
                    None,
                    "change the air",
                )
            )
        if piece.branch_at_m:
            dip_s = _between(DIP_S, next(x))
            s = s if piece.set_off_by == "dip" else round(s * PULSE_ROOM, 2)
            after = (t, s)
            steps += _branching(piece, (t, s), dip_s, airs, size)
        # The engine lands on a step's time, so that no coarse step of growth runs past the target's.
        time_s = minutes or target.limits.time_s
        if piece.cue == "time":
            time_s = target.limits.time_s
        note = target.stages[piece.stage].habit if piece.stage is not None and target.stages else ""
        if piece.drifts:
            steps.append(_step((t, s), after, minutes, piece.cue, size, "let the air drift"))
            # A size that the drift does not reach is waited for in its last air.
            steps.append(_step(after, after, None, piece.cue, size, "hold"))
        else:
            steps.append(_step((t, s), after, time_s, piece.cue, size, note or "hold"))
        if piece.stage is not None:
            ends.append(len(steps) - 1)
        if size is not None and piece.cue in was:
            was[piece.cue] = max(was[piece.cue], size)
        settings.append((t, s))
        air = after
    try:
        recipe = Recipe(
            title=title or target.title,
            kinetics=target.kinetics,
            pressure_pa=target.pressure_pa,
            held=target.held or Held(),
            seed=seed,
            resolution=Resolution(voxel_m=voxel_m),
            steps=tuple(steps),
        )
    except RecipeError as error:
        raise DesignError(
            "The target's sizes contradict each other.", got=error.got, wanted=error.wanted
        ) from error
    return Made(recipe, tuple(ends), tuple(settings))


def _air(airs: Airs, warmth: float, share: float) -> tuple[float, float]:
    """degC and percent over ice, rounded to what is written."""
    t_k = airs.coldest_k + warmth * (airs.warmest_k - airs.coldest_k)
    t_c = float(celsius(t_k))
    s = 100 * airs.sigma(kelvin(t_c), share)
    return t_c, float(max(round(s, 2), 0.02))


def _between(ends: tuple[float, float], share: float) -> float:
    return float(ends[0] * (ends[1] / ends[0]) ** share)


def _tenth_minute(seconds: float) -> float:
    return max(6.0, math.ceil(seconds / 6 - 1e-9) * 6.0)


def _branching(
    piece: Piece, air: tuple[float, float], dip_s: float, airs: Airs, size: float | None
) -> list[Any]:
    """Hold to each radius, then a dip (or pulse) of the humidity and back."""
    t, s = air
    if piece.set_off_by == "dip":
        other = round(s * DIP_TO, 2)
    else:
        other = round(min(s / PULSE_ROOM, 100 * float(airs.most(kelvin(t)))), 2)
    ramp = _tenth_minute(airs.ramp_s)
    steps = []
    for radius in piece.branch_at_m:
        if size is not None and piece.cue == "radius" and radius >= size:
            break
        steps.append(_step(air, air, None, "radius", radius, "until side branches are due"))
        steps.append(_step(air, (t, other), ramp, None, None, f"{piece.set_off_by} the humidity"))
        steps.append(
            _step((t, other), (t, other), _tenth_minute(dip_s), None, None, f"the {piece.set_off_by}")
        )
        steps.append(_step((t, other), air, ramp, None, None, "and back"))
    return steps


def _step(
    start: tuple[float, float],
    end: tuple[float, float],
    time_s: float | None,
    cue: str | None,
    size: float | None,
    note: str,
) -> Any:
    from icewright.recipe.endings import Endings
    from icewright.recipe.quantities import MICROMETRE, PERCENT
    from icewright.recipe.step import Humidity, Step

    # Through decimals, so that the file shows 3.89 and not 3.8900000000000004.
    length = None if size is None else MICROMETRE.to_si(round(size * 1e6, 1))
    first, last = (PERCENT.to_si(round(value, 2)) for value in (start[1], end[1]))
    return Step(
        temperature_k=(kelvin(start[0]), kelvin(end[0])),
        humidity=Humidity(measure="sigma", start=first, end=last),
        endings=Endings(
            time_s=None if time_s is None else _tenth_minute(time_s),
            radius_m=length if cue == "radius" else None,
            thickness_m=length if cue == "thickness" else None,
        ),
        note=note,
    )


def split(form: Form, point: FloatArray, into: Form) -> FloatArray:
    """A point of a form with more steps that starts from the recipe of one with fewer: steps repeated."""
    given = dict(zip(form.names, point, strict=True))
    out = []
    for name in into.names:
        number, what = name.split(" ", 1)
        place = min(int(number), len(form.pieces))
        plain = what.replace(" at the end", "")
        out.append(float(given.get(f"{place} {what}", given.get(f"{place} {plain}", 0.5))))
    return np.array(out)
