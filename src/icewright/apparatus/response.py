"""After a knob is turned: what the surfaces do, and then the air.

Each setting first follows its ramp limit, then a first-order lag tau dy/dt = u - y, solved exactly for an
input that is straight between two samples:

    y(t) = u(t) - s tau + (y0 - u0 + s tau) exp(-t/tau),   s the slope of the input.

Then temperature and vapour at the crystal follow with the air's own times. Every lag is measured (in the
file) or estimated, and ``Lag.words`` says which.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from icewright.apparatus.basis import ApparatusError, Setting
from icewright.apparatus.model import Apparatus
from icewright.ground.constants import TRIPLE_POINT_K
from icewright.vapour.saturation import ice_pressure

_MOST_SAMPLES = 20000


@dataclass(frozen=True)
class Lag:
    """First-order times, s: of each setting, and of the air's temperature and vapour; and where from."""

    settings_s: Mapping[str, float]
    temperature_s: float
    vapour_s: float
    words: tuple[str, ...]

    @property
    def longest_s(self) -> float:
        """The longest of them."""
        return max(*self.settings_s.values(), self.temperature_s, self.vapour_s)


@dataclass(frozen=True)
class Followed:
    """Set and actual air over time; every array is [n], SI, and settings are in the unit of their names.

    ``set_*`` is the air that the settings would make at once, the rest what the crystal has.
    """

    time_s: NDArray[np.float64]
    set_temperature_k: NDArray[np.float64]
    set_sigma: NDArray[np.float64]
    temperature_k: NDArray[np.float64]
    sigma: NDArray[np.float64]
    set_settings: Mapping[str, NDArray[np.float64]]
    settings: Mapping[str, NDArray[np.float64]]
    pressure_pa: float
    notes: tuple[str, ...]


def lag(apparatus: Apparatus, settings: Mapping[str, float], *, pressure_pa: float | None = None) -> Lag:
    """The times of an apparatus near these settings."""
    P = pressure_pa or apparatus.pressure_pa
    whole = apparatus.complete(settings)
    said = []
    for name, setting in apparatus.settings.items():
        if setting.response_from == "not given":
            said.append(f"{name}: no response time given, taken as immediate")
        else:
            said.append(f"{name}: {setting.response_s:.3g} s ({setting.response_from})")
    if apparatus.air_response_s is not None:
        heat = vapour = apparatus.air_response_s
        said.append(f"air: {heat:.3g} s (measured)")
    else:
        found = apparatus.physics.air_response_s(apparatus.inputs(whole), P, apparatus.choices)
        heat, vapour = found[0] or 0.0, found[1] or 0.0
        if found[0] is None:
            said.append(f"air: {found[2]}; taken as immediate")
        else:
            said.append(f"air: temperature {heat:.3g} s, vapour {vapour:.3g} s ({found[2]})")
    return Lag({n: s.response_s for n, s in apparatus.settings.items()}, heat, vapour, tuple(said))


def follow(
    apparatus: Apparatus,
    time_s: ArrayLike,
    settings: Mapping[str, ArrayLike],
    *,
    pressure_pa: float | None = None,
    every_s: float | None = None,
    start: Mapping[str, float] | None = None,
    check: bool = True,
    already_actual: bool = False,
) -> Followed:
    """The air that the crystal really has while settings change.

    ``time_s`` [n] rises (two equal times make a jump); ``settings`` maps names to values [n] in the unit of
    the name, straight between samples, or to one number; settings left out stand as the file says. The answer
    is on a grid of ``every_s`` (default: a tenth of the shortest lag, within bounds) that contains all of
    ``time_s``. ``start``: where the settings had settled before; default, their first values.
    ``already_actual=True`` is for a logger's record of the surfaces themselves: only the air lags then.

    Raises ``ApparatusError`` for settings out of range, or times that run backwards.
    """
    t_in = np.atleast_1d(np.asarray(time_s, dtype=float))
    if t_in.ndim != 1 or t_in.size < 1 or not np.all(np.isfinite(t_in)) or np.any(np.diff(t_in) < 0):
        raise ApparatusError("Times must rise.", got="times that run backwards", wanted="seconds, rising")
    wanted = _series(apparatus, settings, t_in)
    if check:
        for k in range(t_in.size):
            apparatus.check({name: float(values[k]) for name, values in wanted.items()})
    P = pressure_pa or apparatus.pressure_pa
    first = {name: float(values[0]) for name, values in wanted.items()} | dict(start or {})
    times = lag(apparatus, first, pressure_pa=P)
    t, u = _grid(t_in, wanted, times, every_s)
    if already_actual:
        actual = {name: values.copy() for name, values in u.items()}
    else:
        actual = {name: _track(t, u[name], first[name], apparatus.settings[name]) for name in u}
    set_air, there = apparatus.state(u, pressure_pa=P), apparatus.state(actual, pressure_pa=P)
    before = apparatus.state(first, pressure_pa=P)
    T = _lagged(t, _full(there.temperature_k, t), float(before.temperature_k), times.temperature_s)
    e = _lagged(t, _full(there.vapour_pa, t), float(before.vapour_pa), times.vapour_s)
    set_T = _full(set_air.temperature_k, t)
    return Followed(
        time_s=t,
        set_temperature_k=set_T,
        set_sigma=_sigma(set_T, _full(set_air.vapour_pa, t)),
        temperature_k=T,
        sigma=_sigma(T, e),
        set_settings=u,
        settings=actual,
        pressure_pa=P,
        notes=times.words,
    )


