"""The search: from a target to the recipe whose crystal comes nearest.

``ladder`` (the default; why, is measured in ``benchmarks/results/design_strategies.md``)

1. Constant air has a ladder of its own: two numbers are soon found, every recipe of more steps can go on from
   there, and none is then behind the best air that it found. Then pairs of good airs, one after the other.
2. Where that is not near yet, many recipes of every other form on the coarsest voxels, most of them where the
   air favours the habit wanted (``icewright.design.first_guess``).
3. The best few again on finer voxels, and from the best a covariance-matrix-adaptation search
   (``cma``; IEEE, Evolutionary Computation 9, 159, 2001, DOI 10.1162/106365601750190398, from memory).
4. The best of each form grown finer still. What the finer crystal has over the coarse one of the same recipe
   is the bias of the coarse voxels; it is put right, and a plane over the trials nearby
   (``icewright.design.nearby``) says where to go from there; again, from the best of every form, until the
   crystal is good enough or the budget is spent. Below what coarse voxels tell apart, they only say how the
   crystal changes, and each recipe asked for is grown on fine ones.
5. Only the air in which the growth of the best ends, on fine voxels.

``cma`` has no first rung, ``random`` only draws. All end with the same confirmation on fine voxels.

A budget is counted in trials of middle fineness, not in seconds, so that a fixed seed repeats a search.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Literal

import numpy as np

from icewright.design.compared import add_apart, apart, around, extends, rank, words
from icewright.design.distance import SAME
from icewright.design.evaluate import LOST, Bench, StoppedError, Trial
from icewright.design.first_guess import favoured
from icewright.design.found import Found, Progress
from icewright.design.nearby import fitted, nearest
from icewright.design.portrait import DesignError, FloatArray
from icewright.design.recipes import DEFAULT_SEED_M, LENGTH_FIRST, Form, forms, split
from icewright.design.target import Grown
from icewright.design.trial import biases, corrected

Strategy = Literal["ladder", "cma", "random"]
STRATEGIES: tuple[Strategy, ...] = ("ladder", "cma", "random")

COARSE, MIDDLE, FINE = 22, 40, 72  # voxels in the extent of the crystal
GOOD = 0.02  # nearer than the voxels of a standard run blur: there is nothing left to win
BLUR = 0.03  # nearer than this, middle voxels tell nothing
DEFAULT_BUDGET = 320.0
LEAST_EXTENT_M = 6e-6
_MOST_SHRINKS = 4
FIRST = 0.35  # share of the budget for the ladder of constant air, where there are other forms
_LEAST_FIRST, _LEAST_CLIMB = 40.0, 15.0  # with fewer trials, it has none, and climbs from its best alone
_SCREEN = 0.18  # share of a ladder's budget for the first rung
_CLIMB = 0.42  # where the middle rung ends
_PLAIN_CLIMB = 0.5  # where it does for constant air
_CHOICE = 0.18  # share for the first look on fine voxels
_POLISH = 0.88  # where the correcting of a ladder ends
_FORMS, _END = 0.78, 0.94  # where that of forms with more steps does, and that of how the growth ends
_REACH, _LEAST_REACH = 0.08, 0.004  # half the width of the box that a turn of it searches: most, least
_STEEP = 1.5  # and as a share of the distance
_ROUGH_REACH = 0.03  # least reach over which slopes are taken from coarse crystals
_STARTS = 8  # airs that a ladder of constant air climbs from, at most
_LEAPS = 3  # how often a turn goes where the plane says
_MIXED = 6  # of the mixtures of two such airs, how many are confirmed
_LATE = (0.9, 0.6)  # of the growth that is left, where the last step begins whose air is changed
_LATE_REACH, _LATE_TURNS = 0.03, 4
_TOGETHER = 4  # and at once: not by the number of workers, or that would change what is found
_BASINS = 6  # clearly different airs of one form that have turns of their own
_HELPED = 0.95  # a turn has helped where it came at least so much nearer
_PATIENCE = 1.0  # how far one turn that did not help puts a form behind the others
_WIDTH = 0.15  # and each number of it beyond two
_MOST_FAILED = 6
_COLUMN, _CAPS = (
    3.0,
    0.2,
)  # aspect ratios that air should favour to grow a column, and then plates on its ends
_KEEP_BACK = 0.12  # share kept for other ways to the same crystal
_POOL = 24  # airs drawn for each one that is tried where the air's favour is asked
_COVERED = 40  # draws that cover two numbers
_FAVOUR = 0.6  # share of the first rung that follows the air's favour


class Search:
    """One search; call :meth:`run` once.

    Parameters
    ----------
    bench : where trials are grown.
    seed : of every random number in it.
    budget : in trials of middle fineness.
    strategy : see the module text.
    only : forms to search instead of those of the target.
    on_progress : told how it stands, after every batch.
    on_best : given every trial that is the best so far, confirmed or not.
    """

    def __init__(
        self,
        bench: Bench,
        *,
        seed: int = 1,
        budget: float = DEFAULT_BUDGET,
        strategy: Strategy = "ladder",
        only: list[Form] | None = None,
        good: float = GOOD,
        on_progress: Callable[[Progress], None] | None = None,
        on_best: Callable[[Trial], None] | None = None,
    ) -> None:
        if strategy not in STRATEGIES:
            raise DesignError(
                got=f"strategy {strategy}", wanted=", ".join(STRATEGIES), do="--strategy ladder"
            )
        if not budget > 0:
            raise DesignError(
                got=f"a budget of {budget:g} trials", wanted="more than none", do="--trials 160"
            )
        self.bench, self.budget, self.strategy, self.good = bench, float(budget), strategy, good
        self.rng = np.random.default_rng(seed)
        self.forms = forms(bench.target) if only is None else only
        self.found = Found()
        self._on_progress, self._on_best = on_progress, on_best
        self._began = time.monotonic()
        self._phase = "starting"
        self._best: Trial | None = None
        self._shrunk: dict[str, float] = {}
        self._failed: dict[str, int] = {}

    # -- the ways -----------------------------------------------------------------------------------------

    def run(self) -> Found:
        """Search until the crystal is good, the budget is spent, or somebody asks to stop."""
        try:
            {"ladder": self._ladder, "cma": self._from_scratch, "random": self._random}[self.strategy]()
            self.found.complete = True
        except StoppedError:
            pass
        self.found.confirmed.sort(key=lambda t: t.distance)
        self.found.coarse.sort(key=lambda t: t.distance)
        self._count()
        return self.found

    def _ladder(self) -> None:
        given = self.forms
        if len(given) > 1 and given[0].size == 2 and FIRST * self.budget >= _LEAST_FIRST:
            self.forms = given[:1]
            self._rungs(FIRST * self.budget)
            self.forms = given[1:]
            if not self._good():
                self._mix(given[0])
        best = self.found.best
        if best is None or not self.found.confirmed or best.distance >= BLUR:
            self._rungs(_FORMS * self.budget - self.bench.cost if len(given) > 1 else self.budget)
        self.forms = given
        # Where constant air was so near that coarse voxels cannot tell, more steps go on from it at once.
        self._polish(_FORMS * self.budget)
        for share in _LATE:
            self._end_anew(share, _END * self.budget)
        self._other_ways()

    def _rungs(self, budget: float) -> None:
        """Screen, refine, confirm and correct the forms at hand with so much more of the budget."""
        began = self.bench.cost
        self._phase = "screening"
        first = self._screen(_SCREEN * budget)
        for _ in range(_MOST_SHRINKS):
            if self.found.confirmed or not self._shrink(first):
                break
            self.found.coarse.clear()
            first = self._screen(_SCREEN * budget)
        best = self._spread_of(first, 8)
        self._phase = "refining"
        again = self._grow([(t.form, t.point) for t in best], MIDDLE)
        again.sort(key=rank)
        self._climb(again, began + (_PLAIN_CLIMB if self._plain else _CLIMB) * budget)
        self._phase = "confirming"
        room = int(_CHOICE * budget / self.bench.price(FINE))
        self._confirm(self._choice(max(2, min(_STARTS, room))))
        self._polish(began + _POLISH * budget)

    def _mix(self, plain: Form) -> None:
        """One good constant air and then another, of those confirmed: each alone was about right."""
        two = next((f for f in self.forms if len(f.pieces) == 2 and extends(f, plain)), None)
        if two is None:
            return
        ranked = sorted((t for t in self.found.confirmed if t.grown and t.form is plain), key=rank)
        self._phase = "mixing airs"
        known: list[tuple[Trial, Any]] = []
        for trial in add_apart([], ranked, _BASINS):
            coarse = self._coarse_of(plain, trial.point)
            if coarse is not None and trial.grown is not None:
                known.append((trial, biases(coarse, trial.grown)))
        pairs = [(one, other) for one in known for other in known if one is not other]
        points = [
            np.concatenate([split(plain, one.point, two)[: -plain.size], other.point])
            for (one, _), (other, _) in pairs
        ]
        grown = self._grow([(two, point) for point in points], MIDDLE)
        worth = []
        for ((_, first), (_, second)), made in zip(pairs, grown, strict=True):
            if made.grown is not None:
                # Its voxels' bias is taken as midway between those of its two airs.
                seen = [corrected(made.grown, *bias) for bias in (first, second)]
                worth.append((sum(self.bench.score(g) for g in seen), made))
        worth.sort(key=lambda w: w[0])
        self._phase = "confirming"
        # Where no constant air is about right, a mixture of two is no more likely to be.
        near = bool(ranked) and ranked[0].distance <= SAME
        chosen = [made for _, made in worth[: _MIXED if near else 2]]
        for i in range(0, len(chosen), _TOGETHER):
            if not self._good():
                self._confirm(chosen[i : i + _TOGETHER])

    def _end_anew(self, share: float, until: float) -> None:
        """Change only the air in which the growth of the best ends, on fine voxels.

        Voxels and branching make most changes of a recipe a draw of lots: they start another crystal. What is
        changed late leaves most of the crystal as it was, so that it moves little and by what the plane says.
        """
        best = self.found.best
        if best is None or best.grown is None or self._good():
            return
        steps = len(best.form.pieces) + 1
        form = next((f for f in self.forms if len(f.pieces) == steps and extends(f, best.form)), best.form)
        if form.pieces[-1].names != ("temperature", "humidity"):
            return
        point = split(best.form, best.point, form) if form is not best.form else best.point.copy()
        if form is not best.form:
            point[-3] = share  # where the last step begins
        self._phase = "ending anew"
        at, known, value, reach = point[-2:], best.grown, best.distance, _LATE_REACH
        tried: list[tuple[FloatArray, Grown]] = []
        for _ in range(_LATE_TURNS):
            if self.bench.cost + 2 * self.bench.price(FINE) > until or self._good():
                return
            plane = fitted(at, known, reach, tried)
            ends = [nearest(plane, w * reach, self.bench.score, self.rng.uniform) for w in (1.0, 0.4)]
            if not tried:
                ends = [np.clip(at + d, 0, 1) for d in reach * np.array([[1.0, 0.3], [-0.3, 1.0]])]
            known_words = {words(t) for t in self.found.confirmed}
            points = [np.concatenate([point[:-2], end]) for end in ends]
            made = self._confirm_at([(form, p) for p in points if self._words_at(form, p) not in known_words])
            tried += [(t.point[-2:], t.grown) for t in made if t.grown is not None]
            nearer = min(made, key=lambda t: t.distance, default=None)
            if nearer is not None and nearer.grown is not None and nearer.distance < value:
                at, known, value = nearer.point[-2:], nearer.grown, nearer.distance
            else:
                reach *= 0.6

    @property
    def _plain(self) -> bool:
        """Whether constant air alone is at hand."""
        return len(self.forms) == 1 and self.forms[0].size == 2

    def _from_scratch(self) -> None:
        self._phase = "searching"
        for form in self.forms:
            share = (0.6 * self.budget - self.bench.cost) / max(1, len(self.forms) - self.forms.index(form))
            start = self._grow([(form, self.rng.random(form.size)) for _ in range(4)], MIDDLE)
            best = min(start, key=lambda t: t.distance)
            self._cma(best.form, best.point, 0.3, self.bench.cost + share)
        self._polish(self.budget)

    def _random(self) -> None:
        self._phase = "drawing"
        end = self.budget - 3 * self.bench.price(FINE)
        while self.bench.cost < end:
            batch = [self.forms[int(self.rng.integers(len(self.forms)))] for _ in range(8)]
            self._grow([(form, self.rng.random(form.size)) for form in batch], MIDDLE)
        self._phase = "confirming"
        best = sorted(self.found.coarse, key=lambda t: t.distance)[:3]
        self._confirm(best)

    # -- rungs --------------------------------------------------------------------------------------------

    def _shrink(self, trials: list[Trial]) -> bool:
        """Cut finer voxels where no crystal came near the size asked for within the time allowed."""
        sizes = [
            max(t.grown.last.radius_m, t.grown.last.thickness_m / 2) for t in trials if t.grown is not None
        ]
        reached = max(sizes, default=0.0)
        if self.bench.target.limits.time_s is None or not 0 < reached < 0.5 * self.bench.extent_m:
            return False
        self.bench.extent_m = max(1.2 * reached, LEAST_EXTENT_M)
        return True

    def _screen(self, budget: float) -> list[Trial]:
        many = max(8, int(budget / self.bench.price(COARSE)))
        # Forms with more numbers get more draws, but every form some.
        weight = np.array([f.size for f in self.forms], dtype=float)
        share = np.maximum(4, np.rint(many * weight / weight.sum())).astype(int)
        out: list[Trial] = []
        for form, n in zip(self.forms, share, strict=True):
            points = self._start_points(form, int(n))
            for i in range(0, len(points), 16):
                out += self._grow([(form, p) for p in points[i : i + 16]], COARSE)
        return out

    def _start_points(self, form: Form, n: int) -> list[FloatArray]:
        """Even draws, most of them moved to where the air favours the habit of their stage."""
        from scipy.stats import qmc

        drawn = qmc.LatinHypercube(form.size, seed=int(self.rng.integers(2**31))).random(n)
        # Enough draws cover two numbers; what favours a habit would crowd them into one valley.
        keen = 0 if form.size == 2 and n >= _COVERED else int(_FAVOUR * n)
        wanted = self._aspects(form)
        place = 0
        for piece, aspect in zip(form.pieces, wanted, strict=True):
            if aspect is not None:
                drawn[:keen, place : place + 2] = self._favoured(aspect, keen)
            if form.name == LENGTH_FIRST and "size" in piece.names:
                # The column has most of its length before its ends widen.
                at = place + piece.names.index("size")
                drawn[:keen, at] = 0.6 + 0.4 * drawn[:keen, at]
            place += len(piece.names)
        return list(drawn)

    def _aspects(self, form: Form) -> list[float | None]:
        """Aspect ratio wanted at the end of each piece, None where nothing is said."""
        target = self.bench.target
        if form.name == LENGTH_FIRST:
            return [_COLUMN, _CAPS]
        out: list[float | None] = []
        for piece in form.pieces:
            value: float | None = None
            if piece.stage is not None and target.stages:
                for want in target.stages[piece.stage].wants:
                    if want.name == "aspect_ratio":
                        value = want.low if want.low >= 1 else min(want.high, 0.3)
            elif target.radius_m and target.thickness_m:
                value = target.thickness_m / (2 * target.radius_m)
            out.append(value)
        return out

    def _favoured(self, aspect: float, n: int) -> FloatArray:
        """Draws of (temperature, humidity) whose air favours about that aspect ratio; [n, 2]."""
        target, airs = self.bench.target, self.bench.airs
        drawn = self.rng.random((_POOL * n, 2))
        t = np.round(airs.coldest_k + drawn[:, 0] * (airs.warmest_k - airs.coldest_k), 0)
        s = np.array([airs.sigma(float(k), float(x)) for k, x in zip(t, drawn[:, 1], strict=True)])
        start = DEFAULT_SEED_M
        if target.seed is not None and target.seed.radius_m and target.seed.thickness_m:
            start = (target.seed.radius_m, target.seed.thickness_m)
        size = target.extent_m
        found = favoured(
            target.kinetics,
            target.pressure_pa,
            start,
            (size, 2 * size),
            np.clip(t, airs.coldest_k, airs.warmest_k),
            s,
        )
        ratio = found.thickness_m / (2 * found.radius_m)
        off = np.abs(np.log(np.maximum(ratio, 1e-3) / aspect))
        # The two-faced crystal overstates every habit; its order of airs is what is used.
        return np.asarray(drawn[np.argsort(off, kind="stable")[: 3 * n]][self.rng.permutation(3 * n)[:n]])

    def _climb(self, again: list[Trial], until: float) -> None:
        """The covariance search from the two best starts: most of it from the better."""
        if not again:
            return
        if self._plain and until - self.bench.cost > _LEAST_CLIMB:
            # Two numbers for five terms leave a valley of airs about as good: not one end of it, but many.
            plain = [t for t in self.found.coarse if t.form is self.forms[0]]
            for start in add_apart([], sorted(again, key=rank) + sorted(plain, key=rank), _STARTS):
                known = self._grow([(start.form, start.point)], MIDDLE)[0]
                if known.grown is not None and self.bench.cost < until:
                    self._leap(start.form, start.point, known.grown, known.distance, _REACH, None, 1)
            return
        best, top = again[0], self._best_coarse()
        starts = [(best.distance, best.form, best.point)]
        # More steps start from the best recipe of fewer: a constant air split in two is as good as it was.
        richer = [f for f in self.forms if len(f.pieces) == len(top.form.pieces) + 1 and extends(f, top.form)]
        other = next((t for t in again[1:] if t.form is not best.form), None)
        if richer:
            starts.append((top.distance, richer[0], split(top.form, top.point, richer[0])))
        elif other is not None:
            starts.append((other.distance, other.form, other.point))
        starts.sort(key=lambda s: s[0])
        first = until - 0.35 * (until - self.bench.cost) if len(starts) > 1 else until
        for (_, form, point), end in zip(starts, (first, until), strict=False):
            if self._best_coarse().distance > self.good:
                self._cma(form, point, 0.12, end)

    def _choice(self, n: int) -> list[Trial]:
        """What to grow fine: the best of each form on middle voxels, then the best that clearly differ."""
        middle = sorted(
            (t for t in self.found.coarse if t.voxels == MIDDLE and t.form in self.forms), key=rank
        )
        out: list[Trial] = []
        for trial in middle:
            if trial.grown is not None and all(trial.form.name != o.form.name for o in out):
                out.append(trial)
        out = add_apart(out[: max(1, n - 1)], middle, n)
        return out or middle[:1] or sorted(self.found.coarse, key=rank)[:1]

    def _polish(self, until: float) -> None:
        """Search near a confirmed recipe with the bias of its coarse voxels put right, confirm; again.

        Every form has its best confirmed recipe to go on from, and the best of all is also gone on from with
        more steps (which at first are equal, so nothing is lost). The nearest has the turn; a turn that does
        not help puts its form back behind the others, and narrows its search.
        """
        if not self.found.confirmed:
            self._phase = "confirming"
            self._confirm(self._choice(2))
        shrunk, failed = self._shrunk, self._failed
        while not self._good():
            bases = self._bases()
            if min((failed.get(b[0], 0) for b in bases), default=_MOST_FAILED) >= _MOST_FAILED:
                return
            # With more numbers a turn helps less often: two numbers are soon at their best.
            name, form, point, top = min(
                bases,
                key=lambda b: (
                    b[3].distance * (1 + _PATIENCE * failed.get(b[0], 0) + _WIDTH * (b[1].size - 2))
                ),
            )
            # The nearer a crystal, the smaller the change of air that is still a change for the better.
            width = min(_REACH, max(_LEAST_REACH, _STEEP * top.distance)) * shrunk.get(name, 1.0)
            if self.bench.cost + form.size + 2 + 2 * self.bench.price(FINE) > until:
                return
            finer = top.distance < BLUR
            if finer:
                asked = self._finer(form, point, top, width)
            else:
                self._phase = "correcting"
                near = [t for t in self._near(form, point, top, width) if t.grown is not None]
                asked = [(t.form, t.point) for t in sorted(near, key=lambda t: t.distance)]
            asked = self._unknown(asked)[: 2 if finer else 1]
            self._phase = "confirming"
            fine = min((t.distance for t in self._confirm_at(asked)), default=LOST)
            if fine >= top.distance:
                shrunk[name] = 0.7 * shrunk.get(name, 1.0)
            failed[name] = 0 if fine < _HELPED * top.distance else failed.get(name, 0) + 1

    def _finer(
        self, form: Form, point: FloatArray, fine: Trial, reach: float
    ) -> list[tuple[Form, FloatArray]]:
        """What to grow on fine voxels next to a crystal that is nearer than coarse voxels can tell.

        Two where the plane through the fine crystals nearby says: near, and nearer.
        """
        assert fine.grown is not None
        # How a crystal changes, coarse ones still tell: over a reach in which they change by enough.
        wide = max(reach, _ROUGH_REACH)
        coarse = self._coarse_of(form, point)
        rough = None
        if coarse is not None:
            old, made = self._about(form, point, wide, None)
            rough = fitted(point, coarse, wide, [(t.point, t.grown) for t in old + made if t.grown])
        tried = [(p, t.grown) for p, t in self._fine_around(form, point, reach) if t.grown]
        plane = fitted(point, fine.grown, reach, tried, rough)
        return [
            (form, nearest(plane, share * reach, self.bench.score, self.rng.uniform)) for share in (1.0, 0.3)
        ]

    def _fine_around(self, form: Form, point: FloatArray, reach: float) -> list[tuple[FloatArray, Trial]]:
        """Confirmed crystals within twice the reach of a point, and where; of simpler forms as well."""
        out = []
        for t in self.found.confirmed:
            at = t.point if t.form.name == form.name else None
            if at is None and extends(form, t.form):
                at = split(t.form, t.point, form)
            if at is not None and np.abs(at - point).max() <= 2 * reach:
                out.append((at, t))
        return out

    def _bases(self) -> list[tuple[str, Form, FloatArray, Trial]]:
        """What to go on from: a name for the turn, the form, the point, and the confirmed crystal there.

        The best of every form, the best of it in other air if that is about as near, and the best of all with
        more steps.
        """
        ranked = sorted((t for t in self.found.confirmed if t.grown is not None), key=lambda t: t.distance)
        out: list[tuple[str, Form, FloatArray, Trial]] = []
        for trial in ranked:
            same = [b[3] for b in out if b[1].name == trial.form.name]
            if not same:
                out.append((trial.form.name, trial.form, trial.point, trial))
            elif len(same) < _BASINS and all(apart(trial, o) for o in same):
                # Named by its air, so that it keeps its place in the turns while it moves a little.
                air = "; ".join(f"{t:.0f} degC" for t, _ in trial.made.settings)
                out.append((f"{trial.form.name} near {air}", trial.form, trial.point, trial))
        if ranked:
            top = ranked[0]
            for form in self.forms:
                if extends(form, top.form):
                    out.append((f"more: {form.name}", form, split(top.form, top.point, form), top))
        return out

    def _near(self, form: Form, point: FloatArray, fine: Trial, reach: float) -> list[Trial]:
        """Trials near a point whose crystal on fine voxels is known, the bias of coarse ones put right."""
        assert fine.grown is not None
        coarse = self._coarse_of(form, point)
        if coarse is None:
            return []
        leaps = 2 if form.size == 2 else _LEAPS
        return self._leap(form, point, fine.grown, fine.distance, reach, biases(coarse, fine.grown), leaps)

    def _coarse_of(self, form: Form, point: FloatArray) -> Grown | None:
        """The crystal of that recipe on middle voxels; grown if it is not there."""
        said = self._words_at(form, point)
        same = [t for t in self.found.coarse if t.voxels == MIDDLE and words(t) == said and t.grown]
        return (same[0] if same else self._grow([(form, point)], MIDDLE)[0]).grown

    def _about(
        self, form: Form, point: FloatArray, reach: float, bias: Any
    ) -> tuple[list[Trial], list[Trial]]:
        """Trials on middle voxels around a point: those there were, and as many more as a plane needs."""
        old = [t for t in around(self.found.coarse, form, point, reach) if t.voxels == MIDDLE]
        missing = form.size + 1 - len(old)
        if missing <= 0:
            return old, []
        drawn = point + reach * self.rng.uniform(-1, 1, (missing, form.size))
        return old, self._grow([(form, np.clip(p, 0, 1)) for p in drawn], MIDDLE, bias)

    def _leap(
        self,
        form: Form,
        point: FloatArray,
        known: Grown,
        value: float,
        reach: float,
        bias: Any,
        leaps: int = _LEAPS,
    ) -> list[Trial]:
        """Trials near a point whose crystal (and its distance) is known; with a bias, that is put right.

        A few are drawn around it, as many as the plane of ``icewright.design.nearby`` needs and are not there
        yet; then that plane says where to go, from the best of them, again and again.
        """

        def seen(t: Trial) -> list[tuple[FloatArray, Grown]]:
            if t.grown is None:
                return []
            return [(t.point, t.grown if bias is None else corrected(t.grown, *bias))]

        old, made = self._about(form, point, reach, bias)
        for _ in range(leaps):
            best = min((t for t in made if t.grown is not None), key=lambda t: t.distance, default=None)
            if best is not None and best.distance < value:
                (point, known), value = seen(best)[0], best.distance
            plane = fitted(point, known, reach, [pair for t in old + made for pair in seen(t)])
            asked = [
                nearest(plane, width, self.bench.score, self.rng.uniform) for width in (reach, 0.4 * reach)
            ]
            made += self._grow([(form, p) for p in asked], MIDDLE, bias)
        return made

    def _other_ways(self) -> None:
        """Confirm the best recipes that differ from the best, while what was kept back lasts."""
        best = self.found.best
        if best is None or not self.found.confirmed:
            return
        self._phase = "other ways"
        limit = max(SAME, 1.5 * best.distance)
        for trial in sorted(self.found.coarse, key=lambda t: t.distance):
            if self.bench.cost + self.bench.price(FINE) > self.budget or trial.distance > limit:
                return
            if all(apart(trial, known) for known in self.found.confirmed):
                self._confirm([trial])

    # -- pieces -------------------------------------------------------------------------------------------

    def _cma(self, form: Form, start: FloatArray, sigma: float, until: float) -> None:
        """Search from a point by covariance matrix adaptation."""
        import cma

        if form.size < 2 or self.bench.cost >= until:
            return
        most = 4 + int(3 * np.log(form.size))
        step = max(most, self.bench.workers)
        draw = self.rng.standard_normal
        # Its own generator: the global one belongs to nobody.
        options = {
            "bounds": [0, 1],
            "popsize": step,
            "seed": float("nan"),
            "randn": lambda *shape: draw(shape),
            "verbose": -9,
            "tolx": 0.004,
            "tolfun": 1e-4,
        }
        es = cma.CMAEvolutionStrategy(np.clip(start, 0.02, 0.98), sigma, options)
        while self.bench.cost + step * self.bench.price(MIDDLE) <= until and not es.stop():
            points = es.ask()
            trials = self._grow([(form, np.asarray(p)) for p in points], MIDDLE)
            es.tell(points, [t.distance for t in trials])
            # Below what coarse voxels blur, being nearer means nothing until their bias is known.
            if min(t.distance for t in trials) < BLUR:
                break

    def _grow(self, asked: list[tuple[Form, FloatArray]], voxels: float, bias: Any = None) -> list[Trial]:
        made = self.bench.trials(asked, voxels, bias)
        self.found.coarse += made
        for trial in made:
            self._look(trial)
        self._tell()
        return made

    def _confirm(self, trials: list[Trial]) -> list[Trial]:
        return self._confirm_at([(t.form, t.point) for t in trials])

    def _confirm_at(self, asked: list[tuple[Form, FloatArray]]) -> list[Trial]:
        made = self.bench.trials(asked, FINE, solid=True)
        self.found.confirmed += made
        for trial in made:
            self._look(trial)
        self._tell()
        return made

    def _unknown(self, asked: list[tuple[Form, FloatArray]]) -> list[tuple[Form, FloatArray]]:
        """Those whose recipe was not confirmed yet, each once."""
        known = {words(t) for t in self.found.confirmed}
        out = []
        for form, point in asked:
            said = self._words_at(form, point)
            if said not in known:
                known.add(said)
                out.append((form, point))
        return out

    def _words_at(self, form: Form, point: FloatArray) -> str:
        """What `words` will say of a trial there, on voxels of any size."""
        return repr(self.bench.made(form, point, MIDDLE).recipe.steps)

    def _good(self) -> bool:
        return bool(self.found.confirmed) and min(t.distance for t in self.found.confirmed) <= self.good

    def _best_coarse(self) -> Trial:
        middle = [t for t in self.found.coarse if t.voxels == MIDDLE] or self.found.coarse
        return min(middle, key=rank)

    def _spread_of(self, trials: list[Trial], n: int) -> list[Trial]:
        """The best n, no form more than half of them."""
        out: list[Trial] = []
        for trial in sorted(trials, key=rank):
            if sum(t.form is trial.form for t in out) < max(1, (n + 1) // 2 if len(self.forms) > 1 else n):
                out.append(trial)
            if len(out) == n:
                break
        return out

    def _look(self, trial: Trial) -> None:
        best = self._best
        confirmed = trial.voxels == FINE
        was = best is not None and best.voxels == FINE
        if trial.grown is None or (was and not confirmed):
            return
        if best is None or (confirmed and not was) or trial.distance < best.distance:
            self._best = trial
            self.found.history.append((self.bench.cost, trial.distance))
            if self._on_best is not None:
                self._on_best(trial)

    def _count(self) -> None:
        b = self.bench
        self.found.cost, self.found.trials = b.cost, b.grown + b.kept
        self.found.kept, self.found.cpu_s = b.kept, b.cpu_s
        self.found.wall_s = time.monotonic() - self._began

    def _tell(self) -> None:
        self._count()
        if self._on_progress is None:
            return
        share = min(1.0, self.bench.cost / self.budget)
        wall = self.found.wall_s
        best = self._best
        self._on_progress(
            Progress(
                self._phase,
                self.found.trials,
                share,
                None if best is None else best.distance,
                "" if best is None or best.grown is None else best.grown.last.habit,
                wall,
                wall / share * (1 - share) if share > 0.02 else None,
            )
        )
