"""The live progress bar of a growing crystal: size reached, model minutes, time to go."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe

# Work to a radius grows about as its cube and a bit (shared measurement of the method: 3.3), so that half
# the radius
# is a tenth of the work.
_WORK_POWER = 3.3


class Bar:
    """Call it with a reading; use it as a context.

    A reading is a mapping with `step_index`, `time_s`, `time_in_step_s`, `radius_tip_m`, `thickness_m`,
    `mass_kg`, as the simulation gives it. Where the output is not a terminal, one line is printed every ten
    seconds instead of a bar.
    """

    def __init__(self, recipe: Recipe) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        console = Console(stderr=True, highlight=False)
        self._recipe = recipe
        self._live = console.is_terminal
        self._console = console
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(),
            TextColumn("{task.fields[left]}"),
            console=console,
            transient=True,
        )
        self._task = self._progress.add_task(
            "starting (the first run compiles its kernels)", total=1.0, left=""
        )
        self._step = -1
        self._at_start = (0.0, 0.0, 0.0)
        self._began: tuple[float, float] | None = None  # wall clock and work done at the first reading
        self._printed = 0.0

    def __enter__(self) -> Bar:
        if self._live:
            self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live:
            self._progress.stop()

    def __call__(self, reading: Mapping[str, Any]) -> None:
        """Show a reading."""
        index = min(int(reading["step_index"]), len(self._recipe.steps) - 1)
        sizes = (float(reading["radius_tip_m"]), float(reading["thickness_m"]), float(reading["mass_kg"]))
        if index != self._step:
            self._step, self._at_start = index, sizes
        done = self._done(index, float(reading["time_in_step_s"]), sizes)
        words = (
            f"step {index + 1}/{len(self._recipe.steps)}  radius {sizes[0] * 1e6:.4g} um  "
            f"thickness {sizes[1] * 1e6:.4g} um  {float(reading['time_s']) / 60:.2f} model minutes"
        )
        left = self._left(done, sizes)
        if self._live:
            self._progress.update(self._task, completed=done, description=words, left=left)
        elif time.monotonic() - self._printed > 10.0:
            self._printed = time.monotonic()
            self._console.print(f"{words}  {done * 100:.0f} %  {left}")

    def _done(self, index: int, time_in_step_s: float, sizes: tuple[float, float, float]) -> float:
        from icewright.recipe.endings import fraction_done

        part = fraction_done(self._recipe.steps[index], time_in_step_s, sizes, self._at_start)
        return (index + part) / len(self._recipe.steps)

    def _left(self, done: float, sizes: tuple[float, float, float]) -> str:
        """Seconds to go, from the work since the first reading; compilation before that does not count."""
        now = time.monotonic()
        work = self._work(done, sizes)
        if self._began is None:
            self._began = (now, work)
            return ""
        elapsed, gained = now - self._began[0], work - self._began[1]
        if elapsed < 1.0 or gained <= 0.0:
            return ""
        seconds = elapsed * max(0.0, 1.0 - work) / gained
        minutes, rest = divmod(int(seconds + 0.5), 60)
        return f"ETA {minutes}:{rest:02d}"

    def _work(self, done: float, sizes: tuple[float, float, float]) -> float:
        goals = [s.endings.radius_m for s in self._recipe.steps if s.endings.radius_m is not None]
        if not goals:
            return done
        return min(1.0, sizes[0] / max(goals)) ** _WORK_POWER if sizes[0] < max(goals) else done