def step(
    apparatus: Apparatus,
    name: str,
    to: float,
    settings: Mapping[str, float] | None = None,
    *,
    pressure_pa: float | None = None,
    long_s: float | None = None,
) -> Followed:
    """The response to a jump of one setting from where it stands to ``to`` (unit of its name)."""
    before = apparatus.complete(settings)
    times = lag(apparatus, before, pressure_pa=pressure_pa)
    setting = apparatus.settings[name]
    ramp = 0.0 if math.isinf(setting.fastest_ramp) else abs(to - before[name]) / setting.fastest_ramp
    total = setting.response_s + times.temperature_s + times.vapour_s
    long = long_s or max(ramp + 6.0 * total, 1.0)
    values: dict[str, ArrayLike] = {n: [v, v] for n, v in before.items()}
    values[name] = [to, to]
    return follow(apparatus, [0.0, long], values, pressure_pa=pressure_pa, start=before)


def settled_after_s(found: Followed, share: float = 0.05) -> float:
    """Time (s) after which temperature and sigma both stay within ``share`` of their whole change."""
    late = 0.0
    for values in (found.temperature_k, found.sigma):
        change = values[-1] - values[0]
        if abs(change) < 1e-12:
            continue
        off = np.abs(values - values[-1]) > share * abs(change)
        if off.any():
            late = max(late, float(found.time_s[min(int(np.flatnonzero(off)[-1]) + 1, off.size - 1)]))
    return late


def _series(
    apparatus: Apparatus, settings: Mapping[str, ArrayLike], t: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    first = {name: float(np.atleast_1d(np.asarray(v, dtype=float))[0]) for name, v in settings.items()}
    whole = apparatus.complete(first)
    found = {}
    for name, stands in whole.items():
        values = np.atleast_1d(np.asarray(settings.get(name, stands), dtype=float))
        if values.size == 1:
            values = np.full(t.shape, float(values[0]))
        if values.shape != t.shape:
            raise ApparatusError(
                "A setting has another number of values than there are times.",
                got=f"{name}: {values.size} values, {t.size} times",
                wanted="one value for each time, or one number",
            )
        found[name] = values
    return found


def _grid(
    t_in: NDArray[np.float64], wanted: Mapping[str, NDArray[np.float64]], times: Lag, every_s: float | None
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Samples at ``t_in`` and between them; jumps stay jumps (two samples at one time)."""
    whole = float(t_in[-1] - t_in[0])
    lags = [tau for tau in (*times.settings_s.values(), times.temperature_s, times.vapour_s) if tau > 0]
    every = every_s or (min(lags) / 10.0 if lags else whole / 200.0)
    every = max(every, whole / max(_MOST_SAMPLES - t_in.size, 1), 1e-9)
    pieces, index = [t_in[:1]], [np.zeros(1)]
    for k in range(t_in.size - 1):
        n = max(math.ceil((t_in[k + 1] - t_in[k]) / every - 1e-9), 1)
        part = np.arange(1, n + 1) / n
        pieces.append(t_in[k] + part * (t_in[k + 1] - t_in[k]))
        index.append(k + part)
    place = np.concatenate(index)
    samples = np.arange(t_in.size, dtype=float)
    return np.concatenate(pieces), {n: np.interp(place, samples, v) for n, v in wanted.items()}


def _track(
    t: NDArray[np.float64], wanted: NDArray[np.float64], start: float, setting: Setting
) -> NDArray[np.float64]:
    """One setting: slew first, then lag."""
    slewed = wanted
    if not math.isinf(setting.fastest_ramp):
        slewed = np.empty_like(wanted)
        at = start
        for k in range(t.size):
            reach = setting.fastest_ramp * (t[k] - t[k - 1]) if k else 0.0
            at += min(max(wanted[k] - at, -reach), reach)
            slewed[k] = at
    return _lagged(t, slewed, start, setting.response_s)


def _lagged(t: NDArray[np.float64], u: NDArray[np.float64], start: float, tau: float) -> NDArray[np.float64]:
    if tau <= 0.0:
        return u.copy()
    y = np.empty_like(u)
    y[0] = start
    for k in range(1, t.size):
        dt = t[k] - t[k - 1]
        if dt <= 0.0:
            y[k] = y[k - 1]
            continue
        s = (u[k] - u[k - 1]) / dt
        y[k] = u[k] - s * tau + (y[k - 1] - u[k - 1] + s * tau) * math.exp(-dt / tau)
    return y


def _full(value: object, t: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.broadcast_to(np.asarray(value, dtype=float), t.shape).astype(float)


def _sigma(T: NDArray[np.float64], e: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(e / ice_pressure(np.minimum(T, TRIPLE_POINT_K)) - 1.0)
