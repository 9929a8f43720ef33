"""What a run folder holds, in words and small tables; also of a run that was stopped or killed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.ground.units import kelvin_to_celsius, minutes, percent, ug, um
from icewright.notebook import checkpoint
from icewright.notebook.frames import list_frames
from icewright.notebook.series import Series, read_series
from icewright.notebook.store import RunFolder
from icewright.tasks.summary import BALANCE_BAR, FLUX_BAR

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe

_ON_DISK = (
    ("recipe.toml", "the full recipe"),
    ("settings.toml", "the recipe in settings, as written"),
    ("apparatus.toml", "the apparatus that it names"),
    ("air.csv", "set and actual air"),
    ("kinetics.toml", "the attachment table that it names"),
    ("run.json", "version, machine, sources, status"),
    ("summary.json", "how it ended"),
    ("series.csv", "sizes and air over time"),
    ("frames.zarr", "the crystal at chosen moments"),
    ("checkpoint", "what --resume goes on from"),
    ("pictures", "pictures"),
    ("solid.stl", "the solid, STL"),
    ("solid.glb", "the solid, GLB"),
    ("resolution.json", "this run against half the voxel"),
    ("half-voxel", "the run at half the voxel"),
)


def look(folder: str | Path) -> dict[str, Any]:
    """What the run in ``folder`` holds.

    Keys: ``words`` (sentences), ``tables`` (each ``title``, ``columns``, ``rows``), ``pictures`` (paths), and
    for programs ``state`` (growing, killed, stopped, failed, ended), ``steps`` (a record each), ``summary``
    (that of ``summary.json`` or None), ``frames`` (their count) and ``warnings``. Damaged parts are named in
    words and do not hide the rest. Raises ``StoreError`` if it is no run folder, ``RecordError`` if it was
    written by a newer Icewright.
    """
    run = RunFolder(Path(folder))
    about = run.read_run()
    told: list[str] = []
    recipe = _try(lambda: _recipe(run), told)
    series = _try(lambda: read_series(run.series), told) if run.series.exists() else None
    summary = run.read_summary()
    if series is not None and series.dropped:
        told.append(series.dropped)
    state, status = _state(run, about, told)
    steps = _steps(recipe, series)
    words = [f"{about.get('title') or 'untitled'}: {status}"]
    if series is not None and len(series):
        words.append(_size_words(series, summary, state))
        words.append(_accuracy_words(series))
    words += _provenance(about, summary)
    warnings = list(dict.fromkeys([*(summary or about).get("warnings", []), *told]))
    words += [f"warning: {text}" for text in warnings]
    tables = [_steps_table(steps)] if steps else []
    tables.append(_files_table(run))
    pictures = [str(path) for path in sorted(run.pictures.glob("*.png"))] if run.pictures.is_dir() else []
    return {
        "folder": str(run.path),
        "state": state,
        "words": words,
        "tables": tables,
        "pictures": pictures,
        "steps": steps,
        "summary": summary,
        "frames": len(list_frames(run.frames)),
        "warnings": warnings,
    }


def _recipe(run: RunFolder) -> Recipe:
    from icewright.recipe import files

    return files.read(run.recipe)


def _state(run: RunFolder, about: Mapping[str, Any], told: list[str]) -> tuple[str, str]:
    state, status = str(about.get("state", "")), str(about.get("status", ""))
    if state != "growing":
        if state == "failed":
            status += f"; icewright grow --resume {run.path} goes on from the last checkpoint"
        return state, status
    if run.busy():
        return "growing", "growing now"
    saved = _try(lambda: checkpoint.load(run.checkpoint), told)
    if saved is None:
        back = "it starts again from the seed"
    else:
        back = (
            f"its last checkpoint is at {minutes(float(saved.notes['recorder']['last']['time_s'])):.4g} min"
        )
        if saved.torn:
            told.append(saved.torn)
    return "killed", f"cut off in mid-growth; icewright grow --resume {run.path} goes on ({back})"


def _steps(recipe: Recipe | None, series: Series | None) -> list[dict[str, Any]]:
    """A record for each step that was begun: its air and endings as asked for, its end as grown."""
    if recipe is None or series is None or not len(series):
        return []
    of = series.columns["step"]
    steps = []
    for place, step in enumerate(recipe.steps[: int(of.max()) + 1]):
        rows = np.flatnonzero(of == place)
        # The first row of the next step is the very moment at which this one ended.
        last = int(np.flatnonzero(of > place)[0]) if (of > place).any() else int(rows[-1])
        first = int(rows[0]) if rows.size else last
        at = {name: float(values[last]) for name, values in series.columns.items()}
        begun = float(series.columns["time_s"][first])
        length = step.endings.time_s or 0.0
        steps.append(
            {
                "step": place + 1,
                "temperature_c": [kelvin_to_celsius(step.temperature_at(t)) for t in (0.0, length)],
                "sigma_percent": [percent(step.sigma_at(t)) for t in (0.0, length)],
                "until": step.endings.words(),
                "min": minutes(at["time_s"] - begun),
                "radius_um": um(at["radius_tip_m"]),
                "thickness_um": um(at["thickness_m"]),
                "mass_ug": ug(at["mass_kg"]),
                "solidity": at["solidity"],
            }
        )
    return steps


def _steps_table(steps: list[dict[str, Any]]) -> dict[str, Any]:
    names = ("min", "radius_um", "thickness_um", "mass_ug")
    return {
        "title": "steps: the air asked for, and the crystal at the end of each",
        "columns": ["step", "degC", "sigma, %", "until", "min", "a, um", "thick, um", "mass, ug"],
        "rows": [
            [step["step"], _span(step["temperature_c"]), _span(step["sigma_percent"]), step["until"]]
            + [round_to(step[name]) for name in names]
            for step in steps
        ],
    }


def _span(ends: list[float]) -> str:
    first, last = (f"{value:.4g}" for value in ends)
    return first if first == last else f"{first} to {last}"


def _files_table(run: RunFolder) -> dict[str, Any]:
    rows = []
    for name, what in _ON_DISK:
        path = run.path / name
        if not path.exists():
            continue
        size = (
            path.stat().st_size
            if path.is_file()
            else sum(item.stat().st_size for item in path.rglob("*") if item.is_file())
        )
        if name == "frames.zarr":
            what += f", {len(list_frames(path))} of them"
        rows.append([name, what, round_to(size / 1e6)])
    return {"title": "files", "columns": ["file", "what", "MB"], "rows": rows}


def _size_words(series: Series, summary: Mapping[str, Any] | None, state: str) -> str:
    at = {name: float(values[-1]) for name, values in series.columns.items()}
    # A summary from an earlier stop is behind a run that was resumed.
    habit = f"{summary['habit']}, " if summary and state in ("ended", "stopped") else ""
    return (
        f"{habit}radius {um(at['radius_tip_m']):.4g} um, thickness {um(at['thickness_m']):.4g} um, mass "
        f"{ug(at['mass_kg']):.4g} ug, solidity {at['solidity']:.3g} after {minutes(at['time_s']):.4g} min "
        f"({len(series)} rows)"
    )


def _accuracy_words(series: Series) -> str:
    flux = np.abs(series.columns["field_flux_ratio"] - 1.0)
    balance = np.abs(series.columns["mass_balance_error"])
    return (
        f"accuracy: ice gained and vapour arrived differ by {_worst(balance)} (bar {percent(BALANCE_BAR):g} "
        f"%), flux far away and at the surface by {_worst(flux)} (bar {percent(FLUX_BAR):g} %)"
    )


def _worst(values: np.ndarray[Any, Any]) -> str:
    known = values[np.isfinite(values)]
    if not known.size:
        return "an unknown amount"
    return f"{percent(float(known[-1])):.2g} % at the end and {percent(float(known.max())):.2g} % at worst"


def _provenance(about: Mapping[str, Any], summary: Mapping[str, Any] | None) -> list[str]:
    sources = about.get("sources", [])
    voxel = um(float(about["voxel_m"])) if about.get("voxel_m") else float("nan")
    words = [
        f"grown by Icewright {about.get('version')} with kinetics {about.get('kinetics')}, voxel {voxel:.3g} "
        f"um, {len(sources)} sources"
    ]
    if summary and summary.get("from_memory"):
        words += [f"hangs on a value from memory: {text}" for text in summary["from_memory"]]
    return words


def round_to(value: float, digits: int = 4) -> float:
    """``value`` to that many significant digits, for a table."""
    return float(f"{value:.{digits}g}")


def _try(what: Any, told: list[str]) -> Any:
    try:
        return what()
    except IcewrightError as error:
        told.append(error.message or str(error).splitlines()[0])
        return None
