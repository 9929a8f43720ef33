"""From the air that is wanted to the settings that make it.

At a fixed temperature of the crystal, sigma rises steadily with one setting (the kind's ``driver``) while
another (its ``level``) keeps the temperature: saturation is convex in temperature, so widening a span about
a fixed point only ever adds vapour. Two nested root searches therefore find the one answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from icewright.apparatus.basis import ApparatusError, Kind, suffix_of, unit_of
from icewright.apparatus.model import Apparatus
from icewright.ground.constants import TRIPLE_POINT_K
from icewright.vapour.saturation import ice_pressure

_COLDEST_C = -148.0
_WATER_WARMEST_C = 58.0


def settings_for(
    apparatus: Apparatus,
    temperature_k: float,
    sigma: float,
    *,
    pressure_pa: float | None = None,
    held: Mapping[str, float] | None = None,
    limits: bool = True,
) -> dict[str, float]:
    """Settings (in the units of their names) for ``temperature_k`` (K) and ``sigma`` (fraction, before fog).

    ``limits=False`` asks what physics would need, whatever the knobs allow.
    Settings other than the kind's driver and level come from ``held`` or stand as the file says. Where two
    answers exist (a crystal below ice saturation on a needle from the warm plate), the one nearer to the
    driver in ``held``, or as it stands, is given.
    Raises ``ApparatusError`` where nothing within the limits gives it.
    """
    _sensible(temperature_k, sigma)
    kind = apparatus.physics
    rest = _rest(apparatus, kind, held)
    P = pressure_pa or apparatus.pressure_pa

    def made(driver: float, level: float) -> tuple[float, float]:
        found = apparatus.state({**rest, kind.driver: driver, kind.level: level}, pressure_pa=P)
        T = float(found.temperature_k)
        return T, float(found.vapour_pa) / float(ice_pressure(min(T, TRIPLE_POINT_K))) - 1.0

    def temperature(driver: float, level: float) -> float:
        x = apparatus.inputs({**rest, kind.driver: driver, kind.level: level})
        return float(kind.temperature(x, P, apparatus.choices))

    level_for = _level_finder(apparatus, kind, temperature, temperature_k)
    low, high = _driver_range(apparatus, kind, temperature_k, level_for)

    def excess(driver: float) -> float:
        return made(driver, level_for(driver))[1] - sigma

    hint = (held or {}).get(kind.driver, apparatus.settings[kind.driver].now)
    driver = _root(excess, low, high, hint)
    if driver is None:
        at = high if excess(high) < 0 else low
        best = made(at, level_for(at))[1]
        raise _beyond(
            apparatus, kind, temperature_k, sigma, best, {kind.driver: at, kind.level: level_for(at)}
        )
    found = {**rest, kind.driver: driver, kind.level: level_for(driver)}
    found = {name: found[name] for name in apparatus.settings}
    if not limits:
        return found
    _within_limits(apparatus, kind, found, temperature_k, sigma, made, level_for)
    # Rounding noise in the twelfth digit may lie a hair outside a limit that the answer sits on.
    return {n: min(max(v, apparatus.settings[n].low), apparatus.settings[n].high) for n, v in found.items()}


def _rest(apparatus: Apparatus, kind: Kind, held: Mapping[str, float] | None) -> dict[str, float]:
    stand_in = {n: s.low for n, s in apparatus.settings.items() if n in (kind.driver, kind.level)}
    given = {n: v for n, v in (held or {}).items() if n not in stand_in}
    whole = apparatus.complete({**stand_in, **given})
    rest = {n: v for n, v in whole.items() if n not in stand_in}
    apparatus.check(rest)
    return rest


def _sensible(temperature_k: float, sigma: float) -> None:
    t_c = temperature_k - 273.15
    if not -120.0 <= t_c <= 0.01:
        fahrenheit = f"if it was Fahrenheit: --temperature {(t_c - 32.0) / 1.8:.6g}"
        lost = f"if the minus sign was lost: --temperature {-t_c:.6g}"
        kelvin = f"if it was kelvin: --temperature {t_c - 273.15:.6g}"
        guesses = [lost, *([fahrenheit] if t_c <= 32.0 else [])] if t_c <= 100 else [kelvin]
        raise ApparatusError(
            "There is no ice to grow at this temperature.",
            got=f"{t_c:.6g} degC",
            wanted="-120 to 0 degC",
            do="   ".join(guesses),
        )
    if not -1.0 < sigma <= 50.0:
        raise ApparatusError(
            "This supersaturation cannot be.",
            got=f"{100 * sigma:.6g} %",
            wanted="above -100 % (dry air) and at most 5000 %",
            do="--sigma 8",
        )


def _level_finder(
    apparatus: Apparatus,
    kind: Kind,
    temperature: Callable[[float, float], float],
    temperature_k: float,
) -> Callable[[float], float]:
    """The level setting that keeps the crystal at the wanted temperature, for a driver."""
    from scipy.optimize import brentq

    offset = next((t.offset for t in apparatus.thermometers.values() if t.on == kind.level), 0.0)
    top = temperature_k - 273.15 + offset

    def level_for(driver: float) -> float:
        def miss(level: float) -> float:
            return temperature(driver, level) - temperature_k

        # With the needle's or the full transport rule the crystal may be a hair colder than its level.
        high = top + 1e-9
        while miss(high) < 0 and high < top + 5.0:
            high += 0.05
        if miss(_COLDEST_C) > 0:
            raise _TooWarmError
        return float(brentq(miss, _COLDEST_C, high, xtol=1e-13, rtol=1e-15))

    return level_for


class _TooWarmError(Exception):
    """Even the coldest level leaves the crystal too warm."""


def _driver_range(
    apparatus: Apparatus, kind: Kind, temperature_k: float, level_for: Callable[[float], float]
) -> tuple[float, float]:
    """Widest range of the driver that physics allows, whatever the knob's limits."""
    setting = apparatus.settings[kind.driver]
    if suffix_of(kind.driver) != "_c":
        low, high = 0.0, max(setting.high, 1e-9) * 1e3
    else:
        offset = next((t.offset for t in apparatus.thermometers.values() if t.on == kind.driver), 0.0)
        wet = "water" in (apparatus.choices.get("warm_coat"), apparatus.choices.get("reservoir_coat"))
        top = _WATER_WARMEST_C if wet or kind.driver == "water_c" else 0.01
        low = temperature_k - 273.15 + offset
        high = min(top, 58.8) + offset
        if top == _WATER_WARMEST_C:  # liquid water freezes below
            low = max(low, offset)
        if kind.name == "reservoir":
            low = _COLDEST_C
    # Where even the coldest level leaves the crystal too warm, less of the driver is the end of the range.
    try:
        level_for(high)
        return low, high
    except _TooWarmError:
        good, bad = low, high
        for _ in range(60):
            mid = (good + bad) / 2.0
            try:
                level_for(mid)
                good = mid
            except _TooWarmError:
                bad = mid
        return low, good


