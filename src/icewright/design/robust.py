"""How far a recipe's crystal strays when the chamber and the kinetics are not quite what was thought.

Three doubts, all at once and independent: the temperature at the crystal (a standard deviation in K), the
supersaturation (a relative one), and the barrier of either facet (the table's own uncertainty, taken as two
standard deviations of the logarithm, because it is given as a range). Each draw is a regrowth on coarse
voxels; the stated spread is the middle 80 percent of them, by the order statistics that hold 80 percent on
average whatever the distribution is (the k-th of n at k/(n+1): any text on order statistics).

Coarse voxels grow another crystal than fine ones, by more than the doubts move it. So the spread is that of
the coarse regrowths about the coarse prediction, carried over to the fine prediction: lengths, times and
masses by their ratio, shares by their difference. What finer voxels than those still move it, up to the 100
in the radius of a preview, is taken as of first order in the voxel and widens the spread on that side; and
no size is told more closely than half a voxel to either side of the middle one
(``benchmarks/results/design_robust.md`` holds it against preview regrowths).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from icewright.design.distance import SAME, distance
from icewright.design.evaluate import Bench, Trial
from icewright.design.recipes import Form
from icewright.design.trial import Shift, grown_of, record
from icewright.design.wants import SHARES, number

KELVIN = 0.1
SIGMA = 0.05
LEVEL = 0.80
UNSTATED = 0.10  # of a table that states no uncertainty: an assumption, and said so
NUMBERS = ("radius_um", "thickness_um", "minutes", "aspect_ratio", "solidity", "mass_ug")
_LIKELY = 1.28  # standard deviations: nine of ten stay within, on that side
_PREVIEW = 100  # voxels in the radius of the coarsest regrowth that anybody is told to make


@dataclass(frozen=True)
class Doubts:
    """Standard deviations: kelvin, relative supersaturation, and the relative uncertainty of the barriers."""

    kelvin: float = KELVIN
    sigma: float = SIGMA
    barriers: float = UNSTATED
    stated: bool = False

    def draw(self, n: int, seed: int) -> list[Shift]:
        """``n`` draws of all three at once."""
        z = np.random.default_rng(seed).standard_normal((n, 4))
        wide = math.log1p(self.barriers) / 2
        return [
            Shift(self.kelvin * a, math.exp(self.sigma * b), math.exp(wide * c), math.exp(wide * d))
            for a, b, c, d in z
        ]

    def likely(self) -> list[Shift]:
        """Six likely ways to be off, each 1.28 standard deviations: what ``--robust`` is judged by."""
        t, s = _LIKELY * self.kelvin, _LIKELY * self.sigma
        k = math.exp(_LIKELY * math.log1p(self.barriers) / 2)
        return [
            Shift(t, 1 + s),
            Shift(-t, 1 - s),
            Shift(t, 1 - s),
            Shift(-t, 1 + s),
            Shift(0, 1, k, 1 / k),
            Shift(0, 1, 1 / k, k),
        ]


@dataclass(frozen=True)
class Spread:
    """What regrowths came to.

    ``numbers`` maps a name to (low end, median, high end) of the middle ``level`` of the outcomes, carried
    over to the voxels of the recipe as it is handed over; ``distance`` likewise, of the shape distance from
    the crystal that was meant, but on coarse voxels. ``same`` is the share of
    outcomes that count as the same crystal. ``at_risk`` is the step (from 0) whose own error moves the
    crystal most, ``risks`` the distance that each step's error moves it by.
    """

    level: float
    draws: int
    numbers: dict[str, tuple[float, float, float]]
    distance: tuple[float, float, float]
    same: float
    at_risk: int
    risks: tuple[float, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "level": self.level,
            "draws": self.draws,
            "numbers": {k: list(v) for k, v in self.numbers.items()},
            "distance": list(self.distance),
            "same": self.same,
            "step_most_at_risk": self.at_risk + 1,
            "risk_of_each_step": list(self.risks),
        }


def doubts(
    kinetics: str, temperatures_k: list[float], kelvin: float = KELVIN, sigma: float = SIGMA
) -> Doubts:
    """The doubts about a recipe at these temperatures; the barriers' by what the table states there."""
    from icewright.kinetics import load
    from icewright.kinetics.barriers import BarrierKinetics

    table = load(kinetics)
    stated: list[float] = []
    if isinstance(table, BarrierKinetics):
        for rows in table.points:
            for t in temperatures_k:
                nearest = min(rows, key=lambda p: abs(p.temperature_k - t))
                if nearest.uncertainty is not None:
                    stated.append(nearest.uncertainty)
    return Doubts(kelvin, sigma, max(stated) if stated else UNSTATED, bool(stated))


def middle(values: list[float] | np.ndarray[Any, Any], level: float = LEVEL) -> tuple[float, float, float]:
    """(low, median, high) of the middle share of values."""
    cut = (1 - level) / 2
    low, mid, high = np.quantile(np.asarray(values, float), [cut, 0.5, 1 - cut], method="weibull")
    return float(low), float(mid), float(high)


def _told(
    name: str, meant: Any, drawn: list[Any], bench: Bench, trial: Trial, voxels: float
) -> tuple[float, float, float]:
    """The middle of a number's outcomes as it is told: no more closely than half a voxel to either side."""
    low, mid, high = _carried(name, meant, drawn, trial, voxels)
    finest = max(trial.voxels, voxels)
    half = 0.0
    if name in ("radius_um", "thickness_um"):
        half = 0.5e6 * bench.voxel_m(finest)
    elif name in SHARES:
        half = 0.5 / finest
    low, high = min(low, mid - half), max(high, mid + half)
    return max(low, 0.0), mid, min(high, 1.0) if name in SHARES else high


