"""What the sheet says in words: what to look for at each step, and what to do when something goes wrong.

The rescue lines are common practice, no source; the numbers in them are worked out for the recipe.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from icewright.ground.units import kelvin_to_celsius, percent, um
from icewright.vapour.saturation import ice_pressure
from icewright.vapour.supersaturation import sigma_at_water_saturation

if TYPE_CHECKING:
    from icewright.sheets.content import Sheet, Station

HEAL = "1 to 2 % over ice"  # common practice, no source
_BEHIND = (
    "Go by size: stay in the step until its size is there, and move all later times. Slow growth means less "
    "vapour at the crystal than was set. Look for frost and for neighbours that take it, and for a crystal "
    "warmer than thought (0.1 °C takes up to {tenth} % off the supersaturation). Growth rises at least in "
    "proportion to the supersaturation, so a crystal at four fifths of the pace needs at most a quarter more"
    " of it. Mind the fog."
)
_AHEAD = (
    "Go on to the next step when the size is there, however early. Fast growth means more vapour than was "
    "set, or a colder crystal: take the supersaturation down in proportion, not by more."
)
_UNEQUAL = (
    "One side is fed better. Look on the short side for a neighbour, a wall, the holder or a draught; take "
    "it away, or turn the crystal. What is short does not catch up by itself: the longer side takes its "
    "vapour. To even out, go down to {heal} until the facets are straight and set out again; sizes then "
    "count from the new crystal. This prediction knows only equal sides."
)
_FOG = (
    "The air has passed water saturation ({margin}). Go a few percent below and wait: the ice draws the "
    "drops dry, the nearest first. A drop that has touched is frozen on for good: note where. While drops "
    "last they hold the air at water saturation, so the clock is lost: go by size."
)
_OVERSHOOT = (
    "Past a size: go on at once, and add what was overshot to every later size of the same kind. Air too "
    "moist or too cold: back in one move; expect branches or a rib at the radius it had then, and write that"
    " radius down. Air too dry: only time is lost, unless it fell below ice saturation, where the crystal "
    "shrinks, which is not predicted here."
)
_SOLIDITY = 0.02  # a change of outline that an eye sees; common practice, no source
_HOLLOW = 0.10
_LONG = 1.25  # thickness over width from which the habit words speak of columns


def clock(time_s: float) -> str:
    """`4:36`, `1:04:36`: hours, minutes and seconds, to the second."""
    whole = round(time_s)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def number(value: float, digits: int = 3) -> str:
    """To that many digits, with a true minus sign and no exponent."""
    text = f"{float(f'{value:.{digits}g}'):.10f}".rstrip("0").rstrip(".")
    return text.replace("-", "\N{MINUS SIGN}") if text != "-0" else "0"


def celsius(temperature_k: float) -> str:
    """`−15`, to a hundredth of a degree."""
    text = f"{kelvin_to_celsius(temperature_k):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", "\N{MINUS SIGN}")


def over_ice(sigma: float) -> str:
    """`15`, percent to a hundredth."""
    text = f"{percent(sigma):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text.replace("-", "\N{MINUS SIGN}")


def change(first: str, last: str) -> str:
    """`15 → 2`, or one of them where they are equal."""
    return first if first == last else f"{first} \N{RIGHTWARDS ARROW} {last}"


def through(values: list[str]) -> str:
    """`15 → 2 → 8`; of more than four `15 → 2, between 1 and 16`."""
    kept = [v for k, v in enumerate(values) if k == 0 or v != values[k - 1]]
    if len(kept) <= 4:
        return " \N{RIGHTWARDS ARROW} ".join(kept)
    order = sorted(kept, key=lambda v: float(v.replace("\N{MINUS SIGN}", "-")))
    return f"{change(kept[0], kept[-1])}, between {order[0]} and {order[-1]}"


def look_for(station: Station) -> list[str]:
    """Sentences on what a person at the microscope should see in this step."""
    was, now = station.start, station.end
    if all(sigma <= 0.0 for _, sigma in station.path):
        return ["No growth: nothing should change. Rounded edges mean that the ice shrinks."]
    said = []
    seed = "seed" if was.time_s == 0.0 else was.habit
    said.append(f"Stays {a(now.habit)}." if now.habit == was.habit else f"From {seed} to {now.habit}.")
    if now.sizes.aspect_ratio < _LONG:
        dip = now.sizes.solidity - was.sizes.solidity
        if dip < -_SOLIDITY:
            said.append("Corners run ahead and the sides fall back between them.")
        elif dip > _SOLIDITY:
            said.append("The gaps between the corners fill and the sides straighten.")
        elif now.sizes.solidity > 0.98:
            said.append("Six straight sides, sharp corners.")
    if now.sizes.side_branches:
        said.append("Side branches: where they sit differs from crystal to crystal.")
    if now.sizes.hollow_share >= _HOLLOW and now.sizes.hollow_share > was.sizes.hollow_share:
        long = now.sizes.aspect_ratio >= _LONG
        said.append(
            "Ends hollow: a dark funnel in each." if long else "Thinner in the middle than at the rim."
        )
    return said


def pace(station: Station) -> list[str]:
    """Sizes on the way, by the step's own clock."""
    long = station.end.sizes.aspect_ratio >= _LONG
    name = "length" if long else "radius"
    return [
        f"{clock(t)} into it: {name} {number(um(thickness if long else radius))} µm"
        for t, radius, thickness in station.pace
    ]


