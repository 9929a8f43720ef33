"""How fast a 3D branched plate grows, and how that compares with the machine and with a general solver.

    python benchmarks/growth_speed.py                 50 and 100 voxels in radius
    python benchmarks/growth_speed.py 50 100 200 400  others; finished ones are kept in results/growth_speed/
    python benchmarks/growth_speed.py --again 100     measure a finished one again

The crystal: -15 degC, sigma 0.15, kinetics "layer-fits", facets "joined", seed 3 um x 3 um (radius x
thickness), voxels of 1 um, free in air, until its tip is that many voxels from the axis. Each case runs in a
process of its own, so that its peak memory is its own. Compilation is timed apart, in an empty cache
(ICEWRIGHT_CACHE names the folder).

The stated minimum traffic of a sweep is 16 bytes a cell: read u, the pivots and the right side, write u, four
bytes each. The triad a = b + s c counts 12 bytes an element.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "growth_speed"
PAGE = HERE / "results" / "growth_speed.md"
VOXEL_M = 1e-6
BYTES_A_CELL = 16
# voxels in radius -> (seconds, GiB): the targets of issue 2
TARGETS: dict[int, tuple[float, float | None]] = {100: (2.0, None), 200: (10.0, 0.4), 400: (90.0, 0.8)}
TOLERANCE = 1e-4  # of the cold solves: residual over that of the first guess
LARGEST_FOR_PYAMG = 2_000_000  # unknowns; its set-up needs about 1 kB each


def simulation(
    radius_m: float,
    seed_m: tuple[float, float] = (3e-6, 3e-6),
    temperature_k: float = 258.15,
    sigma: float = 0.15,
) -> Any:
    from icewright.growth.run import Simulation
    from icewright.kinetics import load
    from icewright.recipe.endings import Endings
    from icewright.recipe.model import Recipe
    from icewright.recipe.resolution import Resolution
    from icewright.recipe.seed import Seed
    from icewright.recipe.step import Humidity, Step

    air = Humidity(measure="sigma", start=sigma, end=sigma)
    warmth = (temperature_k, temperature_k)
    step = Step(temperature_k=warmth, humidity=air, endings=Endings(radius_m=radius_m))
    recipe = Recipe(
        seed=Seed(radius_m=seed_m[0], thickness_m=seed_m[1]),
        kinetics="layer-fits",
        resolution=Resolution(voxel_m=VOXEL_M),
        steps=(step,),
    )
    return Simulation(recipe, load("layer-fits"))


def revision() -> str:
    """Commit of the code, with a mark if the engine's files differ from it."""
    said = []
    for command in (["rev-parse", "--short", "HEAD"], ["status", "--short", "--", "src/icewright/growth"]):
        got = subprocess.run(["git", *command], cwd=HERE, capture_output=True, text=True, check=False)
        said.append(got.stdout.strip())
    return said[0] + (" with uncommitted changes in growth/" if said[1] else "")


def use_every_kernel() -> None:
    """Load or compile all kernels, with and without threads (the choice hangs on the number of cells)."""
    for seed in ((3e-6, 3e-6), (90e-6, 24e-6)):
        sim = simulation(200e-6, seed)
        for _ in range(3):
            sim.advance()


def triad() -> float:
    """Bytes per second of a = b + s c in float32, all threads, best of eight."""
    import numba

    @numba.njit(parallel=True)
    def kernel(a: Any, b: Any, c: Any, s: Any) -> None:
        for i in numba.prange(len(a)):
            a[i] = b[i] + s * c[i]

    a, b, c = (np.ones(16_000_000, dtype=np.float32) for _ in range(3))
    best = np.inf
    for _ in range(9):
        began = time.perf_counter()
        kernel(a, b, c, np.float32(2))
        best = min(best, time.perf_counter() - began)
    return 12 * len(a) / best


def best_of(function: Any, times: int = 5) -> float:
    took = []
    for _ in range(times):
        began = time.perf_counter()
        function()
        took.append(time.perf_counter() - began)
    return min(took)


