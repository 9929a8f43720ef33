"""The recipe that really was run, from the air of a logger's record, beside the one that was planned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.apparatus.as_logged import LoggedAir
from icewright.apparatus.model import Apparatus
from icewright.apparatus.spikes import noise
from icewright.recipe.curves import AirCurves
from icewright.recipe.in_settings import Planned
from icewright.recipe.model import Recipe
from icewright.recipe.resolution import Resolution
from icewright.recipe.seed import Seed
from icewright.recipe.traced import SIGMA, TEMPERATURE_K, Trace, knots, steps_between

NOISE = 5.0  # standard deviations: beyond them a reading is a change of the air and no noise
SEED_M = 5e-6
LONGEST_MEAN_S = 20.0  # knobs of a bench take longer than that


@dataclass(frozen=True)
class AsRun:
    """What was run, as a plan, and how it was cut.

    ``noise_k`` and ``noise_sigma`` are the standard deviations of noise found in the record, ``tolerance_*``
    how closely the ramps follow it, or the means of ``averaged`` readings at a time.
    """

    planned: Planned
    noise_k: float
    noise_sigma: float
    tolerance_k: float
    tolerance_sigma: float
    averaged: int = 1


def as_run(
    air: LoggedAir,
    time_s: NDArray[np.float64],
    apparatus: Apparatus,
    *,
    plan: Planned | None = None,
    title: str = "",
    most_steps: int = 400,
) -> AsRun:
    """The recipe of the logged air.

    Ramps stay within 0.01 K and 0.05 % over ice of it. Where the record's own noise, five times over, is more
    than that, means over as many readings as needed stand for it, of 20 s at most, and the tolerance is five
    times their noise. The ends of the ramps are those of least squares over all readings. All steps end on
    time: that is what was run.

    Args:
        air: the logged air.
        time_s: its moments in seconds of the recipe (zero is the start), (n,).
        apparatus: for its cautions and notes.
        plan: what was planned; seed, holding, kinetics and resolution are its, and its air is set beside.
        title: of the new recipe.
        most_steps: the tolerance is doubled until there are no more steps than this.

    Raises:
        RecipeError: for air that no recipe may have.
    """
    keep = np.concatenate([np.diff(time_s) > 0, [True]])
    trace = Trace(time_s[keep] - time_s[keep][0], air.temperature_k[keep], air.sigma[keep])
    noise_k, noise_sigma = noise(trace.temperature_k), noise(trace.sigma)
    block = _block(trace, noise_k, noise_sigma)
    calm = _means(trace, block)
    near = [
        max(TEMPERATURE_K, NOISE * noise_k / block**0.5),
        max(SIGMA, NOISE * noise_sigma / block**0.5),
    ]
    while True:
        found = knots(calm, *near)
        if len(found) <= most_steps + 1:
            break
        near = [2.0 * value for value in near]
    # A knot of the means is the reading in the middle of its block; the ends stay the ends.
    last = len(trace.time_s) - 1
    at = sorted({0, last, *(min(k * block + block // 2, last) for k in found[1:-1])})
    steps = steps_between(trace, at, noisy=len(trace.time_s) > 4)
    at = at[:-1]
    base = (
        plan.recipe
        if plan is not None
        else Recipe(
            seed=Seed(radius_m=SEED_M, thickness_m=SEED_M), resolution=Resolution(), steps=tuple(steps)
        )
    )
    recipe = Recipe(
        **{
            name: getattr(base, name)
            for name in Recipe.model_fields
            if name not in ("steps", "schema_number", "kind")
        }
        | {"title": title or f"{base.title or 'Run'}, as logged", "pressure_pa": air.pressure_pa},
        steps=tuple(steps),
    )
    step = np.clip(np.searchsorted(at, np.arange(len(trace.time_s)), side="right") - 1, 0, len(steps) - 1)
    asked = _asked(plan, trace.time_s)
    curves = AirCurves(
        trace.time_s,
        step.astype(np.int64),
        asked[0],
        asked[1],
        trace.temperature_k,
        trace.sigma,
        {name: values[keep] for name, values in air.settings.items()},
    )
    planned = Planned(
        recipe,
        curves,
        apparatus,
        None,
        tuple(range(len(steps))),
        air.words,
        tuple(apparatus.cautions()),
    )
    return AsRun(planned, noise_k, noise_sigma, near[0], near[1], block)


def _block(trace: Trace, noise_k: float, noise_sigma: float) -> int:
    """How many readings to average so that five times the noise of their mean lies within the tolerance."""
    needed = max(NOISE * noise_k / TEMPERATURE_K, NOISE * noise_sigma / SIGMA, 1.0) ** 2
    usual = float(np.median(np.diff(trace.time_s)))
    most = max(1, min(int(LONGEST_MEAN_S / usual), len(trace.time_s) // 8))
    return int(min(np.ceil(needed), most))


def _means(trace: Trace, block: int) -> Trace:
    """Means of so many readings at a time."""
    if block == 1:
        return trace
    begins = np.arange(0, len(trace.time_s), block)
    counts = np.diff(np.append(begins, len(trace.time_s)))
    columns = [
        np.add.reduceat(np.asarray(values, dtype=float), begins) / counts
        for values in (trace.time_s, trace.temperature_k, trace.sigma)
    ]
    return Trace(*columns)


def _asked(
    plan: Planned | None, time_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The air that the plan promised at these moments; NaN without a plan, and past its end."""
    if plan is None:
        nothing = np.full(time_s.shape, np.nan)
        return nothing, nothing.copy()
    c = plan.curves
    last = c.time_s[-1] if plan.recipe.steps[-1].endings.time_s is not None else np.inf
    out = [np.interp(time_s, c.time_s, values) for values in (c.temperature_k, c.sigma)]
    for values in out:
        values[time_s > last + 1e-6] = np.nan
    return out[0], out[1]
