"""Grow a sweep: what is finished is kept, the rest is spread over workers, failures are recorded."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from icewright.sweep.cells import Task, basis, dumps, grow_cell
from icewright.sweep.executor import Outcome, spread
from icewright.sweep.ledger import take_stock
from icewright.sweep.plan import Cell, Sweep
from icewright.sweep.store import LAST, Store


@dataclass(frozen=True)
class Progress:
    """Counts of cells, seconds of work so far and to go (None: nobody can tell), and the last words told."""

    total: int
    done: int
    failed: int
    kept: int
    running: int
    wall_s: float
    eta_s: float | None
    status: str = "growing"


@dataclass
class Grown:
    """What a sweep came to: records in the order of its cells (None: not reached), and what happened."""

    records: list[dict[str, Any] | None]
    events: list[str] = field(default_factory=list)
    kept: int = 0
    stopped: bool = False
    wall_s: float = 0.0

    def count(self, *states: str) -> int:
        """How many cells are in one of these states."""
        return sum(record is not None and record["state"] in states for record in self.records)


def run(
    sweep: Sweep,
    place: str | Path,
    *,
    workers: int | None = None,
    cluster: str | Executor | None = None,
    threads: int | None = None,
    retry_failed: bool = False,
    on_progress: Callable[[Progress], None] | None = None,
    on_event: Callable[[str], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    patience_s: float = 600.0,
) -> Grown:
    """Grow every cell of the sweep that is not finished at ``place`` (a folder, or a URL for fsspec).

    Workers, cluster, threads, stop and patience as for ``executor.spread``. A cell that fails is recorded
    with its reason, and the rest goes on. Raises ``HaltError`` or ``StoreError`` if cells cannot be written,
    ``SweepError`` if there is nobody to work; what was finished stays, and the same call goes on.
    """
    # A worker on another machine has another current folder.
    where = str(place) if "://" in str(place) else str(Path(place).resolve())
    store = Store(where)
    store.make()
    cells = list(sweep.cells())
    names = [sweep.name_of(cell) for cell in cells]
    grown = Grown([None] * len(cells))

    def tell(words: str) -> None:
        grown.events.append(words)
        if on_event is not None:
            on_event(words)

    ledger = take_stock(store, names, wall_s=sweep.wall_s, retry_failed=retry_failed)
    for words in ledger.events:
        tell(words)
    tasks: dict[str, Task] = {}
    for cell, name in zip(cells, names, strict=True):
        if name not in ledger.records:
            tasks.setdefault(name, _task(sweep, cell, name, where))
    grown.kept = len(ledger.records)
    failed_before = sum(record["state"] == "failed" for record in ledger.records.values())
    waiting = list(tasks.values())

    def land(outcome: Outcome) -> None:
        task = waiting[outcome.index]
        record = outcome.result if outcome.ok else _record_failure(store, task, outcome)
        if record is not None:
            ledger.records[task.name] = record

    def progress(standing: Any) -> None:
        if on_progress is not None:
            on_progress(
                Progress(
                    grown.kept + standing.total,
                    grown.kept - failed_before + standing.done,
                    failed_before + standing.failed,
                    grown.kept,
                    standing.running,
                    standing.wall_s,
                    standing.eta_s,
                )
            )

    try:
        spreading = spread(
            grow_cell,
            waiting,
            workers=workers,
            cluster=cluster,
            threads=threads,
            on_outcome=land,
            on_progress=progress,
            on_event=lambda words: tell(_with_name(words, waiting)),
            should_stop=should_stop,
            patience_s=patience_s,
        )
        grown.stopped, grown.wall_s = spreading.stopped, spreading.wall_s
    finally:
        grown.records = [ledger.records.get(name) for name in names]
    return grown


def _task(sweep: Sweep, cell: Cell, name: str, place: str) -> Task:
    from icewright.recipe.files import dumps as recipe_text

    own = cell.kinetics in sweep.paths
    return Task(
        name,
        recipe_text(cell.recipe),
        sweep.tables[cell.kinetics] if own else None,
        cell.kinetics,
        cell.values,
        sweep.wall_s,
        place,
    )


def _record_failure(store: Store, task: Task, outcome: Outcome) -> dict[str, Any] | None:
    """Write down why a cell failed; a cell that only met a full disk has not failed."""
    from icewright.recipe.files import loads

    if outcome.kind == "HaltError":
        return None
    reason = outcome.error.replace("\n", "; ")
    record = basis(task, loads(task.recipe)) | {
        "state": "failed",
        "reason": f"{outcome.kind}: {reason}" if outcome.trace else reason,
        "trace": outcome.trace,
        "wall_s": outcome.wall_s,
        "cpu_s": outcome.cpu_s,
    }
    store.put(task.name, {LAST: dumps(record, {})})
    return record


def _with_name(words: str, tasks: list[Task]) -> str:
    """`record 3` as the cell's own name."""
    import re

    return re.sub(r"record (\d+)", lambda m: f"cell {tasks[int(m[1])].name}", words)


__all__ = ["Grown", "Progress", "run"]