# -- one case, in a process of its own ---------------------------------------------------------------------


class Clock:
    """Wraps a method to count calls and sum the seconds they take."""

    def __init__(self, owner: Any, name: str) -> None:
        self.calls, self.seconds = 0, 0.0
        plain = getattr(owner, name)

        def timed(*args: Any, **kw: Any) -> Any:
            began = time.perf_counter()
            out = plain(*args, **kw)
            self.seconds += time.perf_counter() - began
            self.calls += 1
            return out

        setattr(owner, name, timed)


def case(voxels: int, pyamg: bool) -> dict[str, Any]:
    import numba

    from icewright.growth.field import Field
    from icewright.growth.rules import Surface
    from icewright.growth.stepping import Grower
    from icewright.shape import habit, sizes

    load = os.getloadavg()[0]
    began = time.perf_counter()
    use_every_kernel()
    ready = time.perf_counter() - began
    clocks = {
        "V-cycles": Clock(Field, "cycle"),
        "factoring": Clock(Field, "prepare"),
        "far field": Clock(Field, "write_far"),
        "far flux": Clock(Field, "far_flux"),
        "surface laws": Clock(Surface, "apply"),
        "boundary after freezing": Clock(Grower, "_after_freezing"),
        "new boxes": Clock(Grower, "_renew_box"),
    }
    sim = simulation(voxels * VOXEL_M)
    grower = sim.grower
    cell_steps = cell_cycles = 0
    cpu = time.process_time()
    began = time.perf_counter()
    while not sim.ended:
        before = clocks["V-cycles"].calls
        sim.advance()
        cells = grower.field.u.size
        cell_steps += cells
        cell_cycles += cells * (clocks["V-cycles"].calls - before)
    total = time.perf_counter() - began
    cpu = time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    solid = sim.solid()
    got = sizes.measure(solid)
    bandwidth = triad()  # only now: its arrays would count in the peak
    field = grower.field
    sweep_s = best_of(field.smooth)
    out: dict[str, Any] = {
        "kind": "icewright.benchmark.growth-speed",
        "schema": 1,
        "date": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "code": revision(),
        "waiting": os.environ.get("OMP_WAIT_POLICY", "default").lower(),
        "threads": numba.get_num_threads(),
        "load_before": load,
        "load_after": os.getloadavg()[0],
        "voxels": voxels,
        "load_kernels_s": ready,
        "total_s": total,
        "cpu_s": cpu,
        "steps": grower.steps,
        "cycles": clocks["V-cycles"].calls,
        "cells": int(field.u.size),
        "s_per_step": total / grower.steps,
        "cells_per_s": cell_steps / total,
        "peak_gib": peak,
        "triad_gb_s": bandwidth / 1e9,
        "sweep_s": sweep_s,
        "sweep_share": BYTES_A_CELL * field.u.size / sweep_s / bandwidth,
        "run_share": 2 * BYTES_A_CELL * cell_cycles / total / bandwidth,
        "parts_s": {name: c.seconds for name, c in clocks.items()},
        "model_s": sim.time_s,
        "habit": habit.word(got),
        "radius_um": got.radius_tip_m * 1e6,
        "thickness_um": got.thickness_m * 1e6,
        "solidity": got.solidity,
    }
    if pyamg and field.u.size <= LARGEST_FOR_PYAMG:
        out["pyamg"] = against_pyamg(sim)
    return out


# -- the general solver ------------------------------------------------------------------------------------


