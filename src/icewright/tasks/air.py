"""Everything about moist air over ice from temperature, pressure and any one humidity.

Uncertainties are those of the formulas, propagated; the numbers that the user gives are taken as exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from icewright.ground.constants import P_STANDARD, RV
from icewright.ground.errors import ConditionsError
from icewright.ground.records import stamp
from icewright.ground.sources import source
from icewright.vapour import air as transport
from icewright.vapour import supersaturation as humid
from icewright.vapour.saturation import (
    DEFAULT_ICE,
    ICE_RELATIVE_SPREAD,
    WATER_RELATIVE_SPREAD,
    ice_pressure,
    water_pressure,
)
from icewright.vapour.scales import Gas, Scales, scales

KIND = "icewright.air"
SCHEMA = 1

_ICE, _WATER = DEFAULT_ICE, "review-2005"
# Outside these a number is more likely a slip of units than a laboratory.
_PRESSURE_PA = (100.0, 3e5)
_LARGEST_FRACTION = 3.0


@dataclass(frozen=True)
class Quantity:
    """One value: SI ``unit``, absolute ``uncertainty`` in that unit (None: not known), sources and standing.

    ``value`` is None where the quantity does not exist (no frost point above 0.01 degC); see ``note``.
    """

    name: str
    words: str
    value: float | None
    unit: str
    uncertainty: float | None
    source_keys: tuple[str, ...]
    note: str = ""

    @property
    def from_memory(self) -> bool:
        """True if the value hangs on a source that nobody here has confirmed."""
        return any(source(key).how == "from memory" for key in self.source_keys)

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionary with ``from_memory`` and the citations written out."""
        cited = [source(key).citation for key in self.source_keys]
        return asdict(self) | {"from_memory": self.from_memory, "citations": cited}


@dataclass(frozen=True)
class AirReport:
    """What ``air`` found: humidity in every measure, margins to water saturation, scales of growth."""

    temperature_k: float
    pressure_pa: float
    given: str
    humidity: tuple[Quantity, ...]
    margins: tuple[Quantity, ...]
    scales: tuple[Quantity, ...]
    droplets: bool
    words: str

    def quantity(self, name: str) -> Quantity:
        """The quantity of that name, e.g. ``"sigma"``; ``KeyError`` if there is none."""
        return {item.name: item for item in (*self.humidity, *self.margins, *self.scales)}[name]

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionary of kind ``icewright.air``."""
        return stamp(
            KIND,
            SCHEMA,
            {
                "temperature_k": self.temperature_k,
                "pressure_pa": self.pressure_pa,
                "given": self.given,
                "droplets": self.droplets,
                "words": self.words,
                "humidity": [item.to_dict() for item in self.humidity],
                "margins": [item.to_dict() for item in self.margins],
                "scales": [item.to_dict() for item in self.scales],
            },
        )


def air(
    temperature_k: float,
    pressure_pa: float = P_STANDARD,
    *,
    sigma: float | None = None,
    rh_water: float | None = None,
    frost_point_k: float | None = None,
    dew_point_k: float | None = None,
    vapour_pressure_pa: float | None = None,
    excess_density_kg_m3: float | None = None,
    diffusivity: str = "1976",
    gas: Gas | None = None,
) -> AirReport:
    """All about the air at ``temperature_k`` (K) and ``pressure_pa`` (Pa), from exactly one humidity.

    ``sigma`` over ice and ``rh_water`` over water are fractions; points in K; pressure Pa; density kg/m3.
    Raises ``ConditionsError`` for none or several humidities, values that cannot be (above 0 degC, negative
    humidity) and likely slips of units.
    """
    given, value = _one_humidity(
        sigma=sigma,
        rh_water=rh_water,
        frost_point_k=frost_point_k,
        dew_point_k=dew_point_k,
        vapour_pressure_pa=vapour_pressure_pa,
        excess_density_kg_m3=excess_density_kg_m3,
    )
    _check_state(temperature_k, pressure_pa)
    _check_humidity(given, value)
    T, P = float(temperature_k), float(pressure_pa)
    s = float(humid.MEASURES[given].to_sigma(T, value))
    # Excess density alone can hide a negative pressure; half a part in 1e12 is rounding at sigma = -1.
    if s < -1.0 - 1e-12:
        raise ConditionsError(
            "The humidity is negative.", got=f"sigma = {s:.4g} over ice", wanted="-1 (dry air) or more"
        )
    s = max(s, -1.0)
    found = scales(T, P, diffusivity=diffusivity, gas=gas)
    state = _State(T, s, given)
    return AirReport(
        temperature_k=T,
        pressure_pa=P,
        given=given,
        humidity=_humidity(state),
        margins=_margins(state),
        scales=_scales(found, gas, diffusivity),
        droplets=s > found.sigma_water,
        words=_words(s, found.sigma_water),
    )


class _State:
    """Pressures at one condition, and how the two saturation formulas' errors reach each result."""

    def __init__(self, temperature_k: float, sigma: float, given: str) -> None:
        self.T, self.sigma, self.given = temperature_k, sigma, given
        self.e_ice, self.e_water = ice_pressure(temperature_k), water_pressure(temperature_k)
        self.e = (1.0 + sigma) * self.e_ice
        # d ln e/d ln(formula over ice or over water): which formula the given humidity leans on.
        share = self.e_ice / self.e if self.e > 0 else 0.0
        self.ice, self.water = {
            "sigma": (1.0, 0.0),
            "frost_point_k": (1.0, 0.0),
            "rh_water": (0.0, 1.0),
            "dew_point_k": (0.0, 1.0),
            "vapour_pressure_pa": (0.0, 0.0),
            "excess_density_kg_m3": (share, 0.0),
        }[given]

    def spread(self, ice: float, water: float) -> float:
        """Relative uncertainty of e p_ice^ice p_water^water; a formula's error is one common factor."""
        return math.hypot(
            (self.ice + ice) * ICE_RELATIVE_SPREAD, (self.water + water) * WATER_RELATIVE_SPREAD
        )


