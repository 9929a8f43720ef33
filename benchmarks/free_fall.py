"""Masses of crystals falling freely at water saturation: the model against published fits.

    python benchmarks/free_fall.py                round model and 3D preview; finished runs are kept, page written
    python benchmarks/free_fall.py --page         only write the page from what is there
    python benchmarks/free_fall.py --limit 120    seconds of processor time for one run (60); what is reached counts

Published: m = a t^b at water saturation, J. Meteorol. Soc. Jpn 69, 15, 1991 (fits as transcribed in a public
script; the paper itself was not read), tolerance 30 %: habit scatter, ventilation and the chamber's pressure
are not known. Nothing here is tuned to these numbers. The diffusion sphere takes all the vapour that still air
brings to a sphere of radius 5 um at the start, with latent heat: no attachment kinetics, no habit.

The model: 1013.25 hPa, still air, one crystal, seed of radius 5 um and thickness 10 um at time 0, facets
"joined". Every run is kept in results/free_fall/MODEL-KINETICS-TEMPERATURE.json.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "free_fall"
PAGE = HERE / "results" / "free_fall.md"
MINUTES = (3, 10, 20, 30)
TOLERANCE = 0.30
SEED_RADIUS_UM, SEED_THICKNESS_UM = 5, 10
MODELS = {"round": 1.0, "3d": 2.0}  # voxel, um
KINETICS = ("layer-fits", "broad-narrow")
# degC -> masses in ug at MINUTES: rows of the fits tagged public, from a = 1.3e-8 ... g, t in minutes
PUBLISHED: dict[float, tuple[float, ...]] = {
    -3.7: (0.061, 0.327, 0.862, 1.52),
    -10.6: (0.173, 1.068, 3.04, 5.61),
    -16.5: (0.361, 2.85, 10.7, 23.2),
    -20.1: (0.185, 1.05, 2.84, 5.09),
    -22.0: (0.162, 0.894, 2.39, 4.26),
}
# what was published as the sphere's mass (ug) at 10 and 30 min, worked out with other code
SPHERE: dict[float, tuple[float, float]] = {
    -3.7: (0.366, 1.88),
    -10.6: (0.976, 5.04),
    -16.5: (1.03, 5.32),
    -20.1: (0.911, 4.71),
    -22.0: (0.826, 4.26),
}


def sphere_ug(temperature_c: float, minutes: float) -> float:
    """Mass of the diffusion sphere: R^2 = R0^2 + 2 D (c_sat/c_ice) sigma t / (1 + chi0)."""
    from math import pi

    from icewright.vapour.scales import scales

    s = scales(temperature_c + 273.15, 101325.0)
    squared = (SEED_RADIUS_UM * 1e-6) ** 2
    squared += 2 * s.D_m2_s * s.c_ratio * s.sigma_water * minutes * 60 / (1 + s.chi0)
    return 4 / 3 * pi * squared**1.5 * s.ice_density_kg_m3 * 1e9


def simulation(temperature_c: float, kinetics: str, model: str, minutes: tuple[float, ...] = MINUTES) -> Any:
    """A crystal at water saturation whose recipe ends a step at each of `minutes`."""
    from icewright.growth.run import Simulation
    from icewright.kinetics import load
    from icewright.recipe.files import loads

    steps = ""
    for start, end in zip((0, *minutes), minutes, strict=False):
        steps += f"[[step]]\ntemperature_c = {temperature_c}\nwater_fraction = 1\nminutes = {end - start}\n"
    recipe = loads(
        f'kind = "icewright.recipe"\nschema = 1\nmodel = "{model}"\nkinetics = "{kinetics}"\n'
        f"[seed]\nradius_um = {SEED_RADIUS_UM}\nthickness_um = {SEED_THICKNESS_UM}\n"
        f"[resolution]\nvoxel_um = {MODELS[model]}\n{steps}"
    )
    return Simulation(recipe, load(kinetics))


def measure(temperature_c: float, kinetics: str, model: str, limit_s: float) -> dict[str, Any]:
    """Grow to 30 minutes or for `limit_s` of processor time; masses in ug by the minute reached."""
    from icewright.shape import habit, sizes

    s = simulation(temperature_c, kinetics, model)
    began, step, masses, habits, ratios = time.process_time(), 0, {}, {}, {}
    while not s.ended and time.process_time() - began < limit_s:
        s.advance()
        if s.step_index != step or s.ended:
            row, shape = s.reading(), sizes.measure(s.solid())
            masses[str(MINUTES[step])] = row["mass_kg"] * 1e9
            habits[str(MINUTES[step])] = (
                f"{habit.word(shape)}, {row['radius_tip_m'] * 1e6:.0f} x {row['thickness_m'] * 1e6:.0f} um"
            )
            ratios[str(MINUTES[step])] = row["field_flux_ratio"]
            step = s.step_index
    return {
        "kind": "icewright.benchmark.free_fall",
        "schema": 1,
        "date": datetime.date.today().isoformat(),
        "machine": platform.machine(),
        "temperature_c": temperature_c,
        "kinetics": kinetics,
        "model": model,
        "voxel_um": MODELS[model],
        "mass_ug": masses,
        "habit": habits,
        "field_flux_ratio": ratios,
        "reached_min": s.time_s / 60,
        "cpu_s": time.process_time() - began,
    }


BALANCE = 0.02  # vapour from afar over vapour into the crystal may be off 1 by this (issue 2)
CAUSES = """Likely causes, row by row (judged, not measured):