def matrix(field: Any) -> tuple[Any, Any, Any]:
    """The field's equations as a symmetric scipy matrix: (A, flat indices of the unknowns, row weights).

    Rows are weighted by how often their column stands in the whole plane; only so is the folded wedge
    symmetric, which conjugate gradients need.
    """
    from scipy import sparse

    lat, nz = field.lattice, field.nz
    open_ = np.zeros(field.u.shape, dtype=bool)
    open_[: lat.n_free, field.k0 : field.k1] = (field.mask[: lat.n_free, field.k0 : field.k1] & 1) == 0
    number = np.full(field.u.shape, -1, dtype=np.int64)
    unknowns = np.flatnonzero(open_)
    number.reshape(-1)[unknowns] = np.arange(len(unknowns))
    c, k = np.nonzero(open_)
    w = lat.multiplicity[c].astype(np.float64)
    rows, columns, values = [np.arange(len(c))], [np.arange(len(c))], [w * (field.diag + field.sink)[c, k]]

    def couple(other: Any, conductance: Any) -> None:
        there = other >= 0
        rows.append(np.flatnonzero(there))
        columns.append(other[there])
        values.append(-(w * conductance)[there])

    neighbours = lat.levels[0].neighbours
    for d in range(lat.directions):
        couple(number[neighbours[c, d], k], lat.link[c, d] * field.dz[k])
    area = lat.area[c].astype(np.float64)
    couple(number[c, k + 1], area * field.gzu[k])
    below = np.where(k > 0, number[c, np.maximum(k - 1, 0)], -1)
    couple(below, area * field.gzu[np.maximum(k - 1, 0)])
    parts = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    a = sparse.coo_matrix(parts, shape=(len(c), len(c))).tocsr()
    assert abs(a - a.T).max() <= 1e-6 * abs(a).max(), "the folded matrix is not symmetric"
    assert nz == field.u.shape[1]
    return a, unknowns, w


def against_pyamg(sim: Any) -> dict[str, float]:
    """The same field solved by our V-cycles and by smoothed aggregation with conjugate gradients."""
    import pyamg

    g = sim.grower
    field, surface = g.field, g.surface
    c = sim.conditions()
    scales = sim._scales(c)
    x0 = scales.X0_m / sim.dx_m
    tables = sim._tables(c.temperature_k, x0)
    # the laws are made linear once, about the field of the last step: one linear system for both solvers
    surface.apply(tables, x0, g.shift, scales.capillary_m / sim.dx_m, g.facets)
    field.write_far(c.sigma)
    field.prepare()
    warm = field.u.copy()
    a, unknowns, w = matrix(field)

    def residual(u: Any) -> float:
        field.u[:] = u
        return float(np.linalg.norm(w * field.residual().reshape(-1)[unknowns]))

    # right side: what b and the fixed cells bring, read off our own residual at u = 0 in the unknowns
    fixed = warm.copy()
    fixed.reshape(-1)[unknowns] = 0
    field.u[:] = fixed
    right = w * field.residual().reshape(-1)[unknowns].astype(np.float64)
    x = warm.reshape(-1)[unknowns].astype(np.float64)
    mismatch = np.linalg.norm(right - a @ x) / max(residual(warm), 1e-30)

    ours_cycle = best_of(field.cycle)
    ours_prepare = best_of(field.prepare)
    start = residual(warm)
    field.u[:] = warm
    field.cycle()
    reached = residual(field.u.copy())

    # cold: from zero in every unknown
    first = residual(fixed)
    field.u[:] = fixed
    cycles = 0
    began = time.perf_counter()
    while cycles < 60:
        field.cycle()
        cycles += 1
        if residual(field.u) <= TOLERANCE * first:
            break
    ours_cold = time.perf_counter() - began + ours_prepare

    began = time.perf_counter()
    solver = pyamg.smoothed_aggregation_solver(a)
    setup = time.perf_counter() - began

    def solve(guess: Any, until: float) -> tuple[float, int]:
        history: list[float] = []
        tol = until / float(np.linalg.norm(right))
        began = time.perf_counter()
        solver.solve(right, x0=guess, tol=tol, accel="cg", maxiter=200, residuals=history)
        return time.perf_counter() - began, len(history) - 1

    cold_s, cold_n = solve(np.zeros(len(right)), TOLERANCE * first)
    warm_s, warm_n = solve(x, reached)
    field.u[:] = warm
    return {
        "unknowns": len(right),
        "mismatch": float(mismatch),  # our residual against that of the matrix handed over: 1 is equal
        "ours_prepare_s": ours_prepare,
        "ours_cycle_s": ours_cycle,
        "ours_warm_reduction": start / max(reached, 1e-30),
        "ours_cold_cycles": cycles,
        "ours_cold_s": ours_cold,
        "setup_s": setup,
        "cold_s": cold_s,
        "cold_iterations": cold_n,
        "warm_s": warm_s,
        "warm_iterations": warm_n,
        "cold_ratio": (setup + cold_s) / ours_cold,
        "warm_ratio": (setup + warm_s) / (ours_prepare + ours_cycle),
        "warm_ratio_without_setup": warm_s / ours_cycle,
    }


