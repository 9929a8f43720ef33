"""Which moments of a run are kept: rows of the series and frames of the crystal.

The choice hangs on the state of the growing crystal alone, never on the clock on the wall: a run that was
stopped and resumed writes the same rows and frames, byte for byte, as one that was not.

Rows: the first and last moment, every change of step, and whenever since the last row the tip radius,
thickness or mass has grown by 1 %, the temperature has moved by 0.1 K or the supersaturation by 0.002.

Frames: the first and last moment, the end of every step, and moments evenly spaced in size (tip radius plus
half the thickness, so that a column's length counts too). How large a crystal gets is not known before, so
the spacing starts small, and doubles, and every other frame goes, when there are more than 4/3 of the
wanted number. A frame that goes is removed from the disk only once neither checkpoint mentions it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from icewright.notebook.files import guard
from icewright.notebook.frames import keep_only, list_frames, write_frame
from icewright.notebook.series import SeriesWriter
from icewright.notebook.store import RunFolder
from icewright.tasks.crystals import record_of
from icewright.tasks.engine import Simulation

GROWTH = 0.01
TEMPERATURE_K = 0.1
SIGMA = 0.002
_GROWING = ("radius_tip_m", "thickness_m", "mass_kg")


class Recorder:
    """Writes a run's rows and frames; what it must remember goes into the checkpoint as :meth:`notes`."""

    def __init__(self, run: RunFolder, frames: int, final_size_m: float | None) -> None:
        self._run = run
        self._wanted = max(frames, 2)
        self._hint = final_size_m
        self._series: SeriesWriter | None = None
        self._last: dict[str, float] = {}
        self._spaced: list[int] = []  # frames kept for their size
        self._fixed: list[int] = []  # frames kept for good: first, ends of steps, last
        self._next = 0
        self._spacing = 0.0
        self._due = 0.0
        self._before: set[int] = set()  # frames that the checkpoint before this one mentions
        self.advances = 0
        self.reading: dict[str, float] = {}
        self.at_step_start: dict[str, float] = {}

    def begin(self, simulation: Simulation) -> None:
        """Open the series and keep the first moment; what an earlier try left behind is cut away.

        Raises ``StoreError``.
        """
        with guard(self._run.series):
            self._run.series.unlink(missing_ok=True)  # no checkpoint counts its rows
        self._series = SeriesWriter(self._run.series)
        keep_only(self._run.frames, set())
        self.reading = self.read(simulation)
        self.at_step_start = dict(self.reading)
        size = _size(self.reading)
        if self._hint is not None and self._hint > size:
            self._spacing = (self._hint - size) / self._wanted
        else:
            self._spacing = 0.1 * size
        self._due = size + self._spacing
        self._row(simulation)
        self._frame(simulation, self._fixed, "the seed")

    def go_on(self, simulation: Simulation, notes: Mapping[str, Any]) -> list[str]:
        """Take up where the checkpoint with these notes was written; says in words what was lost since.

        Raises ``StoreError`` if the series is shorter than it was then.
        """
        self._series = SeriesWriter(self._run.series, int(notes["rows"]))
        self._spaced, self._fixed = list(notes["spaced"]), list(notes["fixed"])
        self._next, self._spacing, self._due = notes["next"], notes["spacing"], notes["due"]
        self._last, self.at_step_start = dict(notes["last"]), dict(notes["at_step_start"])
        self.advances = notes["advances"]
        self.reading = self._glance(simulation)
        there = set(list_frames(self._run.frames))
        lost = sorted(self.kept() - there)
        self._spaced = [index for index in self._spaced if index in there]
        self._fixed = [index for index in self._fixed if index in there]
        self._before = self.kept()
        keep_only(self._run.frames, self.kept())
        return [f"frame {index} is gone from {self._run.frames}" for index in lost]

    def take(self, simulation: Simulation) -> None:
        """Look at the crystal after one advance and keep what is due. Raises ``StoreError``."""
        self.advances += 1
        step_before = self.reading["step"]
        self.reading = self._glance(simulation)
        turned = self.reading["step"] != step_before
        over = simulation.ended is not None
        if turned or over or self._row_is_due():
            self._row(simulation)
        if turned:
            self.at_step_start = dict(self.reading)
        if over or turned:
            self._frame(simulation, self._fixed, "end of a step")
        elif _size(self.reading) >= self._due:
            self._frame(simulation, self._spaced, "growth")
            self._thin()
        while self._due <= _size(self.reading):
            self._due += self._spacing

    def notes(self) -> dict[str, Any]:
        """What :meth:`go_on` needs, as plain data."""
        assert self._series is not None
        return {
            "rows": self._series.rows,
            "spaced": self._spaced,
            "fixed": self._fixed,
            "next": self._next,
            "spacing": self._spacing,
            "due": self._due,
            "last": self._last,
            "at_step_start": self.at_step_start,
            "advances": self.advances,
        }

    def kept(self) -> set[int]:
        """The numbers of the frames that the run holds."""
        return {*self._spaced, *self._fixed}

    def before_checkpoint(self) -> None:
        """Push the rows to the disk, so that no checkpoint promises rows that a power cut could take."""
        assert self._series is not None
        self._series.sync()

    def after_checkpoint(self) -> None:
        """Remove the frames that neither of the last two checkpoints mentions."""
        keep_only(self._run.frames, self.kept() | self._before)
        self._before = self.kept()

    def finish(self) -> None:
        """Close the series and leave only the frames that are kept. Raises ``StoreError``."""
        keep_only(self._run.frames, self.kept())
        self.close()

    def close(self) -> None:
        """Close the series."""
        if self._series is not None:
            self._series.close()

    def read(self, simulation: Simulation) -> dict[str, float]:
        """The full reading of the crystal now, with the recipe's step and the cells."""
        reading = {key: _number(value) for key, value in simulation.reading().items()}
        return reading | {"step": int(simulation.step_index), "cells": int(reading.get("cells", 0))}

    def _glance(self, simulation: Simulation) -> dict[str, float]:
        # Outlines cost more than a time step on a large crystal, so an engine may offer less for each step.
        glance = getattr(simulation, "glance", None)
        if glance is None:
            return self.read(simulation)
        return {key: _number(value) for key, value in glance().items()} | {"step": int(simulation.step_index)}

    def _row_is_due(self) -> bool:
        now, last = self.reading, self._last
        grown = any(now[key] >= (1.0 + GROWTH) * last[key] for key in _GROWING if now[key] > last[key])
        warmer = abs(now["temperature_k"] - last["temperature_k"]) >= TEMPERATURE_K
        return grown or warmer or abs(now["sigma"] - last["sigma"]) >= SIGMA

    def _row(self, simulation: Simulation) -> None:
        assert self._series is not None
        self.reading = self.read(simulation)
        self._series.append(self.reading)
        self._last = dict(self.reading)

    def _frame(self, simulation: Simulation, kept: list[int], why: str) -> None:
        now = self.reading
        about = {key: now[key] for key in ("time_s", "temperature_k", "sigma", "step")} | {"kept_for": why}
        write_frame(self._run.frames, self._next, record_of(simulation.solid()) | about)
        kept.append(self._next)
        self._next += 1

    def _thin(self) -> None:
        if len(self._spaced) > math.ceil(4 * self._wanted / 3):
            self._spaced = self._spaced[1::2]
            self._spacing *= 2.0


def _size(reading: Mapping[str, float]) -> float:
    return reading["radius_tip_m"] + 0.5 * reading["thickness_m"]


def _number(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value
