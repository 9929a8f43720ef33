"""Spread one function over many records: processes of this machine or a cluster, by one code path.

::

    from icewright.sweep.executor import spread

    def mass(record):                       # at the top of a module, so that it can be sent to a worker
        return {"mass_kg": ...}             # plain, small, picklable

    done = spread(mass, records, workers=2, keep="masses")     # or cluster="tcp://127.0.0.1:8786"
    for outcome in done.outcomes:
        print(outcome.result if outcome.ok else outcome.error)

The function runs in another process, one record at a time in each; what it raises becomes words in that
record's outcome and does not stop the rest (``HaltError`` does). A record whose worker dies is sent again.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from icewright.sweep.lanes import Lane, SweepError, cores, lanes_for
from icewright.sweep.shelf import Shelf
from icewright.sweep.workers import Answer, HaltError, work

_TICK_S = 0.2
_WATCH_S = 2.0


@dataclass(frozen=True)
class Outcome:
    """What became of one record.

    ``index`` counts the records from 0; ``result`` is None where ``error`` has words; ``kind`` is the class
    name of the error and ``trace`` its trace, if it was a fault of the program. ``tries`` counts how often
    the record was sent; ``kept`` says that the result was there from an earlier call. ``wall_s`` and
    ``cpu_s`` are seconds in the worker, ``worker`` its host and process number.
    """

    index: int
    result: Any = None
    error: str = ""
    kind: str = ""
    trace: str = ""
    tries: int = 1
    kept: bool = False
    wall_s: float = 0.0
    cpu_s: float = 0.0
    worker: str = ""

    @property
    def ok(self) -> bool:
        """Whether there is a result."""
        return not self.error


@dataclass(frozen=True)
class Standing:
    """How far the work has come: counts of records, workers' slots, seconds since the start and to go."""

    total: int
    done: int
    failed: int
    kept: int
    running: int
    wall_s: float
    eta_s: float | None


@dataclass
class Spread:
    """All outcomes in the order of the records (None: not reached), and what happened on the way."""

    outcomes: list[Outcome | None]
    events: list[str] = field(default_factory=list)
    stopped: bool = False
    wall_s: float = 0.0

    @property
    def results(self) -> list[Any]:
        """Results in the order of the records; None where there is none."""
        return [outcome.result if outcome is not None else None for outcome in self.outcomes]

    @property
    def failures(self) -> list[Outcome]:
        """Outcomes that have an error."""
        return [outcome for outcome in self.outcomes if outcome is not None and not outcome.ok]