# -- the whole benchmark -----------------------------------------------------------------------------------


def compile_time() -> dict[str, float]:
    """Seconds until every kernel has run once, in an empty cache and again in the filled one."""
    took = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in ("empty", "filled"):
            env = {**os.environ, "ICEWRIGHT_CACHE": folder, "OMP_WAIT_POLICY": "PASSIVE"}
            command = [sys.executable, __file__, "--use-kernels"]
            said = subprocess.run(command, check=True, env=env, capture_output=True, text=True).stdout
            took[name] = float(said.split()[-1])
    took["load"] = os.getloadavg()[0]
    return took


def run_case(voxels: int, limit_s: float, pyamg: bool, waiting: str) -> dict[str, Any] | None:
    command = [sys.executable, __file__, "--case", str(voxels), *([] if pyamg else ["--no-pyamg"])]
    env = dict(os.environ)
    env.pop("OMP_WAIT_POLICY", None)
    if waiting != "default":
        env["OMP_WAIT_POLICY"] = waiting.upper()
    try:
        done = subprocess.run(command, check=True, env=env, capture_output=True, text=True, timeout=limit_s)
    except subprocess.TimeoutExpired:
        print(f"{voxels} voxels: not done in {limit_s:.0f} s, left out")
        return None
    except subprocess.CalledProcessError as fault:
        print(fault.stderr[-3000:])
        raise
    out: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return out


def exponent(cases: list[dict[str, Any]], key: str) -> float:
    r = np.log([c["voxels"] for c in cases])
    return float(np.polyfit(r, np.log([c[key] for c in cases]), 1)[0])


def label(c: dict[str, Any]) -> str:
    return str(c["voxels"]) if c["waiting"] == "passive" else f"{c['voxels']} (waiting {c['waiting']})"


