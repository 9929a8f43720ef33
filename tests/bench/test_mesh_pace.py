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


@pytest.fixture
def grown(monkeypatch):
    """Let time pass in steps, with something new to show after each; gives the number of meshes sent."""
    now = [100.0]
    monkeypatch.setattr(worker.time, "monotonic", lambda: now[0])
    link = _Link()
    one = worker.Worker(link)
    one.sim = SimpleNamespace(glance=dict)
    one._encode = lambda reading, **_: b"mesh"
    one._state_due = False
    one._last["frame"] = now[0]

    def run(most_per_s: float, step_s: float, steps: int, wait_s: float = 0.0) -> int:
        one.most_per_s = most_per_s
        now[0] += wait_s
        for _ in range(steps):
            now[0] += step_s
            one._dirty, one.room = True, True
            one._tell_due()
        return link.frames

    return run


@pytest.mark.parametrize("step_s", [0.003, 0.03, 0.09])
@pytest.mark.parametrize("most_per_s", [4.0, 8.0, 10.0])
def test_as_many_meshes_as_asked_for(grown, step_s, most_per_s) -> None:
    """Closed form: in a long time the count is time times rate, where steps are shorter than its period."""
    assert grown(most_per_s, step_s, round(60 / step_s)) == pytest.approx(60 * most_per_s, rel=0.02)


def test_after_a_long_wait_meshes_do_not_come_in_a_rush(grown) -> None:
    """The page took none for half a minute; in the second after it come no more than two beyond the rate."""
    assert grown(10.0, 0.01, 100, wait_s=30.0) <= 12
