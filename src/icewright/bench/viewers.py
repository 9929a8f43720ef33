"""Who looks at a session: each browser's socket with its own pace.

At most two meshes are under way to a browser; a newer one takes the place of one that still waits. Of events
that only tell how things stand the newest wins too; rows, answers and notes are all sent.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

from icewright.bench import protocol
from icewright.bench.worker import MESHES_PER_S

IN_FLIGHT = 2
_NEWEST_WINS = ("state", "air", "tree", "clock", "setup")
_MOST_WAITING = 2000


class Socket(Protocol):
    """What of a WebSocket is used here."""

    async def send_text(self, data: str) -> None:
        """Send text."""

    async def send_bytes(self, data: bytes) -> None:
        """Send bytes."""


class Viewer:
    """One browser."""

    def __init__(self, socket: Socket) -> None:
        self._socket = socket
        self._wake = asyncio.Event()
        self._newest: dict[str, str] = {}
        self._all: deque[str] = deque(maxlen=_MOST_WAITING)
        self._frame: bytes | None = None
        self._topology = -1
        self.under_way = 0
        self.wants_frames = True
        self.most_per_s = MESHES_PER_S
        self._ended = False
        self.sent: Callable[[], None] = lambda: None  # called when a mesh has gone out

    @property
    def has_room(self) -> bool:
        """Whether a mesh would go out at once."""
        return self.wants_frames and self._frame is None and self.under_way < IN_FLIGHT

    def tell(self, event: str, what: Any) -> None:
        """Send an event."""
        text = json.dumps({"event": event, "is": what}, allow_nan=False)
        if event in _NEWEST_WINS:
            self._newest[event] = text
        else:
            self._all.append(text)
        self._wake.set()

    def answer(self, record: dict[str, Any]) -> None:
        """Send the answer to a command."""
        self._all.append(json.dumps({"event": "done", **record}, allow_nan=False))
        self._wake.set()

    def show(self, frame: bytes) -> None:
        """Send a mesh, in place of one that still waits."""
        if self.wants_frames:
            self._frame = frame
            self._wake.set()

    def took(self) -> None:
        """The browser has taken up a mesh."""
        self.under_way = max(0, self.under_way - 1)
        self._wake.set()

    def end(self) -> None:
        """No more."""
        self._ended = True
        self._wake.set()

    async def run(self) -> None:
        """Send what there is until `end`."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            while self._all:
                await self._socket.send_text(self._all.popleft())
            for event in list(self._newest):
                await self._socket.send_text(self._newest.pop(event))
            if self._frame is not None and self.under_way < IN_FLIGHT:
                frame, self._frame = self._frame, None
                topology = protocol.topology_of(frame)
                data = protocol.without_index(frame) if topology == self._topology else frame
                self._topology = topology
                self.under_way += 1
                await self._socket.send_bytes(data)
                self.sent()
            if self._ended and not self._all and not self._newest:
                return
