"""What the engine's stopping rules cost in accuracy: rounds of laws and field in a step, and the step's length.

    python benchmarks/rounds.py            both crystals, some minutes on one core
    python benchmarks/rounds.py star       one of them

A step's rounds stop when the laws hang by less than LAW_TOLERANCE of the flux on where they were taken, or after
LAW_ROUNDS, and when far and near flux agree. Here the same crystal grows with rounds that go on for longer and
with shorter steps, to the same radius on the same voxels; what changes is the error of the default.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import datetime
import os
import platform
import sys
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
os.environ.setdefault("NUMBA_NUM_THREADS", "1")

from growth_speed import VOXEL_M, revision, simulation

PAGE = Path(__file__).parent / "results" / "rounds.md"
# degC, sigma, radius in voxels of 1 um
CRYSTALS: dict[str, tuple[float, float, float]] = {"star": (-15.0, 0.15, 100.0), "plate": (-15.0, 0.02, 50.0)}
# most rounds for the laws, their tolerance, the flux's tolerance, longest fill of a step
SETTINGS = (
    (3, 0.05, 0.05, 0.4),
    (6, 0.02, 0.01, 0.4),
    (12, 0.01, 0.01, 0.4),
    (3, 0.05, 0.05, 0.1),
    (6, 0.02, 0.01, 0.2),
    (6, 0.02, 0.01, 0.1),
)


def grown(crystal: str, setting: tuple[int, float, float, float]) -> dict[str, Any]:
    from icewright.growth import stepping
    from icewright.shape import habit, sizes

    rounds, law, flux, fill = setting
    stepping.LAW_ROUNDS, stepping.LAW_TOLERANCE, stepping.FLUX_TOLERANCE = rounds, law, flux
    t_c, sigma, radius = CRYSTALS[crystal]
    sim = simulation(radius * VOXEL_M, temperature_k=t_c + 273.15, sigma=sigma)
    sim.grower.fill_fraction = fill
    began = time.process_time()
    while not sim.ended:
        sim.advance()
    got = sizes.measure(sim.solid())
    return {
        "time_s": sim.time_s,
        "volume": sim.grower.ice_volume(),
        "thick_um": got.thickness_m * 1e6,
        "solidity": got.solidity,
        "word": habit.word(got),
        "steps": sim.grower.steps,
        "cpu_s": time.process_time() - began,
    }


def main() -> None:
    wanted = sys.argv[1:] or list(CRYSTALS)
    grown("plate", SETTINGS[0])  # compiles
    lines = [
        "# What the stopping rules of a step cost in accuracy",
        "",
        f"`python benchmarks/rounds.py {' '.join(sys.argv[1:])}`".replace(" `", "`")
        + f", {datetime.datetime.now(datetime.UTC).date()}, code {revision()}, {platform.machine()}, one thread.",
        "",
        "layer-fits, voxels of 1 um, free in air, rules `joined`. First row: the default. Differences to the last row.",
        "",
    ]
    for crystal in wanted:
        t_c, sigma, radius = CRYSTALS[crystal]
        rows = [(s, grown(crystal, s)) for s in SETTINGS]
        last = rows[-1][1]
        lines += [
            f"## {crystal}: {t_c:g} degC, {100 * sigma:g} %, to {radius:g} um",
            "",
            "| rounds for the laws | laws within | far flux within | fill a step | time s | | ice, voxels (half) | | thickness um | solidity | word | steps | CPU s |",
            "|---|---|---|---|---|---|---|---|---|---|---|---|---|",
        ]
        for (rounds, law, flux, fill), r in rows:
            lines.append(
                f"| {rounds} | {law:g} | {flux:g} | {fill:g} | {r['time_s']:.0f} | {100 * (r['time_s'] / last['time_s'] - 1):+.1f} % "
                f"| {r['volume']:.0f} | {100 * (r['volume'] / last['volume'] - 1):+.1f} % | {r['thick_um']:.1f} | {r['solidity']:.3f} "
                f"| {r['word']} | {r['steps']} | {r['cpu_s']:.0f} |"
            )
            print(lines[-1], flush=True)
        lines.append("")
    PAGE.write_text("\n".join(lines))


if __name__ == "__main__":
    main()
