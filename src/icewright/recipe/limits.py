"""What a recipe may ask for: the bounds, and the refusals that say which line to type instead.

All bounds are common practice of benches that grow single crystals in air; none is a physical constant. They
exist to catch a slipped unit before an hour of computing, so each refusal guesses the slip and offers the
mended line.
"""

from __future__ import annotations

import math

from icewright.ground.errors import IcewrightError
from icewright.recipe.quantities import HECTOPASCAL, MICROMETRE, MINUTE, Number, exact, toml_number

COLDEST_C = -70.0
WARMEST_C = 0.0
PRESSURE_HPA = (0.1, 2000.0)
SIGMA_MAX = 3.0  # the sampled attachment tables end here
LENGTH_UM = (0.1, 20000.0)
MINUTES_MAX = 14 * 24 * 60.0
STALK_UM = (0.05, 1000.0)


class RecipeError(IcewrightError):
    """A recipe that is refused. Has three parts: what was got, what was wanted, the line to type."""


def number(value: object, where: str, key: str, example: str) -> Number:
    """A finite number, or a refusal that names the key.

    Raises:
        RecipeError: for text, true/false, lists, nan and inf.
    """
    if isinstance(value, bool) or not hasattr(value, "__float__") or isinstance(value, str):
        hint = f"{key} = {example}"
        raise RecipeError(got=f"{where}: {key} = {_shown(value)}", wanted="a number", do=hint)
    if not math.isfinite(float(value)):
        raise RecipeError(got=f"{where}: {key} = {value}", wanted="a finite number", do=f"{key} = {example}")
    return value  # type: ignore[return-value]


def check_temperature(t_k: float, where: str = "recipe", key: str = "temperature_c") -> None:
    """Refuse temperatures at which ice does not grow from vapour here, and guess the slip.

    Args:
        t_k: temperature in kelvin.
        where: which part of the recipe, for the message.
        key: the key that the user typed.

    Raises:
        RecipeError: above 0 degC or below -70 degC.
    """
    t_c = round(t_k - 273.15, 6)
    wanted = "a temperature from -70 to 0 degrees Celsius"
    if t_c > WARMEST_C:
        if 180.0 <= t_c <= 275.0:
            do = f"this reads like kelvin; in Celsius it is: {key} = {_short(t_c - 273.15)}"
        elif t_c <= 32.0:
            do = (
                f"if the minus sign was lost: {key} = {_short(-t_c)}   "
                f"if it was Fahrenheit: {key} = {_short((t_c - 32.0) / 1.8)}"
            )
        else:
            do = f"{key} = -15"
        raise RecipeError(
            got=f"{where}: {key} = {_short(t_c)}, which is above freezing", wanted=wanted, do=do
        )
    if t_c < COLDEST_C:
        raise RecipeError(got=f"{where}: {key} = {_short(t_c)}", wanted=wanted, do=f"{key} = -40")


def check_pressure(p_pa: float) -> None:
    """Refuse pressures outside 0.1 to 2000 hPa; recognise pascals.

    Raises:
        RecipeError: outside that range.
    """
    hpa = p_pa / 100.0
    low, high = PRESSURE_HPA
    if low <= hpa <= high:
        return
    if hpa > high and low <= hpa / 100.0 <= high:
        do = f"this reads like pascals; in hectopascals it is: pressure_hpa = {_short(hpa / 100.0)}"
    else:
        do = "pressure_hpa = 1013.25"
    raise RecipeError(
        got=f"[air]: pressure_hpa = {HECTOPASCAL.text(p_pa)}",
        wanted=f"a pressure from {low} to {high:g} hPa",
        do=do,
    )


def check_length(x_m: float, where: str, key: str) -> None:
    """Refuse crystal lengths outside 0.1 um to 20 mm; recognise metres and millimetres.

    Raises:
        RecipeError: outside that range.
    """
    um = float(MICROMETRE.from_si(x_m))
    low, high = LENGTH_UM
    if low <= um <= high:
        return
    do = f"{key} = 50"
    if 0 < um < 1e-2 and low <= um * 1e6 <= high:
        do = f"this reads like metres; in micrometres it is: {key} = {_short(um * 1e6)}"
    elif 0 < um < low and low <= um * 1e3 <= high:
        do = f"if it was millimetres: {key} = {_short(um * 1e3)}"
    raise RecipeError(got=f"{where}: {key} = {_short(um)}", wanted=f"{low} to {high:g} micrometres", do=do)


def check_minutes(t_s: float, where: str) -> None:
    """Refuse step times that are not positive or longer than two weeks.

    Raises:
        RecipeError: outside that range.
    """
    minutes = float(MINUTE.from_si(t_s))
    if 0 < minutes <= MINUTES_MAX:
        return
    do = "minutes = 10"
    if minutes > MINUTES_MAX:
        do = f"if it was seconds: minutes = {_short(minutes / 60.0)}"
    raise RecipeError(
        got=f"{where}: minutes = {_short(minutes)}", wanted="more than 0 and at most two weeks (20160)", do=do
    )


def check_sigma(sigma: float, where: str, line: str) -> None:
    """Refuse supersaturations over ice that no air can have (below -1) or that no table here covers (above
    3).

    Args:
        sigma: supersaturation over ice, a fraction.
        where: which part of the recipe.
        line: the line that the user typed.

    Raises:
        RecipeError: outside -1 to 3.
    """
    if sigma < -1.0:
        raise RecipeError(
            got=f"{where}: {line}, a negative amount of vapour",
            wanted="at least dry air (-100 %)",
            do="sigma_percent = 2",
        )
    if sigma > SIGMA_MAX:
        raise RecipeError(
            got=f"{where}: {line}, which is {sigma * 100:.0f} % over ice",
            wanted=f"at most {SIGMA_MAX * 100:.0f} % over ice (water saturation at -15 degC is 15.7 %)",
            do="sigma_percent = 15",
        )


def _short(value: float) -> str:
    return toml_number(exact(float(f"{value:.6g}")))


def _shown(value: object) -> str:
    return (
        f'"{value}"'
        if isinstance(value, str)
        else str(value).lower()
        if isinstance(value, bool)
        else str(value)
    )
