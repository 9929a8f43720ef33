"""How quick the bench is: from a turn to the mesh grown after it, meshes a second, pace, memory.

    .venv/bin/python benchmarks/bench_latency.py [--minutes 5] [--out benchmarks/results/bench_latency.md]

A real server and a real engine, and a client in a process of its own that takes every mesh as the page
does, without drawing. Starting up and compiling are waited for and told apart. One hour of knob turning:
--minutes 60.
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
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import websockets

from icewright.bench import protocol


def resident_mib(pid: int) -> float:
    """Resident memory of a process and all its children (Linux)."""
    out = 0.0
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        try:
            stat = (folder / "stat").read_text().rsplit(")", 1)[1].split()
            if int(folder.name) == pid or int(stat[1]) == pid:
                status = (folder / "status").read_text()
                out += int(status.split("VmRSS:")[1].split()[0]) / 1024
        except (OSError, IndexError, ValueError):
            continue
    return out


class Page:
    """Takes meshes and acks them, and knows when a command's first mesh came."""

    def __init__(self, socket: Any) -> None:
        self.socket = socket
        self.frames, self.bytes = 0, 0
        self.act, self.came = -1, 0.0
        self.answers: dict[int, int] = {}
        self.state: dict[str, Any] = {}
        self.triangles = 0

    async def run(self) -> None:
        async for message in self.socket:
            if isinstance(message, bytes):
                self.frames += 1
                self.bytes += len(message)
                self.act, self.came = struct.unpack_from("<I", message, 32)[0], time.perf_counter()
                self.triangles = struct.unpack_from("<I", message, 28)[0] // 3 * 12
                frame = struct.unpack_from("<I", message, 16)[0]
                await self.socket.send(json.dumps({"ack": frame}))
            else:
                event = json.loads(message)
                if event["event"] == "done" and "answer" in event:
                    self.answers[event["id"]] = event["answer"].get("act", -1)
                elif event["event"] == "state":
                    self.state = event["is"]


async def turn(page: Page, number: int, **knobs: float) -> float | None:
    """Seconds from the turn to the first mesh that the engine computed after it."""
    began = time.perf_counter()
    await page.socket.send(json.dumps({"do": "turn", "id": number, **knobs}))
    while time.perf_counter() - began < 20:
        if number in page.answers and page.act >= page.answers[number]:
            return page.came - began
        await asyncio.sleep(0.001)
    return None


async def measure(url: str, pid: int, minutes: float) -> dict[str, Any]:
    found: dict[str, Any] = {}
    async with httpx.AsyncClient(base_url=url, timeout=60) as client:
        began = time.perf_counter()
        session = (
            await client.post("/api/sessions", json={"example": "star", "final_radius_um": 150})
        ).json()
        sid = session["id"]
        socket_url = url.replace("http", "ws") + f"/api/sessions/{sid}/live"
        async with websockets.connect(socket_url, max_size=None) as socket:
            page = Page(socket)
            taking = asyncio.create_task(page.run())
            while page.frames == 0:
                await asyncio.sleep(0.01)
            found["first_mesh_s"] = time.perf_counter() - began
            # ahead of real time, from the seed to 300 um across, with meshes on
            began, model0 = time.perf_counter(), page.state.get("time_s", 0.0)
            while page.state.get("sizes", {}).get("radius_um", 0) < 100 and time.perf_counter() - began < 200:
                if page.state.get("worker") == "at-rest":
                    break
                await asyncio.sleep(0.05)
            found["to_100um_wall_s"] = time.perf_counter() - began
            found["to_100um_model_s"] = page.state["time_s"] - model0
            await client.post(f"/api/sessions/{sid}/turn", json={"temperature_c": -15, "sigma_percent": 12})
            began, model0 = time.perf_counter(), page.state["time_s"]
            frames0 = page.frames
            while page.state["sizes"]["radius_um"] < 150 and time.perf_counter() - began < 200:
                await asyncio.sleep(0.05)
            found["to_150um_wall_s"] = time.perf_counter() - began
            found["to_150um_model_s"] = page.state["time_s"] - model0
            found["meshes_per_s_while_growing"] = (page.frames - frames0) / found["to_150um_wall_s"]
            found["triangles_drawn"] = page.triangles
            # knobs, at real time's twentyfold speed so that the crystal stays a preview
            chance = random.Random(1)
            await client.post(f"/api/sessions/{sid}/go", json={"time_s": 200})
            await asyncio.sleep(2)
            await client.post(f"/api/sessions/{sid}/pace", json={"paused": False, "speed": 20})
            await asyncio.sleep(1)
            number, waits = 1, []
            for _ in range(60):
                wait = await turn(
                    page,
                    number,
                    temperature_c=round(chance.uniform(-17, -13), 2),
                    sigma_percent=round(chance.uniform(2, 8), 2),
                )
                number += 1
                if wait is not None:
                    waits.append(wait)
                await asyncio.sleep(chance.uniform(0.05, 0.3))
            found["turns"] = len(waits)
            found["turn_to_mesh_ms"] = [1e3 * v for v in statistics.quantiles(waits, n=20)]
            # memory under continual turning, back to the same moment again and again
            marks = []
            until = time.perf_counter() + 60 * minutes
            began = time.perf_counter()
            while time.perf_counter() < until:
                await turn(page, number, sigma_percent=round(chance.uniform(0.5, 3), 2))
                number += 1
                await asyncio.sleep(0.2)
                if number % 50 == 0:
                    tree = (await client.get(f"/api/sessions/{sid}/tree")).json()
                    await client.post(f"/api/sessions/{sid}/go", json={"branch": 1, "time_s": 200})
                    await client.post(f"/api/sessions/{sid}/pace", json={"paused": False, "speed": 20})
                    for branch in tree["branches"]:
                        if branch["number"] not in (1, tree["current"]):
                            await client.delete(f"/api/sessions/{sid}/branches/{branch['number']}")
                marks.append((time.perf_counter() - began, resident_mib(pid)))
            found["memory_mib"] = marks
            taking.cancel()
        await client.delete(f"/api/sessions/{sid}")
    found["given_mesh_ms"] = await given_mesh()
    return found


