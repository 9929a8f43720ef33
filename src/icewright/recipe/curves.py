"""Set air and actual air over time, side by side: `air.csv`.

Set air is what was asked for; actual air is what the crystal has, with the lag of the apparatus or as logged.
One row a moment, SI, kind and schema on every row as in `series.csv`. Times are those of the plan: a step
that a size may end early can be shorter in the run, so each row names the recipe's step that it belongs to.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import RecordError
from icewright.ground.records import check_kind
from icewright.notebook.files import StoreError, guard, write_atomic
from icewright.recipe.step import Step

KIND = "icewright.air"
SCHEMA = 1
NAMES = ("time_s", "step", "set_temperature_k", "set_sigma", "temperature_k", "sigma")
FILE = "air.csv"

Array = NDArray[np.float64]


@dataclass(frozen=True)
class AirCurves:
    """Both curves.

    Attributes:
        time_s: seconds from the start of the plan, (n,), not falling; a moment at which the set air jumps is
            there twice.
        step: number of the recipe's step from 0, (n,), not falling.
        set_temperature_k, set_sigma: the air that was asked for, (n,); NaN where nothing was asked.
        temperature_k, sigma: the air that the crystal has, (n,).
        settings: setting to its value over time, (n,), in the unit that its name ends in.
    """

    time_s: Array
    step: NDArray[np.int64]
    set_temperature_k: Array
    set_sigma: Array
    temperature_k: Array
    sigma: Array
    settings: dict[str, Array] = field(default_factory=dict)

    def set_at(self, step: int, time_in_step_s: float) -> tuple[float, float]:
        """(temperature in K, sigma) that was asked for at a moment of a step; its last row holds on."""
        rows = np.flatnonzero(self.step == step)
        if not rows.size:
            return float("nan"), float("nan")
        t = self.time_s[rows] - self.time_s[rows[0]]
        return (
            float(np.interp(time_in_step_s, t, self.set_temperature_k[rows])),
            float(np.interp(time_in_step_s, t, self.set_sigma[rows])),
        )

    def on_run(self, time_s: Array, step: NDArray[np.int64]) -> tuple[Array, Array, Array]:
        """The set air over the time of a run, from the times and steps of its rows, (n,).

        Returns time in s, temperature in K and sigma, (m,) each, with both sides of every jump.
        """
        out: list[tuple[float, float, float]] = []
        numbers = list(dict.fromkeys(int(s) for s in step))
        starts = [float(time_s[step == number][0]) for number in numbers]
        ends = [*starts[1:], float(time_s[-1])]
        for number, start, end in zip(numbers, starts, ends, strict=True):
            rows = np.flatnonzero(self.step == number)
            inside = self.time_s[rows] - self.time_s[rows[0]] if rows.size else np.array([])
            moments = [*inside[inside < end - start], end - start]
            out += [(start + t, *self.set_at(number, t)) for t in moments]
        t, kelvin, sigma = zip(*out, strict=True)
        return np.array(t), np.array(kelvin), np.array(sigma)

    def write(self, path: Path) -> None:
        """Write the file whole. Raises ``StoreError``."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow([*NAMES, *self.settings, "kind", "schema"])
        columns = [getattr(self, name) for name in NAMES] + list(self.settings.values())
        for i in range(len(self.time_s)):
            cells = [
                str(int(c[i])) if n == "step" else _word(c[i])
                for n, c in zip(_all(self), columns, strict=True)
            ]
            writer.writerow([*cells, KIND, SCHEMA])
        write_atomic(path, text.getvalue().encode())


def read(path: Path) -> AirCurves:
    """The curves in a file.

    Raises ``StoreError`` if it is missing or damaged, ``RecordError`` for another kind or a newer schema.
    """
    with guard(path):
        if not path.is_file():
            raise StoreError(f"There is no {path.name} in {path.parent}.", wanted="set and actual air")
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    if len(rows) < 2 or rows[0][-2:] != ["kind", "schema"] or any(n not in rows[0] for n in NAMES):
        raise RecordError(
            f"{path} holds no curves of ours.",
            got=",".join(rows[0])[:80] if rows else "",
            wanted=",".join(NAMES),
        )
    header, body = rows[0], rows[1:]
    for number, row in enumerate(body, 1):
        if len(row) != len(header):
            raise StoreError(f"Row {number} of {path} is damaged.", wanted=f"{len(header)} values")
        check_kind({"kind": row[-2], "schema": int(row[-1]) if row[-1].isdigit() else row[-1]}, KIND, SCHEMA)
    try:
        columns = {n: np.array([float(r[i]) for r in body]) for i, n in enumerate(header[:-2])}
    except ValueError as error:
        raise StoreError(f"{path} is damaged.", got=str(error), wanted="numbers") from error
    own = {name: columns.pop(name) for name in NAMES}
    return AirCurves(
        own["time_s"],
        own["step"].astype(np.int64),
        own["set_temperature_k"],
        own["set_sigma"],
        own["temperature_k"],
        own["sigma"],
        columns,
    )


def differences(curves: AirCurves) -> list[dict[str, float]]:
    """Actual less set air: a record for temperature (K) and one for sigma (a fraction).

    Each with ``mean`` and ``rms`` over time, ``most`` (that of greatest size, with its sign) and ``at_s``;
    NaN where nothing was asked for.
    """
    t = curves.time_s
    out = []
    for actual, asked in (
        (curves.temperature_k, curves.set_temperature_k),
        (curves.sigma, curves.set_sigma),
    ):
        gap = actual - asked
        known = np.isfinite(gap)
        if np.count_nonzero(known) < 2 or t[known][-1] == t[known][0]:
            out.append(
                {"mean": float("nan"), "rms": float("nan"), "most": float("nan"), "at_s": float("nan")}
            )
            continue
        x, y = t[known], gap[known]
        length = x[-1] - x[0]
        worst = int(np.argmax(np.abs(y)))
        out.append(
            {
                "mean": float(np.trapezoid(y, x) / length),
                "rms": float(np.sqrt(np.trapezoid(y * y, x) / length)),
                "most": float(y[worst]),
                "at_s": float(x[worst]),
            }
        )
    return out


def of_steps(steps: Sequence[Step], per_step: int = 33) -> tuple[Array, NDArray[np.int64], Array, Array]:
    """(time in s, step, temperature in K, sigma) of a recipe's own air, several moments a step.

    A step that only a size ends has one moment: when that comes nobody knows.
    """
    rows: list[tuple[float, int, float, float]] = []
    begun = 0.0
    for i, step in enumerate(steps):
        length = step.endings.time_s
        moments = [0.0] if length is None else list(np.linspace(0.0, length, per_step if step.ramps else 2))
        rows += [(begun + t, i, step.temperature_at(t), step.sigma_at(t)) for t in moments]
        begun += length or 0.0
    t, number, kelvin, sigma = zip(*rows, strict=True)
    return np.array(t), np.array(number, dtype=np.int64), np.array(kelvin), np.array(sigma)


def _all(curves: AirCurves) -> list[str]:
    return [*NAMES, *curves.settings]


def _word(value: float) -> str:
    return "nan" if value != value else repr(float(value))
