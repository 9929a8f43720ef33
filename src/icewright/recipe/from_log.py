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
from icewright.recipe.traced import SIGMA, TEMPERATURE_K, Trace, steps_of

NOISE = 5.0  # standard deviations: beyond them a reading is a change of the air and no noise
SEED_M = 5e-6


@dataclass(frozen=True)
class AsRun:
    """What was run, as a plan, and how it was cut.

    ``noise_k`` and ``noise_sigma`` are the standard deviations of noise found in the record, ``tolerance_*``
    how closely the ramps follow it.
    """

    planned: Planned
    noise_k: float
    noise_sigma: float
    tolerance_k: float
    tolerance_sigma: float


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

    Ramps stay within 0.01 K and 0.05 % over ice of it, or within five times the record's own noise where that
    is more; their ends are those of least squares. All steps end on time: that is what was run.

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
    near = [max(TEMPERATURE_K, NOISE * noise_k), max(SIGMA, NOISE * noise_sigma)]
    noisy = len(trace.time_s) > 4
    while True:
        steps, at = steps_of(trace, tolerance_k=near[0], tolerance_sigma=near[1], noisy=noisy)
        if len(steps) <= most_steps:
            break
        near = [2.0 * value for value in near]
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
    return AsRun(planned, noise_k, noise_sigma, near[0], near[1])


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
