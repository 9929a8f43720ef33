"""What happens inside a worker: threads, signals, one record at a time, and errors sent home as words.

Kept free of numpy and numba, so that a spawned process can be told its threads before either is imported.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from icewright.ground.errors import IcewrightError

# Compiled kernels own their process's threads, and one threading layer must not be entered twice at once.
_ONE_AT_A_TIME = threading.Lock()
_LIBRARIES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class HaltError(IcewrightError):
    """Raised by a worker's function where going on makes no sense, such as a full disk: the rest waits."""


@dataclass(frozen=True)
class Answer:
    """What a worker sends home: a result, or an error in words with its kind and trace."""

    result: Any
    error: str
    kind: str
    trace: str
    halt: bool
    wall_s: float
    cpu_s: float
    worker: str


def begin(threads: int | None) -> None:
    """Set up a spawned process: its threads, deaf to Ctrl-C, gone when its parent is gone."""
    if threads is not None and "numba" not in sys.modules:
        for name in (*_LIBRARIES, "NUMBA_NUM_THREADS"):
            os.environ[name] = str(threads)
    # The terminal sends Ctrl-C to every process; the parent alone decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    # A parent that was killed cannot say goodbye, and its workers would wait for work for ever.
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def use_threads(threads: int | None) -> None:
    """Give compiled kernels that many threads, or as many as there are; None leaves them as they are."""
    if threads is None:
        return
    if "numba" not in sys.modules:
        os.environ.setdefault("NUMBA_NUM_THREADS", str(threads))
        return
    import numba

    numba.set_num_threads(min(threads, int(numba.config.NUMBA_NUM_THREADS)))  # type: ignore[attr-defined]


def work(function: Callable[[Any], Any], record: Any, threads: int | None) -> Answer:
    """Call ``function(record)`` and never raise: what goes wrong comes home in the answer."""
    with _ONE_AT_A_TIME:
        use_threads(threads)
        began, cpu = time.perf_counter(), time.process_time()
        result, error, kind, trace, halt = None, "", "", "", False
        try:
            result = function(record)
        except Exception as fault:
            error = str(fault) or type(fault).__name__
            kind, halt = type(fault).__name__, isinstance(fault, HaltError)
            trace = "" if isinstance(fault, IcewrightError) else traceback.format_exc(limit=-6)
        who = f"{socket.gethostname()}:{os.getpid()}"
        return Answer(
            result, error, kind, trace, halt, time.perf_counter() - began, time.process_time() - cpu, who
        )