def spread(
    function: Callable[[Any], Any],
    records: Iterable[Any],
    *,
    workers: int | None = None,
    cluster: str | Executor | None = None,
    threads: int | None = None,
    tries: int = 3,
    keep: str | os.PathLike[str] | None = None,
    key: Callable[[Any], str] | None = None,
    on_outcome: Callable[[Outcome], None] | None = None,
    on_progress: Callable[[Standing], None] | None = None,
    on_event: Callable[[str], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    patience_s: float = 600.0,
) -> Spread:
    """Call ``function`` on every record and say what became of each.

    Parameters
    ----------
    function : importable by name, in the workers and on a cluster in the scheduler too; takes a record,
        gives back something picklable.
    records : picklable each.
    workers : processes on this machine; as many as there are cores if None. 1 is one process beside this one.
    cluster : instead, the address of a running dask.distributed scheduler, or any executor of
        ``concurrent.futures`` (a distributed client's ``get_executor()`` is one).
    threads : threads of the compiled kernels in each process; cores over workers if None, 1 on a cluster.
    tries : how often a record is sent whose worker dies under it.
    keep : folder in which each result is kept as JSON, so that a later call with the same records does not
        work it again. Results must then be plain values (dictionaries, lists, numbers, text).
    key : name of a record on that shelf; if None, a hash of the function's name and the record as JSON.
    on_outcome, on_progress, on_event : called here, in this process, in the order things happen;
        ``on_progress`` at least every fifth of a second.
    should_stop : once it says True nothing more is sent; what is being worked is finished and kept.
    patience_s : how long a lost scheduler is waited for.

    A failed record is not kept, and a later call works it again. On ``KeyboardInterrupt`` the processes are
    ended at once; what was kept stays.

    Raises
    ------
    SweepError : no scheduler; workers that die before any record is done; a result that cannot be kept.
    HaltError : raised by the function; what is being worked is finished first, and every result kept.
    """
    return _Spreading(
        function, list(records), tries, keep, key, on_outcome, on_progress, on_event, should_stop
    ).run(workers, cluster, threads, patience_s)


class _Spreading:
    """One call of :func:`spread`."""

    def __init__(
        self,
        function: Callable[[Any], Any],
        records: Sequence[Any],
        tries: int,
        keep: str | os.PathLike[str] | None,
        key: Callable[[Any], str] | None,
        on_outcome: Callable[[Outcome], None] | None,
        on_progress: Callable[[Standing], None] | None,
        on_event: Callable[[str], None] | None,
        should_stop: Callable[[], bool] | None,
    ) -> None:
        self._function, self._records, self._tries = function, records, max(1, tries)
        self._shelf = Shelf(Path(keep)) if keep is not None else None
        self._key = key if key is not None else Shelf.key_for(function)
        self._on_outcome, self._on_progress = on_outcome, on_progress
        self._on_event, self._should_stop = on_event, should_stop
        self._began = time.monotonic()
        self._spread = Spread([None] * len(records))
        self._waiting: deque[tuple[int, int]] = deque()  # index, times sent before
        self._flying: dict[Future[Answer], tuple[Lane, int, int]] = {}
        self._load: dict[int, int] = {}  # lane -> records it holds
        self._counts = {"done": 0, "failed": 0, "kept": 0}
        self._early_deaths = 0
        self._halt: HaltError | None = None

    def run(
        self, workers: int | None, cluster: str | Executor | None, threads: int | None, patience_s: float
    ) -> Spread:
        self._take_kept()
        if self._waiting:
            if cluster is None:
                workers = min(workers if workers is not None else cores(), len(self._waiting))
            lanes, each = lanes_for(workers, threads, cluster, self._tell, patience_s, self._should_stop)
            opened: list[Lane] = []
            at_once = True
            try:
                for lane in lanes:
                    lane.open()
                    opened.append(lane)
                self._loop(lanes, each)
                at_once = False
            finally:
                for lane in opened:
                    lane.close(at_once=at_once)
        self._spread.wall_s = time.monotonic() - self._began
        self._progress()
        if self._halt is not None:
            raise self._halt
        return self._spread

    def _take_kept(self) -> None:
        for index, record in enumerate(self._records):
            found = self._shelf.get(self._key(record)) if self._shelf is not None else None
            if found is None:
                self._waiting.append((index, 0))
                continue
            self._counts["kept"] += 1
            self._put(Outcome(index, found.value, kept=True, tries=0))
        if self._shelf is not None:
            for words in self._shelf.damaged:
                self._tell(words)

    def _loop(self, lanes: list[Lane], threads: int | None) -> None:
        watched = time.monotonic()
        while self._waiting or self._flying:
            if self._should_stop is not None and not self._spread.stopped and self._should_stop():
                self._spread.stopped = bool(self._waiting)
            if not self._spread.stopped and self._halt is None:
                self._send(lanes, threads)
            if not self._flying:
                break
            landed, _ = wait(self._flying, timeout=_TICK_S, return_when=FIRST_COMPLETED)
            for future in landed:
                self._land(future)
            if time.monotonic() - watched > _WATCH_S:
                watched = time.monotonic()
                for lane in lanes:
                    lane.watch()
            self._progress()
        for lane in lanes:
            lane.watch()  # a worker lost after the last look, or in work shorter than the time between looks

    def _send(self, lanes: list[Lane], threads: int | None) -> None:
        for lane in lanes:
            while self._waiting and self._load.get(id(lane), 0) < lane.capacity:
                index, sent = self._waiting.popleft()
                try:
                    future = lane.executor.submit(work, self._function, self._records[index], threads)
                except (BrokenExecutor, RuntimeError, OSError) as error:
                    self._waiting.appendleft((index, sent))
                    self._count_early_death(error)
                    lane.open()
                    return
                self._flying[future] = (lane, index, sent + 1)
                self._load[id(lane)] = self._load.get(id(lane), 0) + 1

    def _land(self, future: Future[Answer]) -> None:
        if future not in self._flying:
            return  # taken back together with its lane
        lane, index, sent = self._flying.pop(future)
        self._load[id(lane)] -= 1
        try:
            answer = future.result()
        except CancelledError:
            self._lane_lost(lane, index, sent - 1)  # the scheduler's loss is not the record's fault
        except BrokenExecutor as error:
            self._died(index, sent, error)
            lane.open()
        except Exception as error:
            if type(error).__name__ == "KilledWorker":  # the cluster has tried it often enough itself
                self._put(Outcome(index, error=self._death_words(0), kind="KilledWorker", tries=sent))
            else:
                self._put(Outcome(index, error=str(error), kind=type(error).__name__, tries=sent))
        else:
            self._early_deaths = -1
            if answer.halt:
                self._halt = self._halt or HaltError(answer.error)
            self._put(
                Outcome(
                    index,
                    answer.result,
                    answer.error,
                    answer.kind,
                    answer.trace,
                    sent,
                    wall_s=answer.wall_s,
                    cpu_s=answer.cpu_s,
                    worker=answer.worker,
                )
            )

    def _lane_lost(self, lane: Lane, index: int, sent: int) -> None:
        """Take back everything that the lost lane held, then open it again."""
        self._waiting.appendleft((index, sent))
        for future, (held_by, other, times) in list(self._flying.items()):
            if held_by is lane and not (future.done() and not future.cancelled()):
                del self._flying[future]
                self._load[id(lane)] -= 1
                self._waiting.appendleft((other, times - 1))
        lane.open()

    def _died(self, index: int, sent: int, error: BaseException) -> None:
        self._count_early_death(error)
        if sent >= self._tries:
            self._put(Outcome(index, error=self._death_words(sent), kind="WorkerDied", tries=sent))
            self._tell(f"record {index}: {self._death_words(sent)}")
            return
        self._tell(f"a worker died while it worked record {index}; the record is sent again")
        self._waiting.append((index, sent))

    def _count_early_death(self, error: BaseException) -> None:
        if self._early_deaths < 0:
            return
        self._early_deaths += 1
        if self._early_deaths > 2 * self._tries:
            raise SweepError(
                "Workers die before any record is done.",
                got=str(error),
                wanted='a script whose work stands under  if __name__ == "__main__":',
                do="call the function on one record in this process, to see what it does",
            )

    @staticmethod
    def _death_words(sent: int) -> str:
        often = f"{sent} times " if sent > 1 else ""
        return f"its worker died {often}while working it (killed, or out of memory)"

    def _put(self, outcome: Outcome) -> None:
        self._spread.outcomes[outcome.index] = outcome
        if not outcome.kept:
            self._counts["done" if outcome.ok else "failed"] += 1
            if outcome.ok and self._shelf is not None:
                self._shelf.put(self._key(self._records[outcome.index]), outcome.result)
        if self._on_outcome is not None:
            self._on_outcome(outcome)

    def _tell(self, words: str) -> None:
        self._spread.events.append(words)
        if self._on_event is not None:
            self._on_event(words)

    def _progress(self) -> None:
        if self._on_progress is None:
            return
        wall = time.monotonic() - self._began
        finished = self._counts["done"] + self._counts["failed"]
        left = len(self._records) - finished - self._counts["kept"]
        eta = wall / finished * left if finished else None
        self._on_progress(
            Standing(
                len(self._records),
                self._counts["done"] + self._counts["kept"],
                self._counts["failed"],
                self._counts["kept"],
                len(self._flying),
                wall,
                0.0 if left == 0 else eta,
            )
        )