def _humidity(state: _State) -> tuple[Quantity, ...]:
    T, s, e = state.T, state.sigma, state.e
    excess_spread = math.hypot(
        (state.ice * e - state.e_ice) * ICE_RELATIVE_SPREAD, state.water * e * WATER_RELATIVE_SPREAD
    )
    ice_keys = (_ICE, _WATER) if state.water else (_ICE,)
    return (
        Quantity("sigma", "supersaturation over ice", s, "1", (1 + s) * state.spread(-1, 0), ice_keys),
        Quantity(
            "rh_water",
            "relative humidity over water",
            e / state.e_water,
            "1",
            e / state.e_water * state.spread(0, -1),
            (_ICE, _WATER),
        ),
        _point(
            "frost_point_k",
            "frost point",
            state,
            humid.frost_point,
            ice_pressure,
            state.spread(-1, 0),
            ice_keys,
        ),
        _point(
            "dew_point_k",
            "dew point",
            state,
            humid.dew_point,
            water_pressure,
            state.spread(0, -1),
            (_ICE, _WATER),
        ),
        Quantity("vapour_pressure_pa", "vapour pressure", e, "Pa", e * state.spread(0, 0), ice_keys),
        Quantity(
            "excess_density_kg_m3",
            "excess vapour density over ice",
            s * state.e_ice / (RV * T),
            "kg/m3",
            excess_spread / (RV * T),
            ice_keys,
            note="ideal gas",
        ),
    )


def _point(
    name: str,
    words: str,
    state: _State,
    inverse: Callable[[float], Any],
    pressure: Callable[[float], float],
    spread: float,
    keys: tuple[str, ...],
) -> Quantity:
    try:
        T = float(inverse(state.e))
    except ConditionsError as error:
        note = f"needs {error.wanted}; here {error.got}"
        return Quantity(name, words, None, "K", None, keys, note=note)
    if spread == 0.0 and state.given != name:
        # Same formula in and out, at two temperatures: what is left after cancelling is small but not known.
        return Quantity(name, words, T, "K", None, keys, note="the formula's own error cancels")
    slope = math.log(pressure(T) / pressure(T - 0.01)) / 0.01  # d ln p/dT, 1/K
    return Quantity(name, words, T, "K", spread / slope, keys)


