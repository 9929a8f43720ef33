"""Grow a finished run again with half the voxel, and say by how much the crystal changed.

The engine's time step is a fraction of a voxel over the speed of the fastest facet, so half the voxel is
also half the time step. Branching is chaotic: which branch stands where is not compared, only sizes, mass
and the habit word.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from icewright.notebook.files import write_json
from icewright.notebook.series import read_series
from icewright.notebook.store import RunFolder

KIND = "icewright.resolution-check"
SCHEMA = 1
FINER = "half-voxel"

# The project's own bars for "standard" resolution: radius, and mass of branched and of compact crystals.
RADIUS_BAR = 0.03
MASS_BAR_BRANCHED = 0.10
MASS_BAR_COMPACT = 0.03
BRANCHED = ("sectored plate", "stellar plate", "dendritic plate")


def check_resolution(
    folder: str | Path,
    *,
    threads: int | None = None,
    on_progress: Callable[[dict[str, Any]], None] | None = None,
    **options: Any,
) -> dict[str, Any]:
    """Grow the recipe of a finished run with half its voxel into `FOLDER/half-voxel`, and compare the two.

    Sizes are compared at one model time, the earlier of the two ends. The answer is also written to
    `FOLDER/resolution.json`. A stopped check goes on where it stopped when it is called again.

    Args:
        folder: a run folder whose run is complete.
        threads: threads for the kernels.
        on_progress: as for `icewright.tasks.grow.grow`.
        options: passed on to `grow`, such as `engine`.

    Returns:
        `voxel_um`, `finer_voxel_um`, `time_min` (at which they are compared), `rows` of {quantity, value,
        finer, change, bar, within}, `habit`, `finer_habit`, `within` (all of it) and `complete` (False where
        the finer run was stopped: then there are no rows).

    Raises:
        StoreError: if the folder holds no complete run.
    """
    from icewright.notebook.files import StoreError
    from icewright.recipe.files import read
    from icewright.recipe.resolution import Resolution, voxel_m
    from icewright.tasks.grow import grow

    run = RunFolder(Path(folder))
    summary = run.read_summary()
    if summary is None or not summary.get("complete"):
        raise StoreError(
            f"{run.path} holds no complete run.",
            wanted="a run that has ended, to compare with",
            do=f"icewright grow --resume {run.path}",
        )
    recipe = read(run.recipe)
    voxel = voxel_m(recipe)
    finer_recipe = recipe.model_copy(update={"resolution": Resolution(voxel_m=voxel / 2)})
    finer_path = run.path / FINER
    begun = (finer_path / "run.json").is_file()
    finer = grow(
        None if begun else finer_recipe,
        finer_path,
        resume=begun,
        threads=threads,
        on_progress=on_progress,
        pictures=False,
        **options,
    )
    found: dict[str, Any] = {
        "voxel_um": voxel * 1e6,
        "finer_voxel_um": voxel * 0.5e6,
        "habit": summary["habit"],
        "finer_habit": finer.habit,
        "complete": finer.complete,
        "within": False,
        "rows": [],
    }
    if finer.complete:
        own, other = read_series(run.series).columns, read_series(finer_path / "series.csv").columns
        branched = summary["habit"] in BRANCHED or finer.habit in BRANCHED
        found |= compare(own, other, branched=branched)
        found["within"] = found["habit"] == found["finer_habit"] and all(r["within"] for r in found["rows"])
    write_json(run.path / "resolution.json", KIND, SCHEMA, found)
    return found


def compare(own: Mapping[str, Any], other: Mapping[str, Any], *, branched: bool) -> dict[str, Any]:
    """Radius, thickness and mass of two series at the earlier of their two ends.

    Args:
        own: columns of the run, arrays of shape (n,), SI.
        other: columns of the finer run.
        branched: whether the wider bar for the mass of branched crystals holds.
    """
    import numpy as np

    time_s = min(float(own["time_s"][-1]), float(other["time_s"][-1]))
    bars = {
        "radius_tip_m": ("radius", RADIUS_BAR),
        "thickness_m": (
            "thickness",
            None,
        ),  # told, not judged: rims are one voxel thick where they are thinnest
        "mass_kg": ("mass", MASS_BAR_BRANCHED if branched else MASS_BAR_COMPACT),
    }
    rows = []
    for column, (name, bar) in bars.items():
        value, finer = (float(np.interp(time_s, s["time_s"], s[column])) for s in (own, other))
        change = value / finer - 1.0
        rows.append(
            {
                "quantity": name,
                "value": value,
                "finer": finer,
                "unit": "kg" if column == "mass_kg" else "m",
                "change": change,
                "bar": bar,
                "within": bar is None or abs(change) <= bar,
            }
        )
    return {"time_min": time_s / 60.0, "rows": rows}
