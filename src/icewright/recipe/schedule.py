"""The steps in order: what the air far from the crystal is like at any moment of any step.

A step that ends on size ends at a moment nobody knows beforehand, so time is counted within each step. A
ramp always says both its ends: one that began "where the last step stopped" would mean something else each
time a size came first.
"""

from __future__ import annotations

from dataclasses import dataclass

from icewright.recipe.model import Recipe
from icewright.recipe.step import Step


@dataclass(frozen=True)
class Conditions:
    """The air far from the crystal.

    Attributes:
        temperature_k: kelvin.
        sigma: supersaturation over ice, a fraction; negative below ice saturation.
        pressure_pa: total pressure in pascals.
    """

    temperature_k: float
    sigma: float
    pressure_pa: float


class Schedule:
    """A recipe's steps, read by step number and time within the step."""

    def __init__(self, recipe: Recipe) -> None:
        self._steps = recipe.steps
        self._pressure_pa = recipe.pressure_pa

    def __len__(self) -> int:
        return len(self._steps)

    def __getitem__(self, step_index: int) -> Step:
        return self._steps[step_index]

    def conditions(self, step_index: int, time_in_step_s: float) -> Conditions:
        """Conditions at that moment; times past the end of a ramp give its end.

        Raises:
            IndexError: for a step that the recipe does not have.
        """
        step = self._steps[step_index]
        temperature_k = step.temperature_at(time_in_step_s)
        sigma = step.humidity.sigma(temperature_k, step.fraction(time_in_step_s))
        return Conditions(temperature_k, sigma, self._pressure_pa)

    def longest_s(self) -> float:
        """Seconds that the recipe takes if no size ends a step early; inf if some step ends only on size."""
        return sum(s.endings.time_s if s.endings.time_s is not None else float("inf") for s in self._steps)
