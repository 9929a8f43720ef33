"""A logger's record to the air that the crystal really had.

Two routes. Where the record holds the temperature of the air and one of its humidities (sigma, frost point,
dew point, relative humidity over water), they are the air. Otherwise its channels are settings of the
apparatus as they really were, and the apparatus says the air; knobs do not lag then, only the air behind them
does. The direct route wins where both are there: it is nearer to the crystal.

Offsets of thermometers, as the apparatus file holds them, are taken off on both routes: of a setting's own
thermometer, and of the thermometer that the mapping names for a channel of the air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.apparatus.basis import ApparatusError, from_si, suffix_of, unit_of
from icewright.apparatus.clock import LogError
from icewright.apparatus.logger import AIR, MOISTURE, Record
from icewright.apparatus.model import Apparatus
from icewright.apparatus.response import follow
from icewright.vapour import supersaturation as humidity

Array = NDArray[np.float64]
_QUANTITY = {
    "_c": "temperature",
    "_l_min": "flow",
    "_mm": "length",
    "_um": "length",
    "_percent": "fraction",
}
_MELTING_K = 273.15


@dataclass(frozen=True)
class LoggedAir:
    """The air over the record's time.

    Attributes:
        time_s: seconds as in the record, (n,).
        temperature_k, sigma: K and a fraction over ice, (n,).
        settings: logged settings in the units of their names, (n,) each; empty on the direct route.
        pressure_pa: mean pressure of the record, or that of the apparatus.
        words: sentences on the route and the offsets.
    """

    time_s: Array
    temperature_k: Array
    sigma: Array
    settings: dict[str, Array]
    pressure_pa: float
    words: tuple[str, ...]


def air(record: Record, apparatus: Apparatus) -> LoggedAir:
    """The air of a record.

    Raises ``LogError`` for channels that say neither air nor settings, for one that the apparatus does not
    have, and for readings that no such channel can have (Fahrenheit, a lost minus sign).
    """
    for name in record.values:
        if name not in AIR and name not in apparatus.settings:
            raise LogError(
                got=f"[channel.{name}], which {apparatus.title or 'this apparatus'} does not have",
                wanted="one of " + ", ".join([*AIR, *apparatus.settings]),
                do=f"[channel.{next(iter(apparatus.settings))}]",
            )
    pressure = (
        float(np.mean(record.values["pressure"])) if "pressure" in record.values else apparatus.pressure_pa
    )
    moist = [name for name in MOISTURE if name in record.values]
    if "air_temperature" in record.values and moist:
        return _direct(record, apparatus, moist[0], pressure)
    return _by_settings(record, apparatus, pressure)


def _direct(record: Record, apparatus: Apparatus, moist: str, pressure: float) -> LoggedAir:
    words = [f"air from air_temperature and {moist}, as logged"]
    T, told = _true(record, apparatus, "air_temperature")
    value, told_too = _true(record, apparatus, moist)
    words += [*told, *told_too]
    _refuse_warm("air_temperature", T)
    if moist == "sigma":
        sigma = value
    elif moist == "frost_point":
        _refuse_warm(moist, value)
        sigma = humidity.sigma_from_frost_point(T, value)
    elif moist == "dew_point":
        _refuse_warm(moist, value)
        sigma = humidity.sigma_from_dew_point(T, value)
    else:
        if float(np.max(value)) > 2.0:
            raise LogError(
                got=f"[channel.relative_humidity]: readings up to {float(np.max(value)):g} times saturation",
                wanted="a fraction, or percent by its unit",
                do='unit = "percent"',
            )
        sigma = humidity.sigma_from_relative_humidity(T, value)
    return LoggedAir(record.time_s, T, np.asarray(sigma), {}, pressure, tuple(words))


def _true(record: Record, apparatus: Apparatus, channel: str) -> tuple[Array, list[str]]:
    """A channel of the air without the offset of its thermometer, and a word on it."""
    values, name = record.values[channel], record.thermometers.get(channel)
    if name is None:
        return values, []
    if name not in apparatus.thermometers:
        raise LogError(
            got=f'[channel.{channel}]: thermometer = "{name}"',
            wanted=" or ".join(apparatus.thermometers) or "a thermometer of the apparatus, which has none",
        )
    offset = apparatus.thermometers[name].offset
    if record.quantity[channel] != "temperature" or offset == 0.0:
        return values, []
    return values - offset, [f"{channel}: offset of {offset:+g} K of thermometer {name} taken off"]


def _refuse_warm(channel: str, values: Array) -> None:
    most = float(np.max(values))
    if most <= _MELTING_K + 0.01:
        return
    c = most - _MELTING_K
    raise LogError(
        got=f"[channel.{channel}]: readings up to {c:.4g} degC",
        wanted="air at or below 0 degC, for ice to grow in",
        do=f'unit = "degF"   (if the logger writes Fahrenheit, that reading was {(c - 32) / 1.8:.4g} degC)'
        if c <= 32.0
        else 'unit = "K"   (if the logger writes kelvin)',
    )


def _by_settings(record: Record, apparatus: Apparatus, pressure: float) -> LoggedAir:
    given: dict[str, Array] = {}
    words = [
        "air from the settings as logged: " + ", ".join(n for n in apparatus.settings if n in record.values)
    ]
    if not any(name in record.values for name in apparatus.settings):
        raise LogError(
            got="channels " + ", ".join(record.values),
            wanted="air_temperature with one of "
            + ", ".join(MOISTURE)
            + "; or the settings "
            + ", ".join(apparatus.settings),
        )
    for name, setting in apparatus.settings.items():
        if name not in record.values:
            if setting.now is None:
                raise LogError(
                    got=f"no channel for the setting {name}",
                    wanted="one, or where the knob stood",
                    do=f"[channel.{name}]   (or now = ... under [setting.{name}] of the apparatus)",
                )
            words.append(
                f"{name} not logged, taken as it stands in the apparatus file: {setting.now:g} {setting.unit}"
            )
            given[name] = np.full(record.time_s.shape, setting.now)
            continue
        wanted = _QUANTITY.get(suffix_of(name), "")
        if record.quantity[name] != wanted:
            raise LogError(
                got=f"[channel.{name}]: a {record.quantity[name]}",
                wanted=f"a {wanted}, in any unit of it",
                do=f'unit = "{unit_of(name)}"',
            )
        values = np.asarray(from_si(name, record.values[name]))
        _refuse_reading(name, values, apparatus)
        given[name] = values
    offsets = [
        f"{t.on}: offset of {t.offset:+g} K of thermometer {n} taken off"
        for n, t in apparatus.thermometers.items()
        if t.offset
    ]
    try:
        found = follow(
            apparatus,
            record.time_s,
            given,
            pressure_pa=pressure,
            every_s=float(np.max(np.diff(record.time_s))) + 1.0,
            check=False,
            already_actual=True,
        )
    except ApparatusError as cause:
        raise LogError(cause.message, got=cause.got, wanted=cause.wanted, do=cause.do) from cause
    return LoggedAir(
        found.time_s,
        found.temperature_k,
        found.sigma,
        {name: np.asarray(values) for name, values in found.settings.items()},
        pressure,
        (*words, *offsets),
    )


def _refuse_reading(name: str, values: Array, apparatus: Apparatus) -> None:
    """A real knob overshoots its range a little; far outside it the unit is wrong."""
    setting = apparatus.settings[name]
    slack = 0.1 * (setting.high - setting.low)
    for value in (float(np.max(values)), float(np.min(values))):
        if setting.low - slack <= value <= setting.high + slack:
            continue
        fits = ""
        if suffix_of(name) == "_c":
            if setting.low - slack <= (value - 32.0) / 1.8 <= setting.high + slack:
                celsius = (value - 32.0) / 1.8
                fits = f'unit = "degF"   (if the logger writes Fahrenheit, it was {celsius:.4g} degC)'
            elif setting.low - slack <= value - 273.15 <= setting.high + slack:
                fits = 'unit = "K"   (if the logger writes kelvin)'
        raise LogError(
            got=f"[channel.{name}]: a reading of {value:.4g} {unit_of(name)}",
            wanted=f"{setting.low:g} to {setting.high:g} {unit_of(name)}, as the apparatus file says",
            do=fits or f"look at the column of {name}, or at low and high in the apparatus file",
        )