- -10.6, -20.1, -22.0 degC, 3D: diffusion and latent heat alone already give these masses (see the sphere); attachment
  and habit move them by little. That the model fits here says that its diffusion, heat and water saturation are right; it says little
  about its kinetics.
- -3.7 degC: the sphere itself is 3 to 24 % above the fit, growing with time. The published crystals gain less than diffusion brings
  (m ~ t^1.40), which no still-air crystal limited by diffusion does; the model's long crystals have a larger capacitance than a sphere and so
  lie above it. Habit, and an air not quite at water saturation, are candidates.
- -16.5 degC: the published crystals are dendrites (m ~ t^1.91 after 5 minutes): thin arms 1 mm and more across, ventilated as they fall. The
  model's crystal is several times too thick for its radius and so stays near the sphere. This is a failure of the model near -15 degC at water
  saturation, not a matter of tolerance: it is short by half at 3 minutes, by more than two thirds at 30."""


def page(runs: list[dict[str, Any]]) -> str:
    """The results page."""
    lines = [
        "# Free-fall masses at water saturation",
        "",
        f"Written {datetime.date.today().isoformat()} by `benchmarks/free_fall.py`, not tuned to these numbers. Masses in ug; misfit against the published fit in "
        f"brackets; **bold** where it is within the stated tolerance of {TOLERANCE:.0%}. A dash: not reached in the time allowed.",
        "",
        "Published: J. Meteorol. Soc. Jpn 69, 15, 1991, by way of a public script, the paper itself not read. Sphere: diffusion alone, latent "
        "heat, no kinetics, no habit, no ventilation.",
        "",
        "| degC | model | kinetics | "
        + " | ".join(f"{m} min" for m in MINUTES)
        + " | shape at the last of them (radius x thickness) |",
        "|---|---|---|" + "---|" * (len(MINUTES) + 1),
    ]
    within = total = spoilt = 0
    for t, published in PUBLISHED.items():
        lines.append(f"| {t} | published | | " + " | ".join(f"{m:.3g}" for m in published) + " | |")
        cells = [
            f"{sphere_ug(t, m):.3g} ({sphere_ug(t, m) / p - 1:+.0%})"
            for m, p in zip(MINUTES, published, strict=True)
        ]
        lines.append(f"| {t} | diffusion sphere | | " + " | ".join(cells) + " | |")
        for model in MODELS:
            for kinetics in KINETICS:
                run = next(
                    (
                        r
                        for r in runs
                        if (r["temperature_c"], r["kinetics"], r["model"]) == (t, kinetics, model)
                    ),
                    None,
                )
                if run is None:
                    continue
                cells, bad = [], False
                for m, p in zip(MINUTES, published, strict=True):
                    got = run["mass_ug"].get(str(m))
                    if got is None:
                        cells.append("-")
                        continue
                    misfit = got / p - 1
                    bad = bad or abs(run["field_flux_ratio"][str(m)] - 1) > BALANCE
                    if bad:
                        spoilt += 1
                        cells.append(f"! {got:.3g} ({misfit:+.0%})")
                        continue
                    fits = abs(misfit) <= TOLERANCE
                    within, total = within + fits, total + 1
                    cells.append(f"**{got:.3g}** ({misfit:+.0%})" if fits else f"{got:.3g} ({misfit:+.0%})")
                last = (
                    list(run["habit"].values())[-1]
                    if run["habit"]
                    else f"stopped at {run['reached_min']:.1f} min"
                )
                lines.append(f"| {t} | {model} | {kinetics} | " + " | ".join(cells) + f" | {last} |")
    lines += [
        "",
        f"Verdict: {within} of {total} model masses lie within {TOLERANCE:.0%} of the published fit.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--page", action="store_true", help="only write the page")
    parser.add_argument("--again", action="store_true", help="measure finished runs again")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds of processor time for one run")
    args = parser.parse_args()
    os.environ.setdefault("NUMBA_NUM_THREADS", "1")
    RESULTS.mkdir(parents=True, exist_ok=True)
    if not args.page:
        for model in MODELS:
            for t in PUBLISHED:
                for kinetics in KINETICS:
                    path = RESULTS / f"{model}-{kinetics}-{abs(t)}.json"
                    if path.exists() and not args.again:
                        continue
                    path.write_text(json.dumps(measure(t, kinetics, model, args.limit), indent=1) + "\n")
                    print(path.name, json.loads(path.read_text())["mass_ug"], flush=True)
    runs = [json.loads(p.read_text()) for p in sorted(RESULTS.glob("*.json"))]
    PAGE.write_text(page(runs))
    print(PAGE)


if __name__ == "__main__":
    main()
