"""How a search stands while it goes on, and what it came to."""

from __future__ import annotations

from dataclasses import dataclass, field

from icewright.design.evaluate import Trial


@dataclass(frozen=True)
class Progress:
    """How the search stands. ``fraction`` is of the budget; ``distance`` the best so far (None at first)."""

    phase: str
    trials: int
    fraction: float
    distance: float | None
    habit: str
    wall_s: float
    eta_s: float | None


@dataclass
class Found:
    """What a search came to: trials, best first.

    ``confirmed`` were grown on fine voxels. ``history`` holds (cost, distance) whenever the best improved.
    ``complete`` is False where it was stopped.
    """

    confirmed: list[Trial] = field(default_factory=list)
    coarse: list[Trial] = field(default_factory=list)
    history: list[tuple[float, float]] = field(default_factory=list)
    complete: bool = False
    cost: float = 0.0
    trials: int = 0
    kept: int = 0
    cpu_s: float = 0.0
    wall_s: float = 0.0

    @property
    def best(self) -> Trial | None:
        """The nearest crystal: of those grown fine, if there are any."""
        pool = self.confirmed or self.coarse
        return min(pool, key=lambda t: t.distance) if pool else None
