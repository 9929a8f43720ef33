"""Wants in numbers: ranges of what is read off a crystal, and by how much a crystal misses them.

A trade's word for a habit is turned into ranges by the thresholds of ``icewright.shape.habit`` (common
practice, no source), so that a crystal inside all ranges of a word is called by that word. How far outside a
range counts in the same coin as the shape distance: the logarithm of the ratio for lengths, masses, times and
the aspect ratio; for shares ``SHARE_WEIGHT`` times the difference, because whole words lie only 0.2 of
solidity apart, so that a crystal of another word never passes for the one wanted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from icewright.design.portrait import PLAN_SHAPE, DesignError, Portrait
from icewright.shape import habit as words

SHARES = ("solidity", "hollow_share", "tip_share")
COUNTS = ("side_branches",)
# name: factor from SI to the unit in the name
NUMBERS = {
    "radius_um": 1e6,
    "thickness_um": 1e6,
    "arm_width_um": 1e6,
    "mass_ug": 1e9,
    "minutes": 1 / 60,
    "aspect_ratio": 1.0,
    "end_over_waist": 1.0,
    "solidity": 1.0,
    "hollow_share": 1.0,
    "tip_share": 1.0,
    "side_branches": 1.0,
}
_MOST = 3.0
SHARE_WEIGHT = 4.0
_HALF_A_COUNT = 0.5  # one side branch of one too few counts as a misfit of a half
_TIP_FROM = 0.8


@dataclass(frozen=True)
class Range:
    """A number wanted between ``low`` and ``high``, in the unit of its name (equal for one value)."""

    name: str
    low: float = 0.0
    high: float = math.inf

    def __post_init__(self) -> None:
        if self.name not in NUMBERS:
            raise DesignError(
                "No such number is read off a crystal.", got=self.name, wanted=", ".join(NUMBERS)
            )
        if not (0 <= self.low <= self.high and self.high > 0):
            raise DesignError(
                got=f"{self.name} from {self.low:g} to {self.high:g}",
                wanted="a number above 0, or [least, most]",
                do=f"{self.name} = [10, 15]",
            )

    def miss(self, value: float) -> float:
        """How far outside a value lies, 0 within; at most 3."""
        if self.low <= value <= self.high:
            return 0.0
        edge = self.low if value < self.low else self.high
        if self.name in SHARES:
            return min(SHARE_WEIGHT * abs(value - edge), _MOST)
        if self.name in COUNTS:
            return min(abs(value - edge) / max(edge, 1.0) * _HALF_A_COUNT, _MOST)
        if value <= 0 or edge <= 0:
            return _MOST
        return min(abs(math.log(value / edge)), _MOST)

    @property
    def text(self) -> str:
        """`radius_um 80`, `thickness_um at most 15`, `solidity 0.75 to 0.95`."""
        if self.low == self.high:
            return f"{self.name} {self.low:g}"
        if not math.isfinite(self.high):
            return f"{self.name} at least {self.low:g}"
        if self.low == 0:
            return f"{self.name} at most {self.high:g}"
        return f"{self.name} {self.low:g} to {self.high:g}"


_OPEN = 0.85  # half-way through the sectored plates: arms that anybody would call arms
_ARMED = (Range("aspect_ratio", 0, words.THICK_TO), Range("solidity", 0, words.STELLAR))
HABITS: dict[str, tuple[Range, ...]] = {
    "plate": (Range("aspect_ratio", 0, words.THICK), Range("solidity", words.WHOLE, 1)),
    "thick plate": (Range("aspect_ratio", words.THICK, words.THICK_TO), Range("solidity", words.WHOLE, 1)),
    "sectored plate": (
        Range("aspect_ratio", 0, words.THICK_TO),
        Range("solidity", words.STELLAR, words.WHOLE),
    ),
    "stellar plate": _ARMED,
    "branches": (Range("aspect_ratio", 0, words.THICK_TO), Range("solidity", 0, _OPEN)),
    "dendritic plate": (*_ARMED, Range("side_branches", words.SIDE_BRANCHES)),
    "plate ends": (Range("aspect_ratio", 0, words.THICK_TO), Range("tip_share", 0.6)),
    "compact": (Range("aspect_ratio", words.THICK_TO, words.COLUMN),),
    "column": (Range("aspect_ratio", words.COLUMN, words.NEEDLE), Range("hollow_share", 0, words.HOLLOW)),
    "hollow column": (
        Range("aspect_ratio", words.COLUMN, words.NEEDLE),
        Range("hollow_share", words.HOLLOW, 1),
    ),
    "needle": (Range("aspect_ratio", words.NEEDLE),),
    "capped column": (Range("end_over_waist", words.CAP_RATIO),),
}
ALSO = {
    "star": "stellar plate",
    "stellar": "stellar plate",
    "dendrite": "dendritic plate",
    "arms": "branches",
    "six branches": "branches",
    "sectored": "sectored plate",
    "solid column": "column",
    "plates on the ends": "plate ends",
    "hollow": "hollow column",
}
# Words whose size is a length along c: there it is the thickness that a person watches.
LONG = ("column", "hollow column", "needle")


def habit_of(word: str) -> str:
    """The word as it is known here. Raises ``DesignError`` naming the nearest for one that is not."""
    known = word.strip().lower()
    known = ALSO.get(known, known)
    if known in HABITS:
        return known
    from difflib import get_close_matches

    near = get_close_matches(known, [*HABITS, *ALSO], n=1, cutoff=0.3) or ["plate"]
    raise DesignError(
        "No crystal is called that here.",
        got=f'habit = "{word}"',
        wanted="one of " + ", ".join([*HABITS, *ALSO]),
        do=f'habit = "{near[0]}"',
    )


def number(crystal: Portrait, name: str) -> float:
    """A number read off a portrait, in the unit of its name."""
    s = crystal.sizes
    if name == "tip_share":
        return tip_share(crystal)
    si = {
        "radius_um": s.radius_max_m,
        "thickness_um": s.thickness_m,
        "arm_width_um": s.arm_width_m,
        "mass_ug": crystal.mass_kg,
        "minutes": crystal.time_s,
        "aspect_ratio": s.thickness_m / (2 * s.radius_max_m) if s.radius_max_m > 0 else 0.0,
        "end_over_waist": s.radius_end_m / s.radius_waist_m if s.radius_waist_m > 0 else 1.0,
        "solidity": s.solidity,
        "hollow_share": s.hollow_share,
        "side_branches": float(s.side_branches),
    }
    return si[name] * NUMBERS[name]


def tip_share(crystal: Portrait) -> float:
    """Ice in the outer fifth of the radius over that of a whole hexagon there: small for slender arms, larger
    where they end in plates, 1 for a hexagon.
    """
    n, m = PLAN_SHAPE
    rho = (np.arange(n) + 0.5) / n
    outer = rho > _TIP_FROM
    angle = (np.arange(m) + 0.5) * (math.pi / 6) / m
    edge = math.cos(math.pi / 6) / np.cos(math.pi / 6 - angle)
    whole = (rho[:, None] <= edge[None, :])[outer] * rho[outer, None]
    held = crystal.plan[outer] * rho[outer, None]
    return min(1.0, float(held.sum() / whole.sum()))
