"""Meshes a second in the page, in a real headless Chromium, while the engine grows a large crystal.

    python benchmarks/page_meshes.py [--faces 100000 300000] [--out benchmarks/results/page_meshes.json]

A real `icewright bench`, a star grown as fast as it computes until the page draws so many faces (a crystal is
sent as its twelfth and drawn whole). Then three windows of a few seconds from that same moment, with drawing
on (software WebGL, on the cores that the engine computes on) and off (`?draw=off`: the link and the engine
alone). A frame's time is what passes between two pictures of the page; for turning, from a key to the second
picture after it. Compare only numbers of one run of this script.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "browser"))
WHOLE = 12  # six sectors, each with its mirror image
# Times of the page's pictures, and from a key to the second picture after it (the first may be under way).
WATCH = """
window.__frames = [];
const tick = (t) => { window.__frames.push(t); requestAnimationFrame(tick); };
requestAnimationFrame(tick);
"""
TURN = """() => new Promise((done) => {
  const began = performance.now();
  document.querySelector('.crystal-view').dispatchEvent(
    new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true }));
  requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began)));
})"""


class Grown:
    """A page before a session of its own, and the ways to bring it to a number of faces."""

    def __init__(self, browser: Any, url: str, query: str) -> None:
        self.context = browser.new_context(viewport={"width": 1280, "height": 800})
        self.page = self.context.new_page()
        self.url = url
        made = self.page.request.post(
            f"{url}/api/sessions", data={"example": "star", "final_radius_um": 150, "paused": True}
        )
        self.sid = made.json()["id"]
        self.context.add_init_script(f"sessionStorage.setItem('icewright.session', '{self.sid}')")
        self.context.add_init_script("localStorage.setItem('icewright.hints', 'seen')")
        self.context.add_init_script(WATCH)
        self.page.goto(f"{url}/?{query}")

    def post(self, what: str, **body: Any) -> Any:
        return self.page.request.post(f"{self.url}/api/sessions/{self.sid}/{what}", data=body).json()

    def state(self) -> dict[str, Any]:
        return self.page.request.get(f"{self.url}/api/sessions/{self.sid}").json()["state"]

    def counters(self) -> dict[str, Any]:
        return self.page.evaluate("() => ({...window.__bench})")

    def until(self, is_so: Any, patience_s: float) -> bool:
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            if is_so():
                return True
            self.page.wait_for_timeout(100)
        return False

    def grow_to(self, faces: int) -> float:
        """Model seconds at which so many faces are drawn; the crystal is held there."""
        # A turn makes a hold without an end: the example's own recipe would be done before.
        self.post("turn", temperature_c=-15, sigma_percent=12)
        self.post("pace", paused=False, speed=None, beyond=True)
        enough = self.until(lambda: self.counters()["faces"] * WHOLE >= faces, 400)
        if not enough:
            sys.exit(f"The crystal did not reach {faces} faces: {self.counters()}, {self.state()['status']}")
        self.post("pace", paused=True)
        self.until(lambda: self.state()["worker"] == "paused", 60)
        return float(self.state()["time_s"])

    def window(self, at_s: float, seconds: float) -> dict[str, float]:
        """From that moment on for so long: meshes a second, and the times of frames."""
        self.post("go", time_s=at_s)
        self.until(lambda: self.state()["worker"] == "paused", 60)
        # A turn of the knob to the same air: what follows is computed anew, not shown from what is kept.
        self.post("turn", sigma_percent=12)
        self.page.wait_for_timeout(500)
        self.page.evaluate("() => { window.__frames = []; }")
        before = self.counters()
        self.post("pace", paused=False, speed=None, beyond=True)
        self.page.wait_for_timeout(1000 * seconds)
        after = self.counters()
        times = self.page.evaluate("() => window.__frames")
        self.post("pace", paused=True)
        self.until(lambda: self.state()["worker"] == "paused", 60)
        gaps = [b - a for a, b in pairwise(times)] or [float("nan")]
        return {
            "meshes_per_s": (after["meshes"] - before["meshes"]) / seconds,
            "faces_from": before["faces"] * WHOLE,
            "faces_to": after["faces"] * WHOLE,
            "model_s_per_s": (after["time"] - before["time"]) / seconds,
            "frame_ms_median": statistics.median(gaps),
            "frame_ms_95": sorted(gaps)[int(0.95 * (len(gaps) - 1))],
        }

    def turns_ms(self, count: int = 8) -> float:
        """Median time from a key that turns the crystal to the picture of it, the engine at rest."""
        return statistics.median(float(self.page.evaluate(TURN)) for _ in range(count))

    def close(self) -> None:
        self.page.request.delete(f"{self.url}/api/sessions/{self.sid}")
        self.context.close()


def measure(browser: Any, url: str, faces: int, query: str, seconds: float) -> dict[str, float | None]:
    """The median of three windows."""
    grown = Grown(browser, url, query)
    try:
        at_s = grown.grow_to(faces)
        windows = [grown.window(at_s, seconds) for _ in range(3)]
        told: dict[str, float | None] = {}
        for key in windows[0]:
            known = [w[key] for w in windows if w[key] == w[key]]  # a window may have had no picture at all
            told[key] = round(statistics.median(known), 1) if len(known) > 1 else None
        if "draw=off" not in query:
            told["turn_ms"] = round(grown.turns_ms(), 1)
        told["load_1min"] = round(os.getloadavg()[0], 1)
        return told
    finally:
        grown.close()


def main() -> None:
    import chromium
    from playwright.sync_api import sync_playwright

    from conftest import Bench

    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--faces", type=int, nargs="+", default=[100_000, 300_000])
    asked.add_argument("--seconds", type=float, default=6.0, help="length of a window")
    asked.add_argument("--out", type=Path)
    args = asked.parse_args()
    told: dict[str, Any] = {
        "kind": "icewright.benchmark.page-meshes",
        "schema": 1,
        "command": "python benchmarks/page_meshes.py " + " ".join(sys.argv[1:]),
        "date": time.strftime("%Y-%m-%d"),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, load {os.getloadavg()[0]:.1f} at first",
        "bar": "8 meshes a second at 100000 faces, 300000 faces usable",
    }
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        bench = Bench(Path(folder))
        try:
            path = chromium.find()
            if path is None:
                sys.exit(chromium.SAY)
            browser = play.chromium.launch(executable_path=path, args=chromium.flags())
            for faces in args.faces:
                for name, query in (("drawing_off", "quality=low&draw=off"), ("drawing_on", "quality=low")):
                    told[f"{faces}_{name}"] = measure(browser, bench.url, faces, query, args.seconds)
                    print(faces, name, told[f"{faces}_{name}"], flush=True)
                    if args.out:  # what has been measured is kept, if the rest is not waited for
                        args.out.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
        finally:
            bench.stop()
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main()
