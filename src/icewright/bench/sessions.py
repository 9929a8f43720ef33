"""All sessions of a server: made, found again on the disk, put to sleep when nobody looks, deleted."""

from __future__ import annotations

import asyncio
import secrets
import shutil
import time
from pathlib import Path

from icewright.bench import shapes
from icewright.bench.chamber import Found
from icewright.bench.engines import Engines
from icewright.bench.security import BenchError
from icewright.bench.session import Session
from icewright.bench.settings import Settings
from icewright.ground.errors import IcewrightError


class Sessions:
    """All sessions of a server."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.engines = Engines(settings.threads)
        self._held: dict[str, Session] = {}
        self._deleted: set[str] = set()  # an engine may still be writing what goes with the folder
        self._reaper: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin to look after them."""
        self._reaper = asyncio.get_running_loop().create_task(self._look_after())
        self.engines.prepare()

    async def stop(self) -> None:
        """Write everything and let the engines go."""
        if self._reaper is not None:
            self._reaper.cancel()
        for session in self._held.values():
            session.close()
            for viewer in session.viewers:
                viewer.end()
        await self.engines.end()

    def new(self, got: Found, final_radius_m: float | None, *, paused: bool) -> Session:
        """A session of its own. Raises BenchError 429 where there are too many."""
        if len(self.briefs()) >= self.settings.most_sessions:
            raise BenchError(
                429,
                "There are too many sessions.",
                wanted=f"{self.settings.most_sessions} at most",
                do="delete one that is no longer needed",
            )
        id_ = secrets.token_urlsafe(12)
        session = Session(id_, self.settings.own / id_, self.engines)
        session.paused = paused
        session.begin(got.recipe, final_radius_m, got.plan)
        for text in got.notes:
            session.notes.append(text)
        session.tree.write(session.record())
        self._held[id_] = session
        self._make_room(session)
        session.wake()
        return session

    def get(self, id_: str) -> Session:
        """A session by its id, from the disk if need be. Raises BenchError 404."""
        found = self._held.get(id_)
        if found is None:
            folder = self.settings.own / id_
            # ids are ours: anything else never touches the disk
            if not (8 <= len(id_) <= 40 and all(c.isalnum() or c in "-_" for c in id_) and id_.isascii()):
                raise BenchError(404, "There is no such session.", do="POST /api/sessions")
            if id_ in self._deleted or not (folder / "tree.json").is_file():
                raise BenchError(404, "There is no such session.", do="POST /api/sessions")
            try:
                found = Session.reopen(id_, folder, self.engines)
            except IcewrightError as error:
                raise BenchError(
                    404, f"That session cannot be opened: {error.message or error}", do="POST /api/sessions"
                ) from error
            self._held[id_] = found
        found.touched = time.monotonic()
        if not found.awake:
            self._make_room(found)
        return found

    def _make_room(self, wanted: Session) -> None:
        awake = [s for s in self._held.values() if s.awake and s is not wanted]
        while len(awake) >= self.settings.most_workers:
            idle = min(awake, key=lambda s: (bool(s.viewers), s.touched))
            if idle.viewers:
                raise BenchError(
                    429,
                    "Too many crystals are growing at once.",
                    wanted=f"{self.settings.most_workers} at most",
                    do="close a tab",
                )
            idle.sleep()
            awake.remove(idle)

    def remove(self, id_: str) -> None:
        """Delete a session and its files."""
        session = self.get(id_)
        session.tell_all("gone", {})
        self._deleted.add(id_)
        if not session.awake:
            shutil.rmtree(session.folder, ignore_errors=True)
        session.drop()
        for viewer in session.viewers:
            viewer.end()
        self._held.pop(id_, None)

    def tell_job(self, job: shapes.Job) -> None:
        """A background run has come on: everybody hears of it."""
        for session in self._held.values():
            session.tell_all("job", job)

    def briefs(self) -> list[shapes.SessionBrief]:
        """A line for each, newest first."""
        out = {
            s.id: shapes.SessionBrief(
                id=s.id, title=s.title, changed=s.changed, branches=len(s.tree.branches)
            )
            for s in self._held.values()
        }
        if self.settings.own.is_dir():
            for folder in self.settings.own.iterdir():
                path = folder / "tree.json"
                if folder.name not in out and folder.name not in self._deleted and path.is_file():
                    out[folder.name] = _brief(folder.name, path)
        return sorted(out.values(), key=lambda b: -b.changed)

    async def _look_after(self) -> None:
        while True:
            await asyncio.sleep(1.0)
            now = time.monotonic()
            for session in list(self._held.values()):
                if session.clock.began is not None and session.viewers:
                    session.tell_all("clock", session.clock_now(ring=True))
                if session.awake and not session.viewers and now - session.touched > self.settings.idle_s:
                    session.sleep()


def _brief(id_: str, path: Path) -> shapes.SessionBrief:
    import json

    try:
        record = json.loads(path.read_bytes())
        return shapes.SessionBrief(
            id=id_,
            title=str(record["title"]),
            changed=float(record["changed"]),
            branches=len(record["branches"]),
        )
    except (ValueError, KeyError, TypeError, OSError):
        return shapes.SessionBrief(id=id_, title="damaged", changed=0.0, branches=0)
