"""The engine's process keeps to the number of meshes a second that is asked for, however long its steps."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from icewright.bench import worker


class _Link:
    def __init__(self) -> None:
        self.frames = 0

    def send(self, what) -> None:
        self.frames += what[0] == "frame"


@pytest.mark.parametrize("step_s", [0.003, 0.03, 0.09])
@pytest.mark.parametrize("most_per_s", [4.0, 8.0, 10.0])
def test_as_many_meshes_as_asked_for(monkeypatch, step_s, most_per_s) -> None:
    """Closed form: in a long time the count is time times rate, where steps are shorter than its period."""
    now = [100.0]
    monkeypatch.setattr(worker.time, "monotonic", lambda: now[0])
    link = _Link()
    one = worker.Worker(link)
    one.sim = SimpleNamespace(glance=dict)
    one._encode = lambda reading, **_: b"mesh"
    one.most_per_s, one._state_due = most_per_s, False
    one._last["frame"] = now[0]
    for _ in range(round(60 / step_s)):
        now[0] += step_s
        one._dirty, one.room = True, True
        one._tell_due()
    assert link.frames == pytest.approx(60 * most_per_s, rel=0.02)


def test_after_a_long_wait_meshes_do_not_come_in_a_rush(monkeypatch) -> None:
    now = [100.0]
    monkeypatch.setattr(worker.time, "monotonic", lambda: now[0])
    link = _Link()
    one = worker.Worker(link)
    one.sim = SimpleNamespace(glance=dict)
    one._encode = lambda reading, **_: b"mesh"
    one.most_per_s, one._state_due = 10.0, False
    one._last["frame"] = now[0]
    now[0] += 30.0  # the page took none for half a minute
    for _ in range(100):
        now[0] += 0.01
        one._dirty, one.room = True, True
        one._tell_due()
    assert link.frames <= 12
