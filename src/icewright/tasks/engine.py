"""What a task asks of a growth engine; ``icewright.growth.run.Simulation`` is the built-in one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast

from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.kinetics.model import Kinetics
    from icewright.recipe.model import Recipe
    from icewright.shape.solid import Solid


class Simulation(Protocol):
    """A crystal that grows by :meth:`advance`, one time step each, until ``ended`` says why it stopped."""

    time_s: float
    step_index: int
    time_in_step_s: float
    ended: str | None

    def advance(self) -> None:
        """Grow by one time step; never past the end of the recipe's step."""

    def reading(self) -> Mapping[str, float]:
        """Sizes, air and accuracy now, in SI; keys are the columns of the series.

        A simulation may also have ``glance()``: only ``time_s, temperature_k, sigma, radius_tip_m,
        thickness_m, mass_kg``, the same numbers at a small price. It is then asked after each time step,
        and this only for a row.
        """

    def solid(self) -> Solid:
        """The crystal now."""

    def state(self) -> Mapping[str, Any]:
        """Everything that going on needs, to the bit: arrays, numpy scalars, numbers, texts."""


class Engine(Protocol):
    """The class of a simulation: starts one from a recipe, or from a saved state."""

    def __call__(self, recipe: Recipe, kinetics: Kinetics, **options: Any) -> Simulation:
        """A new crystal, the recipe's seed."""

    def from_state(self, recipe: Recipe, kinetics: Kinetics, state: Mapping[str, Any]) -> Simulation:
        """The crystal whose :meth:`Simulation.state` that was."""


def built_in() -> Engine:
    """The built-in engine, imported only now because it brings its compiled kernels along."""
    from icewright.growth.run import Simulation as BuiltIn

    return cast(Engine, BuiltIn)


def start(engine: Engine, recipe: Recipe, kinetics: Kinetics) -> Simulation:
    """A new simulation; a seed that is a saved crystal is read from its run folder.

    Raises ``IcewrightError`` if that folder holds no frame.
    """
    if recipe.seed.crystal is None:
        return engine(recipe, kinetics)
    from icewright.tasks.crystals import solid_of

    return engine(recipe, kinetics, seed=solid_of(Path(recipe.seed.crystal)))


def set_threads(threads: int | None) -> int | None:
    """Give the compiled kernels that many threads and say how many they have; None leaves them as they are.

    Raises ``IcewrightError`` if there are not so many.
    """
    import numba

    if threads is not None:
        most = int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]  # set when numba starts
        if not 1 <= threads <= most:
            raise IcewrightError(
                "That many threads cannot be had.",
                got=f"--threads {threads}",
                wanted=f"1 to {most}",
            )
        numba.set_num_threads(threads)
    return int(numba.get_num_threads())
