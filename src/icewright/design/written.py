"""A found recipe as it is handed over: with times expected at every step, and as settings of an apparatus."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from icewright.design.airs import celsius
from icewright.design.evaluate import Trial
from icewright.design.portrait import DesignError

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe


def finished(trial: Trial, title: str, time_limit_s: float | None) -> Recipe:
    """The recipe of a trial with what to expect at each step in its notes, and a time on its last step.

    That time is what is left of the target's time, or, without a limit, one and a half times what the
    prediction took: a person then does not wait for ever on a size that does not come.
    """
    recipe, lasted, sizes = trial.made.recipe, trial.result.get("lasted_s", []), trial.result.get("sizes", [])
    steps = []
    gone = 0.0
    for i, step in enumerate(recipe.steps):
        took = lasted[i] if i < len(lasted) else 0.0
        note = step.note
        if took > 0:
            after = f"about {gone / 60 + took / 60:.1f} min"
            r, h = (1e6 * v for v in sizes[i][:2]) if i < len(sizes) else (0.0, 0.0)
            size = f", radius {r:.0f} um, thickness {h:.0f} um" if r > 0 else ""
            note = f"{note}; it ends after {after}{size}"
        elif gone > 0:
            note = f"{note}; the crystal is done before"
        ends = step.endings
        if i == len(recipe.steps) - 1:
            if time_limit_s is not None:
                ends = ends.model_copy(
                    update={"time_s": max(6.0, math.floor((time_limit_s - gone) / 6) * 6.0)}
                )
            elif ends.time_s is None:
                ends = ends.model_copy(update={"time_s": max(6.0, math.ceil(1.5 * took / 6) * 6.0)})
        elif ends.names_size and not step.ramps and ends.time_s == time_limit_s:
            ends = ends.model_copy(update={"time_s": None})
        steps.append(step.model_copy(update={"endings": ends, "note": note}))
        gone += took
    return recipe.model_copy(update={"steps": tuple(steps), "title": title})


def in_settings(recipe: Recipe, apparatus_path: Path) -> str:
    """The recipe as text in the settings of an apparatus, whose path is written into it.

    Raises ``DesignError`` naming the step whose air the settings cannot make.
    """
    from icewright.apparatus.file import read
    from icewright.apparatus.inverse import settings_for
    from icewright.apparatus.model import nearest_step
    from icewright.ground.errors import IcewrightError
    from icewright.recipe.files import dumps
    from icewright.recipe.quantities import MICROGRAM, MICROMETRE, MINUTE

    apparatus = read(apparatus_path)
    head = dumps(recipe).split("[[step]]")[0]
    lines = head.rstrip().split("\n")
    place = next(i for i, line in enumerate(lines) if line.startswith("["))
    lines.insert(place, f"apparatus = {_quoted(str(apparatus_path))}\n")
    before: dict[str, float] | None = None
    for number, step in enumerate(recipe.steps, 1):
        ends: list[dict[str, float]] = []
        for t_k, share in zip(step.temperature_k, (0.0, 1.0), strict=True):
            sigma = step.humidity.sigma(t_k, share)
            try:
                found = settings_for(apparatus, t_k, sigma, pressure_pa=recipe.pressure_pa, held=before)
            except IcewrightError as error:
                raise DesignError(
                    f"Step {number} needs air that the apparatus cannot make.",
                    got=f"{celsius(t_k):g} degC and {100 * sigma:.3g} %",
                    wanted=error.wanted,
                ) from error
            ends.append({n: nearest_step(v, apparatus.settings[n]) for n, v in found.items()})
            before = ends[-1]
        made = ", ".join(
            f"{n} = {a:.10g}" if a == ends[1][n] else f"{n} = [{a:.10g}, {ends[1][n]:.10g}]"
            for n, a in ends[0].items()
        )
        lines += ["", "[[step]]"]
        if step.note:
            lines.append(f"note = {_quoted(step.note)}")
        lines.append(f"settings = {{ {made} }}")
        for key, value, unit in (
            ("minutes", step.endings.time_s, MINUTE),
            ("radius_um", step.endings.radius_m, MICROMETRE),
            ("thickness_um", step.endings.thickness_m, MICROMETRE),
            ("mass_ug", step.endings.mass_kg, MICROGRAM),
        ):
            if value is not None:
                lines.append(f"{key} = {unit.text(value)}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)


__all__ = ["finished", "in_settings"]
