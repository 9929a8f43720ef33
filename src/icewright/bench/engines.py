"""Engine processes in stock: a new session, or one whose engine died, must not wait for imports.

Starting an engine costs seconds (the compiled kernels, the surface finder); taking up a crystal costs a
hundredth of one. So one is kept ready, and one whose session sleeps or is deleted is handed on, emptied.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Any

from icewright.bench import worker
from icewright.bench.link import Link, Told

_SPARE = 1
_MOST_SPARE = 2  # one handed back is kept beside it: to close it and start another later costs seconds
_SPARE_AFTER_S = 4.0  # a crystal that has just begun needs the cores more


class Engines:
    """The engines that no session has."""

    def __init__(self, threads: int | None) -> None:
        self._threads = threads or max(1, (os.cpu_count() or 1) // 2)
        self._spare: list[Link] = []
        self._emptying: set[Link] = set()
        self._timer: asyncio.TimerHandle | None = None
        self._ended = False

    def take(self, told: Told, lost: Callable[[], None]) -> Link:
        """An engine for a session: the one in stock, or a new one."""
        if self._spare:
            link = self._spare.pop()
            link.told, link.lost = told, lost
        else:
            link = Link(worker.main, (self._threads,), told, lost)
        if self._timer is None and not self._ended:
            self._timer = asyncio.get_running_loop().call_later(_SPARE_AFTER_S, self.prepare)
        return link

    def prepare(self) -> None:
        """See that one is in stock."""
        self._timer = None
        if not self._ended and len(self._spare) + len(self._emptying) < _SPARE:
            link = Link(worker.main, (self._threads,), _nothing, _nothing)
            link.lost = lambda: self._drop(link)
            self._spare.append(link)

    def give(self, link: Link, then: Callable[[], None] = lambda: None) -> None:
        """Take an engine back once it has written what it must; `then` is called after that."""
        self._emptying.add(link)

        def told(word: str, data: dict[str, Any]) -> None:
            if word == "empty":
                self._emptying.discard(link)
                then()
                if len(self._spare) < _MOST_SPARE and not self._ended:
                    link.told, link.lost = _nothing, lambda: self._drop(link)
                    self._spare.append(link)
                else:
                    link.close()

        def lost() -> None:
            self._emptying.discard(link)
            then()

        link.told, link.lost = told, lost
        if not link.say("unload"):
            lost()

    def _drop(self, link: Link) -> None:
        if link in self._spare:
            self._spare.remove(link)

    async def end(self) -> None:
        """Let all go, those that still write when they have written."""
        self._ended = True
        if self._timer is not None:
            self._timer.cancel()
        for _ in range(50):
            if not self._emptying:
                break
            await asyncio.sleep(0.1)
        for link in (*self._spare, *self._emptying):
            link.close()
        self._spare.clear()


def _nothing(*_: Any) -> None:
    pass
