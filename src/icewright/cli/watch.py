"""A bar on stderr for long work that is counted in pieces; lines where stderr is no terminal."""

from __future__ import annotations

import time
from typing import Any, Self

from icewright.cli.bar import eta_words

_LINE_EVERY_S = 10.0


class Watch:
    """Show how far it is, and what happened on the way; use it as a context. Quiet shows nothing."""

    def __init__(self, *, quiet: bool, starting: str = "starting") -> None:
        self._quiet, self._printed = quiet, 0.0
        self._bar: Any = None
        if quiet:
            return
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._console = Console(stderr=True, highlight=False)
        if self._console.is_terminal:
            self._bar = Progress(
                TextColumn("{task.description}"),
                BarColumn(bar_width=20),
                TextColumn("{task.fields[left]}"),
                console=self._console,
                transient=True,
            )
            self._task = self._bar.add_task(starting, total=1.0, left="")

    def __enter__(self) -> Self:
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def show(self, words: str, done: float, eta_s: float | None, *, percent: bool = False) -> None:
        """Words, the part done (0 to 1) and the seconds to go; ``percent`` adds the part to lines."""
        if self._quiet:
            return
        left = eta_words(eta_s)
        if self._bar is not None:
            self._bar.update(self._task, completed=done, description=words, left=left)
        elif time.monotonic() - self._printed > _LINE_EVERY_S:
            self._printed = time.monotonic()
            part = f"  {done * 100:.0f} %" if percent else ""
            self._console.print(f"{words}{part}  {left}".rstrip())

    def event(self, words: str) -> None:
        """Print what happened."""
        if not self._quiet:
            self._console.print(f"note: {words}")
