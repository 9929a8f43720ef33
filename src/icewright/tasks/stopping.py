"""Ctrl-C asks; it does not cut: the running time step is finished and the state saved whole."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any


class StopFlag:
    """While entered, SIGINT or SIGTERM sets ``asked``; a second Ctrl-C interrupts at once as it always did.

    In another thread than the main one signals cannot be caught, and the flag only answers :meth:`ask`.
    """

    def __init__(self, on_ask: Callable[[], None] | None = None) -> None:
        self.asked = False
        self._on_ask = on_ask
        self._old: dict[int, Any] = {}

    def ask(self) -> None:
        """Ask the run to stop after the time step it is in."""
        self.asked = True

    def __enter__(self) -> StopFlag:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM):
                self._old[number] = signal.signal(number, self._heard)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._old.items():
            signal.signal(number, handler)

    def _heard(self, number: int, frame: FrameType | None) -> None:
        if self.asked and number == signal.SIGINT:
            raise KeyboardInterrupt
        self.asked = True
        if self._on_ask is not None:
            self._on_ask()
