"""The recipe itself: everything that decides how one crystal grows, in SI units, frozen."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from icewright.recipe.held import Held
from icewright.recipe.limits import RecipeError, check_pressure
from icewright.recipe.notes import Notes
from icewright.recipe.quantities import MICROGRAM, MICROMETRE
from icewright.recipe.resolution import Resolution
from icewright.recipe.seed import Seed
from icewright.recipe.step import Step

KIND = "icewright.recipe"
SCHEMA = 1

Diffusivity = Literal["1976", "1998", "1972"]
Facets = Literal["joined", "collective", "local"]
ModelName = Literal["3d", "round"]


class Gas(BaseModel):
    """A gas other than air, by the user's own numbers, taken as they are (they are not scaled with T or P).

    Attributes:
        diffusivity_m2_s: diffusivity of water vapour in the gas, at the recipe's pressure.
        conductivity_w_mk: heat conductivity of the gas.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    diffusivity_m2_s: float
    conductivity_w_mk: float

    @model_validator(mode="after")
    def _check(self) -> Gas:
        if not 1e-8 <= self.diffusivity_m2_s <= 1.0:
            raise RecipeError(
                got=f"[air.gas]: diffusivity_m2_s = {self.diffusivity_m2_s:g}",
                wanted="1e-8 to 1 m2/s (water vapour in air at -15 degC has 1.9e-5)",
                do="diffusivity_m2_s = 1.9e-5",
            )
        if not 1e-4 <= self.conductivity_w_mk <= 10.0:
            raise RecipeError(
                got=f"[air.gas]: conductivity_w_mk = {self.conductivity_w_mk:g}",
                wanted="1e-4 to 10 W/(m K) (air at -15 degC has 0.023)",
                do="conductivity_w_mk = 0.023",
            )
        return self


class Recipe(BaseModel):
    """One crystal's life, before it is lived.

    Attributes:
        title: free words.
        pressure_pa: total pressure of the air or gas.
        diffusivity: which published formula gives D of water vapour in air: "1976", "1998" or "1972".
        gas: another gas, by its own numbers; None for air.
        held: how the crystal is held.
        seed: what it starts from.
        kinetics: name of a built-in attachment table, or the path of a table file.
        facets: how facets advance: "joined", "collective" or "local".
        model: "3d", or "round" for the axisymmetric one.
        resolution: voxel size or preset.
        notes: what was done to draw the needle; kept, never computed with.
        steps: one or more steps, in order.

    Raises:
        RecipeError: for anything that cannot be, or can never end.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)

    kind: Literal["icewright.recipe"] = "icewright.recipe"
    schema_number: Literal[1] = Field(default=1, alias="schema")  # pydantic keeps the plain name to itself
    title: str = ""
    pressure_pa: float = 101325.0
    diffusivity: Diffusivity = "1976"
    gas: Gas | None = None
    held: Held = Held()
    seed: Seed
    kinetics: str = "broad-narrow"
    facets: Facets = "joined"
    model: ModelName = "3d"
    resolution: Resolution = Resolution()
    notes: Notes = Notes()
    steps: tuple[Step, ...]

    @model_validator(mode="after")
    def _check(self) -> Recipe:
        check_pressure(self.pressure_pa)
        if not self.steps:
            raise RecipeError(
                got="a recipe without steps",
                wanted="at least one step",
                do="[[step]]\ntemperature_c = -15\nsigma_percent = 2\nminutes = 10",
            )
        self._refuse_stalk()
        self._refuse_endings_behind()
        return self

    def _refuse_stalk(self) -> None:
        stalk, radius = self.held.stalk_radius_m, self.seed.radius_m
        if stalk is not None and radius is not None and stalk > radius:
            raise RecipeError(
                got=f"[held]: stalk_radius_um = {MICROMETRE.text(stalk)} under a seed of radius "
                f"{MICROMETRE.text(radius)} um",
                wanted="a stalk no wider than the crystal on it",
                do=f"stalk_radius_um = {MICROMETRE.text(radius)}",
            )

    def _refuse_endings_behind(self) -> None:
        """Refuse size endings that the crystal is sure to have passed before the step begins.

        A crystal never shrinks here, so a size that alone ends a step is a lower bound for all later ones.
        """
        sure = {
            "radius_um": self.seed.radius_m,
            "thickness_um": self.seed.thickness_m,
            "mass_ug": self.seed.mass_kg,
        }
        since = dict.fromkeys(sure, "the seed")
        for i, step in enumerate(self.steps, 1):
            ends = step.endings
            goals = {"radius_um": ends.radius_m, "thickness_um": ends.thickness_m, "mass_ug": ends.mass_kg}
            for key, goal in goals.items():
                at_least = sure[key]
                if goal is None or at_least is None or goal > at_least:
                    continue
                unit = MICROGRAM if key == "mass_ug" else MICROMETRE
                floor = float(f"{float(unit.from_si(at_least)):.4g}")
                raise RecipeError(
                    got=f"step {i}: {key} = {unit.text(goal)}, but {since[key]} already has {floor:g}",
                    wanted="an ending that the crystal has not passed when the step begins",
                    do=f"{key} = {2 * floor:g}",
                )
            only = [key for key, goal in goals.items() if goal is not None]
            if len(only) == 1 and ends.time_s is None:
                sure[only[0]] = goals[only[0]]
                since[only[0]] = f"the crystal after step {i}"
