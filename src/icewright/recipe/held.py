"""How the crystal is held: it decides which directions vapour comes from and where the heat goes."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, model_validator

from icewright.recipe.limits import STALK_UM, RecipeError, check_length
from icewright.recipe.quantities import MICROMETRE

Way = Literal["free", "plate", "pedestal", "needle"]
WAYS: tuple[Way, ...] = ("free", "plate", "pedestal", "needle")
NEEDS: dict[Way, tuple[str, ...]] = {
    "free": (),
    "plate": (),
    "pedestal": ("height_um", "stalk_radius_um"),
    "needle": ("stalk_radius_um",),
}
_EXAMPLE = {"height_um": "height_um = 50", "stalk_radius_um": "stalk_radius_um = 2"}


class Held(BaseModel):
    """How the crystal is held.

    Attributes:
        way: "free" (levitated or falling, vapour from all sides, heat into the air), "plate" (lying on a
            flat dry plate that takes the heat), "pedestal" (raised above such a plate) or "needle" (on the
            end of a thin ice needle).
        height_m: height of the pedestal; None for other ways.
        stalk_radius_m: radius of the pedestal or of the needle; None for other ways.

    Raises:
        RecipeError: where a length is missing for the way, or given and unused.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    way: Way = "free"
    height_m: float | None = None
    stalk_radius_m: float | None = None

    @model_validator(mode="after")
    def _check(self) -> Held:
        given = {"height_um": self.height_m, "stalk_radius_um": self.stalk_radius_m}
        for key, value in given.items():
            needed = key in NEEDS[self.way]
            if needed and value is None:
                raise RecipeError(
                    got=f'[held]: way = "{self.way}" without {key}',
                    wanted=f"{key}, in micrometres",
                    do=_EXAMPLE[key],
                )
            if value is not None and not needed:
                ways = [w for w in WAYS if key in NEEDS[w]]
                raise RecipeError(
                    got=f'[held]: {key} with way = "{self.way}"',
                    wanted=f"{key} only where it means something: way = "
                    + " or ".join(f'"{w}"' for w in ways),
                    do=f'way = "{ways[0]}"   (or delete {key})',
                )
        if self.height_m is not None:
            check_length(self.height_m, "[held]", "height_um")
        if self.stalk_radius_m is not None:
            um = float(MICROMETRE.from_si(self.stalk_radius_m))
            if not STALK_UM[0] <= um <= STALK_UM[1]:
                raise RecipeError(
                    got=f"[held]: stalk_radius_um = {um:g}",
                    wanted=f"{STALK_UM[0]} to {STALK_UM[1]:g} micrometres",
                    do=_EXAMPLE["stalk_radius_um"],
                )
        return self
