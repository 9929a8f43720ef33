"""How well the air is known: every input's share, by linear propagation and by Monte Carlo.

Linear: u^2 = sum (df/dx_i u_i)^2 for independent inputs (JCGM 100:2008, 5.1.2). Monte Carlo: the inputs
drawn from normal distributions and pushed through the whole model (JCGM 101:2008). The stated rule: the
linear result stands where, over the same draws, its standard deviation agrees with that of the full model
within 2 % and its mean is off by no more than 5 % of it, for temperature and for sigma; otherwise the Monte
Carlo result is the one given, with a word on why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.apparatus.basis import Value, bare, difference_to_si, over_ice, suffix_of
from icewright.apparatus.model import Apparatus
from icewright.ground.sources import Source, register

register(
    Source(
        "uncertainty-2008",
        "JCGM 100:2008, guide to the expression of uncertainty in measurement, 5.1.2",
        how="from memory",
    )
)
register(
    Source(
        "uncertainty-monte-carlo-2008",
        "JCGM 101:2008, propagation of distributions using a Monte Carlo method",
        how="from memory",
    )
)
SOURCE_KEYS = ("uncertainty-2008", "uncertainty-monte-carlo-2008")

RULE = 0.02  # of the standard deviation
SHIFT = 0.05  # of the standard deviation
DRAWS = 20000
_SEED = 20251101


@dataclass(frozen=True)
class Row:
    """One input: standard ``uncertainty`` in SI (``unit``), and what it does to the air (K, and a fraction).

    ``thermometer`` names the instrument that a calibration would improve, empty for the others.
    """

    name: str
    words: str
    uncertainty: float
    unit: str
    in_temperature_k: float
    in_sigma: float
    thermometer: str = ""


@dataclass(frozen=True)
class Budget:
    """Standard uncertainties of temperature (K) and sigma (fraction), and where they come from.

    ``method`` is ``"linear"`` or ``"monte-carlo"``, ``words`` says why; ``u_*`` are by that method.
    ``sigma_interval`` holds 95 % of the draws. ``unknown`` names the inputs whose uncertainty nobody stated:
    they count as exact, so the totals are lower bounds.
    """

    temperature_k: float
    sigma: float
    u_temperature_k: float
    u_sigma: float
    method: str
    words: str
    rows: tuple[Row, ...]
    linear: tuple[float, float]
    monte_carlo: tuple[float, float]
    sigma_mean: float
    sigma_interval: tuple[float, float]
    first_thermometer: str
    first_words: str
    unknown: tuple[str, ...]
    correlation: float

    def to_dict(self) -> dict[str, Any]:
        """The same as plain data."""
        return asdict(self)


@dataclass(frozen=True)
class _Input:
    name: str
    words: str
    uncertainty: float
    unit: str
    keys: tuple[str, ...]  # bare names that move together
    thermometer: str = ""
    low: float = -np.inf
    scaled: bool = False  # uncertainty is relative


def budget(
    apparatus: Apparatus,
    settings: Mapping[str, float],
    *,
    pressure_pa: float | None = None,
    draws: int = DRAWS,
) -> Budget:
    """The error budget at ``settings`` (unit of their names). Raises ``ApparatusError`` as ``conditions``."""
    whole = apparatus.complete(settings)
    apparatus.check(whole)
    P = pressure_pa or apparatus.pressure_pa
    inputs, unknown = _inputs(apparatus, whole)
    model = _model(apparatus, whole, P)
    T0, s0 = (float(v) for v in model({}))
    slopes = np.array([_slope(model, i) for i in inputs]).reshape(len(inputs), 2)
    u = np.array([i.uncertainty for i in inputs])
    parts = slopes * u[:, None]
    linear = np.sqrt(np.sum(parts**2, axis=0))
    # The same draws through both: what differs is the curvature, not the luck of the draw.
    z = np.random.default_rng(_SEED).standard_normal((len(inputs), draws))
    T, s = (
        model({i.name: u_i * z_i for i, u_i, z_i in zip(inputs, u, z, strict=True)})
        if inputs
        else (
            np.full(draws, T0),
            np.full(draws, s0),
        )
    )
    T, s = np.broadcast_to(T, draws), np.broadcast_to(s, draws)
    straight = parts.T @ z if inputs else np.zeros((2, draws))
    method, words, monte = _judge(np.stack([T - T0, s - s0]), straight, linear)
    chosen = linear if method == "linear" else monte
    rows = tuple(
        Row(i.name, i.words, i.uncertainty, i.unit, abs(float(p[0])), abs(float(p[1])), i.thermometer)
        for i, p in zip(inputs, parts, strict=True)
    )
    # Ice formulas do not matter to a source of water, nor the water formula to ice: no row for nothing.
    rows = tuple(
        sorted(
            (r for r in rows if r.in_sigma > 1e-12 or r.in_temperature_k > 1e-9), key=lambda r: -r.in_sigma
        )
    )
    best, best_words = _first(rows, parts, inputs, linear, model, u, z, T0, s0, method)
    spread = float(np.std(T) * np.std(s))
    return Budget(
        temperature_k=T0,
        sigma=s0,
        u_temperature_k=float(chosen[0]),
        u_sigma=float(chosen[1]),
        method=method,
        words=words,
        rows=rows,
        linear=(float(linear[0]), float(linear[1])),
        monte_carlo=(float(monte[0]), float(monte[1])),
        sigma_mean=float(np.mean(s)),
        sigma_interval=(float(np.percentile(s, 2.5)), float(np.percentile(s, 97.5))),
        first_thermometer=best,
        first_words=best_words,
        unknown=tuple(unknown),
        correlation=float(np.mean((T - T.mean()) * (s - s.mean())) / spread) if spread > 0 else 0.0,
    )


def _judge(
    full: NDArray[np.float64], straight: NDArray[np.float64], linear: NDArray[np.float64]
) -> tuple[str, str, NDArray[np.float64]]:
    """Method and why, and the Monte Carlo standard deviations with the luck of the draw divided out."""
    spread, straight_spread = full.std(axis=1), straight.std(axis=1)
    safe = np.where(straight_spread > 0, straight_spread, 1.0)
    monte = np.where(straight_spread > 0, spread / safe * linear, spread)
    reasons = []
    for k, name in enumerate(("temperature", "sigma")):
        floor = (1e-9, 1e-12)[k]
        if monte[k] < floor and linear[k] < floor:
            continue
        off = abs(monte[k] - linear[k]) / max(monte[k], floor)
        shift = abs(float(full[k].mean() - straight[k].mean())) / max(monte[k], floor)
        if off > RULE:
            reasons.append(f"the linear rule misses the spread of {name} by {100 * off:.2g} %")
        elif shift > SHIFT:
            reasons.append(f"curvature moves the mean of {name} by {shift:.2g} of its uncertainty")
    if reasons:
        return "monte-carlo", "Monte Carlo: " + "; ".join(reasons), monte
    return "linear", "linear propagation, confirmed by Monte Carlo within 2 %", monte


def _first(
    rows: tuple[Row, ...],
    parts: NDArray[np.float64],
    inputs: list[_Input],
    linear: NDArray[np.float64],
    model: Callable[[Mapping[str, Value]], tuple[Value, Value]],
    u: NDArray[np.float64],
    z: NDArray[np.float64],
    T0: float,
    s0: float,
    method: str,
) -> tuple[str, str]:
    """The thermometer whose perfection would narrow sigma most, and by how much."""
    best, least = "", np.inf
    for k, item in enumerate(inputs):
        if not item.thermometer:
            continue
        if method == "linear":
            left = float(np.sqrt(max(linear[1] ** 2 - parts[k, 1] ** 2, 0.0)))
        else:
            draws = {i.name: u_i * z_i for i, u_i, z_i in zip(inputs, u, z, strict=True)}
            draws[item.name] = np.zeros_like(z[k])
            left = float(np.std(model(draws)[1]))
        if left < least:
            best, least = item.thermometer, left
    if not best:
        return "", "no thermometer states an uncertainty, so none can be named first"
    most = rows[0]
    but = "" if most.thermometer or not rows else f"; the largest share, though, is {most.words}"
    now = float(linear[1])
    if method != "linear":
        now = float(np.std(model({i.name: a * b for i, a, b in zip(inputs, u, z, strict=True)})[1]))
    return best, (
        f"calibrate {best} first: known perfectly, it would bring the uncertainty of sigma "
        f"from {100 * now:.2g} to {100 * least:.2g} %{but}"
    )


def _inputs(apparatus: Apparatus, settings: Mapping[str, float]) -> tuple[list[_Input], list[str]]:
    found: list[_Input] = []
    unknown: list[str] = []
    kind = apparatus.physics
    for name, t in apparatus.thermometers.items():
        if t.uncertainty is None:
            unknown.append(f"thermometer {name}: uncertainty not stated")
        elif t.uncertainty > 0:
            words = f"thermometer {name}, on {t.on}"
            found.append(_Input(f"thermometer.{name}", words, t.uncertainty, "K", (bare(t.on),), name))
    for name, m in apparatus.flow_meters.items():
        if m.uncertainty is None:
            unknown.append(f"flow meter {name}: uncertainty not stated")
        elif m.uncertainty > 0:
            words = f"flow meter {name}, on {m.on}"
            found.append(_Input(f"flow_meter.{name}", words, m.uncertainty, "1", (bare(m.on),), scaled=True))
    held = {t.on for t in apparatus.thermometers.values()} | {m.on for m in apparatus.flow_meters.values()}
    for name, setting in apparatus.settings.items():
        if setting.uncertainty:
            u = float(difference_to_si(name, setting.uncertainty))
            found.append(_Input(f"scale.{name}", f"{name}: true against shown", u, _si(name), (bare(name),)))
        elif name not in held and setting.uncertainty is None:
            unknown.append(f"{name}: no instrument on it and no uncertainty of its own")
        if setting.stability > 0:
            u = float(difference_to_si(name, setting.stability))
            words = f"{name}: wander about its set value"
            found.append(_Input(f"stability.{name}", words, u, _si(name), (bare(name),)))
    shared = apparatus.shared_thermometer_uncertainty_k
    if shared:
        keys = tuple(bare(n) for n in apparatus.settings if suffix_of(n) == "_c")
        found.append(_Input("shared", "all thermometers' common reference", shared, "K", keys))
    for name, size in apparatus.dimensions.items():
        if size.uncertainty is None:
            moved = _one_percent(apparatus, settings, name)
            if moved > 1e-6:
                unknown.append(
                    f"{name}: uncertainty not stated; 1 % of it moves sigma by {100 * moved:.2g} %"
                )
        elif size.uncertainty > 0:
            u = float(difference_to_si(name, size.uncertainty))
            low = float(difference_to_si(name, min(size.value, kind.dimensions[name].low)))
            found.append(
                _Input(f"dimension.{name}", kind.dimensions[name].words, u, _si(name), (bare(name),), low=low)
            )
    found += [_Input(term.name, term.words, 1.0, "sd", (term.name,)) for term in kind.terms]
    if apparatus.sigma_uncertainty is not None and apparatus.sigma_uncertainty > 0:
        words = "calibrated offset of the supersaturation"
        found.append(_Input("supersaturation", words, apparatus.sigma_uncertainty, "1", ()))
    return found, unknown


def _one_percent(apparatus: Apparatus, settings: Mapping[str, float], name: str) -> float:
    """How far a hundredth of a dimension moves sigma (fraction)."""
    x = dict(apparatus.inputs(settings))
    found = []
    for factor in (1.0, 1.01):
        state = apparatus.physics.state(
            x | {bare(name): x[bare(name)] * factor}, apparatus.pressure_pa, apparatus.choices
        )
        found.append(float(state.vapour_pa / over_ice(state.temperature_k)))
    return abs(found[1] - found[0])


def _si(name: str) -> str:
    units = {"_c": "K", "_k": "K", "_l_min": "m3/s", "_mm": "m", "_um": "m", "_cm2": "m2", "_l": "m3"}
    return (units | {"_mm_s": "m/s", "_w_mk": "W/(m K)"}).get(suffix_of(name), "1")


def _model(
    apparatus: Apparatus, settings: Mapping[str, float], pressure_pa: float
) -> Callable[[Mapping[str, Value]], tuple[Value, Value]]:
    """Errors by name of the input -> (T, sigma) with sigma over ice by the same (erring) formula."""
    base = apparatus.inputs(settings)
    inputs = {i.name: i for i in _inputs(apparatus, settings)[0]}
    kind, choices = apparatus.physics, apparatus.choices

    def model(errors: Mapping[str, Value]) -> tuple[Value, Value]:
        x: dict[str, Value] = dict(base)
        for name, error in errors.items():
            item = inputs[name]
            for key in item.keys:
                moved = x.get(key, 0.0) * (1.0 + error) if item.scaled else x.get(key, 0.0) + error
                x[key] = np.maximum(moved, item.low) if np.isfinite(item.low) else moved
        found = kind.state(x, pressure_pa, choices)
        T = np.asarray(found.temperature_k, dtype=float)
        sigma = found.vapour_pa / over_ice(T, x) - 1.0 - apparatus.sigma_offset
        if "supersaturation" in errors:
            sigma = sigma - errors["supersaturation"]
        return T, sigma

    return model


def _slope(model: Callable[[Mapping[str, Value]], tuple[Value, Value]], item: _Input) -> NDArray[np.float64]:
    """dT/dx and dsigma/dx by a central difference over a hundredth of the uncertainty."""
    h = 0.01 * item.uncertainty
    up, down = model({item.name: h}), model({item.name: -h})
    return np.array([float(a - b) / (2.0 * h) for a, b in zip(up, down, strict=True)])
