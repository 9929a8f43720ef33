"""The live progress bar of a growing crystal: size reached, model minutes, time to go."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

_LINE_EVERY_S = 10.0


class Bar:
    """Call it with what `icewright.tasks.grow.grow` reports; use it as a context.

    Where stderr is not a terminal, one line is printed every ten seconds instead of a bar.
    """

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._console = Console(stderr=True, highlight=False)
        self._live = self._console.is_terminal
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=10),
            TextColumn("{task.percentage:>3.0f} %"),
            TextColumn("{task.fields[left]}"),
            console=self._console,
            transient=True,
        )
        starting = "starting; a first run compiles its kernels"
        self._task = self._progress.add_task(starting, total=1.0, left="")
        self._printed = 0.0

    def __enter__(self) -> Bar:
        if self._live:
            self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live:
            self._progress.stop()

    def __call__(self, told: Mapping[str, Any]) -> None:
        """Show what is told: sizes in micrometres, minutes of the model, fraction, ETA."""
        words = f"{told['step']}/{told['steps_total']} " if told["steps_total"] > 1 else ""
        words += f"radius {told['radius_um']:.1f} um thickness {told['thickness_um']:.1f} um "
        words += f"{told['time_min']:.2f} model min"
        if told.get("status", "growing") != "growing":
            words += f"  {told['status']}"
        left = eta_words(told.get("eta_s"))
        if self._live:
            self._progress.update(self._task, completed=told["fraction"], description=words, left=left)
        elif time.monotonic() - self._printed > _LINE_EVERY_S:
            self._printed = time.monotonic()
            self._console.print(f"{words}  {told['fraction'] * 100:.0f} %  {left}".rstrip())


def eta_words(seconds: float | None) -> str:
    """`ETA 1:05`; nothing while nobody can tell or nothing is left."""
    if not seconds:
        return ""
    minutes, rest = divmod(int(seconds + 0.5), 60)
    return f"ETA {minutes}:{rest:02d}"
