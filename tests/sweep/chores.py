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