async def given_mesh(vertices: int = 50_000) -> list[float]:
    """A mesh of that many vertices from a server's socket to a client, by the real sender, in ms."""
    from icewright.bench.sector import Sector
    from icewright.bench.viewers import Viewer

    rng = np.random.default_rng(1)
    side = int(vertices**0.5)
    v = rng.normal(size=(vertices, 3)) * 1e-4
    k = np.arange(vertices - side - 1)
    t = np.concatenate([np.stack([k, k + 1, k + side], 1), np.stack([k + 1, k + side + 1, k + side], 1)])
    surface = Sector(v, t, np.full(vertices, 1e-5), np.zeros(vertices), 6, True, (-1e-5, 1e-5))
    row = dict.fromkeys(("time_s", "radius_tip_m", "thickness_m", "mass_kg", "temperature_k", "sigma"), 1.0)
    waits: list[float] = []
    sent: list[float] = []

    class Wrapped:
        def __init__(self, socket: Any) -> None:
            self._socket = socket

        async def send_text(self, data: str) -> None:
            await self._socket.send(data)

        async def send_bytes(self, data: bytes) -> None:
            await self._socket.send(data)

    async def serve(socket: Any) -> None:
        viewer = Viewer(Wrapped(socket))
        running = asyncio.create_task(viewer.run())
        for i in range(30):
            sent.append(time.perf_counter())
            viewer.show(protocol.encode(surface, row, voxel_m=1e-6, topology=i, frame=i))
            await socket.recv()
            viewer.took()
        running.cancel()

    async with (
        websockets.serve(serve, "127.0.0.1", 0, compression=None, max_size=None) as server,
        websockets.connect(
            f"ws://127.0.0.1:{server.sockets[0].getsockname()[1]}", compression=None, max_size=None
        ) as client,
    ):
        for i in range(30):
            protocol.decode(await client.recv())
            waits.append(1e3 * (time.perf_counter() - sent[i]))
            await client.send("ack")
    return waits


def report(found: dict[str, Any], command: str) -> str:
    q = found["turn_to_mesh_ms"]
    memory = found["memory_mib"]
    warm = [m for t, m in memory if t > 0.2 * memory[-1][0]] if memory else []
    first, last = (warm[: len(warm) // 4] or [0]), (warm[-len(warm) // 4 :] or [0])
    growth = statistics.median(last) / statistics.median(first) - 1 if warm else float("nan")
    whole = found["to_100um_wall_s"] + found["to_150um_wall_s"]
    ahead = (found["to_100um_model_s"] + found["to_150um_model_s"]) / whole
    load = os.getloadavg()
    lines = [
        "# How quick the bench is",
        "",
        f"`{command}`, {datetime.date.today()}, {platform.machine()}, {os.cpu_count()} cores, "
        f"load average {load[0]:.1f} (other work was running if it is above 2).",
        "A real server, engine and socket; the client takes and decodes meshes but draws nothing.",
        "",
        "| what | measured | bar |",
        "|---|---|---|",
        f"| turn of a knob to the first mesh computed after it, median of {found['turns']} | "
        f"{q[9]:.0f} ms | 150 ms |",
        f"| the same, 95th percentile | {q[18]:.0f} ms | - |",
        f"| a given mesh of 50,000 vertices, encoded, sent, decoded, median | "
        f"{statistics.median(found['given_mesh_ms']):.0f} ms | 100 ms |",
        f"| meshes a second while it grows as fast as it computes, up to "
        f"{found['triangles_drawn']} triangles drawn | "
        f"{found['meshes_per_s_while_growing']:.1f} | 8 |",
        f"| ahead of real time, preview up to 300 um across | {ahead:.0f} times | 20 times |",
        f"| new session to its first mesh, an engine in stock | {found['first_mesh_s']:.2f} s | - |",
        f"| growth of memory after warm-up, {len(memory)} turns in {memory[-1][0] / 60:.1f} min | "
        f"{100 * growth:+.1f} % of {statistics.median(first):.0f} MiB, server and engines | 5 % |",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0, help="of knob turning for the memory")
    parser.add_argument("--out", type=Path, help="write the table here too")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "icewright.cli.main",
                "bench",
                "--folder",
                folder,
                "--port",
                "0",
                "--json",
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert server.stdout is not None
        text = ""
        for line in server.stdout:
            text += line
            if line.startswith("}"):
                break
        url = json.loads(text)["address"].rstrip("/")
        time.sleep(8)  # an engine is put in stock
        try:
            found = asyncio.run(measure(url, server.pid, asked.minutes))
        finally:
            server.terminate()
            server.wait(20)
    text = report(found, "benchmarks/bench_latency.py --minutes " + f"{asked.minutes:g}")
    print(text)
    if asked.out:
        asked.out.write_text(text)


if __name__ == "__main__":
    main()
