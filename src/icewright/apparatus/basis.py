"""What every kind of apparatus is made of: named quantities, coated surfaces, and the air that results.

A setting or a dimension is named with its laboratory unit (``warm_plate_c``, ``gap_mm``,
``humid_flow_l_min``) and typed in that unit; a kind computes with the same quantity in SI under its bare
name (``warm_plate``, in K). All values may be floats or arrays that broadcast, so that a thousand drawn
errors cost one call.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from icewright.ground.constants import TRIPLE_POINT_K
from icewright.ground.errors import IcewrightError
from icewright.vapour.saturation import WATER_RELATIVE_SPREAD, ice_pressure, water_pressure

Value = Any  # a float, or an array of any shape that broadcasts with the others
Values = Mapping[str, Value]

# Suffix of a name: (SI per laboratory unit, offset, the unit in words). Longest suffix first.
UNITS: dict[str, tuple[float, float, str]] = {
    "_w_mk": (1.0, 0.0, "W/(m K)"),
    "_l_min": (1e-3 / 60.0, 0.0, "l/min"),
    "_mm_s": (1e-3, 0.0, "mm/s"),
    "_percent": (1e-2, 0.0, "%"),
    "_cm2": (1e-4, 0.0, "cm2"),
    "_mm": (1e-3, 0.0, "mm"),
    "_um": (1e-6, 0.0, "um"),
    "_c": (1.0, 273.15, "degC"),
    "_k": (1.0, 0.0, "K"),  # a difference of temperatures
    "_l": (1e-3, 0.0, "l"),
}


class ApparatusError(IcewrightError):
    """An apparatus, or a setting of it, that cannot be. What was got, what was wanted, what to type."""


def suffix_of(name: str) -> str:
    """The unit suffix of a name, such as ``_c``. Raises ``ApparatusError`` for a name without one."""
    for suffix in UNITS:
        if name.endswith(suffix):
            return suffix
    raise ApparatusError(
        "This name carries no unit.", got=name, wanted="one that ends in " + ", ".join(UNITS)
    )


def bare(name: str) -> str:
    """``warm_plate_c`` without its unit: ``warm_plate``."""
    return name.removesuffix(suffix_of(name))


def unit_of(name: str) -> str:
    """The laboratory unit of a name, for people: ``degC``, ``mm``, ``l/min``."""
    return UNITS[suffix_of(name)][2]


def to_si(name: str, lab: Value) -> Value:
    """The SI value of a laboratory value of that name."""
    scale, offset, _ = UNITS[suffix_of(name)]
    return lab * scale + offset


def from_si(name: str, si: Value) -> Value:
    """The laboratory value of an SI value of that name."""
    scale, offset, _ = UNITS[suffix_of(name)]
    return (si - offset) / scale


def difference_to_si(name: str, lab: Value) -> Value:
    """An uncertainty, a step or an offset of that name in SI: no shift of the zero."""
    return lab * UNITS[suffix_of(name)][0]


@dataclass(frozen=True)
class Dimension:
    """A length, area, volume or share that a kind asks for, in the unit of its name.

    ``default`` None means that the file must give it, unless ``optional`` says that it may be left out.
    """

    words: str
    low: float
    high: float
    default: float | None = None
    optional: bool = False


@dataclass(frozen=True)
class State:
    """Air at the crystal: temperature (K) and vapour pressure (Pa), floats or arrays of one shape."""

    temperature_k: Value
    vapour_pa: Value


@dataclass(frozen=True)
class Air:
    """The air that the crystal has.

    ``sigma`` is the supersaturation over ice (a fraction) before any fog forms; ``notes`` say what was
    assumed and what would really happen.
    """

    temperature_k: float
    sigma: float
    pressure_pa: float
    notes: tuple[str, ...] = ()

    @property
    def vapour_pa(self) -> float:
        """Vapour pressure, Pa."""
        return (1.0 + self.sigma) * float(ice_pressure(self.temperature_k))

    @property
    def sigma_water(self) -> float:
        """Supersaturation over ice (fraction) at water saturation: the ceiling that fog puts on it."""
        return float(water_pressure(self.temperature_k) / ice_pressure(self.temperature_k)) - 1.0

    @property
    def fog(self) -> bool:
        """True above water saturation."""
        return self.sigma > self.sigma_water

    @property
    def sigma_with_fog(self) -> float:
        """The supersaturation once droplets hold the vapour at water saturation (fraction)."""
        return min(self.sigma, self.sigma_water)


@dataclass(frozen=True)
class Profile:
    """Temperature (K) and vapour pressure (Pa) along ``x`` ([n], each); ``crystal_x`` marks the crystal.

    ``x`` is a height in metres or a share from 0 to 1; ``axis`` says which, with its unit as drawn.
    """

    x: NDArray[np.float64]
    temperature_k: NDArray[np.float64]
    vapour_pa: NDArray[np.float64]
    crystal_x: float
    axis: str
    ends: tuple[str, str]

    @property
    def ice_pa(self) -> NDArray[np.float64]:
        """Saturation over ice, Pa, [n]; at 0 degC and above that of water, for there is no ice."""
        return np.asarray(wet(self.temperature_k))

    @property
    def water_pa(self) -> NDArray[np.float64]:
        """Saturation over water, Pa, [n]."""
        return np.asarray(water_pressure(self.temperature_k))

    @property
    def sigma(self) -> NDArray[np.float64]:
        """Supersaturation over ice, fraction, [n]."""
        return self.vapour_pa / self.ice_pa - 1.0

    @property
    def sigma_water(self) -> NDArray[np.float64]:
        """The same at water saturation, fraction, [n]."""
        return self.water_pa / self.ice_pa - 1.0


@dataclass(frozen=True)
class Term:
    """An input of the error budget that no knob shows: a formula, or a rule of transport.

    Its value is drawn from a normal distribution of mean 0 and standard deviation 1 and enters ``state``
    under ``name``; ``words`` say what one standard deviation means.
    """

    name: str
    words: str


ICE_TERM = Term("ice_formula", "ice formula: one published against another")
WATER_TERM = Term("water_formula", "water formula: 0.15 %")


def over_ice(temperature_k: Value, terms: Values | None = None) -> Value:
    """Saturation over ice, Pa, of an ice-coated surface; never warmer than the triple point.

    The term ``ice_formula`` moves from one published formulation (0) to the other (1) and as far beyond.
    """
    T = np.minimum(temperature_k, TRIPLE_POINT_K)
    first = ice_pressure(T)
    share = 0.0 if terms is None else terms.get(ICE_TERM.name, 0.0)
    if np.ndim(share) == 0 and share == 0.0:
        return first
    return first * np.exp(share * np.log(ice_pressure(T, "review-2005") / first))


def over_water(temperature_k: Value, terms: Values | None = None) -> Value:
    """Saturation over water, Pa; the term ``water_formula`` scales it by 0.15 % a standard deviation."""
    share = 0.0 if terms is None else terms.get(WATER_TERM.name, 0.0)
    return water_pressure(temperature_k) * (1.0 + WATER_RELATIVE_SPREAD * share)


def over(coat: str, temperature_k: Value, terms: Values | None = None) -> Value:
    """Saturation, Pa, of a surface coated with ``"ice"`` or ``"water"``."""
    return over_ice(temperature_k, terms) if coat == "ice" else over_water(temperature_k, terms)


def refuse_frozen(name: str, value_c: float) -> None:
    """Refuse a surface of liquid water below 0 degC. Raises ``ApparatusError``."""
    if value_c < 0.0:
        raise ApparatusError(
            "A surface of water below 0 degC freezes, and then is one of ice.",
            got=f"{name} = {value_c:g}",
            wanted="0 degC or warmer, or a coat of ice",
            do=f"{name} = 0",
        )


def wet(temperature_k: Value, terms: Values | None = None) -> Value:
    """Saturation, Pa, of a moist wall: frost below 0.01 degC, water above."""
    T = np.asarray(temperature_k, dtype=float)
    return np.where(T < TRIPLE_POINT_K, over_ice(T, terms), over_water(T, terms))


class Kind(ABC):
    """One kind of apparatus: which settings and dimensions it has, and the air that they make."""

    name: ClassVar[str]
    words: ClassVar[str]
    settings: ClassVar[dict[str, str]]  # name with unit -> what it is
    dimensions: ClassVar[dict[str, Dimension]]
    choices: ClassVar[dict[str, tuple[str, ...]]]  # the first is the default
    # At a fixed temperature of the crystal, sigma rises steadily with `driver`; `level` sets the temperature.
    driver: ClassVar[str]
    level: ClassVar[str]
    terms: ClassVar[tuple[Term, ...]] = (ICE_TERM, WATER_TERM)
    source_keys: ClassVar[tuple[str, ...]] = ()  # beyond those of saturation

    @abstractmethod
    def state(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> State:
        """The air at the crystal from settings and dimensions in SI under bare names."""

    def temperature(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Value:
        """Temperature of ``state`` alone, K, where that is quicker."""
        return self.state(x, pressure_pa, choices).temperature_k

    @abstractmethod
    def profile(self, x: Values, pressure_pa: float, choices: Mapping[str, str]) -> Profile:
        """The air along the line that matters, through the crystal."""

    @abstractmethod
    def air_response_s(
        self, x: Values, pressure_pa: float, choices: Mapping[str, str]
    ) -> tuple[float | None, float | None, str]:
        """First-order times (s) of temperature and of vapour once the surfaces have settled, and why.

        None where neither dimension nor measurement says.
        """

    def refuse(self, lab: Mapping[str, float], choices: Mapping[str, str]) -> None:
        """Refuse settings that contradict each other (laboratory units). Raises ``ApparatusError``."""
        return

    def needs(self, choices: Mapping[str, str]) -> tuple[str, ...]:
        """Dimensions that the choices make necessary although they are optional otherwise."""
        return ()

    def assumptions(self, x: Values, choices: Mapping[str, str]) -> list[str]:
        """What the numbers rest on, in sentences."""
        return []


@dataclass(frozen=True)
class Setting:
    """A knob: its unit, range, smallest step and fastest ramp, in the unit that its name ends in.

    ``fastest_ramp`` is per second (infinite if the file gives none), ``response_s`` the first-order time;
    ``response_from`` says whether that was measured or estimated. ``now`` is what the knob stands at.
    ``stability`` is the standard deviation of what is held about what is set.
    """

    unit: str
    low: float
    high: float
    step: float
    fastest_ramp: float
    response_s: float
    response_from: str = "measured"
    now: float | None = None
    stability: float = 0.0
    uncertainty: float | None = None  # of the knob's own scale, where no instrument sits on it
    estimate: tuple[float, float] | None = None  # heat capacity J/K and conductance W/K behind an estimate


@dataclass(frozen=True)
class Thermometer:
    """A thermometer on a setting: offset = reading minus truth, and standard uncertainty, both in kelvin."""

    on: str
    offset: float = 0.0
    uncertainty: float | None = None
    checked: str = ""
    evidence: str = ""


@dataclass(frozen=True)
class FlowMeter:
    """A flow meter on a setting: offset (reading over truth, less 1) and uncertainty, both as fractions."""

    on: str
    offset: float = 0.0
    uncertainty: float | None = None
    checked: str = ""
    evidence: str = ""


@dataclass(frozen=True)
class Measured:
    """A dimension in its laboratory unit with its standard uncertainty (None: not stated)."""

    value: float
    uncertainty: float | None = None


@dataclass(frozen=True)
class Equipment:
    """What else the set-up has, as far as it can hurt someone; see ``cautions``."""

    voltage_kv: float = 0.0
    coolant: str = ""
    vapours: tuple[str, ...] = ()
    laser_class: str = ""
    vacuum_glass: bool = False
    extra: Mapping[str, Any] = field(default_factory=dict)
