"""The page in a real Chromium, before a real `icewright bench` with real engines, in an invented folder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))
import chromium

ROOT = Path(__file__).parents[2]
STATIC = ROOT / "src" / "icewright" / "bench" / "static" / "index.html"
DESKTOP = {"width": 1360, "height": 820}


class Bench:
    """A running `icewright bench`; `log` is what it said, for the failure report."""

    def __init__(self, folder: Path, port: int = 0) -> None:
        self.folder, self.log = folder, folder / "bench.log"
        command = [sys.executable, "-m", "icewright.cli.main", "bench", "--json", "--port", str(port)]
        self.process = subprocess.Popen(
            [*command, "--folder", str(folder), "--threads", "1", "--no-browser"],
            stdout=subprocess.PIPE,
            stderr=self.log.open("a"),
            text=True,
            env=dict(os.environ, NUMBA_NUM_THREADS="1"),
        )
        assert self.process.stdout is not None
        said = ""
        while not said.endswith("}\n"):
            line = self.process.stdout.readline()
            assert line, f"the bench did not start: {said}{self.log.read_text()}"
            said += line
        self.url = json.loads(said)["address"].rstrip("/")

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()


class Seen:
    """One page, what went wrong in it, and ways to wait that need no eval (the page forbids it)."""

    def __init__(self, page: Page, url: str) -> None:
        self.page, self.url = page, url
        self.errors: list[str] = []
        self.strangers: list[str] = []
        page.on("console", lambda m: self.errors.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: self.errors.append(str(e)))
        page.on("request", lambda r: self.strangers.append(r.url) if not self._ours(r.url) else None)

    def _ours(self, address: str) -> bool:
        return address.startswith((self.url, self.url.replace("http:", "ws:"), "data:", "blob:"))

    @property
    def counters(self) -> dict[str, Any]:
        """meshes, act, vertices, time of the last mesh ..."""
        return self.page.evaluate("() => ({...window.__bench})")

    def until(self, is_so: Any, what: str, patience_s: float = 60.0) -> Any:
        """The first true answer of `is_so()`."""
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            answer = is_so()
            if answer:
                return answer
            self.page.wait_for_timeout(50)
        raise AssertionError(f"not within {patience_s} s: {what}; {self.counters}; {self.errors}")

    def grown(self, more: int = 1, patience_s: float = 60.0) -> None:
        """Wait for so many more meshes."""
        start = self.counters["meshes"]
        self.until(lambda: self.counters["meshes"] >= start + more, f"{more} more meshes", patience_s)

    def grown_under(self, act: int) -> dict[str, Any]:
        """Wait for a mesh that was computed after the command with this number."""
        return self.until(lambda: (c := self.counters)["act"] > act and c, f"a mesh after command {act}")

    def session(self) -> dict[str, Any]:
        """What the server holds."""
        sid = self.page.evaluate("() => sessionStorage.getItem('icewright.session')")
        # Asked again if the server closes the kept-alive link at that very moment (ECONNRESET, nothing else).
        return self.page.request.get(f"{self.url}/api/sessions/{sid}", max_retries=3).json()

    def pause(self) -> None:
        """Hold the growth, and wait until the server says so."""
        if not self.session()["state"]["paused"]:
            self.page.get_by_role("button", name="Pause", exact=True).click()
        self.page.get_by_role("button", name="Grow", exact=True).wait_for()

    def fine(self) -> None:
        """Nothing went wrong and nothing left the machine."""
        assert self.errors == []
        assert self.strangers == []


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = chromium.find()
    if path is None:
        pytest.fail(chromium.SAY)
    if not STATIC.is_file():
        pytest.fail("The page is not built. Build it: make page")
    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=path, args=chromium.flags())
        yield made
        made.close()


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    made = Bench(tmp_path_factory.mktemp("tern-point"))
    yield made
    made.stop()


@pytest.fixture
def own_bench(tmp_path: Path) -> Iterator[Any]:
    """Start a bench of a test's own: `own_bench(port=0)`; all are in one folder, and are ended afterwards."""
    made: list[Bench] = []

    def start(port: int = 0) -> Bench:
        made.append(Bench(tmp_path, port))
        return made[-1]

    yield start
    for each in made:
        each.stop()


@pytest.fixture
def look_at(browser: Browser) -> Iterator[Any]:
    """A page in a browser of its own, of any bench: `look_at(url)`; nothing is opened yet."""
    contexts: list[BrowserContext] = []

    def make(url: str) -> Seen:
        contexts.append(browser.new_context())
        return Seen(contexts[-1].new_page(), url)

    yield make
    for context in contexts:
        context.close()


@pytest.fixture
def open_page(browser: Browser, bench: Bench) -> Iterator[Any]:
    """Open the page in a browser of its own: `open_page(size=..., seen=..., query=...)`."""
    contexts: list[BrowserContext] = []
    pages: list[Seen] = []

    def make(
        *, size: dict[str, int] = DESKTOP, hints: bool = False, query: str = "", context: Any = None
    ) -> Seen:
        if context is None:
            context = browser.new_context(viewport=size, has_touch=size["width"] < 600)
            contexts.append(context)
            if not hints:
                context.add_init_script("localStorage.setItem('icewright.hints', 'seen')")
        seen = Seen(context.new_page(), bench.url)
        pages.append(seen)
        seen.page.goto(f"{bench.url}/?quality=low{query}")
        seen.grown(patience_s=90)
        return seen

    yield make
    for seen in pages:
        # Its engine would go on computing beside the next test.
        if not seen.page.is_closed():
            sid = seen.page.evaluate("() => sessionStorage.getItem('icewright.session')")
            seen.page.request.delete(f"{bench.url}/api/sessions/{sid}")
    for context in contexts:
        context.close()
