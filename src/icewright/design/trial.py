"""One trial: a recipe grown by the ordinary engine on coarse voxels, and the portraits that are asked for.

Plain data in, plain data out, so that it can be sent to any worker and kept on a shelf.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from icewright.design.portrait import Portrait, portrait
from icewright.design.target import Grown
from icewright.kinetics.family import Member

if TYPE_CHECKING:
    from icewright.kinetics.model import Kinetics
    from icewright.recipe.model import Recipe

MOST_STEPS = 6000
TOO_LARGE = 2.2  # times the largest size asked for
LONGEST_S = 48 * 3600.0
NEVER_S = 1e5  # a time step this long means that nothing grows any more


@dataclass(frozen=True)
class Stops:
    """What ends a trial early: total time (s), radius and half height (m)."""

    time_s: float = LONGEST_S
    extent_m: float = math.inf


@dataclass(frozen=True)
class Shift:
    """What is moved to see what hangs on it: kelvin, a factor on supersaturation, factors on barriers.

    ``step`` limits the change of the air to one step of the recipe (from 0); None moves all.
    """

    kelvin: float = 0.0
    sigma_factor: float = 1.0
    basal: float = 1.0
    prism: float = 1.0
    step: int | None = None


def record(
    recipe: Recipe,
    stage_steps: tuple[int, ...],
    voxel_m: float,
    stops: Stops,
    shift: Shift | None = None,
    solid: bool = False,
) -> dict[str, Any]:
    """What is sent to a worker. ``solid`` asks for the crystal itself as well."""
    from icewright.recipe.files import dumps
    from icewright.recipe.resolution import Resolution

    moved = recipe if shift is None else shifted(recipe, shift)
    moved = moved.model_copy(update={"resolution": Resolution(voxel_m=voxel_m)})
    kinetics = Member(recipe.kinetics)
    if shift is not None:
        for what, by in (("sigma0 basal", shift.basal), ("sigma0 prism", shift.prism)):
            if by != 1.0:
                kinetics = kinetics.changed(what, by)
    return {
        "recipe": dumps(moved),
        "kinetics": kinetics.to_dict(),
        "stages": list(stage_steps),
        "time_s": stops.time_s,
        "extent_m": stops.extent_m if math.isfinite(stops.extent_m) else 1.0,
        "solid": solid,
    }


def shifted(recipe: Recipe, shift: Shift) -> Recipe:
    """The recipe as a chamber that is off by so much would really run it."""
    from icewright.recipe.step import Humidity

    steps = []
    for i, step in enumerate(recipe.steps):
        if shift.step is not None and i != shift.step:
            steps.append(step)
            continue
        h = step.humidity
        assert h.measure == "sigma"  # designed recipes say their humidity over ice
        warm = tuple(min(t + shift.kelvin, 273.15) for t in step.temperature_k)
        moist = Humidity(measure="sigma", start=h.start * shift.sigma_factor, end=h.end * shift.sigma_factor)
        steps.append(step.model_copy(update={"temperature_k": warm, "humidity": moist}))
    return recipe.model_copy(update={"steps": tuple(steps)})


@lru_cache(maxsize=32)
def _kinetics(base: str, changes: tuple[tuple[str, float], ...]) -> Kinetics:
    return Member(base, changes).build()


def grow_trial(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Grow one trial: portraits at the stages' ends and at the end, how it ended, and the crystal if asked.

    ``whole`` is False where it was cut: by time, by size, or because nothing grew any more.
    """
    from icewright.growth.run import Simulation
    from icewright.recipe.files import loads

    recipe = loads(asked["recipe"])
    member = Member.from_dict(asked["kinetics"])
    s = Simulation(recipe, _kinetics(member.base, member.changes))
    stages: list[dict[str, Any] | None] = [None] * len(asked["stages"])
    whole, steps, lasted = True, 0, [0.0] * len(recipe.steps)
    sizes = [[0.0, 0.0, 0.0] for _ in recipe.steps]
    while s.ended is None:
        at, before = s.step_index, s.time_s
        s.advance()
        steps += 1
        now = s.glance()
        lasted[at] += s.time_s - before
        if s.step_index != at or s.ended is not None:
            sizes[at] = [now["radius_tip_m"], now["thickness_m"], now["mass_kg"]]
            for i, ends in enumerate(asked["stages"]):
                if ends == at:
                    stages[i] = portrait(s.solid(), mass_kg=now["mass_kg"], time_s=s.time_s).to_dict()
        large = max(now["radius_tip_m"], now["thickness_m"] / 2)
        if s.ended is None and (
            large > asked["extent_m"]
            or s.time_s > asked["time_s"]
            or steps >= MOST_STEPS
            or s.time_s - before > NEVER_S
        ):
            whole = False
            break
    now, solid = s.glance(), s.solid()
    out: dict[str, Any] = {
        "last": portrait(solid, mass_kg=now["mass_kg"], time_s=s.time_s).to_dict(),
        "stages": stages,
        "whole": whole,
        "ended": s.ended or "cut",
        "lasted_s": lasted,
        "sizes": sizes,
        "steps": steps,
    }
    if asked.get("solid"):
        import base64

        from icewright.sweep.cells import pack_solid

        out["solid"] = base64.b64encode(pack_solid(solid)).decode("ascii")
    return out


