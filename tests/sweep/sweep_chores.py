"""Small functions for workers: importable by name, no physics."""

import os
import signal
import time
from pathlib import Path

from icewright.ground.errors import IcewrightError
from icewright.sweep.workers import HaltError


def square(record):
    return {"square": record["x"] ** 2}


def count_calls(record):
    with (Path(record["folder"]) / "calls").open("a") as out:
        out.write(f"{record['x']}\n")
    return {"square": record["x"] ** 2}


def refuses_odd(record):
    if record["x"] % 2:
        raise IcewrightError("odd", got=str(record["x"]), wanted="even")
    return record["x"]


def dies_once(record):
    """Kills its own process the first time that record 3 is worked."""
    flag = Path(record["folder"]) / "died"
    if record["x"] == 3 and not flag.exists():
        flag.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return count_calls(record)


def dies_always(record):
    if record["x"] == 3:
        os._exit(9)
    return count_calls(record)


def full_disk(record):
    if record["x"] == 2:
        raise HaltError("the disk is full")
    return count_calls(record)


def slow(record):
    time.sleep(record.get("nap_s", 0.5))
    return count_calls(record)


def threads(record):
    import numba

    return {"threads": numba.get_num_threads(), "numba": os.environ.get("NUMBA_NUM_THREADS")}


def log_cell(task):
    """An ordinary cell that also leaves a line in a log, so that a finished cell grown again is seen."""
    from icewright.sweep import cells

    grown = []
    inner = cells._grow
    cells._grow = lambda *words: grown.append(True) or inner(*words)
    try:
        record = cells.grow_cell(task)
    finally:
        cells._grow = inner
    if grown:
        _log(task)
    return record


def _log(task):
    with Path(os.environ["SWEEP_LOG"]).open("a") as out:
        out.write(task.name + "\n")


def cell_that_kills_its_worker_once(task):
    from icewright.sweep.store import Store

    flag = Path(os.environ["SWEEP_LOG"]).with_name("killed")
    if "-8-" in task.name and not flag.exists():
        flag.touch()
        Store(task.place).begin(task.name)  # as grow_cell does first: the worker dies in mid-cell
        os.kill(os.getpid(), signal.SIGKILL)
    return log_cell(task)


def cell_on_a_disk_that_fills(task):
    """The disk is full once two cells are written."""
    import errno

    written = Path(task.place).glob("*/cell.json")
    if sum(1 for _ in written) < 2:
        return log_cell(task)
    from icewright.sweep import store

    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    real = store.os.fsync
    store.os.fsync = full
    try:
        return log_cell(task)
    finally:
        store.os.fsync = real


def slow_cell(task):
    time.sleep(0.6)
    return log_cell(task)


def faulty_cell(task):
    if task.values["temperature_c"] == -15 and task.values["sigma_percent"] == 8:
        raise ZeroDivisionError("a fault in the engine")
    return log_cell(task)
