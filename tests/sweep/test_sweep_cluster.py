"""Faults on a real distributed scheduler and worker: nothing finished is lost, nothing is counted twice."""

from __future__ import annotations

import threading
import time

import pytest
import sweep_chores as chores

from icewright.sweep import run
from icewright.sweep.workers import HaltError


def timeless(records):
    return [{k: v for k, v in record.items() if k not in ("wall_s", "cpu_s")} for record in records]


def test_a_worker_killed_in_mid_cell_and_a_full_disk(cluster, small, log, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(run, "grow_cell", chores.cell_on_a_disk_that_fills)
    with pytest.raises(HaltError, match="disk is full"):
        run.run(small, tmp_path / "cells", cluster=cluster.address)
    monkeypatch.setattr(run, "grow_cell", chores.cell_that_kills_its_worker_once)
    grown = run.run(small, tmp_path / "cells", cluster=cluster.address)
    assert (tmp_path / "killed").exists()
    assert (grown.count("done"), grown.kept, grown.count("failed")) == (6, 2, 0)
    assert sorted(log.read_text().split()) == sorted(record["name"] for record in grown.records)
    assert any("is gone" in words for words in grown.events)
    again = run.run(small, tmp_path / "cells", cluster=cluster.address)
    assert (again.kept, again.count("done")) == (6, 6)
    assert any("cut off" in words for words in again.events)  # what the dead worker left half done
    # One code path: the same crystals as from a local process.
    local = run.run(small, tmp_path / "local", workers=1)
    assert timeless(local.records) == timeless(again.records)


def test_a_scheduler_lost_and_found_again(cluster, small, log, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(run, "grow_cell", chores.slow_cell)
    seen = threading.Event()

    def lose_and_find() -> None:
        seen.wait(30)
        cluster.kill("scheduler")
        cluster.kill("worker")
        time.sleep(1.0)
        cluster.start("scheduler")
        cluster.start("worker")

    thread = threading.Thread(target=lose_and_find)
    thread.start()
    try:
        grown = run.run(
            small,
            tmp_path / "cells",
            cluster=cluster.address,
            on_progress=lambda now: seen.set() if now.done >= 1 else None,
            patience_s=60,
        )
    finally:
        seen.set()
        thread.join()
    assert (grown.count("done"), grown.count("failed"), grown.stopped) == (6, 0, False)
    assert any("is lost" in words for words in grown.events)
    assert any("found again" in words for words in grown.events)
    again = run.run(small, tmp_path / "cells", workers=1)
    assert again.kept == 6