def _root(excess: Callable[[float], float], low: float, high: float, hint: float | None) -> float | None:
    """Where ``excess`` is zero, or None where it never is.

    It rises all the way, but for a crystal that its needle keeps warmer than the air: there it falls first,
    and a crystal below ice saturation has two answers, of which the one nearer to ``hint`` is given.
    """
    from scipy.optimize import minimize_scalar

    bottom = low
    near = low + 1e-3 * (high - low)
    if excess(near) < excess(low):
        found = minimize_scalar(
            excess, bounds=(low, high), method="bounded", options={"xatol": 1e-9 * max(high - low, 1.0)}
        )
        bottom = float(found.x) if float(found.fun) < excess(low) else low
    roots = [r for r in (_between(excess, low, bottom), _between(excess, bottom, high)) if r is not None]
    if not roots:
        return None
    return roots[-1] if hint is None else min(roots, key=lambda r: abs(r - hint))


def _between(excess: Callable[[float], float], a: float, b: float) -> float | None:
    """The root of a monotonic function, or None; a hair of grace for an answer that lies on an end."""
    from scipy.optimize import brentq

    at_a, at_b = excess(a), excess(b)
    if at_a * at_b <= 0:
        return float(brentq(excess, a, b, xtol=1e-13, rtol=1e-15)) if a != b else a
    end, miss = min(((a, abs(at_a)), (b, abs(at_b))), key=lambda pair: pair[1])
    return end if miss < 1e-12 else None


def _within_limits(
    apparatus: Apparatus,
    kind: Kind,
    found: Mapping[str, float],
    temperature_k: float,
    sigma: float,
    made: Callable[[float, float], tuple[float, float]],
    level_for: Callable[[float], float],
) -> None:
    for name in (kind.driver, kind.level):
        setting = apparatus.settings[name]
        grace = 1e-6 * setting.step
        if setting.low - grace <= found[name] <= setting.high + grace:
            continue
        best = best_within(apparatus, kind, made, level_for)
        raise _beyond(apparatus, kind, temperature_k, sigma, best[0] if best else None, found)


def best_within(
    apparatus: Apparatus,
    kind: Kind,
    made: Callable[[float, float], tuple[float, float]],
    level_for: Callable[[float], float],
) -> tuple[float, float] | None:
    """(largest sigma, driver) within the limits of both knobs at the finder's temperature, or None."""
    d, q = apparatus.settings[kind.driver], apparatus.settings[kind.level]
    best: tuple[float, float] | None = None
    for driver in np.linspace(d.low, d.high, 241):
        try:
            level = level_for(float(driver))
        except (_TooWarmError, ValueError):
            continue
        if q.low <= level <= q.high:
            found = made(float(driver), level)[1]
            if best is None or found > best[0]:
                best = (found, float(driver))
    return best


def _beyond(
    apparatus: Apparatus,
    kind: Kind,
    temperature_k: float,
    sigma: float,
    best: float | None,
    found: Mapping[str, float],
) -> ApparatusError:
    t_c = temperature_k - 273.15
    would = ", ".join(
        f"{n} = {found[n]:.4g} (limits {s.low:g} to {s.high:g} {unit_of(n)})"
        for n, s in ((n, apparatus.settings[n]) for n in (kind.driver, kind.level))
    )
    reach = (
        "no supersaturation at all at that temperature"
        if best is None
        else f"up to {100 * best:.3g} % at {t_c:g} degC"
    )
    return ApparatusError(
        "No setting within the limits gives this air.",
        got=f"{t_c:g} degC and {100 * sigma:g} %; it would need {would}",
        wanted=reach,
        do=f"--temperature {t_c:g} --sigma {max(0.0, 95 * best):.3g}"
        if best is not None and best > 0
        else "",
    )