def grown_of(result: Mapping[str, Any]) -> Grown:
    """The crystals of a trial's result."""
    stages = tuple(None if p is None else Portrait.from_dict(p) for p in result["stages"])
    return Grown(stages, Portrait.from_dict(result["last"]), bool(result["whole"]))


@dataclass(frozen=True, eq=False)
class Bias:
    """What a finer crystal has over the coarse one of the same recipe, to be added to other coarse ones."""

    radius: float = 0.0
    thickness: float = 0.0
    time: float = 0.0
    mass: float = 0.0
    solidity: float = 0.0
    hollow: float = 0.0
    ends: float = 0.0
    plan: Any = 0.0
    section: Any = 0.0

    def on(self, p: Portrait) -> Portrait:
        """The portrait that a finer crystal would have."""
        import numpy as np

        s = p.sizes
        wide, tall = math.exp(self.radius), math.exp(self.thickness)
        names = ("radius_tip_m", "radius_max_m", "radius_facet_m", "arm_width_m", "radius_waist_m")
        changed = {name: getattr(s, name) * wide for name in names}
        return Portrait(
            replace(
                s,
                **changed,
                radius_end_m=s.radius_end_m * wide * math.exp(self.ends),
                thickness_m=s.thickness_m * tall,
                solidity=min(1.0, max(0.0, s.solidity + self.solidity)),
                hollow_share=min(1.0, max(0.0, s.hollow_share + self.hollow)),
                aspect_ratio=s.aspect_ratio * tall / wide,
            ),
            np.clip(p.plan + self.plan, 0, 1),
            np.clip(p.section + self.section, 0, 1),
            p.mass_kg * math.exp(self.mass),
            p.time_s * math.exp(self.time),
        )


NO_BIAS = Bias()


def bias_between(coarse: Portrait, fine: Portrait) -> Bias:
    """The bias that turns the coarse portrait into the fine one."""

    def log(a: float, b: float) -> float:
        return math.log(a / b) if a > 0 and b > 0 else 0.0

    c, f = coarse.sizes, fine.sizes
    ends = log(f.radius_end_m, c.radius_end_m) - log(f.radius_waist_m, c.radius_waist_m)
    return Bias(
        log(fine.radius_m, coarse.radius_m),
        log(fine.thickness_m, coarse.thickness_m),
        log(fine.time_s, coarse.time_s),
        log(fine.mass_kg, coarse.mass_kg),
        f.solidity - c.solidity,
        f.hollow_share - c.hollow_share,
        ends,
        fine.plan - coarse.plan,
        fine.section - coarse.section,
    )


def corrected(grown: Grown, stages: tuple[Bias, ...], last: Bias) -> Grown:
    """A coarse trial with the biases of each stage's end and of the end put right."""
    made = tuple(
        None if p is None else (stages[i] if i < len(stages) else NO_BIAS).on(p)
        for i, p in enumerate(grown.stages)
    )
    return Grown(made, last.on(grown.last), grown.whole)


def biases(coarse: Grown, fine: Grown) -> tuple[tuple[Bias, ...], Bias]:
    """Biases of each stage's end and of the end."""
    made = tuple(
        NO_BIAS if c is None or f is None else bias_between(c, f)
        for c, f in zip(coarse.stages, fine.stages, strict=True)
    )
    return made, bias_between(coarse.last, fine.last)
