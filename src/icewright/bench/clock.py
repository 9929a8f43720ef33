"""A recipe beside the microscope: the clock on the wall, what to do next, and when.

The prediction knows when each step begins (`starts`, in model seconds). The clock runs with the wall; a step
that waits for a key holds it; "the real one is at 180 um now" shifts it along the prediction. Pure arithmetic
on times that are handed in, so that a test can be its own wall clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from icewright.bench import shapes
from icewright.bench.live import WAIT, is_open
from icewright.recipe.step import Step

Rows = Sequence[Mapping[str, float]]
NOW_S = 8.0  # so long a cue that has fallen due stays in sight, or half its step if that is shorter


@dataclass
class ClockRun:
    """The clock of a session; `now` is any steadily growing number of seconds."""

    now: Callable[[], float]
    began: float | None = None
    held_since: float | None = None
    paused_s: float = 0.0
    offset_s: float = 0.0
    step: int = 0
    keyed: set[int] = field(default_factory=set)
    rung: set[int] = field(default_factory=set)

    def start(self) -> None:
        """From the seed, now."""
        self.began, self.held_since, self.paused_s, self.offset_s = self.now(), None, 0.0, 0.0
        self.step, self.keyed, self.rung = 0, set(), set()

    def stop(self) -> None:
        """No clock."""
        self.began = self.held_since = None

    def hold(self, held: bool) -> None:
        """Stop the hands, or let them go."""
        if self.began is None:
            return
        if held and self.held_since is None:
            self.held_since = self.now()
        elif not held and self.held_since is not None:
            self.paused_s += self.now() - self.held_since
            self.held_since = None

    def elapsed_s(self) -> float:
        """Wall seconds since the start."""
        return 0.0 if self.began is None else self.now() - self.began

    def model_s(self) -> float:
        """Where the real crystal should be by the prediction."""
        if self.began is None:
            return 0.0
        until = self.held_since if self.held_since is not None else self.now()
        return max(0.0, until - self.began - self.paused_s + self.offset_s)

    def shift_to(self, model_s: float) -> float:
        """The real crystal is where the prediction was at `model_s`; answers by how much it moved."""
        moved = model_s - self.model_s()
        self.offset_s += moved
        self.rung = {i for i in self.rung if i <= self.step}
        return moved

    def key(self) -> None:
        """The key that a step waits for: the hands go on at the step's predicted beginning."""
        self.keyed.add(self.step + 1)

    def look(
        self, steps: Sequence[Step], starts: Sequence[float], rows: Rows, said: Sequence[str] = (), *,
        ring: bool = False,
    ) -> shapes.Clock:  # fmt: skip
        """The clock and the next cue by the steps and when they were predicted to begin.

        A cue that has just fallen due is the one that is shown for a few seconds: it is what to do now.

        Args:
            steps, starts, rows: of the prediction.
            said: what to do at the beginning of each step; without it, what its air says.
            ring: say in `sound` that a cue has fallen due, and never again for that one. For what all who
                look are told; an answer to one alone must not use it up.
        """
        if self.began is None:
            return shapes.Clock(running=False, held=False, elapsed_s=0, model_s=0, step=0, steps=len(steps),
                                cue=None, offset_s=0, done=False)  # fmt: skip
        at = self._catch_up(steps, starts)
        nxt = self.step + 1
        shown = self.step if self._is_due(steps, starts, at) else nxt
        cue = None
        if shown < len(steps):
            cue = self._cue(shown, steps, starts, rows, at, said)
        if cue is not None and cue.in_s == 0.0 and ring and shown not in self.rung:
            self.rung.add(shown)
            cue = cue.model_copy(update={"sound": True})
        last = steps[-1]
        done = nxt >= len(steps) and not is_open(last) and self._ended(starts, steps, rows, at)
        return shapes.Clock(
            running=True, held=self.held_since is not None, elapsed_s=self.elapsed_s(), model_s=at,
            step=min(self.step, len(steps) - 1), steps=len(steps), cue=cue, offset_s=self.offset_s, done=done,
        )  # fmt: skip

    def _catch_up(self, steps: Sequence[Step], starts: Sequence[float]) -> float:
        """Pass the steps whose time has come; stand still before one that waits for its key."""
        at = self.model_s()
        while self.step + 1 < min(len(steps), len(starts)) and at >= starts[self.step + 1]:
            nxt = self.step + 1
            if steps[nxt].note.startswith(WAIT) and nxt not in self.keyed:
                # The hands stand at the cue: what the wall goes on is taken off again.
                self.offset_s -= at - starts[nxt]
                return starts[nxt]
            self.step = nxt
        while self.step > 0 and self.step < len(starts) and at < starts[self.step] - 1e-6:
            self.rung.discard(self.step)  # it will fall due again
            self.step -= 1
        return at

    def _is_due(self, steps: Sequence[Step], starts: Sequence[float], at: float) -> bool:
        """Whether the step that is on began just now; one that waited for its key has been done already."""
        if not 0 < self.step < len(starts) or self.step in self.keyed:
            return False
        length = steps[self.step].endings.time_s or math.inf
        if self.step + 1 < len(starts):
            length = min(length, starts[self.step + 1] - starts[self.step])
        return at - starts[self.step] < min(NOW_S, length / 2)

    def _ended(self, starts: Sequence[float], steps: Sequence[Step], rows: Rows, at: float) -> bool:
        length = steps[-1].endings.time_s
        if length is not None and len(starts) == len(steps) and at >= starts[-1] + length:
            return True
        return bool(rows) and len(starts) == len(steps) and at >= rows[-1]["time_s"] > starts[-1]

    def _cue(
        self, nxt: int, steps: Sequence[Step], starts: Sequence[float], rows: Rows, at: float,
        said: Sequence[str],
    ) -> shapes.Cue:  # fmt: skip
        before = nxt - 1
        ends, step = steps[before].endings, steps[nxt]
        when = starts[nxt] if nxt < len(starts) else None
        if when is None and ends.time_s is not None and before < len(starts):
            when = starts[before] + ends.time_s
        left = None if when is None else max(0.0, when - at)
        size = at_time(rows, when, "radius_tip_m") if when is not None else None
        at_um = ends.radius_m * 1e6 if ends.radius_m is not None else (size * 1e6 if size else None)
        thick = ends.thickness_m * 1e6 if ends.thickness_m is not None else None
        waits = step.note.startswith(WAIT) and nxt not in self.keyed
        waiting = waits and left == 0.0
        first = "thickness" if thick is not None and ends.radius_m is None else "radius"
        place = thick if first == "thickness" else at_um
        parts = [f"at {place:.0f} um {first}"] if place is not None else []
        if left is not None:
            parts.append(f"in {clock_words(left)}" if left > 0 else "now")
        to_do = said[nxt] if nxt < len(said) else doing(steps[before], step)
        words = (", or ".join(parts) or "when you see it") + f": {to_do}"
        if left == 0.0:
            words = f"now: {to_do}" + (", then press the key" if waiting else "")
        sigma = step.sigma_at(0.0)
        t_k = step.temperature_k[0]
        return shapes.Cue(step=nxt, words=words, at_um=at_um, at_thickness_um=thick, in_s=left,
                          waiting=waiting, sound=False, air=_air(t_k, sigma))  # fmt: skip


