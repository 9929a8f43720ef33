"""Do the error bars of a design hold? Two recipes, each regrown a hundred times under doubt, against what was stated.

    python benchmarks/design_robust.py              grow what is missing, write the page
    python benchmarks/design_robust.py --only 10    at most so many regrowths more of each recipe in this call
    python benchmarks/design_robust.py --page       only write the page from what is there

Each recipe is found by `icewright design`, and its stated spread is the one of that design's own record. Then the
recipe as it is handed over is regrown at the preset "preview" with the temperature, the supersaturation and both
barriers off, by draws made here: by another generator, and from what docs/design.md says of them, not by the
code that stated the spread. Counted is how many of a hundred fall within the stated ends. Every regrowth is a
line of its own in a file, so that the run goes on where it was stopped.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import json
import math
import os
import platform
import random
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("NUMBA_NUM_THREADS", "1")

from scipy.stats import betabinom

from icewright.design.distance import SAME, distance
from icewright.design.portrait import Portrait
from icewright.design.trial import LONGEST_S, Shift, Stops, grow_trial, record
from icewright.design.wants import number
from icewright.recipe.files import loads
from icewright.recipe.resolution import Resolution, voxel_m
from icewright.tasks.design import design

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "design_robust"
PAGE = HERE / "results" / "design_robust.md"
REGROWTHS, STATED_BY, TRIALS = 100, 20, 60
SURE = 0.99  # how often a correct spread lies within the tolerance that is printed
HEAD = 'kind = "icewright.target"\nschema = 1\n'

# Invented here, of the Tern Point science museum, and used nowhere else.
RECIPES = {
    "plate, then arms": HEAD
    + """title = "Plate, then arms (invented)"
kinetics = "layer-fits"
[limits]
temperature_c = [-18, -10]
[[stage]]
habit = "plate"
radius_um = 20
[[stage]]
habit = "branches"
radius_um = 50
""",
    "plate": HEAD
    + """title = "Plate (invented)"
kinetics = "layer-fits"
[limits]
temperature_c = [-18, -10]
[[stage]]
habit = "plate"
radius_um = 40
thickness_um = [4, 7]
""",
}


def stem(name: str) -> str:
    return name.replace(", ", "-").replace(" ", "-")


def stated(name: str) -> dict[str, Any]:
    """The design's recipe and the spread that it states, kept."""
    path = RESULTS / f"{stem(name)}.json"
    if path.exists():
        return dict(json.loads(path.read_text()))
    RESULTS.mkdir(parents=True, exist_ok=True)
    # Not thrown away: a search that was stopped goes on, and a new spread of the same recipe costs little.
    aside = Path(tempfile.gettempdir()) / f"icewright-design-robust-{stem(name)}"
    target, out = aside / "target.toml", aside / "out"
    begun = (out / "design.json").exists()
    aside.mkdir(exist_ok=True)
    target.write_text(RECIPES[name])
    found = design(
        None if begun else target,
        out,
        resume=begun,
        trials=TRIALS,
        workers=1,
        spread=STATED_BY,
        pictures=False,
    )
    made: dict[str, Any] = {
        "recipe": (out / "recipe.toml").read_text(),
        "spread": found.spread,
        "distance": found.distance,
    }
    path.write_text(json.dumps(made, indent=1) + "\n")
    return made


def drawn(about: dict[str, Any], place: int) -> Shift:
    """The ``place``-th way to be off, as docs/design.md says: all normal and independent."""
    chance = random.Random(f"Tern Point {place}")
    wide = math.log1p(about["barriers"]) / 2  # the range is two standard deviations
    return Shift(
        chance.gauss(0, about["kelvin"]),
        math.exp(chance.gauss(0, about["sigma_percent"] / 100)),
        math.exp(chance.gauss(0, wide)),
        math.exp(chance.gauss(0, wide)),
    )


def regrown(made: dict[str, Any], shift: Shift | None) -> dict[str, Any]:
    recipe = loads(made["recipe"]).model_copy(update={"resolution": Resolution(preset="preview")})
    asked = record(recipe, (), voxel_m(recipe), Stops(LONGEST_S, 1.0), shift)
    began = time.perf_counter()
    got = grow_trial(asked)
    return got | {"wall_s": time.perf_counter() - began}


def rows_of(name: str) -> list[dict[str, Any]]:
    """Every regrowth that there is; the first is that without any shift."""
    path = RESULTS / f"{stem(name)}.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def regrow(name: str, made: dict[str, Any]) -> bool:
    """One more; False if all are there."""
    rows = rows_of(name)
    place = len(rows)
    if place > REGROWTHS:
        return False
    shift = None if place == 0 else drawn(made["spread"], place)
    got = regrown(made, shift)
    last = Portrait.from_dict(got["last"])
    meant = Portrait.from_dict(rows[0]["last"]) if rows else last
    row: dict[str, Any] = {
        "place": place,
        "shift": [] if shift is None else [shift.kelvin, shift.sigma_factor, shift.basal, shift.prism],
        "numbers": {n: number(last, n) for n in made["spread"]["numbers"]},
        "distance": distance(meant, last),
        "habit": last.habit,
        "ended": got["ended"],
        "whole": got["whole"],
        "wall_s": round(got["wall_s"], 2),
    }
    if place == 0:
        row["last"] = got["last"]
    with (RESULTS / f"{stem(name)}.jsonl").open("a") as out:
        out.write(json.dumps(row) + "\n")
    print(f"{name}: {place} of {REGROWTHS}, {row['wall_s']} s", flush=True)
    return True


