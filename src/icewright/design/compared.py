"""Trials compared: which is nearer, which clearly differ, which lie around a point or go on from another."""

from __future__ import annotations

import numpy as np

from icewright.design.evaluate import Trial
from icewright.design.portrait import FloatArray
from icewright.design.recipes import Form

HANDICAP = 0.005


def apart(one: Trial, other: Trial) -> bool:
    """Whether two recipes are two ways and not one: another number of steps, or clearly other air."""
    if len(one.made.settings) != len(other.made.settings):
        return True
    for (t1, s1), (t2, s2) in zip(one.made.settings, other.made.settings, strict=True):
        if abs(t1 - t2) > 2.0 or abs(np.log(s1 / s2)) > 0.5:
            return True
    return False


def add_apart(chosen: list[Trial], ranked: list[Trial], n: int) -> list[Trial]:
    """Up to n trials: those chosen, and the first of the others that clearly differ from all before them."""
    out = list(chosen)
    for trial in ranked:
        if len(out) < n and trial.grown is not None and all(apart(trial, o) for o in out):
            out.append(trial)
    return out


def around(trials: list[Trial], form: Form, point: FloatArray, reach: float) -> list[Trial]:
    """Those grown of a form within twice the reach of a point."""
    return [
        t
        for t in trials
        if t.form.name == form.name and t.grown is not None and np.abs(t.point - point).max() <= 2 * reach
    ]


def extends(form: Form, base: Form) -> bool:
    """Whether any recipe of ``base`` is also one of ``form``, with more steps or a drift that are idle."""
    cues = {p.cue for p in (*form.pieces, *base.pieces)}
    return form.size > base.size and len(cues) == 1 and not any(p.drifts for p in base.pieces)


def rank(trial: Trial) -> float:
    """The distance, with a handicap for every number beyond two: simpler recipes are tried first."""
    return trial.distance + HANDICAP * (trial.form.size - 2)


def words(trial: Trial) -> str:
    """The recipe in words, by which one that was grown before is known."""
    return repr(trial.made.recipe.steps)
