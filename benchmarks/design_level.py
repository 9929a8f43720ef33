"""How far two regrowths of one recipe lie apart when only the voxel changes: what "the same crystal" means.

    python benchmarks/design_level.py            grow what is missing, write the page
    python benchmarks/design_level.py --page     only write the page from what is there

Ten recipes of all habits, one to three steps, both kinetics tables, none of them a target of the design loop.
Each is grown on voxels of 1/48 and 1/72 of its size: the second is what a design is confirmed on, the first
is as far from it as the loop's hidden crystals are. The level is twice the median of their distances.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import statistics
from pathlib import Path

os.environ.setdefault("NUMBA_NUM_THREADS", "1")

from icewright.design.distance import TERMS, misfit
from icewright.design.portrait import Portrait, portrait
from icewright.growth.run import Simulation
from icewright.kinetics import load
from icewright.recipe.files import loads
from icewright.recipe.model import Recipe
from icewright.recipe.resolution import Resolution

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "design_level"
PAGE = HERE / "results" / "design_level.md"
VOXELS = (48, 72)

# name: (kinetics, half size in um, steps as TOML)
CASES: dict[str, tuple[str, float, str]] = {
    "plate -15": ("layer-fits", 60, "T=-15 S=2 radius_um=60"),
    "plate -2": ("layer-fits", 60, "T=-2 S=1.4 radius_um=60"),
    "thick plate -10": ("layer-fits", 50, "T=-10.5 S=4 radius_um=50"),
    "sectored -15": ("layer-fits", 60, "T=-15 S=14 radius_um=60"),
    "sectored, other table": ("broad-narrow", 60, "T=-14.5 S=12 radius_um=60"),
    "star brought down": (
        "layer-fits",
        60,
        "T=-15 S=15 radius_um=45 | T=-15 S=15,2.5 minutes=0.3 | T=-15 S=2.5 radius_um=60",
    ),
    "plate, then arms": (
        "layer-fits",
        60,
        "T=-14 S=3 radius_um=28 | T=-14,-15.5 S=3,15 minutes=0.5 | T=-15.5 S=15 radius_um=60",
    ),
    "column -5": ("layer-fits", 60, "T=-5.5 S=1 thickness_um=120"),
    "hollow column -5": ("broad-narrow", 60, "T=-5 S=4 thickness_um=120"),
    "capped column": (
        "layer-fits",
        50,
        "T=-6 S=1.2 thickness_um=90 | T=-6,-15 S=1.2,8 minutes=1 | T=-15 S=8 radius_um=50",
    ),
}


def recipe(
    kinetics: str, size_um: float, steps: str, voxels: float, seed: tuple[float, float] = (3, 3)
) -> Recipe:
    """A recipe from the short form above, on voxels of ``size_um / voxels``."""
    rows = []
    for step in steps.split("|"):
        rows.append("[[step]]")
        for word in step.split():
            key, value = word.split("=")
            key = {"T": "temperature_c", "S": "sigma_percent"}.get(key, key)
            rows.append(f"{key} = [{value}]" if "," in value else f"{key} = {value}")
    body = "\n".join(rows)
    made = loads(
        f'kind = "icewright.recipe"\nschema = 1\nkinetics = "{kinetics}"\n[seed]\nradius_um = {seed[0]}\n'
        f"thickness_um = {seed[1]}\n{body}\n"
    )
    return made.model_copy(update={"resolution": Resolution(voxel_m=size_um * 1e-6 / voxels)})


def grown(made: Recipe) -> Portrait:
    s = Simulation(made, load(made.kinetics))
    while s.ended is None:
        s.advance()
    return portrait(s.solid(), mass_kg=s.glance()["mass_kg"], time_s=s.time_s)


def measured(name: str) -> dict[str, object]:
    path = RESULTS / f"{name.replace(' ', '-').replace(',', '')}.json"
    if path.exists():
        return dict(json.loads(path.read_text()))
    kinetics, size, steps = CASES[name]
    one, two = (grown(recipe(kinetics, size, steps, n)) for n in VOXELS)
    found = misfit(one, two)
    row: dict[str, object] = {
        "name": name,
        "distance": found.distance,
        **found.terms,
        "habit": [one.habit, two.habit],
        "radius_um": [p.radius_m * 1e6 for p in (one, two)],
        "thickness_um": [p.thickness_m * 1e6 for p in (one, two)],
    }
    RESULTS.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(row, indent=1) + "\n")
    return row


def main() -> None:
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--page", action="store_true")
    asked = options.parse_args()
    rows = []
    for name in CASES:
        if asked.page and not (RESULTS / f"{name.replace(' ', '-').replace(',', '')}.json").exists():
            continue
        rows.append(measured(name))
        print(
            f"{name:24s} {rows[-1]['distance']:.4f}",
            {t: round(float(str(rows[-1][t])), 3) for t in TERMS},
            rows[-1]["habit"],
            flush=True,
        )
    level = 2 * statistics.median(float(str(r["distance"])) for r in rows)
    lines = [
        "# What counts as the same crystal",
        "",
        f"`python benchmarks/design_level.py`, {datetime.date.today().isoformat()}, {platform.machine()}, Python {platform.python_version()}.",
        f"Each recipe regrown on voxels of 1/{VOXELS[0]} and 1/{VOXELS[1]} of its size; distance and terms of `icewright.design.distance`.",
        "",
        "| recipe | " + " | ".join(TERMS) + " | distance | habit |",
        "|---|" + "---:|" * (len(TERMS) + 1) + "---|",
    ]
    for r in rows:
        cells = " | ".join(f"{float(str(r[t])):.3f}" for t in TERMS)
        habits = r["habit"]
        assert isinstance(habits, list)
        words = habits[0] if habits[0] == habits[1] else " / ".join(habits)
        lines.append(f"| {r['name']} | {cells} | {float(str(r['distance'])):.3f} | {words} |")
    lines += [
        "",
        f"Median {level / 2:.4f}; twice that is **{level:.4f}**, the level that counts as the same crystal.",
        "",
    ]
    PAGE.write_text("\n".join(lines))
    print(f"twice the median: {level:.4f}")


if __name__ == "__main__":
    main()
