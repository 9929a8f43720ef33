"""What stands on a recipe sheet, gathered from a grown run; SI inside, no words yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from icewright.shape.sizes import Sizes
from icewright.shape.solid import Solid

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe
    from icewright.recipe.step import Step

MOST_STATIONS = 10  # rows of the table beyond which ramps that go on from each other share one


@dataclass(frozen=True)
class Moment:
    """The predicted crystal at one time: clock from the start of the recipe (s), its solid and its sizes."""

    time_s: float
    solid: Solid
    sizes: Sizes
    mass_kg: float
    habit: str


@dataclass(frozen=True)
class Station:
    """One row of the sheet: a step of the recipe, or several short ramps that follow one another.

    Attributes:
        label: number of the step as the user counts it, or "3 to 7".
        note: the user's words for it.
        steps: the recipe's steps in it, at least one.
        start, end: the predicted crystal when it begins and when it ends.
        ended_on_size: whether a size, and not the clock, ends it in the prediction.
        pace: (seconds since it began, tip radius in m, thickness in m) at moments on the way.
        speeds_m_s: of tip radius and of thickness as it ends.
        settings: setting of the apparatus to (from, to), in the unit of its name; empty without one.
        set_air: ((temperature in K, sigma) at its start, the same at its end) that these settings make once
            settled; None without an apparatus.
        worked_out: whether the settings were found for the recipe's air, and not the other way round.
    """

    label: str
    note: str
    steps: tuple[Step, ...]
    start: Moment
    end: Moment
    ended_on_size: bool
    pace: tuple[tuple[float, float, float], ...] = ()
    speeds_m_s: tuple[float, float] = (0.0, 0.0)
    settings: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    set_air: tuple[tuple[float, float], tuple[float, float]] | None = None
    worked_out: bool = False

    @property
    def length_s(self) -> float:
        """Predicted seconds from its start to its end."""
        return self.end.time_s - self.start.time_s

    @property
    def path(self) -> tuple[tuple[float, float], ...]:
        """(temperature in K, sigma) of the recipe at its start, at each turn, and at its end."""
        knots: list[tuple[float, float]] = []
        for step in self.steps:
            length = step.endings.time_s or 0.0
            for moment in (0.0, length):
                air = (step.temperature_at(moment), step.sigma_at(moment))
                if not knots or not same_air(knots[-1], air):
                    knots.append(air)
        return tuple(
            air
            for k, air in enumerate(knots)
            if k in (0, len(knots) - 1) or not _straight(*knots[k - 1 : k + 2])
        )

    @property
    def air(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """(temperature in K, sigma) of the recipe at its start and at its end."""
        first, last = self.steps[0], self.steps[-1]
        ends = last.endings.time_s or 0.0
        return (
            (first.temperature_at(0.0), first.sigma_at(0.0)),
            (last.temperature_at(ends), last.sigma_at(ends)),
        )


def same_air(one: tuple[float, float], other: tuple[float, float]) -> bool:
    """Whether two airs, (temperature in K, sigma), are one for every hand and instrument."""
    return abs(one[0] - other[0]) < 0.005 and abs(one[1] - other[1]) < 5e-5


def _straight(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Whether neither temperature nor supersaturation turns back at b."""
    return all((y - x) * (z - y) >= 0.0 for x, y, z in zip(a, b, c, strict=True))


@dataclass(frozen=True)
class Sheet:
    """Everything on one sheet.

    Attributes:
        recipe: the recipe that was grown, to the bit.
        stations: rows of the table, in order.
        series: columns of the run, SI, (n,) each.
        version: of Icewright, that grew it.
        grown: when the run began, ISO 8601.
        voxel_m: distance of voxel centres of the prediction.
        apparatus: title of the apparatus; empty without one.
        apparatus_notes: on its lag and limits.
        knob_steps: smallest step of each setting, in the unit of its name.
        cautions: for the people beside it.
        warnings: on the prediction.
        from_memory: what it hangs on that nobody here has confirmed.
        sources: one line each.
    """

    recipe: Recipe
    stations: Sequence[Station]
    series: Mapping[str, NDArray[Any]]
    version: str
    grown: str
    voxel_m: float
    ended: str = ""
    apparatus: str = ""
    apparatus_notes: Sequence[str] = ()
    knob_steps: Mapping[str, float] = field(default_factory=dict)
    cautions: Sequence[str] = ()
    warnings: Sequence[str] = ()
    from_memory: Sequence[str] = ()
    sources: Sequence[str] = ()

    @property
    def title(self) -> str:
        """The recipe's title, or what stands for one."""
        return self.recipe.title or "Untitled recipe"
