"""Three ways of searching at equal cost: which comes nearest to a crystal whose recipe it does not know?

    python benchmarks/design_strategies.py            search what is missing, write the page
    python benchmarks/design_strategies.py --page     only write the page

Four targets (none of them one of the loop's), grown on voxels of another size; each way gets the same budget
of trials and one seed, and ends with the same confirmation on fine voxels. Results are kept one file each.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
from pathlib import Path
from typing import Any

os.environ.setdefault("NUMBA_NUM_THREADS", "1")

from design_level import recipe

from icewright.design.airs import airs
from icewright.design.distance import SAME
from icewright.design.evaluate import Bench
from icewright.design.search import STRATEGIES, Search
from icewright.design.target import Target
from icewright.design.trial import Stops, grow_trial, grown_of, record

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "design_strategies"
PAGE = HERE / "results" / "design_strategies.md"
BUDGET = 60.0
VOXELS = 56
TARGETS: dict[str, tuple[str, float, str]] = {
    "plate": ("layer-fits", 60, "T=-13.3 S=2.6 radius_um=60"),
    "column": ("layer-fits", 60, "T=-5.8 S=1.4 thickness_um=120"),
    "plate, then arms": (
        "layer-fits",
        60,
        "T=-14 S=3 radius_um=28 | T=-14,-15.5 S=3,15 minutes=0.3 | T=-15.5 S=15 radius_um=60",
    ),
    "capped column": (
        "layer-fits",
        50,
        "T=-6.5 S=1.3 thickness_um=80 | T=-6.5,-14 S=1.3,7 minutes=1 | T=-14 S=7 radius_um=45",
    ),
}


def target(name: str) -> Target:
    kinetics, size, steps = TARGETS[name]
    hidden = recipe(kinetics, size, steps, VOXELS)
    grown = grown_of(grow_trial(record(hidden, (), size * 1e-6 / VOXELS, Stops())))
    return Target(title=name, kinetics=kinetics, crystal=grown.last)


def searched(name: str, strategy: Any) -> dict[str, Any]:
    path = RESULTS / f"{name.replace(' ', '-').replace(',', '')}-{strategy}.json"
    if path.exists():
        return dict(json.loads(path.read_text()))
    wanted = target(name)
    with Bench(wanted, airs(wanted)) as bench:
        found = Search(bench, seed=1, budget=BUDGET, strategy=strategy, good=0.0).run()
    best = found.best
    assert best is not None
    row = {
        "target": name,
        "strategy": strategy,
        "distance": best.distance,
        "cost": found.cost,
        "trials": found.trials,
        "cpu_s": found.cpu_s,
        "wall_s": found.wall_s,
        "form": best.form.name,
        "settings": best.made.settings,
        "history": found.history,
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
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for name in TARGETS:
        for strategy in STRATEGIES:
            path = RESULTS / f"{name.replace(' ', '-').replace(',', '')}-{strategy}.json"
            if asked.page and not path.exists():
                continue
            rows[name, strategy] = row = searched(name, strategy)
            print(
                f"{name:20s} {strategy:8s} {row['distance']:.4f}  cost {row['cost']:.0f}, {row['cpu_s']:.0f} s of processor",
                flush=True,
            )
            write(rows)
    write(rows)


def write(rows: dict[tuple[str, str], dict[str, Any]]) -> None:
    lines = [
        "# Three ways of searching, at equal cost",
        "",
        f"`python benchmarks/design_strategies.py`, {datetime.date.today().isoformat()}, {platform.machine()}, Python {platform.python_version()}, one worker.",
        f"Distance of the best confirmed crystal from the target ({SAME} counts as the same); budget {BUDGET:g} trials of middle fineness each.",
        "",
        "| target | " + " | ".join(STRATEGIES) + " |",
        "|---|" + "---:|" * len(STRATEGIES),
    ]
    for name in TARGETS:
        cells = [f"{rows[name, s]['distance']:.3f}" if (name, s) in rows else "" for s in STRATEGIES]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    PAGE.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
