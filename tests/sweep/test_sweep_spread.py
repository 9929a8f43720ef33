"""The executor: every record once, failures in words, dead workers, stops, kept results."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
import sweep_chores as chores

from icewright.ground.errors import IcewrightError
from icewright.sweep.executor import spread
from icewright.sweep.lanes import SweepError, cores
from icewright.sweep.workers import HaltError


def calls(folder) -> list[int]:
    path = folder / "calls"
    return sorted(int(word) for word in path.read_text().split()) if path.exists() else []


def records(n: int, folder, **more):
    return [{"x": i, "folder": str(folder), **more} for i in range(n)]


def test_results_come_in_the_order_of_the_records(tmp_path) -> None:
    told = []
    done = spread(chores.square, records(12, tmp_path), workers=2, on_progress=told.append)
    assert done.results == [{"square": i * i} for i in range(12)]
    assert not done.failures
    assert not done.stopped
    assert (told[-1].done, told[-1].failed, told[-1].total, told[-1].eta_s) == (12, 0, 12, 0.0)
    assert len({outcome.worker for outcome in done.outcomes}) <= 2


def test_a_failure_is_words_and_the_rest_goes_on(tmp_path) -> None:
    done = spread(chores.refuses_odd, records(5, tmp_path), workers=1)
    assert done.results == [0, None, 2, None, 4]
    assert [failure.index for failure in done.failures] == [1, 3]
    assert done.failures[0].error == "odd\ngot: 1; wanted: even"
    assert done.failures[0].trace == ""  # refused on purpose; a fault of the program has a trace


def test_a_worker_that_dies_is_replaced_and_no_record_is_lost_or_doubled(tmp_path) -> None:
    done = spread(chores.dies_once, records(8, tmp_path), workers=2)
    assert done.results == [{"square": i * i} for i in range(8)]
    assert calls(tmp_path) == list(range(8))
    assert [outcome.tries for outcome in done.outcomes] == [1, 1, 1, 2, 1, 1, 1, 1]
    assert done.events == ["a worker died while it worked record 3; the record is sent again"]


def test_a_record_that_kills_its_worker_each_time_fails_alone(tmp_path) -> None:
    done = spread(chores.dies_always, records(6, tmp_path), workers=2, tries=2)
    assert [failure.index for failure in done.failures] == [3]
    assert "died 2 times" in done.failures[0].error
    assert calls(tmp_path) == [0, 1, 2, 4, 5]


def test_kept_results_are_not_worked_again_and_a_changed_byte_is_seen(tmp_path) -> None:
    shelf = tmp_path / "kept"
    spread(chores.count_calls, records(4, tmp_path), workers=1, keep=shelf)
    again = spread(chores.count_calls, records(6, tmp_path), workers=1, keep=shelf)
    assert calls(tmp_path) == list(range(6))
    assert [outcome.kept for outcome in again.outcomes] == [True] * 4 + [False] * 2
    victim = sorted(shelf.iterdir())[0]
    victim.write_text(victim.read_text().replace('"square": ', '"square": 7'))
    third = spread(chores.count_calls, records(6, tmp_path), workers=1, keep=shelf)
    assert third.results == [{"square": i * i} for i in range(6)]
    assert len(calls(tmp_path)) == 7
    assert any(victim.name in words for words in third.events)


def test_halt_stops_sending_but_keeps_what_is_done(tmp_path) -> None:
    with pytest.raises(HaltError, match="disk is full"):
        spread(chores.full_disk, records(20, tmp_path), workers=1, keep=tmp_path / "kept")
    assert calls(tmp_path) == [0, 1]
    assert len(list((tmp_path / "kept").iterdir())) == 2


def test_a_stop_lets_the_running_record_end(tmp_path) -> None:
    seen = []
    done = spread(
        chores.slow,
        records(20, tmp_path, nap_s=0.2),
        workers=1,
        on_outcome=seen.append,
        should_stop=lambda: len(seen) >= 2,
    )
    assert done.stopped
    assert len(calls(tmp_path)) == sum(outcome is not None for outcome in done.outcomes) <= 4


def test_threads_of_each_worker_are_cores_over_workers(tmp_path, monkeypatch) -> None:
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    done = spread(chores.threads, records(2, tmp_path), workers=2)
    assert done.results[0]["threads"] == max(1, cores() // 2)


def test_any_executor_of_the_standard_interface_will_do(tmp_path) -> None:
    with ThreadPoolExecutor(3) as pool:
        done = spread(chores.square, records(7, tmp_path), cluster=pool, workers=3)
    assert done.results == [{"square": i * i} for i in range(7)]


def test_nonsense_is_refused(tmp_path) -> None:
    with pytest.raises(SweepError, match="at least 1"):
        spread(chores.square, records(1, tmp_path), workers=0)
    with pytest.raises(IcewrightError, match="cannot be reached"):
        spread(chores.square, records(1, tmp_path), cluster="tcp://127.0.0.1:9")
