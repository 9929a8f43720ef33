"""Growing at full resolution in the background: one run at a time, each in a process of its own.

The run is an ordinary run folder, grown by `icewright.tasks.grow`: it can be stopped, resumed here or at the
command line, and loses at most what lies behind its last checkpoint.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from icewright.bench import shapes
from icewright.bench.link import Link
from icewright.bench.security import BenchError, error_body
from icewright.ground.errors import IcewrightError
from icewright.recipe.in_settings import Planned
from icewright.recipe.model import Recipe

Grown = Recipe | Planned | None  # None: the run that lies there is resumed
_MOST = 100
_GOING = ("waiting", "growing", "drawing")


def grow_in_process(link: Connection, recipe: Grown, folder: str, threads: int | None) -> None:
    """Entry of the spawned process: grow, tell the progress, end. SIGTERM stops tidily."""
    from icewright.tasks.grow import grow

    def tell(progress: dict[str, Any]) -> None:
        with contextlib.suppress(OSError):
            link.send(("progress", {key: progress[key] for key in _TOLD}))

    try:
        done = grow(recipe, folder, resume=recipe is None, threads=threads, on_progress=tell)
        link.send(("ended", {"complete": done.complete, "status": done.ended}))
    except IcewrightError as error:
        link.send(("failed", {"error": error}))
    except Exception as error:
        link.send(("failed", {"error": IcewrightError(f"{type(error).__name__}: {error}")}))


_TOLD = ("radius_um", "thickness_um", "time_min", "fraction", "eta_s", "status")


class _Job:
    """One run and what is known of it."""

    def __init__(self, number: int, name: str, session: str, folder: Path, recipe: Grown) -> None:
        self.number, self.name, self.session, self.folder, self.recipe = number, name, session, folder, recipe
        self.state: Any = "waiting"
        self.progress: dict[str, Any] = {}
        self.error: IcewrightError | None = None
        self.link: Link | None = None

    def shown(self) -> shapes.Job:
        p = self.progress
        return shapes.Job(
            number=self.number, name=self.name, session=self.session, state=self.state,
            fraction=p.get("fraction", 0.0), eta_s=p.get("eta_s"), time_min=p.get("time_min", 0.0),
            radius_um=p.get("radius_um", 0.0), thickness_um=p.get("thickness_um", 0.0),
            status=p.get("status", self.state),
            error=shapes.Error(**error_body(self.error)["error"]) if self.error is not None else None,
        )  # fmt: skip


class Jobs:
    """All background runs of a server; `told` hears of every change."""

    def __init__(self, told: Callable[[shapes.Job], None], threads: int | None = None) -> None:
        self._told, self._threads = told, threads
        self._jobs: dict[int, _Job] = {}
        self._running: _Job | None = None
        self._last_told = 0.0

    def add(self, name: str, session: str, folder: Path, recipe: Grown) -> shapes.Job:
        """Queue a run into a folder; without a recipe the run there is resumed. Raises BenchError 429."""
        if sum(job.state in _GOING for job in self._jobs.values()) >= 20:
            raise BenchError(429, "Twenty runs are waiting already.", do="stop one, or wait")
        if any(job.folder == folder and job.state in _GOING for job in self._jobs.values()):
            raise BenchError(409, "That run is growing already.", got=name)
        number = max(self._jobs, default=0) + 1
        job = self._jobs[number] = _Job(number, name, session, folder, recipe)
        for old in sorted(n for n, j in self._jobs.items() if j.state not in _GOING)[
            : max(0, number - _MOST)
        ]:
            del self._jobs[old]
        self._next()
        return job.shown()

    def get(self, number: int) -> shapes.Job:
        """One of them. Raises BenchError 404."""
        return self._find(number).shown()

    def _find(self, number: int) -> _Job:
        if number not in self._jobs:
            raise BenchError(404, "There is no such job.", got=str(number))
        return self._jobs[number]

    def shown(self) -> list[shapes.Job]:
        """All, newest first."""
        return [job.shown() for job in sorted(self._jobs.values(), key=lambda j: -j.number)]

    def stop(self, number: int) -> shapes.Job:
        """Stop after the time step it is in; what was grown stays."""
        job = self._find(number)
        if job.state == "waiting":
            job.state = "stopped"
        elif job.link is not None:
            job.link.process.terminate()
        return job.shown()

    def resume(self, number: int) -> shapes.Job:
        """Go on with a stopped one, as a new job. Raises BenchError 409 where it cannot."""
        job = self._find(number)
        if job.state not in ("stopped", "failed"):
            raise BenchError(409, "Only a stopped run can be resumed.", got=job.state)
        begun = (job.folder / "run.json").is_file()
        return self.add(job.name, job.session, job.folder, None if begun else job.recipe)

    async def end(self) -> None:
        """The server ends: the running one stops tidily; `icewright grow --resume` goes on with it."""
        for job in self._jobs.values():
            if job.state == "waiting":
                job.state = "stopped"
        job_running = self._running
        if job_running is not None and job_running.link is not None:
            job_running.link.process.terminate()
            for _ in range(100):
                if not job_running.link.process.is_alive():
                    return
                await asyncio.sleep(0.1)

    def _next(self) -> None:
        if self._running is not None:
            return
        job = next((j for j in self._jobs.values() if j.state == "waiting"), None)
        if job is None:
            return
        self._running, job.state = job, "growing"
        job.link = Link(
            grow_in_process,
            (job.recipe, str(job.folder), self._threads),
            lambda word, data: self._hear(job, word, data),
            lambda: self._lost(job),
        )
        self._told(job.shown())

    def _hear(self, job: _Job, word: str, data: dict[str, Any]) -> None:
        if word == "progress":
            job.progress = data
            job.state = "growing" if data["fraction"] < 1 else "drawing"
            now = time.monotonic()
            if now - self._last_told >= 0.5:
                self._last_told = now
                self._told(job.shown())
        elif word == "ended":
            job.state = "done" if data["complete"] else "stopped"
            job.progress["status"] = data["status"]
            if data["complete"]:
                job.progress |= {"fraction": 1.0, "eta_s": 0.0}
        else:
            job.state, job.error = "failed", data["error"]

    def _lost(self, job: _Job) -> None:
        """The process has ended, as it should or not."""
        if job.state in _GOING:
            job.state = "stopped"
            job.progress["status"] = "the process ended; resume goes on from its last checkpoint"
        job.link = None
        self._running = None
        self._told(job.shown())
        self._next()
