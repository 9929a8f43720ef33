"""Memory of the bench under continual knob turning: server and engines together, by default for five minutes.

    .venv/bin/python benchmarks/bench_memory.py [--minutes 5] [--samples FILE.jsonl] [--out FILE.md]
    .venv/bin/python benchmarks/bench_memory.py --minutes 60 --samples memory_hour.jsonl
    .venv/bin/python benchmarks/bench_memory.py --report memory_hour.jsonl   # also while it lasts

A real server and a real engine; knobs are turned about three times a second, every fiftieth turn goes back
to the same moment, and the paths that are left behind are deleted. A sample is written as it is taken, so
that nothing is lost when the run is ended; a process that has ended cannot be resumed, so the report says
how long it lasted. What is counted is the resident memory of the server and all its children. The growth is
the median of the last quarter over that of the first, after a warm-up of a tenth of the run.
"""

from __future__ import annotations

import argparse
import asyncio
import datetime
import json
import os
import platform
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, TextIO

import httpx
import websockets
from bench_latency import Page, resident_mib, turn

WARM_UP = 0.1
EVERY_S = 5.0


async def turn_knobs(url: str, pid: int, minutes: float, to: TextIO) -> None:
    """Turn for so long; a sample every few seconds: seconds, MiB, turns, model seconds, load."""
    chance = random.Random(1)
    async with httpx.AsyncClient(base_url=url, timeout=60) as client:
        made = await client.post("/api/sessions", json={"example": "star", "final_radius_um": 150})
        sid = made.json()["id"]
        socket_url = url.replace("http", "ws") + f"/api/sessions/{sid}/live"
        async with websockets.connect(socket_url, max_size=None) as socket:
            page = Page(socket)
            taking = asyncio.create_task(page.run())
            while page.state.get("time_s", 0.0) < 300:
                await asyncio.sleep(0.05)
            began, sampled, number = time.perf_counter(), -EVERY_S, 0
            while (now := time.perf_counter() - began) < 60 * minutes:
                if number % 50 == 0:
                    await _back(client, sid)
                number += 1
                knobs = {"sigma_percent": round(chance.uniform(0.5, 6), 2)}
                if chance.random() < 0.5:
                    knobs["temperature_c"] = round(chance.uniform(-17, -13), 2)
                await turn(page, number, **knobs)
                await asyncio.sleep(0.2)
                if now - sampled >= EVERY_S:
                    sampled = now
                    sample = {
                        "s": round(now, 1),
                        "mib": round(resident_mib(pid), 1),
                        "turns": number,
                        "meshes": page.frames,
                        "radius_um": round(page.state["sizes"]["radius_um"], 1),
                        "load": round(os.getloadavg()[0], 1),
                    }
                    to.write(json.dumps(sample) + "\n")
                    to.flush()
            taking.cancel()


async def _back(client: httpx.AsyncClient, sid: str) -> None:
    """To 200 s on the first path again, without the paths that have been left."""
    tree = (await client.get(f"/api/sessions/{sid}/tree")).json()
    await client.post(f"/api/sessions/{sid}/go", json={"branch": 1, "time_s": 200})
    await client.post(f"/api/sessions/{sid}/pace", json={"paused": False, "speed": 20})
    for branch in tree["branches"]:
        if branch["number"] not in (1, tree["current"]):
            await client.delete(f"/api/sessions/{sid}/branches/{branch['number']}")


def report(samples: list[dict[str, Any]], command: str) -> str:
    """The table of a run, from its samples."""
    last = samples[-1]
    warm = [s for s in samples if s["s"] >= WARM_UP * last["s"]]
    quarter = max(1, len(warm) // 4)
    parts = [[s["mib"] for s in warm[k * quarter : (k + 1) * quarter]] for k in range(4)]
    medians = [statistics.median(p) for p in parts if p]
    growth = medians[-1] / medians[0] - 1
    loads = [s["load"] for s in samples]
    lines = [
        "# Memory of the bench under continual knob turning",
        "",
        f"`{command}`, {datetime.date.today()}, {platform.machine()}, {os.cpu_count()} cores, "
        f"load average {min(loads):.1f} to {max(loads):.1f} (other work was running if it is above 2).",
        "Resident memory of the server and its engines; the client takes every mesh and draws nothing.",
        "",
        "| what | measured | bar |",
        "|---|---|---|",
        f"| lasted | {last['s'] / 60:.1f} min, {last['turns']} turns, {last['meshes']} meshes | - |",
        f"| at the start, before the warm-up | {samples[0]['mib']:.0f} MiB | - |",
        f"| medians of the four quarters after it | {', '.join(f'{m:.1f}' for m in medians)} MiB | - |",
        f"| the highest of all | {max(s['mib'] for s in samples):.0f} MiB | - |",
        f"| growth, last quarter over first | {100 * growth:+.2f} % | 5 % |",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--samples", type=Path, help="where the samples go (a temporary file)")
    parser.add_argument("--out", type=Path, help="write the table here too")
    parser.add_argument("--report", type=Path, help="only report these samples")
    asked = parser.parse_args()
    command = "benchmarks/bench_memory.py " + " ".join(sys.argv[1:])
    with tempfile.TemporaryDirectory() as folder:
        samples = asked.report or asked.samples or Path(folder) / "samples.jsonl"
        if not asked.report:
            run(folder, asked.minutes, samples)
        text = report([json.loads(line) for line in samples.read_text().splitlines()], command.strip())
    print(text)
    if asked.out:
        asked.out.write_text(text)


def run(folder: str, minutes: float, samples: Path) -> None:
    """A bench of its own in `folder`, its knobs turned for so many minutes."""
    command = [sys.executable, "-m", "icewright.cli.main", "bench", "--json", "--no-browser", "--port", "0"]
    server = subprocess.Popen([*command, "--folder", folder], stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None
    text = ""
    for line in server.stdout:
        text += line
        if line.startswith("}"):
            break
    url = json.loads(text)["address"].rstrip("/")
    try:
        with samples.open("w") as to:
            asyncio.run(turn_knobs(url, server.pid, minutes, to))
    finally:
        server.terminate()
        server.wait(20)


if __name__ == "__main__":
    main()
