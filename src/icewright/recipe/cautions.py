"""What to know before growing an allowed recipe: droplets, sublimation, odd units, the way of holding."""

from __future__ import annotations

from icewright.recipe.model import Recipe
from icewright.recipe.quantities import HECTOPASCAL
from icewright.recipe.step import Step

_SAMPLES = 33
_BY_WAY = {
    "needle": (
        "held on a needle: such needles are usually drawn out by a few kilovolts (common practice, "
        "no source). "
        "Ground the chamber, keep hands and cameras away while the voltage is on, and switch it off "
        "before the crystal "
        "grows: growth here is modelled without any electric field.",
    ),
    "plate": (
        "lying on a cold plate: the plate is taken as flat, dry and as cold as the recipe says, and "
        "to carry the "
        "crystal's heat away. Frost or a film of water on it would take vapour that the model does "
        "not take, and cold "
        "metal burns skin.",
    ),
    "pedestal": (
        "raised on a pedestal above a cold plate: the plate is taken as flat and dry. Frost on it "
        "would take vapour that "
        "the model does not take, and cold metal burns skin.",
    ),
    "free": (),
}


def warnings(recipe: Recipe) -> list[str]:
    """Sentences for the user, most serious first; empty when there is nothing to say.

    Whether the temperature lies within the range of an attachment table is for the kinetics to say.
    """
    said: list[str] = []
    for index, step in enumerate(recipe.steps, 1):
        said += _of_step(step, index, recipe.pressure_pa)
    said += _of_pressure(recipe.pressure_pa)
    said += _BY_WAY[recipe.held.way]
    said += recipe.notes.cautions()
    return said


def _of_step(step: Step, index: int, pressure_pa: float) -> list[str]:
    from icewright.vapour.scales import scales

    said = []
    time_s = step.endings.time_s or 0.0
    moments = [time_s * i / (_SAMPLES - 1) for i in range(_SAMPLES)] if step.ramps else [0.0]
    worst_over, worst_under, limit_there = 0.0, 0.0, 0.0
    for moment in moments:
        sigma = step.sigma_at(moment)
        limit = scales(step.temperature_at(moment), pressure_pa).sigma_water
        # A recipe that asks for exactly water saturation is not above it; the hair covers rounding.
        if sigma - limit > max(worst_over, 1e-6):
            worst_over, limit_there = sigma - limit, limit
        worst_under = min(worst_under, sigma)
    if worst_over > 0.0:
        said.append(
            f"step {index}: {step.humidity.line()} is above water saturation ({limit_there * 100:.2f} "
            "% over ice at that "
            "temperature): fog droplets will form, take vapour and may freeze onto the crystal; none "
            "of that is modelled"
        )
    if worst_under < 0.0:
        said.append(
            f"step {index}: {step.humidity.line()} is below ice saturation ({worst_under * 100:.2f} "
            "%): the crystal would "
            "shrink, but sublimation is not modelled and the crystal is held unchanged"
        )
    if step.humidity.measure == "sigma":
        top = max(step.humidity.start, step.humidity.end)
        if 0.0 < top < 0.005:
            said.append(
                f"step {index}: {step.humidity.line()} is less than half a percent over ice; if "
                f"{top * 100:g} was meant as "
                f"a fraction, type sigma_percent = {top * 1e4:g}"
            )
    return said


def _of_pressure(pressure_pa: float) -> list[str]:
    hpa = pressure_pa / 100.0
    shown = HECTOPASCAL.text(pressure_pa)
    for low, high, name, factor in (
        (0.9, 1.1, "bar or atmospheres", 1013.25),
        (90.0, 110.0, "kilopascals", 10.0),
    ):
        if low <= hpa <= high:
            return [f"pressure_hpa = {shown} reads like {name}; if so, type pressure_hpa = {hpa * factor:g}"]
    return []
