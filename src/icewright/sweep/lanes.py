"""Where work is done: each lane is an executor of the standard interface that can be opened again when lost.

Local work has one lane a worker, each a pool of one spawned process, so that a process that dies is known to
have died of the one record it held, and no other record is lost with it. A cluster is one wide lane.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures import TimeoutError as LateError
from typing import Any

from icewright.ground.errors import IcewrightError
from icewright.sweep.workers import begin

Tell = Callable[[str], None]


class SweepError(IcewrightError):
    """Work that cannot be spread: no such scheduler, workers that cannot start, a sweep that cannot be."""


def cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Lane:
    """One executor and how many records it may hold at once. ``fair`` lanes hold one record a process."""

    fair = True
    capacity = 1
    executor: Executor

    def open(self) -> None:
        """Start, or start again after a loss."""
        raise NotImplementedError

    def close(self, *, at_once: bool = False) -> None:
        """Let go of the executor; ``at_once`` does not wait for what it is doing."""
        raise NotImplementedError

    def watch(self) -> None:
        """Look whether workers came or went; called about every two seconds."""


class LocalLane(Lane):
    """A pool of one spawned process."""

    def __init__(self, threads: int) -> None:
        self._threads = threads

    def open(self) -> None:
        """Start a process; a broken pool is left behind."""
        import multiprocessing

        # Spawned, never forked: a fork copies locks that threads of the kernels hold.
        spawn = multiprocessing.get_context("spawn")
        self.executor = ProcessPoolExecutor(1, mp_context=spawn, initializer=begin, initargs=(self._threads,))

    def close(self, *, at_once: bool = False) -> None:
        """End the process, in the middle of its record if ``at_once``."""
        processes = list((getattr(self.executor, "_processes", None) or {}).values()) if at_once else []
        self.executor.shutdown(wait=not at_once, cancel_futures=True)
        for process in processes:
            process.terminate()


class GivenLane(Lane):
    """Somebody else's executor; it is neither opened nor closed here."""

    fair = False

    def __init__(self, executor: Executor, capacity: int) -> None:
        self.executor, self.capacity = executor, capacity
        self._opened = False

    def open(self) -> None:
        """Nothing to open. Raises ``SweepError`` the second time: a broken one stays broken."""
        if self._opened:
            raise SweepError(
                "The executor that was given is broken; what was finished is kept.",
                got=type(self.executor).__name__,
                do="a new executor, or workers=2",
            )
        self._opened = True

    def close(self, *, at_once: bool = False) -> None:
        """Nothing to close."""


class ClusterLane(Lane):
    """A running dask.distributed scheduler, reached through its executor interface."""

    fair = False

    def __init__(self, address: str, tell: Tell, patience_s: float, stop: Callable[[], bool] | None) -> None:
        self.address, self._tell, self._patience, self._stop = address, tell, patience_s, stop
        self._client: Any = None
        self._met: dict[str, int] | None = None
        self._empty = False

    def open(self) -> None:
        """Connect; after a loss, wait for the scheduler to come back.

        Raises ``SweepError`` if the distributed engine is not installed, if there is no scheduler at the
        address at first, or if a lost one stays away for longer than the patience.
        """
        try:
            from distributed import Client
        except ImportError as error:
            raise SweepError(
                "A cluster needs the distributed engine, which is not installed.",
                got=str(error),
                do="pip install 'icewright[cluster]'",
            ) from error
        lost = self._client is not None
        began = time.monotonic()
        if lost:
            self._drop()
            self._tell(
                f"the scheduler at {self.address} is lost; waiting for it up to {self._patience:.0f} s"
            )
        while True:
            try:
                self._client = Client(  # type: ignore[no-untyped-call]
                    self.address, timeout=5, set_as_default=False, name="icewright-sweep"
                )
                break
            except (OSError, LateError, ValueError) as error:
                waited = time.monotonic() - began
                if not lost or waited > self._patience or (self._stop is not None and self._stop()):
                    where = "is lost" if lost else "cannot be reached"
                    raise SweepError(
                        f"The scheduler at {self.address} {where}; what was finished is kept.",
                        got=str(error).splitlines()[0] if str(error) else type(error).__name__,
                        wanted="the address that its own window prints, such as tcp://127.0.0.1:8786",
                        do="dask scheduler    (and on each machine: dask worker ADDRESS --nthreads 1)",
                    ) from error
                time.sleep(1.0)
        # Impure, because a record that is sent again must be worked again and not answered from a memory.
        self.executor = self._client.get_executor(pure=False)
        if lost:
            self._tell(f"the scheduler is found again after {time.monotonic() - began:.0f} s")
        self._met, self.capacity = None, 2
        self.watch()

    def watch(self) -> None:
        """Count workers; hold about twice as many records as they have threads."""
        try:
            info = self._client.sync(self._client.scheduler.identity, n_workers=-1, callback_timeout=3)
        except Exception:  # a lost scheduler shows itself by its cancelled records, and is waited for there
            return
        now = {name: int(worker["nthreads"]) for name, worker in info.get("workers", {}).items()}
        if self._met is not None:
            for name in self._met.keys() - now.keys():
                self._tell(f"worker {name} is gone; what it held goes to another")
            for name in now.keys() - self._met.keys():
                self._tell(f"worker {name} has come")
        elif now and max(now.values()) > 1:
            self._tell(
                "a worker has several threads, but records in one process are worked one at a time; start "
                "workers with --nthreads 1 and more --nworkers"
            )
        if not now and not self._empty:
            self._tell(f"no worker at {self.address} yet; waiting (dask worker {self.address} --nthreads 1)")
        self._empty = not now
        self._met = now
        self.capacity = max(2, 2 * sum(now.values()))

    def close(self, *, at_once: bool = False) -> None:
        """Leave the scheduler; records still held are cancelled."""
        if self._client is not None:
            with contextlib.suppress(Exception):
                self.executor.shutdown(wait=False)
            self._drop()

    def _drop(self) -> None:
        with contextlib.suppress(Exception):
            self._client.close(timeout=2)


def lanes_for(
    workers: int | None,
    threads: int | None,
    cluster: str | Executor | None,
    tell: Tell,
    patience_s: float,
    stop: Callable[[], bool] | None,
) -> tuple[list[Lane], int | None]:
    """The lanes to use, and how many threads each record's kernels get.

    Raises ``SweepError`` for numbers that cannot be.
    """
    if workers is not None and workers < 1:
        raise SweepError(got=f"{workers} workers", wanted="at least 1", do="--workers 2")
    if threads is not None and threads < 1:
        raise SweepError(got=f"{threads} threads", wanted="at least 1", do="--threads 1")
    if isinstance(cluster, str):
        return [ClusterLane(cluster, tell, patience_s, stop)], threads or 1
    if cluster is not None:
        return [GivenLane(cluster, workers or cores())], threads
    many = workers or cores()
    each = threads or max(1, cores() // many)
    return [LocalLane(each) for _ in range(many)], each
