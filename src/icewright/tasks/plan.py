"""The air of a recipe before anything is grown: a picture and a table of set and actual air."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.ground.units import kelvin_to_celsius, minutes, percent
from icewright.recipe import curves as air_curves

if TYPE_CHECKING:
    from icewright.recipe.in_settings import Planned

COLUMNS = ("step", "ends", "set, degC", "set, %", "at its end, degC", "at its end, %", "to fog, %")


def plan(recipe: str | Path | Planned, out_dir: str | Path) -> dict[str, Any]:
    """Write ``air.csv`` and ``plan.png`` into ``out_dir`` and say what the air will be; nothing is grown.

    Keys: ``folder``, ``picture``, ``steps`` (a record for each step of the file, laboratory units in the
    names), ``table`` (columns, rows, title), ``notes``, ``warnings``, ``cautions``.
    Raises ``RecipeError``, ``ApparatusError``, ``StoreError``.
    """
    from icewright.notebook.files import guard
    from icewright.pictures.air_figures import air_png
    from icewright.recipe.files import read_planned

    planned = read_planned(recipe) if isinstance(recipe, (str, Path)) else recipe
    folder = Path(out_dir)
    with guard(folder, "nothing was changed"):
        folder.mkdir(parents=True, exist_ok=True)
    planned.curves.write(folder / air_curves.FILE)
    steps = _steps(planned)
    said = planned.warnings()
    where = planned.apparatus.title if planned.apparatus is not None else "air as the recipe says"
    picture = air_png(
        planned.curves,
        folder / "plan.png",
        title=planned.recipe.title or "Plan",
        caption=f"{where}. " + "; ".join(planned.notes).capitalize(),
        turns_s=[step["begins_min"] * 60.0 for step in steps],
    )
    return {
        "folder": str(folder),
        "picture": str(picture),
        "steps": steps,
        "table": (COLUMNS, [_row(step) for step in steps], planned.recipe.title),
        "notes": list(planned.notes),
        "warnings": said,
        "cautions": list(planned.cautions),
    }


def _steps(planned: Planned) -> list[dict[str, Any]]:
    """A record for each step of the file: when it begins and ends, and the air at its end."""
    from icewright.vapour.supersaturation import sigma_at_water_saturation

    curves, origin = planned.curves, np.asarray(planned.origin)
    of = origin[curves.step]
    steps = []
    for place in dict.fromkeys(planned.origin):
        rows = np.flatnonzero(of == place)
        first, last = int(rows[0]), int(rows[-1])
        mine = [step for step, o in zip(planned.recipe.steps, planned.origin, strict=True) if o == place]
        kelvin, sigma = float(curves.temperature_k[last]), float(curves.sigma[last])
        steps.append(
            {
                "step": place + 1,
                "begins_min": minutes(float(curves.time_s[first])),
                "ends": _ending(mine, float(curves.time_s[last] - curves.time_s[first])),
                "set_temperature_c": kelvin_to_celsius(float(curves.set_temperature_k[last])),
                "set_sigma_percent": percent(float(curves.set_sigma[last])),
                "temperature_c": kelvin_to_celsius(kelvin),
                "sigma_percent": percent(sigma),
                "to_fog_percent": percent(float(sigma_at_water_saturation(kelvin)) - sigma),
                "ramps": len(mine),
            }
        )
    return steps


def _ending(mine: list[Any], length_s: float) -> str:
    last = mine[-1].endings
    if last.time_s is None:
        return str(last.words()) + (f" (air settles in {minutes(length_s):.2g} min)" if len(mine) > 1 else "")
    return str(last.model_copy(update={"time_s": float(f"{length_s:.6g}")}).words())


def _row(step: dict[str, Any]) -> tuple[Any, ...]:
    return (
        step["step"],
        step["ends"],
        f"{step['set_temperature_c']:.2f}",
        f"{step['set_sigma_percent']:.2f}",
        f"{step['temperature_c']:.2f}",
        f"{step['sigma_percent']:.2f}",
        f"{step['to_fog_percent']:.2f}",
    )