def _margins(state: _State) -> tuple[Quantity, ...]:
    e_ice, e_water = state.e_ice, state.e_water
    ratio, given = e_water / e_ice, state.e / e_ice
    ratio_spread = ratio * math.hypot(ICE_RELATIVE_SPREAD, WATER_RELATIVE_SPREAD)
    margin_spread = math.hypot(
        (ratio - given * state.water) * WATER_RELATIVE_SPREAD,
        (ratio + given * (state.ice - 1)) * ICE_RELATIVE_SPREAD,
    )
    ice_spread, water_spread = e_ice * ICE_RELATIVE_SPREAD, e_water * WATER_RELATIVE_SPREAD
    both = (_ICE, _WATER)
    second = f"{ice_pressure(state.T, 'review-2005'):.6g} Pa by the second formulation (review-2005)"
    fog = "fog droplets begin at 0"
    return (
        Quantity("ice_pressure_pa", "saturation over ice", e_ice, "Pa", ice_spread, (_ICE,), second),
        Quantity("water_pressure_pa", "saturation over water", e_water, "Pa", water_spread, (_WATER,)),
        Quantity("sigma_water", "sigma at water saturation", ratio - 1.0, "1", ratio_spread, both),
        Quantity("sigma_margin", "margin to water saturation", ratio - given, "1", margin_spread, both, fog),
    )


def _scales(found: Scales, gas: Gas | None, choice: str) -> tuple[Quantity, ...]:
    T, P = found.temperature_k, found.pressure_pa
    latent, density, gamma = "latent-heat-review-2005", "iapws-r10-06", "surface-energy-1969"
    if gas is None:
        D_key: tuple[str, ...] = (transport.DIFFUSIVITIES[choice].source_key,)
        k_key: tuple[str, ...] = ("conductivity-1971",)
        D_rel: float | None = transport.DIFFUSIVITY_RELATIVE_UNCERTAINTY
        k_rel: float | None = transport.CONDUCTIVITY_RELATIVE_UNCERTAINTY
        others = (f"{transport.diffusivity(T, P, key):.4g} ({key})" for key in transport.DIFFUSIVITIES)
        note = "published formulas, m2/s: " + ", ".join(others)
    else:
        D_key, k_key, D_rel, k_rel, note = (), (), None, None, "the user's own, taken as it is"
    chi_rel = None if D_rel is None or k_rel is None else math.hypot(D_rel, k_rel)
    c_rel = math.hypot(ICE_RELATIVE_SPREAD, transport.ICE_DENSITY_RELATIVE_UNCERTAINTY)
    L_rel, rho_rel = transport.LATENT_HEAT_RELATIVE_UNCERTAINTY, transport.ICE_DENSITY_RELATIVE_UNCERTAINTY
    gamma_rel = transport.SURFACE_ENERGY.uncertainty / transport.SURFACE_ENERGY.value
    k_note = "" if gas is None else note
    gamma_note = "the surface energy's uncertainty is from memory"
    chi_note = f"free in air, diffusion-limited growth is divided by {1 + found.chi0:.3f}"
    chi_keys = (_ICE, *D_key, *k_key, latent)
    rows: tuple[tuple[str, str, float, str, float | None, tuple[str, ...], str], ...] = (
        ("D_m2_s", "diffusivity of vapour D", found.D_m2_s, "m2/s", D_rel, D_key, note),
        ("conductivity_w_mk", "heat conductivity", found.conductivity_w_mk, "W/(m K)", k_rel, k_key, k_note),
        ("v_kin_m_s", "kinetic velocity v_kin", found.v_kin_m_s, "m/s", c_rel, (_ICE, density), ""),
        ("X0_m", "diffusion length X0", found.X0_m, "m", D_rel, D_key, ""),
        ("capillary_m", "capillary length", found.capillary_m, "m", gamma_rel, (gamma, density), gamma_note),
        ("chi0", "latent-heat factor chi0", found.chi0, "1", chi_rel, chi_keys, chi_note),
        ("c_ratio", "saturated vapour / ice", found.c_ratio, "1", c_rel, (_ICE, density), "by mass density"),
        ("eta_per_k", "d ln c_sat/dT", found.eta_per_k, "1/K", L_rel, (latent,), ""),
        ("latent_j_kg", "heat of sublimation", found.latent_j_kg, "J/kg", L_rel, (latent,), ""),
        ("ice_density_kg_m3", "density of ice", found.ice_density_kg_m3, "kg/m3", rho_rel, (density,), ""),
    )
    return tuple(
        Quantity(name, words, value, unit, None if rel is None else rel * value, keys, remark)
        for name, words, value, unit, rel, keys, remark in rows
    )


