"""Searching for a recipe in the background: one design at a time, each in a process of its own.

A design is an ordinary folder of `icewright.tasks.design`: a search that is stopped or dies is gone on with,
here or at the command line, and walks its kept trials again at no cost. What the page is shown of the best
crystal so far is held here as well, so that it outlives the process.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from icewright.bench import design_shapes as shapes
from icewright.bench.link import Link
from icewright.bench.security import BenchError, error_body, inside, plain_name
from icewright.bench.shapes import Error
from icewright.ground.errors import IcewrightError

MOST_WAITING = 10
PATIENCE_S = 90.0  # for the trial that it is in, the spread and the pictures, before a stopping search is cut
_GOING = ("waiting", "searching", "stopping")
_OPTIONS = ("trials", "seed", "robust", "spread", "kelvin", "sigma_percent")


def design_in_process(
    link: Connection, target: str | None, folder: str, options: dict[str, Any], workers: int
) -> None:
    """Entry of the spawned process: search, tell how it stands, end. "stop", or silence, stops it tidily."""
    asked = threading.Event()

    def listen() -> None:
        with contextlib.suppress(EOFError, OSError):
            while link.recv()[0] not in ("stop", "bye"):
                pass
        asked.set()

    threading.Thread(target=listen, daemon=True).start()
    with contextlib.suppress(AttributeError, OSError):
        os.nice(2)  # the crystal on the page goes before
    try:
        _search(link.send, asked.is_set, target, folder, options, workers)
    except IcewrightError as error:
        _tell(link.send, "failed", error=error)
    except Exception as error:
        traceback.print_exc()
        _tell(link.send, "failed", error=IcewrightError(f"{type(error).__name__}: {error}"))


def _tell(send: Callable[[Any], None], word: str, **data: Any) -> None:
    with contextlib.suppress(OSError, ValueError):
        send((word, data))


def _search(
    send: Callable[[Any], None],
    stopped: Callable[[], bool],
    target: str | None,
    folder: str,
    options: dict[str, Any],
    workers: int,
) -> None:
    from icewright.bench.targets import shown
    from icewright.design import reachable
    from icewright.design.airs import airs
    from icewright.design.found import Progress
    from icewright.tasks.design import TARGET, Best, design, read_target

    wanted = read_target(target or Path(folder) / TARGET)
    reasons = [shapes.DesignReason(**vars(r)) for r in reachable.bounds(wanted, airs(wanted))]
    _tell(send, "begun", reasons=reasons, target=None if wanted.crystal is None else shown(wanted.crystal))
    count = 0

    def progress(p: Progress) -> None:
        _tell(send, "progress", **vars(p))

    def better(best: Best) -> None:
        nonlocal count
        count += 1
        made = shapes.DesignBest(
            number=count, distance=best.distance, confirmed=best.confirmed, terms=dict(best.terms),
            minutes=best.portrait.time_s / 60, portrait=shown(best.portrait),
            stages=[None if p is None else shown(p) for p in best.stages], toml=best.recipe,
        )  # fmt: skip
        _tell(send, "best", best=made)

    done = design(
        target, folder, resume=target is None, workers=workers, on_progress=progress, on_best=better,
        should_stop=stopped, **options,
    )  # fmt: skip
    _tell(send, "ended", complete=done.complete)


@dataclass
class _Design:
    """One design that this server works or has worked."""

    name: str
    folder: Path
    title: str
    toml: str
    options: dict[str, Any]
    target_file: Path | None  # None: gone on with
    state: shapes.DesignWord = "waiting"
    words: str = "waits for its turn"
    progress: dict[str, Any] = field(default_factory=dict)
    target: shapes.PortraitShape | None = None
    best: shapes.DesignBest | None = None
    history: list[tuple[float, float]] = field(default_factory=list)
    reasons: list[shapes.DesignReason] = field(default_factory=list)
    error: IcewrightError | None = None
    link: Link | None = None
    changed: float = field(default_factory=time.time)


class Designs:
    """All designs of a server: those it works, and those that lie in its folder."""

    def __init__(self, folder: Path, own: Path, workers: int) -> None:
        self._folder, self._own, self._workers = folder, own, workers
        self._held: dict[str, _Design] = {}
        self._running: _Design | None = None

    # -- asked for -----------------------------------------------------------------------------------------

    def add(self, asked: shapes.NewDesign, title: str, resolved: str) -> shapes.Design:
        """Queue a search; `resolved` is the target with whole paths.

        Raises:
            BenchError: 409 where the name is taken, 429 where too many wait.
        """
        name = plain_name(asked.name)
        folder = inside(self._folder, name)
        known = self._held.get(name)
        if folder.exists() or (known is not None and known.state in _GOING):
            raise BenchError(409, f"{name} is there already.", do="another name")
        self._room()
        aside = self._own / "targets"
        aside.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(
            "w", suffix=".toml", dir=aside, delete=False, encoding="utf-8"
        ) as out:
            out.write(resolved)
        options = {key: getattr(asked, key) for key in _OPTIONS}
        made = _Design(name, folder, title, asked.toml, options, Path(out.name))
        self._held[name] = made
        self._next()
        return self._shown(made)

    def get(self, name: str) -> shapes.Design:
        """How one stands. Raises BenchError 404, and what reading a damaged folder raises."""
        held = self._held.get(name)
        if held is not None and (held.state in _GOING or not _ended(held.folder)):
            return self._shown(held)
        from icewright.bench import design_folder

        found = design_folder.read(self._find(name), name)
        if held is not None and held.state == "failed":  # while it was gone on with
            told = self._shown(held)
            return found.model_copy(
                update={
                    "state": told.state,
                    "words": told.words,
                    "error": told.error,
                    "best": held.best or found.best,
                }
            )
        return found

    def listed(self) -> list[shapes.DesignBrief]:
        """A line for each, newest first."""
        from icewright.bench import design_folder

        out = {
            h.name: shapes.DesignBrief(
                name=h.name, title=h.title, state=h.state, words=h.words, changed=h.changed,
                distance=h.best.distance if h.best is not None else None,
            )
            for h in list(self._held.values())
            if h.state in _GOING or not _ended(h.folder)
        }  # fmt: skip
        for path in design_folder.folders(self._folder):
            if path.name not in out:
                out[path.name] = design_folder.brief(path)
        return sorted(out.values(), key=lambda d: -d.changed)

    def stop(self, name: str) -> shapes.Design:
        """Stop after the trial it is in and keep the best so far. Raises BenchError 404, 409."""
        held = self._held.get(name)
        if held is None or held.state not in _GOING:
            self._find(name)
            raise BenchError(409, "That search is not running.", got=name)
        if held.state == "waiting":
            held.state, held.words = "stopped", "stopped before it began"
        elif held.state == "searching" and held.link is not None:
            held.state, held.words = "stopping", "stops after the crystal that it is growing"
            held.link.say("stop")
            asyncio.get_running_loop().call_later(PATIENCE_S, self._cut, held, held.link)
        return self._shown(held)

    def resume(self, before: shapes.Design) -> shapes.Design:
        """Go on with a stopped one, from what `get` says of it. Raises BenchError 409, 429."""
        name, held = before.name, self._held.get(before.name)
        if held is not None and held.state in _GOING:
            raise BenchError(409, "That search is going on.", got=name)
        if before.state == "done":
            raise BenchError(409, "That search came to its end.", got=name, do="search anew, by another name")
        self._room()
        folder = inside(self._folder, plain_name(name))
        if (folder / "design.json").is_file():
            # Its options and its target are those that the folder holds.
            held = _Design(
                name, folder, before.title, before.toml, {}, None, best=before.best, target=before.target
            )
        elif held is None or held.target_file is None or not held.target_file.is_file():
            raise BenchError(409, "That search never began.", got=name, do="search anew")
        held.state, held.words, held.error, held.changed = "waiting", "waits for its turn", None, time.time()
        self._held[name] = held
        self._next()
        return self._shown(held)

    def recipe(self, name: str, file: str) -> str:
        """The text of a recipe that a design wrote. Raises BenchError 404."""
        path = inside(self._find(name), plain_name(file, ".toml"))
        if not (path.is_file() and (path.name == "settings.toml" or path.name.startswith("recipe"))):
            raise BenchError(404, "There is no such recipe.", got=file[:100])
        # An apparatus or a table that lies in the design's folder, named from the chosen folder.
        return path.read_text(encoding="utf-8").replace(f'"{path.parent}/', f'"{path.parent.name}/')

    async def end(self) -> None:
        """The server ends: the running search stops tidily; `icewright design --resume` goes on with it."""
        for held in self._held.values():
            if held.state == "waiting":
                held.state = "stopped"
        running = self._running
        if running is None or running.link is None:
            return
        running.link.say("stop")
        for _ in range(100):
            if not running.link.process.is_alive():
                return
            await asyncio.sleep(0.1)
        # Every trial is kept as it is grown: what is cut here is walked again at no cost.
        running.link.process.kill()
        await asyncio.to_thread(running.link.process.join, 5.0)

    # -- the process ---------------------------------------------------------------------------------------

    def _find(self, name: str) -> Path:
        path = inside(self._folder, plain_name(name))
        if not (path / "design.json").is_file():
            raise BenchError(404, "There is no such design.", got=name[:100])
        return path

    def _room(self) -> None:
        if sum(h.state in _GOING for h in self._held.values()) >= MOST_WAITING:
            raise BenchError(429, f"{MOST_WAITING} searches are waiting already.", do="stop one, or wait")

    def _next(self) -> None:
        if self._running is not None:
            return
        held = next((h for h in self._held.values() if h.state == "waiting"), None)
        if held is None:
            return
        self._running, held.state, held.words = held, "searching", "starting"
        target = None if held.target_file is None else str(held.target_file)
        held.link = Link(
            design_in_process,
            (target, str(held.folder), held.options, self._workers),
            lambda word, data: self._hear(held, word, data),
            lambda: self._lost(held),
            daemon=self._workers == 1,
        )

    def _hear(self, held: _Design, word: str, data: dict[str, Any]) -> None:
        held.changed = time.time()
        if word == "begun":
            held.target, held.reasons = data["target"], data["reasons"]
        elif word == "progress":
            held.progress = data
            if held.state == "searching":
                held.words = data["phase"]
        elif word == "best":
            held.best = data["best"]
            held.history.append((float(held.progress.get("trials", 0)), data["best"].distance))
        elif word == "ended":
            held.state = "done" if data["complete"] else "stopped"
            held.words = "" if data["complete"] else "stopped; the best so far was kept"
        else:
            held.state, held.error = "failed", data["error"]
            held.words = str(data["error"].message or data["error"])

    def _cut(self, held: _Design, link: Link) -> None:
        """A search that does not come to its end after it was asked to: every trial is kept already."""
        if held.link is link and link.process.is_alive():
            print(f"the search {held.name} did not stop within {PATIENCE_S:g} s and is cut", file=sys.stderr)
            link.process.kill()

    def _lost(self, held: _Design) -> None:
        """The process has ended, as it should or not."""
        if held.state in _GOING:
            asked = held.state == "stopping"
            held.state = "stopped" if asked else "failed"
            held.words = (
                "the search was cut off; its trials are kept"
                if asked
                else "the search died; its trials are kept, and going on takes them up"
            )
        if held.target_file is not None:
            held.target_file.unlink(missing_ok=True)
        held.link, self._running, held.changed = None, None, time.time()
        self._next()

    def _shown(self, held: _Design) -> shapes.Design:
        from icewright.bench.targets import rows
        from icewright.design.distance import SAME

        p, best = held.progress, held.best
        return shapes.Design(
            name=held.name, title=held.title, state=held.state, words=held.words, changed=held.changed,
            distance=best.distance if best is not None else None,
            phase=str(p.get("phase", "")), fraction=min(max(float(p.get("fraction", 0.0)), 0.0), 1.0),
            trials=int(p.get("trials", 0)), wall_s=float(p.get("wall_s", 0.0)), eta_s=p.get("eta_s"),
            level=SAME, same=None, target=held.target, best=best, history=held.history, recipes=[],
            reasons=held.reasons, notes=[], spread=None, toml=held.toml, draft=rows(held.toml),
            error=Error(**error_body(held.error)["error"]) if held.error is not None else None,
        )  # fmt: skip


def _ended(folder: Path) -> bool:
    """Whether a design's folder has its summary written."""
    from icewright.bench import design_folder

    return design_folder.has_summary(folder)
