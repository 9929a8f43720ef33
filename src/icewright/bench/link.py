"""The server's end of an engine process: started by spawning, read and written by threads, never waited for.

Threads and not `loop.add_reader`: the pipe's file descriptor would be made non-blocking under some event
loops, and Windows has no such call. Commands wait in a queue for the pipe: an engine that is busy for a while
does not empty it, and a full pipe must not hold up the loop, which serves all sessions.
"""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import queue
import threading
from collections.abc import Callable
from multiprocessing.reduction import ForkingPickler
from typing import Any

Told = Callable[[str, dict[str, Any]], None]


class Link:
    """One spawned process with a two-way pipe.

    `target` is called as `target(connection, *arguments)` in the process. `told` and `lost` are called in the
    event loop, in order; `lost` once, when the pipe has ended for whatever reason. Both may be exchanged.
    `daemon` False for a process that starts others; it must then end by itself when the pipe does.
    """

    def __init__(
        self,
        target: Callable[..., None],
        arguments: tuple[Any, ...],
        told: Told,
        lost: Callable[[], None],
        *,
        daemon: bool = True,
    ) -> None:
        context = multiprocessing.get_context("spawn")
        self._loop = asyncio.get_running_loop()
        ours, theirs = context.Pipe(duplex=True)
        self._pipe, self.told, self.lost = ours, told, lost
        self._closing = self._broken = False
        self._out: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        # Only the process we start reads from the pair's other end; ours is closed so that its death is seen.
        self.process = context.Process(target=target, args=(theirs, *arguments), daemon=daemon)
        self.process.start()
        theirs.close()
        for work in (self._read, self._write):
            threading.Thread(target=work, name="bench-link", daemon=True).start()

    def say(self, word: str, **data: Any) -> bool:
        """Send a command, as it is now, when the pipe has room; False if the process is known to be gone."""
        if self._broken or self._closing:
            return False
        self._out.put(bytes(ForkingPickler.dumps((word, data))))
        return True

    def close(self, patience_s: float = 2.0) -> None:
        """Say goodbye and see that it has gone; `lost` is not called."""
        self._closing = True
        self._out.put(bytes(ForkingPickler.dumps(("bye", {}))))
        self._out.put(None)
        threading.Thread(target=self._reap, args=(patience_s,), daemon=True).start()

    def _reap(self, patience_s: float) -> None:
        self.process.join(patience_s)
        if self.process.is_alive():
            self.process.kill()
            self.process.join(patience_s)
        with contextlib.suppress(OSError):
            self._pipe.close()

    def _write(self) -> None:
        while (data := self._out.get()) is not None:
            try:
                self._pipe.send_bytes(data)
            except (OSError, ValueError):
                self._broken = True  # the reading thread sees the end, and says so
                return

    def _read(self) -> None:
        while True:
            try:
                word, data = self._pipe.recv()
            except (EOFError, OSError):
                break
            except Exception:  # a message torn by the other end's death
                break
            if not self._call(self._hear, word, data):
                return
        self._out.put(None)
        self.process.join(1.0)
        self._call(self._gone)

    def _hear(self, word: str, data: dict[str, Any]) -> None:
        self.told(word, data)

    def _gone(self) -> None:
        if not self._closing:
            self.lost()

    def _call(self, function: Callable[..., None], *arguments: Any) -> bool:
        try:
            self._loop.call_soon_threadsafe(function, *arguments)
        except RuntimeError:  # the loop has ended
            return False
        return True
