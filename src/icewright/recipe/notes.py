"""Notes on a stage that draws needles by kilovolts: kept with the run as data, and never computed with.

Whether and at what voltage a needle runs out hangs on the stage, the additive and the needle's axis (Phys.
Rev. Lett. 81, 176, 1998, page from memory; J. Cryst. Growth 240, 241, 2002; only the abstracts were read). No
threshold is known here, so none is asked for or assumed: what was done is written down, and people compare
their own runs.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, model_validator

from icewright.recipe.keys import NOTES
from icewright.recipe.limits import RecipeError


class Notes(BaseModel):
    """What was done to draw the needle, as the user writes it.

    Attributes:
        volts: voltage on the needle's wire, V; its sign is kept.
        additive: what was added to the vapour, and how much.
        needle_axis: crystal axis that the needle follows.
        heat_path: how the growth heat leaves along the needle: its length, its foot.
        words: anything else.

    Raises:
        RecipeError: for a voltage that reads like kilovolts.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    volts: float | None = None
    additive: str = ""
    needle_axis: str = ""
    heat_path: str = ""
    words: str = ""

    @model_validator(mode="after")
    def _check(self) -> Notes:
        v = self.volts
        if v is not None and 0 < abs(v) < 30:
            raise RecipeError(
                got=f"[notes]: volts = {v:g}",
                wanted="volts; this reads like kilovolts",
                do=f"volts = {v * 1000:g}",
            )
        return self

    def __bool__(self) -> bool:
        return self != Notes()

    def given(self) -> dict[str, float | str]:
        """The keys that say something."""
        return {key: value for key in NOTES if (value := getattr(self, key)) not in (None, "")}

    def cautions(self) -> list[str]:
        """What the notes imply for the people beside the stage, in the words of the apparatus."""
        from icewright.apparatus import cautions as known

        said = []
        if self.volts:
            said.append(known.HIGH_VOLTAGE)
        if self.additive:
            said.append(known.VAPOURS.format(names=self.additive))
        if self.volts and self.additive:
            said.append(known.SPARK)
        return [*said, known.DEFER] if said else []