def _words(sigma: float, sigma_water: float) -> str:
    if sigma > sigma_water:
        return (
            f"Above water saturation by {100 * (sigma - sigma_water):.2f} % (over ice): fog droplets "
            "will form and pull the vapour back towards water saturation."
        )
    margin = f"{100 * (sigma_water - sigma):.2f} % (over ice) left before fog droplets begin."
    if sigma < 0:
        return f"Below ice saturation: ice sublimates. {margin}"
    if sigma == 0:
        return f"At ice saturation: ice neither grows nor sublimates. {margin}"
    return f"Ice grows; {margin}"


def _one_humidity(**measures: float | None) -> tuple[str, float]:
    given = {name: value for name, value in measures.items() if value is not None}
    if len(given) != 1:
        raise ConditionsError(
            "Say the humidity once.",
            got=", ".join(given) or "no humidity at all",
            wanted="exactly one of " + ", ".join(measures),
            do="sigma=0.05",
        )
    ((name, value),) = given.items()
    if not math.isfinite(value):
        got = f"{name} = {value}"
        raise ConditionsError("The humidity is not a number.", got=got, wanted="a finite number")
    return name, float(value)


def _check_state(temperature_k: float, pressure_pa: float) -> None:
    if not temperature_k <= 273.16:
        raise ConditionsError(
            "There is no ice above its melting point.",
            got=f"{temperature_k - 273.15:.2f} degC",
            wanted="0 degC or colder",
            do="--temperature -15",
        )
    if not temperature_k >= 123.15:
        raise ConditionsError(
            "So cold that a slip of units is likely.",
            got=f"{temperature_k:g} K ({temperature_k - 273.15:.2f} degC)",
            wanted="-150 to 0 degC; kelvin in the library, degC at the command line",
        )
    low, high = _PRESSURE_PA
    if not low <= pressure_pa <= high:
        raise ConditionsError(
            "The pressure is outside what the diffusion picture covers.",
            got=f"{pressure_pa:g} Pa ({pressure_pa / 100:g} hPa)",
            wanted=f"{low / 100:g} to {high / 100:g} hPa",
            do="--pressure 1013.25",
        )


def _check_humidity(name: str, value: float) -> None:
    lowest = humid.MEASURES[name].lowest
    if value < lowest:
        raise ConditionsError(
            "The humidity is negative.", got=f"{name} = {value:g}", wanted=f"{lowest:g} or more"
        )
    if name == "frost_point_k" and value > 273.16:
        raise ConditionsError(
            "There is no frost point above the melting point of ice.",
            got=f"{value - 273.15:.2f} degC",
            wanted="0 degC or colder",
            do="--dew-point, if that is what the instrument shows",
        )
    if name in ("sigma", "rh_water") and value > _LARGEST_FRACTION:
        raise ConditionsError(
            "So humid that a slip of units is likely.",
            got=f"{name} = {value:g}, that is {100 * value:g} %",
            wanted=f"a fraction of at most {_LARGEST_FRACTION:g} in the library, percent at the command line",
            do=f"{name}={value / 100:g}" if value <= 100 * _LARGEST_FRACTION else "",
        )