def tolerance(level: float, draws: int, n: int) -> tuple[int, int]:
    """Least and most of ``n`` that a correct spread covers, ``SURE`` of the time.

    The content between the ends of the middle of ``draws`` outcomes is a Beta variable whose mean is the
    level (any text on order statistics), so the count within is beta-binomial.
    """
    a = level * (draws + 1)
    law = betabinom(n, a, draws + 1 - a)
    return int(law.ppf((1 - SURE) / 2)), int(law.ppf((1 + SURE) / 2))


def table(name: str, made: dict[str, Any], rows: list[dict[str, Any]]) -> list[str]:
    s, fresh = made["spread"], [r for r in rows if r["place"] > 0]
    n = len(fresh)
    low, high = tolerance(s["level"], s["draws"], n)
    voxel_um = 1e6 * (loads(made["recipe"]).resolution.voxel_m or 0.0)
    closest = {"radius_um": voxel_um / 2, "thickness_um": voxel_um / 2, "solidity": 0.5 / 72}
    lines = [
        f"## {name}",
        "",
        f"{n} regrowths, {sum(not r['whole'] for r in fresh)} of them cut; {sum(r['wall_s'] for r in fresh) / max(n, 1):.1f} s each. "
        f"Doubt: {s['kelvin']} K, {s['sigma_percent']:g} %, barriers {100 * s['barriers']:.0f} % ({s['barriers_from']}). "
        f"Stated from {s['draws']} draws: within the tolerance are {low} to {high} of {n}.",
        "",
        f"| quantity | stated {100 * s['level']:.0f} % | regrowths: 10 %, median, 90 % | covered | within the tolerance |",
        "|---|---:|---:|---:|---|",
    ]
    for key, (a, mid, b) in [*s["numbers"].items(), ("distance", s["distance"])]:
        values = sorted(r["distance"] if key == "distance" else r["numbers"][key] for r in fresh)
        if not values:
            continue
        held = sum(a <= v <= b for v in values)
        # Told no more closely than half a voxel: what strays by less than that is rightly covered always.
        blunt = min(mid - a, b - mid) <= 1.01 * closest.get(key, 0.0)
        fair = held >= low and (held <= high or blunt)
        at = [values[min(n - 1, int(q * n))] for q in (0.1, 0.5, 0.9)]
        lines.append(
            f"| {key} | {a:.4g} to {b:.4g} ({mid:.4g}) | {at[0]:.4g}, {at[1]:.4g}, {at[2]:.4g} | {held} of {n} "
            f"| {('yes; half a voxel' if blunt else 'yes') if fair else f'**no**, by {max(low - held, held - high)}'} |"
        )
    same = sum(r["distance"] <= SAME for r in fresh)
    lines += [
        "",
        f"The same crystal (distance at most {SAME}): stated {100 * s['same']:.0f} %, regrown {same} of {n}.",
        "",
    ]
    return lines


def main() -> None:
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--page", action="store_true")
    options.add_argument("--only", type=int, default=REGROWTHS + 1)
    asked = options.parse_args()
    lines = [
        "# Do the error bars of a design hold?",
        "",
        f"`python benchmarks/design_robust.py`, {datetime.date.today().isoformat()}, {platform.machine()}, Python {platform.python_version()}.",
        f"Each recipe found by `icewright design --trials {TRIALS} --spread {STATED_BY}`; regrown as handed over, at the preset",
        "preview (100 voxels in the radius), off by draws made independently of those that stated the spread.",
        f"The tolerance holds {100 * SURE:.0f} % of what a correct spread would cover: binomial in the regrowths, and Beta in the",
        "draws by which the ends were stated. Sizes and shares are told no more closely than half a voxel to either side",
        "of the middle one; where that is what the ends are, more than the tolerance may be covered.",
        "",
    ]
    names = [n for n in RECIPES if not asked.page or (RESULTS / f"{stem(n)}.jsonl").exists()]
    made = {name: stated(name) for name in names}
    # In turns, so that a run that is stopped has come as far with either.
    for _ in range(0 if asked.page else asked.only):
        if not sum([regrow(name, made[name]) for name in names]):
            break
    for name in names:
        lines += table(name, made[name], rows_of(name))
    PAGE.write_text("\n".join(lines))


if __name__ == "__main__":
    main()
