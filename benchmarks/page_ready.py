"""How soon the page is there, how large it is, and how soon it answers a knob, in a real headless Chromium.

    python benchmarks/page_ready.py [--turns 20] [--out benchmarks/results/page_ready.json]

Starts a real `icewright bench` in a folder of its own. Software WebGL draws on the cores that the engine
computes on; `drawing off` (`?draw=off`) tells the link and the engine apart from that. Reports medians
and the spread; compare only numbers of one run of this script.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import platform
import statistics
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "browser"))
STATIC = ROOT / "src" / "icewright" / "bench" / "static"


def bundle_kb() -> float:
    """All files of the built page, each compressed by gzip at its usual level 6."""
    files = [p for p in STATIC.rglob("*") if p.is_file() and not p.name.startswith(".")]
    return sum(len(gzip.compress(p.read_bytes(), 6)) for p in files) / 1000


def ready_s(browser, url: str) -> float:
    """From asking for the page until its knobs can be turned, in a browser that has never seen it."""
    context = browser.new_context(viewport={"width": 1280, "height": 720})
    page = context.new_page()
    start = time.perf_counter()
    page.goto(f"{url}/?quality=low", wait_until="commit")
    page.get_by_role("slider", name="Temperature", exact=True).wait_for()
    took = time.perf_counter() - start
    sid = page.evaluate("() => sessionStorage.getItem('icewright.session')")
    page.request.delete(f"{url}/api/sessions/{sid}")
    context.close()
    return took


def answers_ms(browser, url: str, turns: int, drawing: bool) -> tuple[list[float], float, int]:
    """Key press to the arrival of the first mesh computed after it (ms each), meshes a second, faces."""
    context = browser.new_context(viewport={"width": 1280, "height": 720})
    page = context.new_page()
    page.goto(f"{url}/?quality=low" + ("" if drawing else "&draw=off"))
    counters = "() => ({...window.__bench})"
    while page.evaluate(counters)["meshes"] < 5:
        page.wait_for_timeout(100)
    knob = page.get_by_role("slider", name="Temperature", exact=True)
    knob.focus()
    times: list[float] = []
    first = page.evaluate(counters)
    for turn in range(turns):
        before = page.evaluate(counters)["act"]
        start = page.evaluate("() => performance.now()")
        page.keyboard.press("ArrowRight" if turn % 2 else "ArrowLeft")
        # `arrived` is taken in the page when the frame is decoded, so this polling adds nothing to it.
        for _ in range(500):
            got = page.evaluate(counters)
            if got["act"] > before:
                break
            page.wait_for_timeout(5)
        times.append(got["arrived"] - start)
        page.wait_for_timeout(150)
    last = page.evaluate(counters)
    rate = (last["meshes"] - first["meshes"]) / ((last["arrived"] - first["arrived"]) / 1000)
    sid = page.evaluate("() => sessionStorage.getItem('icewright.session')")
    page.request.delete(f"{url}/api/sessions/{sid}")
    context.close()
    return times, rate, last["faces"]


def main() -> None:
    import chromium
    from playwright.sync_api import sync_playwright

    from conftest import Bench

    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--turns", type=int, default=20)
    asked.add_argument("--out", type=Path)
    args = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        bench = Bench(Path(folder))
        try:
            path = chromium.find()
            if path is None:
                sys.exit(chromium.SAY)
            browser = play.chromium.launch(executable_path=path, args=chromium.flags())
            ready_s(browser, bench.url)  # the first one also starts the engine's process
            ready = [ready_s(browser, bench.url) for _ in range(3)]
            with_it = answers_ms(browser, bench.url, args.turns, True)
            without = answers_ms(browser, bench.url, args.turns, False)
        finally:
            bench.stop()
    told = {
        "kind": "icewright.benchmark.page-ready",
        "schema": 1,
        "command": "python benchmarks/page_ready.py " + " ".join(sys.argv[1:]),
        "date": time.strftime("%Y-%m-%d"),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, load {os.getloadavg()[0]:.1f}",
        "bundle_gzip_kB": round(bundle_kb(), 1),
        "page_ready_s": [round(t, 2) for t in ready],
    }
    for name, (times, rate, faces) in (("drawing_on", with_it), ("drawing_off", without)):
        told[name] = {
            "knob_to_mesh_ms_median": round(statistics.median(times)),
            "knob_to_mesh_ms_worst": round(max(times)),
            "meshes_per_s": round(rate, 1),
            "faces_sent": faces,
        }
    print(json.dumps(told, indent=1))
    if args.out:
        args.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
