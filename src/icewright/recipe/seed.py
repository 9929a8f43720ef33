"""The crystal that a run starts from: a small hexagonal prism, or a crystal saved by an earlier run."""

from __future__ import annotations

import math

from pydantic import BaseModel, ConfigDict, model_validator

from icewright.recipe.limits import RecipeError, check_length

ICE_DENSITY_KG_M3 = 917.0  # near -2 degC (IAPWS-06); used only to refuse mass endings below the seed


class Seed(BaseModel):
    """The starting crystal.

    Attributes:
        radius_m: centre to corner of the hexagon; None with `crystal`.
        thickness_m: full height along c; None with `crystal`.
        crystal: path of a run folder whose last state is the seed; None otherwise.

    Raises:
        RecipeError: unless either both lengths or a crystal is given.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    radius_m: float | None = None
    thickness_m: float | None = None
    crystal: str | None = None

    @model_validator(mode="after")
    def _check(self) -> Seed:
        sized = self.radius_m is not None or self.thickness_m is not None
        if self.crystal is not None:
            if sized:
                raise RecipeError(
                    got="[seed]: crystal together with a size",
                    wanted="either a saved crystal or a size",
                    do="delete radius_um and thickness_um from [seed]",
                )
            return self
        for value, key, example in (
            (self.radius_m, "radius_um", "radius_um = 5"),
            (self.thickness_m, "thickness_um", "thickness_um = 5"),
        ):
            if value is None:
                raise RecipeError(
                    got=f"[seed] without {key}", wanted="radius_um and thickness_um, or crystal", do=example
                )
            check_length(value, "[seed]", key)
        return self

    @property
    def mass_kg(self) -> float | None:
        """Mass of the prism, (3 sqrt3 / 2) a^2 h times the density of ice; None for a saved crystal."""
        if self.radius_m is None or self.thickness_m is None:
            return None
        return 1.5 * math.sqrt(3.0) * self.radius_m**2 * self.thickness_m * ICE_DENSITY_KG_M3
