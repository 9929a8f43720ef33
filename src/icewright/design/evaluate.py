"""Trials by the batch: grown by the sweep's executor, kept on a shelf, scored against the target.

A trial that was kept is not grown again, so a search that is run once more with the same seed walks the same
way at no cost up to where it was stopped: that is how it resumes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from icewright.design.airs import Airs
from icewright.design.portrait import FloatArray
from icewright.design.recipes import Form, Made, make
from icewright.design.target import Grown, Target
from icewright.design.trial import Bias, Shift, Stops, corrected, grow_trial, grown_of, record

LOST = 5.0  # the score of a trial that could not be grown
COST_POWER = 2.2  # how the price of a trial rises with its voxels (measured: 0.1 s at 20, 0.45 s at 40)
UNIT_VOXELS = 40
TOO_LARGE = 1.6
PATIENCE_S = 4 * 3600.0  # without a limit, no longer than a person stays beside a crystal (common practice)
LEAST_LAYERS = 1.5  # a crystal is held on at least so many layers


class StoppedError(Exception):
    """The search was asked to stop; what was found is kept."""


@dataclass(frozen=True, eq=False)
class Trial:
    """One recipe that was grown: where it came from, what came out, how far that is from the target.

    ``distance`` is that of the crystal as grown, or, where ``corrected``, with the coarse voxels' bias put
    right. ``cost`` is in units of one trial on ``UNIT_VOXELS``.
    """

    form: Form
    point: FloatArray
    made: Made
    grown: Grown | None
    result: dict[str, Any]
    voxels: float
    distance: float
    corrected: bool
    error: str = ""


class InlineExecutor(Executor):
    """The executor of this very process: one record at a time, at once. For one worker it saves a start."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Call it now; the future is done when this returns."""
        made: Future[Any] = Future()
        try:
            made.set_result(fn(*args, **kwargs))
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            made.set_exception(error)
        return made


@dataclass
class Bench:
    """Where trials are grown: the target, its airs, workers, and the shelf.

    ``cluster`` is the address of a running scheduler, or any executor; else ``workers`` processes are
    started once and kept (one worker: this process). ``extent_m`` is what voxels are cut from: the size asked
    for, or less where the time allowed is far too short for it.
    """

    target: Target
    airs: Airs
    keep: Path | None = None
    workers: int = 1
    threads: int = 1
    cluster: str | Executor | None = None
    should_stop: Callable[[], bool] | None = None
    on_event: Callable[[str], None] | None = None
    cost: float = 0.0
    grown: int = 0
    kept: int = 0
    cpu_s: float = 0.0
    extent_m: float = 0.0
    _pool: Executor | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        self.extent_m = self.extent_m or self.target.extent_m

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None

    def voxel_m(self, voxels: float) -> float:
        """Voxel for so many voxels in the crystal's extent, finer where the crystal asked for is thin."""
        extent = self.extent_m
        thin = self.target.thickness_m or extent
        if self.target.limits.thickness_m is not None:
            thin = min(thin, self.target.limits.thickness_m)
        voxel = extent / voxels
        voxel = max(min(voxel, thin / LEAST_LAYERS), extent / (1.6 * voxels))
        return float(f"{voxel * 1e6:.3g}e-6")  # what is written is what is grown

    def price(self, voxels: float) -> float:
        """Cost of one trial."""
        really = self.extent_m / self.voxel_m(voxels)
        return float((really / UNIT_VOXELS) ** COST_POWER)

    def made(self, form: Form, point: FloatArray, voxels: float) -> Made:
        """The recipe at a point, on voxels of that fineness."""
        return make(form, point, self.target, self.airs, self.voxel_m(voxels))

    @property
    def stops(self) -> Stops:
        """What cuts a trial: the target's time, and sizes far beyond it."""
        limits = self.target.limits
        own = self.target.crystal.time_s if self.target.crystal is not None else 0.0
        longest = limits.time_s if limits.time_s is not None else max(PATIENCE_S, 2 * own)
        return Stops(longest, TOO_LARGE * max(self.target.extent_m, 10e-6))

    def results(
        self, records: Sequence[dict[str, Any]], voxels: float
    ) -> list[tuple[dict[str, Any] | None, str]]:
        """Grow records; (result, "") each, or (None, why not). Raises ``StoppedError`` when asked to stop."""
        from icewright.sweep.executor import spread

        if self.should_stop is not None and self.should_stop():
            raise StoppedError
        done = spread(
            grow_trial,
            records,
            workers=self.workers if not isinstance(self.cluster, str) else None,
            cluster=self._executor(),
            threads=self.threads,
            keep=self.keep,
            should_stop=self.should_stop,
        )
        found: list[tuple[dict[str, Any] | None, str]] = []
        for outcome in done.outcomes:
            if outcome is None:
                raise StoppedError
            self.kept += outcome.kept
            self.grown += not outcome.kept
            self.cpu_s += outcome.cpu_s
            self.cost += self.price(voxels)
            if not outcome.ok and self.on_event is not None:
                self.on_event(f"a trial failed: {outcome.error.splitlines()[0]}")
            found.append((outcome.result, "") if outcome.ok else (None, outcome.error))
        return found

    def trials(
        self,
        asked: Sequence[tuple[Form, FloatArray]],
        voxels: float,
        bias: tuple[tuple[Bias, ...], Bias] | None = None,
        *,
        solid: bool = False,
        shift: Shift | None = None,
    ) -> list[Trial]:
        """Grow and score recipes at points; order kept. Raises ``StoppedError`` when asked to stop."""
        made = [self.made(form, point, voxels) for form, point in asked]
        records = [
            record(m.recipe, m.stage_steps, self.voxel_m(voxels), self.stops, shift, solid) for m in made
        ]
        out = []
        for (form, point), m, (result, error) in zip(asked, made, self.results(records, voxels), strict=True):
            if result is None:
                out.append(Trial(form, point, m, None, {}, voxels, LOST, False, error))
                continue
            grown = grown_of(result)
            seen = grown if bias is None else corrected(grown, *bias)
            out.append(Trial(form, point, m, grown, result, voxels, self.score(seen), bias is not None))
        return out

    def score(self, grown: Grown) -> float:
        """Distance from the target; a cut crystal is never better than one that came to its end."""
        found = self.target.distance(grown)
        return found if math.isfinite(found) else LOST

    def _executor(self) -> str | Executor:
        if self.cluster is not None:
            return self.cluster
        if self._pool is None:
            if self.workers == 1:
                self._pool = InlineExecutor()
            else:
                import multiprocessing

                from icewright.sweep.workers import begin

                # Started once for the whole search: a start costs as much as a dozen trials.
                spawn = multiprocessing.get_context("spawn")
                self._pool = ProcessPoolExecutor(
                    self.workers, mp_context=spawn, initializer=begin, initargs=(self.threads,)
                )
        return self._pool
