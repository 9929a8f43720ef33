"""What voxel size and time step change: the same crystals at 2, 1 and 0.5 um and at half the time step.

    python benchmarks/resolution.py              run what is missing (finished runs are kept), write the page
    python benchmarks/resolution.py --page       only write the page from what is there
    python benchmarks/resolution.py --limit 120  seconds of wall time for one run (120); longer ones stay open

Every run is kept in results/resolution/CASE-VOXEL-FRACTION.json. The time step is the share of a voxel that
the fastest cell may fill in one step; "half step" halves it. Sizes are compared at one model time, that of
the coarser run's end or of the finer one's, whichever is earlier, from a record at every fortieth of the
way. All crystals are free in air at 1013.25 hPa, facets "joined".
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "resolution"
PAGE = HERE / "results" / "resolution.md"
FULL_STEP = 0.4
VOXELS_UM = (2.0, 1.0, 0.5)
RADIUS_BAR, COMPACT_BAR, BRANCHED_BAR = 0.03, 0.03, 0.10  # issue 2
BRANCHED = ("sectored plate", "stellar plate", "dendritic plate")
TRUE_HEXAGON = 0.866

BROAD_STAR = "star -15 C 15 % broad-narrow"

# A seed is held on whole voxels; 5.1 um comes out as 5.0, 5.5 and 5.25 um at 2, 1 and 0.5 um.
# name: (kinetics, seed (radius, thickness) um, steps of (degC, sigma %, minutes or None, size that ends it))
Stage = tuple[tuple[float, float], tuple[float, float], float | None, dict[str, float]]
CASES: dict[str, tuple[str, tuple[float, float], list[Stage]]] = {
    "plate -15 C 2 % layer-fits": ("layer-fits", (5.1, 4), [((-15, -15), (2, 2), None, {"radius_m": 50e-6})]),
    "plate -15 C 1 %": ("broad-narrow", (5.1, 4), [((-15, -15), (1, 1), None, {"radius_m": 50e-6})]),
    "plate -2 C 1.5 %": ("broad-narrow", (5.1, 4), [((-2, -2), (1.5, 1.5), None, {"radius_m": 50e-6})]),
    "hollow column -5 C 4.5 %": (
        "broad-narrow",
        (5.1, 12),
        [((-5, -5), (4.5, 4.5), None, {"thickness_m": 120e-6})],
    ),
    "solid column -5 C 1 %": ("broad-narrow", (5.1, 12), [((-5, -5), (1, 1), None, {"thickness_m": 80e-6})]),
    "star -15 C 15 % layer-fits": (
        "layer-fits",
        (4, 4),
        [((-15, -15), (15, 15), None, {"radius_m": 100e-6})],
    ),
    BROAD_STAR: ("broad-narrow", (5.1, 4), [((-15, -15), (15, 15), None, {"radius_m": 100e-6})]),
    "capped column": (
        "broad-narrow",
        (5.1, 12),
        [
            ((-6, -6), (2, 2), None, {"thickness_m": 80e-6}),
            ((-6, -15), (2, 10), 2.0, {}),
            ((-15, -15), (10, 10), None, {"radius_m": 60e-6}),
        ],
    ),
}


def simulation(name: str, voxel_um: float, fraction: float) -> Any:
    from icewright.growth.run import Simulation
    from icewright.kinetics import load
    from icewright.recipe.endings import Endings
    from icewright.recipe.model import Recipe
    from icewright.recipe.resolution import Resolution
    from icewright.recipe.seed import Seed
    from icewright.recipe.step import Humidity, Step

    kinetics, (radius, thickness), stages = CASES[name]
    steps = tuple(
        Step(
            temperature_k=(t[0] + 273.15, t[1] + 273.15),
            humidity=Humidity(measure="sigma", start=s[0] / 100, end=s[1] / 100),
            endings=Endings(time_s=None if minutes is None else 60 * minutes, **size),
        )
        for t, s, minutes, size in stages
    )
    recipe = Recipe(
        seed=Seed(radius_m=radius * 1e-6, thickness_m=thickness * 1e-6),
        kinetics=kinetics,
        resolution=Resolution(voxel_m=voxel_um * 1e-6),
        steps=steps,
    )
    sim = Simulation(recipe, load(kinetics))
    sim.grower.fill_fraction = fraction
    return sim


def key(name: str, voxel_um: float, fraction: float) -> str:
    plain = name.replace(" ", "_").replace("%", "pc").replace(".", "p")
    return f"{plain}-{voxel_um:g}um-{fraction:g}".replace(".", "p")


def final_size(name: str) -> tuple[str, float]:
    """Which size ends the last step, and at what value in metres."""
    ((size, value),) = CASES[name][2][-1][3].items()
    return ("radius_tip_m" if size == "radius_m" else "thickness_m"), value


def grow(name: str, voxel_um: float, fraction: float, limit_s: float) -> dict[str, Any]:
    """One run; `complete` is False if the limit came first (the record up to there is kept)."""
    from icewright.shape import habit, sizes

    sim = simulation(name, voxel_um, fraction)
    record: dict[str, list[float]] = {k: [] for k in ("time_s", "radius_tip_m", "thickness_m", "mass_kg")}
    size, goal = final_size(name)
    began = time.perf_counter()
    last = -1.0
    while not sim.ended and time.perf_counter() - began < limit_s:
        sim.advance()
        g = sim.glance()
        if g[size] >= last + goal / 40 or sim.ended or sim.step_index + 1 < len(sim.schedule):
            last = g[size]
            for k, values in record.items():
                values.append(float(g[k]))
    solid = sim.solid()
    s = sizes.measure(solid)
    reading = sim.reading()
    waist_share = s.radius_waist_m / max(s.radius_end_m, s.radius_tip_m)
    return {
        "kind": "icewright.benchmark.resolution",
        "schema": 1,
        "case": name,
        "voxel_um": voxel_um,
        "fill_fraction": fraction,
        "date": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "code": revision(),
        "complete": sim.ended is not None,
        "wall_s": time.perf_counter() - began,
        "load": os.getloadavg()[0],
        "steps": sim.grower.steps,
        "time_s": sim.time_s,
        "radius_m": s.radius_tip_m,
        "thickness_m": s.thickness_m,
        "mass_kg": float(reading["mass_kg"]),
        "volume_m3": s.volume_m3,
        "solidity": s.solidity,
        "aspect_ratio": s.aspect_ratio,
        "habit": habit.word(s),
        "flatness": s.radius_facet_m / s.radius_tip_m,
        "hollow_share": s.hollow_share,
        "waist_share": waist_share,
        "thickness_rim_m": s.thickness_rim_m,
        "mass_balance_error": float(reading["mass_balance_error"]),
        "field_flux_ratio": float(reading["field_flux_ratio"]),
        "record": record,
    }


def revision() -> str:
    said = []
    for command in (["rev-parse", "--short", "HEAD"], ["status", "--short", "--", "src/icewright/growth"]):
        got = subprocess.run(["git", *command], cwd=HERE, capture_output=True, text=True, check=False)
        said.append(got.stdout.strip())
    return said[0] + (" with uncommitted changes in growth/" if said[1] else "")


def compare(coarse: dict[str, Any], fine: dict[str, Any]) -> dict[str, Any]:
    """Relative changes at one model time, and whether they keep within the bars of the issue."""
    t = min(coarse["record"]["time_s"][-1], fine["record"]["time_s"][-1])
    change = {}
    for k in ("radius_tip_m", "thickness_m", "mass_kg"):
        a, b = (float(np.interp(t, r["record"]["time_s"], r["record"][k])) for r in (coarse, fine))
        change[k] = a / b - 1
    branched = coarse["habit"] in BRANCHED or fine["habit"] in BRANCHED
    mass_bar = BRANCHED_BAR if branched else COMPACT_BAR
    complete = coarse["complete"] and fine["complete"]
    return {
        "time_s": t,
        "change": change,
        "mass_bar": mass_bar,
        "same_word": coarse["habit"] == fine["habit"] if complete else None,
        "radius_met": abs(change["radius_tip_m"]) <= RADIUS_BAR,
        "mass_met": abs(change["mass_kg"]) <= mass_bar,
        "time_change": coarse["time_s"] / fine["time_s"] - 1 if complete else None,
        "complete": complete,
    }


def verdict(c: dict[str, Any]) -> str:
    faults = []
    if not c["radius_met"]:
        faults.append(f"radius {abs(c['change']['radius_tip_m']):.1%} against {RADIUS_BAR:.0%}")
    if not c["mass_met"]:
        faults.append(f"mass {abs(c['change']['mass_kg']):.1%} against {c['mass_bar']:.0%}")
    if c["same_word"] is False:
        faults.append("another word")
    words = "**not met**: " + ", ".join(faults) if faults else "met"
    return words if c["complete"] else words + " (up to where the shorter run stopped)"


def page(runs: list[dict[str, Any]]) -> str:
    by = {(r["case"], r["voxel_um"], r["fill_fraction"]): r for r in runs}
    lines = [
        "# What voxel size and time step change",
        "",
        "Written by `.venv/bin/python benchmarks/resolution.py`, last on "
        f"{datetime.datetime.now(datetime.UTC):%Y-%m-%d %H:%M} UTC; {platform.machine()}, {os.cpu_count()} cores shared with other work.",
        "",
        "Bars of issue 2, at half the voxel and half the step: radius within 3 %, mass within 3 % (compact) or 10 %",
        "(sectored, stellar, dendritic), the same habit word. Changes are taken at one model time, the earlier of the two",
        "ends. `step` is the share of a voxel that the fastest cell may fill in one step (0.4 is the engine's own). Flatness",
        "is the radius at 30 degrees over the corner radius: 0.866 is a true hexagon. Waist is the smallest corner radius near mid-height over",
        "the largest: far below 1 on a plate means two plates joined in the middle.",
        "",
        'The presets are relative: "standard" is 200 voxels in the final radius, so 0.25 um for the plates of 50 um and',
        '0.5 um for the stars of 100 um; "preview" is twice, "fine" half of that. At 2 and 1 um a plate of 50 um is coarser than',
        "any preset. A step at a fixed share of a voxel is half as long at half the voxel: a comparison of two voxels at 0.4 halves both.",
        "",
        "## Runs",
        "",
        "| case | voxel um | step | model time s | radius um | thickness um | mass ng | volume um3 | solidity | c/a | flatness | hollow | waist | word | flux ratio | steps | wall s |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in CASES:
        for r in sorted(
            (r for r in runs if r["case"] == name), key=lambda r: (-r["voxel_um"], -r["fill_fraction"])
        ):
            stopped = "" if r["complete"] else " (stopped at the limit)"
            lines.append(
                f"| {name} | {r['voxel_um']:g} | {r['fill_fraction']:g} | {r['time_s']:.1f}{stopped} | {r['radius_m'] * 1e6:.1f} "
                f"| {r['thickness_m'] * 1e6:.1f} | {r['mass_kg'] * 1e12:.2f} | {r['volume_m3'] * 1e18:.4g} | {r['solidity']:.3f} "
                f"| {r['aspect_ratio']:.3f} | {r['flatness']:.3f} | {r['hollow_share']:.2f} | {r['waist_share']:.2f} "
                f"| {r['habit']} | {r['field_flux_ratio']:.4f} | {r['steps']} | {r['wall_s']:.1f} |"
            )
    lines += [
        "",
        "## Changes and verdicts",
        "",
        "Change = coarser over finer - 1.",
        "",
        "| case | compared | model time s | radius | thickness | mass | time to the final size | words | verdict |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    pairs: list[tuple[str, tuple[float, float], tuple[float, float]]] = [
        ("voxel 2 and 1 um", (2.0, FULL_STEP), (1.0, FULL_STEP)),
        ("voxel 1 and 0.5 um", (1.0, FULL_STEP), (0.5, FULL_STEP)),
        ("voxel 0.5 and 0.25 um", (0.5, FULL_STEP), (0.25, FULL_STEP)),
        ("step 0.4 and 0.2 at 1 um", (1.0, FULL_STEP), (1.0, FULL_STEP / 2)),
        ("step 0.4 and 0.2 at 2 um", (2.0, FULL_STEP), (2.0, FULL_STEP / 2)),
        ("both halved, 2 to 1 um", (2.0, FULL_STEP), (1.0, FULL_STEP / 2)),
    ]
    tally: dict[str, list[bool]] = {p[0]: [] for p in pairs}
    for name in CASES:
        for label, a, b in pairs:
            coarse, fine = by.get((name, *a)), by.get((name, *b))
            if coarse is None or fine is None:
                continue
            c = compare(coarse, fine)
            ok = c["radius_met"] and c["mass_met"] and c["same_word"] is not False
            tally[label].append(ok)
            d = c["change"]
            words = (
                coarse["habit"]
                if coarse["habit"] == fine["habit"]
                else f"{coarse['habit']} / {fine['habit']}"
            )
            times = "" if c["time_change"] is None else f"{c['time_change']:+.1%}"
            lines.append(
                f"| {name} | {label} | {c['time_s']:.0f} | {d['radius_tip_m']:+.1%} | {d['thickness_m']:+.1%} | {d['mass_kg']:+.1%} "
                f"| {times} | {words} | {verdict(c)} |"
            )
    lines += ["", "## In one line each", ""]
    for label, met in tally.items():
        lines.append(
            f"- {label}: {sum(met)} of {len(met)} cases within the bars." if met else f"- {label}: not run."
        )
    missing = [key(*w) for w in wanted() if w not in by]
    if missing:
        lines += ["", "Not run: " + ", ".join(f"`{m}`" for m in missing) + "."]
    codes = sorted({r["code"] for r in runs})
    lines += ["", "Code: " + "; ".join(codes) + ". Dates of the runs stand in their files."]
    return "\n".join(lines) + "\n"


def wanted() -> list[tuple[str, float, float]]:
    """All runs, those that cost least first."""
    order = [(2.0, FULL_STEP), (1.0, FULL_STEP), (2.0, FULL_STEP / 2), (1.0, FULL_STEP / 2), (0.5, FULL_STEP)]
    runs = [(name, *o) for o in order for name in CASES if name != BROAD_STAR]
    runs += [(BROAD_STAR, *o) for o in order[:2]]
    return runs + [(name, 0.25, FULL_STEP) for name in CASES if name.startswith("plate")]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--limit", type=float, default=120.0, help="wall seconds of one run")
    ask.add_argument("--page", action="store_true", help="only write the page")
    ask.add_argument("--retry", action="store_true", help="run again what stopped at its limit")
    ask.add_argument("--only", default="", help="cases whose name contains this")
    ask.add_argument("--voxel", type=float, help="only this voxel size, um")
    said = ask.parse_args()
    RESULTS.mkdir(parents=True, exist_ok=True)
    for name, voxel, fraction in [] if said.page else wanted():
        if said.only not in name or (said.voxel is not None and said.voxel != voxel):
            continue
        target = RESULTS / f"{key(name, voxel, fraction)}.json"
        if target.exists() and (json.loads(target.read_text())["complete"] or not said.retry):
            continue
        got = grow(name, voxel, fraction, said.limit)
        target.write_text(json.dumps(got) + "\n")
        print(f"{name}, {voxel:g} um, {fraction:g}: {got['habit']}, {got['wall_s']:.1f} s", file=sys.stderr)
    text = page([json.loads(p.read_text()) for p in sorted(RESULTS.glob("*.json"))])
    PAGE.write_text(text)
    print(text)


if __name__ == "__main__":
    main()
