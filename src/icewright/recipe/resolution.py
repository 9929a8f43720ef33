"""How finely a run is cut into voxels: by name, or by the size of a voxel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, model_validator

from icewright.recipe.limits import RecipeError
from icewright.recipe.quantities import MICROMETRE

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe

Preset = Literal["preview", "standard", "fine"]
VOXELS_IN_RADIUS: dict[Preset, int] = {"preview": 100, "standard": 200, "fine": 400}
FLOOR_M = (
    0.1e-6  # a little below X0 = D / sqrt(kT / 2 pi m), 0.14 um in air: finer gains nothing in the vapour
)


class Resolution(BaseModel):
    """Either a preset or a voxel size; "standard" if neither is given.

    Attributes:
        preset: "preview", "standard" or "fine": about 100, 200 or 400 voxels in the radius of the finished
            crystal.
        voxel_m: distance of voxel centres in the basal plane.

    Raises:
        RecipeError: if both are given, or for a voxel under 0.01 um or over 100 um.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    preset: Preset | None = None
    voxel_m: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _default(cls, data: object) -> object:
        if isinstance(data, dict) and data.get("preset") is None and data.get("voxel_m") is None:
            return {**data, "preset": "standard"}
        return data

    @model_validator(mode="after")
    def _check(self) -> Resolution:
        if self.preset is not None and self.voxel_m is not None:
            raise RecipeError(
                got="[resolution]: preset and voxel_um together",
                wanted="one of them",
                do=f'preset = "{self.preset}"   (or delete preset)',
            )
        if self.voxel_m is not None and not 1e-8 <= self.voxel_m <= 1e-4:
            raise RecipeError(
                got=f"[resolution]: voxel_um = {MICROMETRE.text(self.voxel_m)}",
                wanted="0.01 to 100 micrometres",
                do="voxel_um = 0.5",
            )
        return self


def voxel_m(recipe: Recipe) -> float:
    """Distance of voxel centres in metres: the recipe's own, or its final size cut into the preset's number.

    A preset never goes below 0.1 um (near X0, where attachment takes over from diffusion in any case); an
    explicit `voxel_um` is taken as it is. See `final_size` for what stands for the final size.
    """
    if recipe.resolution.voxel_m is not None:
        return recipe.resolution.voxel_m
    size, _ = final_size(recipe)
    return max(FLOOR_M, size / VOXELS_IN_RADIUS[recipe.resolution.preset or "standard"])


def final_size(recipe: Recipe) -> tuple[float, str]:
    """Half the greatest extent of the finished crystal, in metres, and in words where that came from.

    The largest of the seed, every radius ending and half of every thickness ending. Without any such ending,
    a mass ending counts as a sphere of that mass times two; and with times only, the size is a guess: twice
    the radius of a sphere grown by diffusion alone for the whole recipe (plates and columns reach about that;
    stars more).
    """
    seed = [
        (recipe.seed.radius_m or 0.0, "the seed"),
        ((recipe.seed.thickness_m or 0.0) / 2, "the seed's half thickness"),
    ]
    named = []
    for i, step in enumerate(recipe.steps, 1):
        if step.endings.radius_m is not None:
            named.append((step.endings.radius_m, f"the radius ending of step {i}"))
        if step.endings.thickness_m is not None:
            named.append((step.endings.thickness_m / 2, f"half the thickness ending of step {i}"))
    if named:
        return max(named + seed)
    masses = [s.endings.mass_kg for s in recipe.steps if s.endings.mass_kg is not None]
    if masses:
        sphere = (max(masses) * 3.0 / (4.0 * math.pi * 917.0)) ** (1.0 / 3.0)
        return max([(2.0 * sphere, "twice the sphere of the mass ending"), *seed])
    return max(
        [(2.0 * _diffusion_sphere_m(recipe), "a guess from the times, as no size ends the recipe"), *seed]
    )


def _diffusion_sphere_m(recipe: Recipe) -> float:
    """Radius of a sphere that takes all the vapour that diffusion brings.

    R^2 = R0^2 + 2 sum of X0 v_kin sigma t / (1 + chi0) over the steps, each at its middle.

    X0 v_kin is D c_sat / c_ice, so this is the alpha = 1, R >> X0 limit of the sphere law with latent heat.
    """
    from icewright.vapour.scales import scales

    squared = (recipe.seed.radius_m or 0.0) ** 2
    for step in recipe.steps:
        time_s = step.endings.time_s or 0.0
        middle = time_s / 2
        s = scales(
            step.temperature_at(middle), recipe.pressure_pa, diffusivity=recipe.diffusivity, gas=recipe.gas
        )
        heat = 1.0 + s.chi0 if recipe.held.way == "free" else 1.0
        squared += 2.0 * s.X0_m * s.v_kin_m_s * max(0.0, step.sigma_at(middle)) * time_s / heat
    return math.sqrt(squared)
