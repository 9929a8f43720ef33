"""What crystals near a known one would look like: every number of a portrait as a plane over the recipe.

Trials near a recipe, their coarse voxels' bias put right, say how each number of the crystal (sizes, plan,
section; of every stage) changes with each number of the recipe. A plane through the known crystal is fitted
to them by least squares (ridge regression: Technometrics 12, 55, 1970, DOI 10.1080/00401706.1970.10488634,
from memory), and the recipe whose crystal *on that plane* comes nearest to the target is the next to be
grown. The distance itself is no plane: its terms have corners where they are zero, so it is taken of the
predicted crystal, hundreds of times at no cost, instead of being fitted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from icewright.design.portrait import PLAN_SHAPE, SECTION_SHAPE, FloatArray, Portrait
from icewright.design.target import Grown
from icewright.shape.sizes import Sizes

RIDGE = 0.03  # of a slope over the reach, in numbers of trials: holds slopes that no trial has tried at zero
_ROUNDS, _LOOKS, _NARROWER = 10, 32, 0.7  # of a search of the plane: rounds, crystals in one, box after it

_NAMES = tuple(f.name for f in fields(Sizes))
_WHOLE = ("arms", "side_branches")
_LEAST = 0.05  # no length is predicted smaller than this share of the known crystal's


def as_row(grown: Grown) -> FloatArray:
    """All numbers of a grown trial's portraits in one row; stages that were not reached are left out."""
    parts: list[Any] = []
    for p in (*grown.stages, grown.last):
        if p is not None:
            parts += [[getattr(p.sizes, name) for name in _NAMES], [p.mass_kg, p.time_s]]
            parts += [p.plan.ravel(), p.section.ravel()]
    return np.concatenate([np.asarray(part, float) for part in parts])


def from_row(row: FloatArray, like: Grown) -> Grown:
    """Back from ``as_row``, with shares and lengths kept to what can be; ``like`` has the same stages."""
    at = 0
    made: list[Portrait | None] = []
    plan, section = int(np.prod(PLAN_SHAPE)), int(np.prod(SECTION_SHAPE))
    for p in (*like.stages, like.last):
        if p is None:
            made.append(None)
            continue
        sizes: dict[str, Any] = {}
        for name, value in zip(_NAMES, row[at : at + len(_NAMES)].tolist(), strict=True):
            was = getattr(p.sizes, name)
            least = _LEAST * was if was > 0 else 0.0
            sizes[name] = max(0, round(value)) if name in _WHOLE else max(value, least)
        sizes["solidity"] = min(sizes["solidity"], 1.0)
        at += len(_NAMES)
        mass, time = row[at : at + 2].tolist()
        at += 2
        seen = np.clip(row[at : at + plan], 0, 1).reshape(PLAN_SHAPE)
        at += plan
        cut = np.clip(row[at : at + section], 0, 1).reshape(SECTION_SHAPE)
        at += section
        made.append(
            Portrait(Sizes(**sizes), seen, cut, max(mass, _LEAST * p.mass_kg), max(time, _LEAST * p.time_s))
        )
    last = made.pop()
    assert last is not None
    return replace(like, stages=tuple(made), last=last)


@dataclass(frozen=True, eq=False)
class Plane:
    """Crystals near a known one.

    Parameters
    ----------
    point : the known recipe, in the unit cube, [n].
    reach : half the width of the box about it that the fit is for.
    known : its crystal.
    row : that crystal's numbers, as ``as_row`` gives them.
    slopes : change of every number over one reach, [n, numbers].
    """

    point: FloatArray
    reach: float
    known: Grown
    row: FloatArray
    slopes: FloatArray

    def at(self, point: FloatArray) -> Grown:
        """The crystal predicted at a point, [n]."""
        z = (np.asarray(point) - self.point) / self.reach
        return from_row(self.row + z @ self.slopes, self.known)


def fitted(
    point: FloatArray,
    known: Grown,
    reach: float,
    tried: Sequence[tuple[FloatArray, Grown]],
    rough: Plane | None = None,
) -> Plane:
    """The plane through a known crystal, fitted to trials near it; nearer trials weigh more.

    Trials that did not reach the same stages, or were cut, are left out. Slopes that no trial has tried are
    held at those of ``rough``, another plane of the same stages (of coarser crystals, say), or at zero.
    """
    base = as_row(known)
    n = len(point)
    slopes = np.zeros((n, base.size))
    if rough is not None and rough.slopes.shape == slopes.shape:
        slopes += rough.slopes * (reach / rough.reach)
    rows = [
        ((p - point) / reach, as_row(g) - base)
        for p, g in tried
        if g.whole == known.whole
        and [s is None for s in g.stages] == [s is None for s in known.stages]
        and np.abs(p - point).max() > 1e-9
    ]
    if rows:
        z, change = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
        weight = np.exp(-0.5 * (z**2).max(axis=1))
        left = (z * weight[:, None]).T @ z + RIDGE * np.eye(n)
        slopes += np.linalg.solve(left, (z * weight[:, None]).T @ (change - z @ slopes))
    return Plane(point, reach, known, base, slopes)


def nearest(
    plane: Plane,
    reach: float,
    score: Callable[[Grown], float],
    draw: Callable[..., FloatArray],
) -> FloatArray:
    """The point within ``reach`` of the plane's own whose predicted crystal scores least, [n].

    Draws about the best so far, from a box that narrows: rough, but ten times as quick as a search by
    covariance, and the plane is no better than that. ``draw`` is ``numpy.random.Generator.uniform``.
    """
    low, high = np.maximum(plane.point - reach, 0), np.minimum(plane.point + reach, 1)
    best, found, width = score(plane.known), plane.point, reach
    for _ in range(_ROUNDS):
        asked = np.clip(found + width * draw(-1.0, 1.0, (_LOOKS, len(found))), low, high)
        values = [score(plane.at(p)) for p in asked]
        i = int(np.argmin(values))
        if values[i] < best:
            best, found = values[i], asked[i]
        width *= _NARROWER
    return found