def _air(t_k: float, sigma: float) -> dict[str, float]:
    from icewright.vapour.supersaturation import relative_humidity

    return {
        "temperature_c": t_k - 273.15,
        "sigma_percent": sigma * 100,
        "water_fraction": float(relative_humidity(t_k, sigma)),
    }


def clock_words(seconds: float) -> str:
    """`6 min 30 s`."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    parts = [(hours, "h"), (minutes, "min"), (secs, "s")]
    shown = [f"{n} {unit}" for n, unit in parts if n]
    return " ".join(shown) or "0 s"


def doing(old: Step, new: Step) -> str:
    """What to do at the beginning of a step, as one would say it across the room."""
    said = []
    was, start, end = old.temperature_k[1] - 273.15, *(t - 273.15 for t in new.temperature_k)
    ramp = new.endings.time_s if new.ramps else None
    over = f" over {clock_words(ramp)}" if ramp else ""
    if abs(end - was) > 1e-3 or abs(start - was) > 1e-3:
        said.append(f"{'cool' if end < was else 'warm'} to {end:.4g} degC")
    old_s = 100 * old.sigma_at(old.endings.time_s or 0.0)
    new_s = 100 * new.sigma_at(new.endings.time_s if new.ramps and new.endings.time_s else 0.0)
    if abs(new_s - old_s) > 0.01:
        said.append(f"{'moisten' if new_s > old_s else 'dry'} to {new_s:.3g} % over ice")
    note = new.note.removeprefix(WAIT).strip()
    text = ", ".join(said) + over if said else "hold this air"
    return f"{text} ({note})" if note else text


def at_time(rows: Rows, time_s: float, key: str) -> float | None:
    """A quantity of the prediction at a time, linear between rows; None outside them."""
    for a, b in pairwise(rows):
        if a["time_s"] <= time_s <= b["time_s"]:
            span = b["time_s"] - a["time_s"]
            f = (time_s - a["time_s"]) / span if span > 0 else 0.0
            return a[key] + f * (b[key] - a[key])
    return None


def when_size(
    rows: Rows, radius_m: float, thickness_m: float | None = None
) -> tuple[float, dict[str, Any]] | None:
    """When the prediction had that radius, and what thickness it had then; None if it never had."""
    for a, b in pairwise(rows):
        if a["radius_tip_m"] <= radius_m <= b["radius_tip_m"]:
            span = b["radius_tip_m"] - a["radius_tip_m"]
            f = (radius_m - a["radius_tip_m"]) / span if span > 0 else 0.0
            thick = a["thickness_m"] + f * (b["thickness_m"] - a["thickness_m"])
            off = None if thickness_m is None else thick / thickness_m - 1
            return a["time_s"] + f * (b["time_s"] - a["time_s"]), {"thickness_m": thick, "off": off}
    return None
