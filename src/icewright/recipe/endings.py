"""When a step ends: on the clock, on a size, or on whichever comes first.

A person at the knobs watches the crystal and not only the clock, so every ending that is given counts and
the first one reached ends the step.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict

from icewright.recipe.quantities import MICROGRAM, MICROMETRE, MINUTE

if TYPE_CHECKING:
    from icewright.recipe.step import Step

_HAIR = 1e-9  # relative: a clock summed from many small steps lands a few roundings away from the end


class Endings(BaseModel):
    """The endings of one step in SI units; None where not given.

    Attributes:
        time_s: seconds from the start of the step.
        radius_m: centre to the farthest tip, across the basal plane.
        thickness_m: full height along the c axis (the length of a column).
        mass_kg: mass of the whole crystal, seed included.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    time_s: float | None = None
    radius_m: float | None = None
    thickness_m: float | None = None
    mass_kg: float | None = None

    @property
    def names_size(self) -> bool:
        """Whether any size ends the step."""
        return any(v is not None for v in (self.radius_m, self.thickness_m, self.mass_kg))

    def words(self) -> str:
        """`15 minutes or radius 200 um, whichever first`."""
        parts = []
        if self.time_s is not None:
            parts.append(f"{MINUTE.text(self.time_s)} minutes")
        if self.radius_m is not None:
            parts.append(f"radius {MICROMETRE.text(self.radius_m)} um")
        if self.thickness_m is not None:
            parts.append(f"thickness {MICROMETRE.text(self.thickness_m)} um")
        if self.mass_kg is not None:
            parts.append(f"mass {MICROGRAM.text(self.mass_kg)} ug")
        if len(parts) < 2:
            return parts[0] if parts else "never"
        return " or ".join(parts) + ", whichever first"


def why_ended(
    step: Step, time_in_step_s: float, radius_m: float, thickness_m: float, mass_kg: float
) -> str | None:
    """Say in words which ending of the step has been reached, or None while it goes on.

    Args:
        step: the step that runs.
        time_in_step_s: seconds since the step began.
        radius_m: centre to farthest tip.
        thickness_m: full height along c.
        mass_kg: mass of the whole crystal.
    """
    ends = step.endings
    if ends.radius_m is not None and radius_m >= ends.radius_m:
        return f"radius reached {MICROMETRE.text(ends.radius_m)} um"
    if ends.thickness_m is not None and thickness_m >= ends.thickness_m:
        return f"thickness reached {MICROMETRE.text(ends.thickness_m)} um"
    if ends.mass_kg is not None and mass_kg >= ends.mass_kg:
        return f"mass reached {MICROGRAM.text(ends.mass_kg)} ug"
    if ends.time_s is not None and time_in_step_s >= ends.time_s * (1.0 - _HAIR):
        return f"{MINUTE.text(ends.time_s)} minutes passed"
    return None


def time_left_s(step: Step, time_in_step_s: float) -> float:
    """Seconds until the clock ends the step (never negative); inf if only a size ends it."""
    if step.endings.time_s is None:
        return math.inf
    return max(0.0, step.endings.time_s - time_in_step_s)


def fraction_done(
    step: Step,
    time_in_step_s: float,
    sizes: tuple[float, float, float],
    sizes_at_start: tuple[float, float, float],
) -> float:
    """How far the step has come towards its nearest ending, 0 to 1, for a progress bar.

    Args:
        step: the step that runs.
        time_in_step_s: seconds since the step began.
        sizes: (radius_m, thickness_m, mass_kg) now.
        sizes_at_start: the same when the step began.
    """
    ends = step.endings
    done = [0.0] if ends.time_s is None else [time_in_step_s / ends.time_s]
    for goal, now, start in zip(
        (ends.radius_m, ends.thickness_m, ends.mass_kg), sizes, sizes_at_start, strict=True
    ):
        if goal is not None:
            done.append(1.0 if goal <= start else (now - start) / (goal - start))
    return min(1.0, max(0.0, *done))