def page(cases: list[dict[str, Any]], compiling: dict[str, float] | None) -> str:
    import numba

    lines = [
        "# How fast a branched plate grows",
        "",
        "Written by `.venv/bin/python benchmarks/growth_speed.py 50 100 200`, rows with a remark by `--waiting default`.",
        f"Last written {datetime.datetime.now(datetime.UTC):%Y-%m-%d %H:%M} UTC.",
        f"Machine: {platform.machine()}, {os.cpu_count()} cores shared with other work (load of each case in the "
        f"table), Python {platform.python_version()}, numba {numba.__version__}, numpy {np.__version__}, "
        f"{numba.config.NUMBA_NUM_THREADS} threads.",  # type: ignore[attr-defined]
        "",
        "-15 degC, sigma 0.15, kinetics `layer-fits`, facets `joined`, seed 3 um x 3 um, voxels of 1 um, free in air.",
        'Rows without a remark wait passively (OMP_WAIT_POLICY=PASSIVE); "waiting default" is an older engine without that.',
        "A load above the number of cores means that the wall time is too long by about load / cores or more: threads",
        "wait for each other at every colour of every level. CPU seconds (all threads, waiting in part included) are",
        "printed beside; half of them is roughly what two quiet cores would need.",
        "",
        "| voxels in radius | wall s | CPU s | load | steps | V-cycles | s a step | cells at the end | cells a s | peak GiB |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for c in cases:
        lines.append(
            f"| {label(c)} | {c['total_s']:.1f} | {c['cpu_s']:.1f} | {c['load_before']:.1f} to {c['load_after']:.1f} "
            f"| {c['steps']} | {c['cycles']} | {c['s_per_step']:.4f} | {c['cells'] / 1e6:.2f} M "
            f"| {c['cells_per_s'] / 1e6:.1f} M | {c['peak_gib']:.2f} |"
        )
    fitted = [c for c in cases if c["waiting"] == "passive"]
    if len(fitted) >= 2:
        names = "/".join(str(c["voxels"]) for c in fitted)
        lines += [
            "",
            f"Cost grows as radius to the {exponent(fitted, 'total_s'):.2f} (wall) or {exponent(fitted, 'cpu_s'):.2f} "
            f"(CPU), V-cycles as {exponent(fitted, 'cycles'):.2f}, cells at the end as {exponent(fitted, 'cells'):.2f} "
            f"(fit over {names}).",
        ]
    lines += [
        "",
        "## Against the targets of issue 2",
        "",
        "| voxels | target | measured | verdict |",
        "|---|---|---|---|",
    ]
    for c in cases:
        if c["voxels"] not in TARGETS:
            continue
        goal_s, goal_gib = TARGETS[c["voxels"]]
        over = c["total_s"] / goal_s
        verdict = "met" if over <= 1 else f"missed: {over:.1f} times as long"
        lines.append(f"| {label(c)} | {goal_s:g} s | {c['total_s']:.1f} s | {verdict} |")
        if goal_gib is not None:
            over = c["peak_gib"] / goal_gib
            verdict = "met" if over < 1 else f"missed: {over:.2f} times as much"
            lines.append(f"| {label(c)} | under {goal_gib:g} GiB | {c['peak_gib']:.2f} GiB | {verdict} |")
    for voxels in TARGETS:
        if voxels not in [c["voxels"] for c in cases]:
            last = fitted[-1]
            grows = voxels / last["voxels"]
            guess = [last["total_s"] * grows ** exponent(fitted, k) for k in ("total_s", "cpu_s")]
            says = f"not measured; the fits above give {min(guess):.0f} to {max(guess):.0f} s"
            lines.append(f"| {voxels} | {TARGETS[voxels][0]:g} s | {says} | open; far from met by the fit |")
    lines += [
        "",
        "## Against the machine's memory",
        "",
        f'{BYTES_A_CELL} bytes a cell and sweep as the minimum. "Sweep alone" is one pass over the finest level, best of',
        'five; "whole run" counts only the two sweeps of the finest level of every V-cycle, over all of the wall time.',
        "",
        "| voxels | triad GB/s | sweep alone ms | share, sweep alone | share, whole run |",
        "|---|---|---|---|---|",
    ]
    for c in cases:
        lines.append(
            f"| {label(c)} | {c['triad_gb_s']:.1f} | {c['sweep_s'] * 1e3:.2f} | {c['sweep_share']:.0%} "
            f"| {c['run_share']:.0%} |"
        )
    names = list(cases[0]["parts_s"])
    lines += [
        "",
        "## Where the time goes",
        "",
        "Seconds of wall time; what is missing is filling, sharing, freezing and the cheap sizes read after each step.",
        "",
        "| voxels | " + " | ".join(names) + " | rest |",
        "|---|" + "---|" * (len(names) + 1),
    ]
    for c in cases:
        parts = [c["parts_s"][n] for n in names]
        lines.append(
            f"| {label(c)} | "
            + " | ".join(f"{p:.2f}" for p in parts)
            + f" | {c['total_s'] - sum(parts):.2f} |"
        )
    lines += [
        "",
        "## Against a general algebraic multigrid (pyamg, smoothed aggregation, CG)",
        "",
        "The last field of each case, its laws made linear once, as one matrix for both. Cold: from zero to a residual of",
        f"{TOLERANCE:g} of the first. Warm: from the field of the last step to the residual that one V-cycle of ours reaches.",
        "pyamg works in float64 on one thread. A growth step changes the matrix, so its set-up is needed again each time.",
        "",
        "| voxels | unknowns | ours: factor + V-cycle ms | ours cold s (cycles) | pyamg set-up s | cold s (iterations) "
        "| warm s (iterations) | ratio cold | ratio warm | warm without set-up |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for c in cases:
        p = c.get("pyamg")
        if p is None:
            lines.append(f"| {label(c)} | left out (--no-pyamg, or too many unknowns) | | | | | | | | |")
            continue
        lines.append(
            f"| {label(c)} | {p['unknowns']} | {p['ours_prepare_s'] * 1e3:.1f} + {p['ours_cycle_s'] * 1e3:.1f} "
            f"| {p['ours_cold_s']:.3f} ({p['ours_cold_cycles']}) | {p['setup_s']:.2f} | {p['cold_s']:.2f} "
            f"({p['cold_iterations']}) | {p['warm_s']:.2f} ({p['warm_iterations']}) | {p['cold_ratio']:.0f} "
            f"| {p['warm_ratio']:.0f} | {p['warm_ratio_without_setup']:.0f} |"
        )
    lines += ["", "## Compilation, told apart", ""]
    if compiling is None:
        lines.append("Not measured this time.")
    else:
        lines.append(
            f"Until every kernel has run once, with and without threads: {compiling['empty']:.1f} s in an empty cache, "
            f"{compiling['filled']:.1f} s in the filled one (load {compiling['load']:.1f}), so about "
            f"{compiling['empty'] - compiling['filled']:.0f} s of compiling. None of it is in the times above. "
            "`ICEWRIGHT_CACHE` chooses the folder; the benchmark uses an empty one of its own."
        )
    lines += ["", "## What was grown", "", "| voxels | model s | habit | radius um | thickness um | solidity | code | measured |",
              "|---|---|---|---|---|---|---|---|"]  # fmt: skip
    for c in cases:
        lines.append(
            f"| {label(c)} | {c['model_s']:.1f} | {c['habit']} | {c['radius_um']:.1f} | {c['thickness_um']:.1f} "
            f"| {c['solidity']:.3f} | {c['code']} | {c['date'][:16]} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("voxels", nargs="*", type=int, help="radii in voxels (50 100)")
    ask.add_argument("--again", action="store_true", help="measure finished cases again")
    ask.add_argument("--no-compile", action="store_true", help="keep the last compile time")
    ask.add_argument("--no-pyamg", action="store_true")
    ask.add_argument("--waiting", choices=("passive", "default"), default="passive", help="OMP_WAIT_POLICY")
    ask.add_argument("--limit", type=float, default=600.0, help="seconds for one case")
    ask.add_argument("--case", type=int, help=argparse.SUPPRESS)
    ask.add_argument("--use-kernels", action="store_true", help=argparse.SUPPRESS)
    said = ask.parse_args()
    if said.use_kernels:
        import icewright.growth.run  # noqa: F401  # imports are not compiling

        began = time.perf_counter()
        use_every_kernel()
        print(time.perf_counter() - began)
        return
    if said.case is not None:
        print(json.dumps(case(said.case, not said.no_pyamg)))
        return
    RESULTS.mkdir(parents=True, exist_ok=True)
    compile_file = RESULTS / "compile.json"
    if not said.no_compile:
        compile_file.write_text(
            json.dumps({"kind": "icewright.benchmark.compile", "schema": 1, **compile_time()})
        )
    for voxels in said.voxels or [50, 100]:
        target = RESULTS / f"{voxels}-{said.waiting}.json"
        if target.exists() and not said.again:
            continue
        got = run_case(voxels, said.limit, not said.no_pyamg, said.waiting)
        if got is not None:
            target.write_text(json.dumps(got, indent=1) + "\n")
    files = sorted(
        (p for p in RESULTS.glob("*-*.json")),
        key=lambda p: (p.stem.endswith("default"), int(p.stem.split("-")[0])),
    )
    cases = [json.loads(p.read_text()) for p in files]
    compiling = json.loads(compile_file.read_text()) if compile_file.exists() else None
    PAGE.write_text(page(cases, compiling))
    print(page(cases, compiling))


if __name__ == "__main__":
    main()