def speed(station: Station) -> list[str]:
    """How fast it grows as the step ends; nothing where it does not."""
    # A surface cell that fills moves the thickness to and fro by a little: below zero is not shrinking.
    radius, thick = (max(0.0, 60.0 * um(v)) for v in station.speeds_m_s)
    if radius == thick == 0.0:
        return []
    return ["µm a minute at its end:", f"radius +{number(radius, 2)}, thickness +{number(thick, 2)}"]


def rescue(sheet: Sheet) -> list[tuple[str, str]]:
    """(mishap, what to do) for the usual ones."""
    stations = sheet.stations
    air = [(t, s, station.label) for station in stations for t, s in station.path]
    per_tenth = max(abs(_per_tenth(t, s)) for t, s, _ in air)
    flat = stations[-1].end.sizes.aspect_ratio < _LONG
    parts = "Arms" if flat and stations[-1].end.sizes.solidity < 0.95 else "Sides" if flat else "Ends"
    return [
        ("Behind: smaller than here at the same time", _BEHIND.format(tenth=over_ice(per_tenth))),
        ("Ahead: larger than here at the same time", _AHEAD),
        (f"{parts} unequal", _UNEQUAL.format(heal=HEAL)),
        ("Fog: droplets in the air or near the crystal", _FOG.format(margin=_margin(air))),
        ("Overshoot: past a size, or the air past its value", _OVERSHOOT),
    ]


def _margin(air: list[tuple[float, float, str]]) -> str:
    """Where the recipe comes closest to water saturation, and how close."""
    room, where, kelvin = min((float(sigma_at_water_saturation(t)) - s, label, t) for t, s, label in air)
    fog = over_ice(float(sigma_at_water_saturation(kelvin)))
    here = f"stays {over_ice(room)} % below it" if room > 0 else "is AT OR ABOVE it"
    return f"{fog} % over ice at {celsius(kelvin)} °C; this recipe {here} in step {where}"


def _per_tenth(temperature_k: float, sigma: float) -> float:
    """Change of sigma when the crystal is 0.1 K warmer in the same vapour."""
    vapour = (1.0 + sigma) * float(ice_pressure(temperature_k))
    return vapour / float(ice_pressure(min(temperature_k + 0.1, 273.15))) - 1.0 - sigma


def a(word: str) -> str:
    """The habit word with its article."""
    if word == "compact":
        word = "compact crystal"
    return f"an {word}" if word[:1] in "aeiou" else f"a {word}"