def _carried(
    name: str, meant: Any, drawn: list[Any], trial: Trial, voxels: float
) -> tuple[float, float, float]:
    """The middle of a number's outcomes, from coarse voxels to those of the confirmed crystal."""
    coarse = number(meant.last, name)
    values = np.array([number(g.last, name) for g in drawn])
    if trial.grown is None or trial.voxels <= voxels:
        return middle(values)
    fine = number(trial.grown.last, name)
    if name in SHARES:
        values = np.clip(values + fine - coarse, 0.0, 1.0)
    elif coarse > 0:
        values = values * (fine / coarse)
    low, mid, high = middle(values)
    still = max(0.0, 1 / trial.voxels - 1 / _PREVIEW) / (1 / voxels - 1 / trial.voxels) * (fine - coarse)
    return low + min(still, 0.0), mid, high + max(still, 0.0)


def regrowths(bench: Bench, trial: Trial, shifts: list[Shift], voxels: float) -> list[Any]:
    """Crystals of one recipe under shifts (``Grown``, None where one could not be grown)."""
    made = bench.made(trial.form, trial.point, voxels)
    records = [record(made.recipe, made.stage_steps, bench.voxel_m(voxels), bench.stops, s) for s in shifts]
    return [None if r is None else grown_of(r) for r, _ in bench.results(records, voxels)]


def spread(bench: Bench, trial: Trial, about: Doubts, n: int, voxels: float, seed: int = 7) -> Spread:
    """Regrow a recipe ``n`` times under doubt, and once for each step and doubt alone."""
    made = bench.made(trial.form, trial.point, voxels)
    steps = len(made.recipe.steps)
    alone = [
        shift
        for k in range(steps)
        for shift in (
            Shift(about.kelvin, 1.0, step=k),
            Shift(-about.kelvin, 1.0, step=k),
            Shift(0.0, 1 + about.sigma, step=k),
            Shift(0.0, 1 - about.sigma, step=k),
        )
    ]
    every = regrowths(bench, trial, [Shift(), *about.draw(n, seed), *alone], voxels)
    meant, drawn, single = every[0], [g for g in every[1 : n + 1] if g is not None], every[n + 1 :]
    if meant is None or len(drawn) < 2:
        return Spread(LEVEL, len(drawn), {}, (math.nan,) * 3, math.nan, 0, ())
    off = [distance(meant.last, g.last) for g in drawn]
    risks = []
    for k in range(steps):
        moved = [distance(meant.last, g.last) for g in single[4 * k : 4 * k + 4] if g is not None]
        risks.append(math.sqrt(sum(v * v for v in moved) / len(moved)) if moved else 0.0)
    return Spread(
        LEVEL,
        len(drawn),
        {name: _told(name, meant, drawn, bench, trial, voxels) for name in NUMBERS},
        middle(off),
        sum(v <= SAME for v in off) / len(off),
        int(np.argmax(risks)),
        tuple(risks),
    )


def worst(bench: Bench, form: Form, points: list[Any], about: Doubts, voxels: float) -> list[float]:
    """The distance of the worst likely outcome of recipes at points, from the target."""
    shifts = about.likely()
    records, stops = [], bench.stops
    for point in points:
        made = bench.made(form, point, voxels)
        records += [
            record(made.recipe, made.stage_steps, bench.voxel_m(voxels), stops, s) for s in (Shift(), *shifts)
        ]
    found = bench.results(records, voxels)
    each = len(shifts) + 1
    scores = [5.0 if r is None else bench.score(grown_of(r)) for r, _ in found]
    return [max(scores[i : i + each]) for i in range(0, len(scores), each)]


def search(
    bench: Bench, starts: list[Trial], about: Doubts, budget: float, voxels: float, seed: int
) -> list[Trial]:
    """Recipes whose worst likely outcome is best, best first: from the starts, then nearby.

    ``budget`` is in trials of middle fineness, on top of what was spent. Each trial given back has that
    worst distance as its own.
    """
    import cma

    until = bench.cost + budget
    price = 7 * bench.price(voxels)
    out: list[Trial] = []
    for trial in starts:
        if bench.cost + price > until and out:
            break
        out.append(replace(trial, distance=worst(bench, trial.form, [trial.point], about, voxels)[0]))
    best = min(out, key=lambda t: t.distance)
    draw = np.random.default_rng(seed).standard_normal
    es = cma.CMAEvolutionStrategy(
        np.clip(best.point, 0.02, 0.98),
        0.06,
        {
            "bounds": [0, 1],
            "popsize": 5,
            "seed": float("nan"),
            "randn": lambda *s: draw(s),
            "verbose": -9,
            "tolx": 0.004,
        },
    )
    while bench.cost + 5 * price <= until and not es.stop():
        points = es.ask()
        scores = worst(bench, best.form, list(points), about, voxels)
        es.tell(points, scores)
        for point, score in zip(points, scores, strict=True):
            made = bench.made(best.form, np.asarray(point), voxels)
            out.append(
                Trial(best.form, np.asarray(point), made, best.grown, best.result, voxels, score, False)
            )
    return sorted(out, key=lambda t: t.distance)
