"""How fast an atlas grows: cells a minute with one worker and with two, and what a cell costs to keep.

    python benchmarks/atlas_speed.py               60 axisymmetric cells, one worker against two; page written
    python benchmarks/atlas_speed.py --rounds 3    the two in turn, three times; the best of each counts
    python benchmarks/atlas_speed.py --preview 4   that many 3D preview cells too, with one worker and with two

The sweep is examples/atlas-quick.toml. Kernels are compiled before anything is measured. Wall time begins when
workers are started; what passes until the first cell is done is printed apart. Both sides of a pair are measured
in one call. Other work on the machine spoils wall times more than processor times, so both are given, with the
load average. Where two workers share a memory bus, a cell costs more processor time beside another than alone:
that ratio is printed, and stands for the bandwidth, which is not measured here.
"""

# ruff: noqa: E501  # rows of Markdown tables

from __future__ import annotations

import argparse
import datetime
import os
import platform
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
PAGE = HERE / "results" / "atlas_speed.md"
QUICK = HERE.parent / "examples" / "atlas-quick.toml"
PREVIEW = HERE.parent / "examples" / "atlas-preview-3d.toml"


def grow(sweep: Any, workers: int) -> dict[str, float]:
    """Grow all cells anew; seconds of wall from the first to the last, processor seconds, bytes a cell."""
    from icewright.sweep import run

    folder = Path(tempfile.mkdtemp(prefix="atlas-speed-"))
    started: list[float] = []

    def seen(now: Any) -> None:
        # The clock runs from when every worker has had time to start and has a cell.
        if now.done + now.failed >= 1 and not started:
            started.append(time.perf_counter())

    try:
        began = time.perf_counter()
        grown = run.run(sweep, folder, workers=workers, threads=1, on_progress=seen)
        wall = time.perf_counter() - began
        files = [path.stat().st_size for path in folder.rglob("*") if path.is_file()]
        cpu = [float(record["cpu_s"]) for record in grown.records if record is not None]
        return {
            "cells": len(cpu),
            "failed": grown.count("failed"),
            "cut": grown.count("cut"),
            "wall": wall,
            "first": started[0] - began if started else wall,
            "cpu": sum(cpu),
            "mean": sum(cpu) / len(cpu),
            "longest": max(cpu),
            "bytes": sum(files) / len(cpu),
        }
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def part(sweep: Any, count: int) -> Any:
    """Every so manieth cell of a grid as a list of cells."""
    rows = sweep.rows[:: max(1, len(sweep.rows) // count)][:count]
    return replace(sweep, rows=tuple(rows), grid=None)


def row(name: str, workers: int, found: dict[str, float]) -> str:
    return (
        f"| {name} | {workers} | {found['cells']:.0f} | {found['wall']:.1f} | {found['first']:.1f} | "
        f"{found['cpu']:.1f} | {found['mean']:.2f} | {found['longest']:.1f} | {found['bytes'] / 1024:.1f} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=1, help="times each is measured; the best counts")
    parser.add_argument("--preview", type=int, default=0, help="3D preview cells to grow as well")
    parser.add_argument("--cells", type=int, default=60, help="axisymmetric cells")
    args = parser.parse_args()
    from icewright.sweep import plan

    quick = plan.read(QUICK)
    if args.cells < len(quick):
        quick = part(quick, args.cells)
    grow(part(quick, 2), 2)  # compiles the kernels, if they are not in the user's cache
    lines, load = [], os.getloadavg() if hasattr(os, "getloadavg") else (0.0,)
    jobs = [("axisymmetric, preview", quick)]
    if args.preview:
        preview = part(plan.read(PREVIEW), args.preview)
        grow(part(preview, 1), 1)
        jobs.append(("3D, preview", preview))
    verdicts = []
    for name, sweep in jobs:
        best: dict[int, dict[str, float]] = {}
        for _ in range(args.rounds):
            for workers in (1, 2):
                found = grow(sweep, workers)
                print(name, workers, {k: round(v, 2) for k, v in found.items()}, flush=True)
                if workers not in best or found["wall"] < best[workers]["wall"]:
                    best[workers] = found
        lines += [row(name, workers, found) for workers, found in best.items()]
        gain = best[1]["wall"] / best[2]["wall"]
        slower = best[2]["cpu"] / best[1]["cpu"]
        verdicts.append(
            f"- {name}: two workers give {gain:.2f} times the throughput of one; a cell beside another costs "
            f"{slower:.2f} times the processor time of a cell alone."
        )
    command = "python benchmarks/atlas_speed.py"
    command += f" --rounds {args.rounds}" if args.rounds > 1 else ""
    command += f" --preview {args.preview}" if args.preview else ""
    command += f" --cells {args.cells}" if args.cells < 60 else ""
    text = [
        "# Speed of an atlas",
        "",
        f"Written {datetime.date.today().isoformat()} by `{command}` on {os.cpu_count()} cores "
        f"({platform.machine()}), one kernel thread a worker. Load average when it began: {load[0]:.1f}"
        + (": the machine was busy with other work, so wall times are too long." if load[0] > 0.7 else "."),
        "",
        "| model | workers | cells | wall, s | of that until the first cell, s | processor, s | mean a cell, s | "
        "longest, s | kept a cell, KiB |",
        "|---|---|---|---|---|---|---|---|---|",
        *lines,
        "",
        *verdicts,
        "",
        "Bars (issue 3): 60 axisymmetric cells under 60 s on 2 cores; 1.8 times the throughput with two workers.",
        "",
    ]
    PAGE.write_text("\n".join(text))
    print(PAGE)


if __name__ == "__main__":
    main()
