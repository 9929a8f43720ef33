"""An apparatus: its kind, its knobs and thermometers, and the questions it answers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.apparatus.basis import (
    Air,
    ApparatusError,
    Equipment,
    FlowMeter,
    Kind,
    Measured,
    Profile,
    Setting,
    State,
    Thermometer,
    Value,
    bare,
    difference_to_si,
    suffix_of,
    to_si,
    unit_of,
)
from icewright.apparatus.kinds import kind_of
from icewright.ground.constants import P_STANDARD
from icewright.ground.errors import ConditionsError
from icewright.vapour.saturation import ice_pressure

if TYPE_CHECKING:
    from icewright.apparatus.budget import Budget

_COLDEST_K = 123.15


@dataclass(frozen=True)
class Apparatus:
    """One set-up as its file describes it.

    Settings are typed, everywhere, in the unit that their name ends in (``warm_plate_c = -5``); what comes
    out is SI. A thermometer's offset (reading minus truth) is taken off before anything is computed, and so
    is the supersaturation's (calculated minus true, a fraction).
    """

    kind: str
    settings: Mapping[str, Setting]
    dimensions: Mapping[str, Measured]
    thermometers: Mapping[str, Thermometer] = field(default_factory=dict)
    flow_meters: Mapping[str, FlowMeter] = field(default_factory=dict)
    choices: Mapping[str, str] = field(default_factory=dict)
    title: str = ""
    pressure_pa: float = P_STANDARD
    air_response_s: float | None = None
    shared_thermometer_uncertainty_k: float | None = None
    sigma_offset: float = 0.0
    sigma_uncertainty: float | None = None
    sigma_checked: str = ""
    sigma_evidence: str = ""
    equipment: Equipment = field(default_factory=Equipment)
    notes: Mapping[str, Any] = field(default_factory=dict)

    @property
    def physics(self) -> Kind:
        """The kind's own equations."""
        return kind_of(self.kind)

    def cautions(self) -> list[str]:
        """What the apparatus implies for the people beside it, in sentences."""
        from icewright.apparatus.cautions import cautions

        return cautions(self)

    # -- settings to air ----------

    def complete(self, settings: Mapping[str, float] | None = None) -> dict[str, float]:
        """Every setting, those not given as the file says they stand now.

        Raises ``ApparatusError`` for an unknown setting or one that neither the call nor the file gives.
        """
        given = dict(settings or {})
        for name in given:
            if name not in self.settings:
                raise _unknown_setting(name, given[name], self.settings)
        whole = {name: given.get(name, setting.now) for name, setting in self.settings.items()}
        missing = [name for name, value in whole.items() if value is None]
        if missing:
            raise ApparatusError(
                f"The setting {missing[0]} is not given.",
                got=", ".join(f"{k} = {v:g}" for k, v in given.items()) or "no setting",
                wanted=", ".join(self.settings),
                do=f"--set {missing[0]}={_middle(self.settings[missing[0]]):g}"
                f"   (or now = ... under [setting.{missing[0]}])",
            )
        return {name: float(value) for name, value in whole.items() if value is not None}

    def check(self, settings: Mapping[str, float]) -> None:
        """Refuse settings out of their range, or that contradict each other.

        Raises ``ApparatusError`` with one clear line: what was got, the range, what was probably meant.
        """
        for name, value in settings.items():
            if name not in self.settings:
                raise _unknown_setting(name, value, self.settings)
            setting = self.settings[name]
            if not math.isfinite(value) or not setting.low <= value <= setting.high:
                raise _out_of_range(name, value, setting)
        if set(settings) >= set(self.settings):
            self._contradictions(settings)

    def _contradictions(self, settings: Mapping[str, float]) -> None:
        sizes = {name: size.value for name, size in self.dimensions.items()}
        self.physics.refuse({**sizes, **settings}, self.choices)

    def off_step(self, settings: Mapping[str, float]) -> list[str]:
        """A sentence for each setting between two steps of its knob."""
        said = []
        for name, value in settings.items():
            setting = self.settings[name]
            near = nearest_step(value, setting)
            if abs(near - value) > 1e-6 * max(setting.step, 1e-12):
                said.append(
                    f"{name} = {value:g} lies between two steps of {setting.step:g}; nearest: {near:g}"
                )
        return said

    def inputs(self, settings: Mapping[str, Value]) -> dict[str, Value]:
        """Everything a kind computes with: true settings and dimensions in SI, under bare names."""
        x: dict[str, Value] = {bare(n): to_si(n, v.value) for n, v in self.dimensions.items()}
        for name, value in settings.items():
            x[bare(name)] = to_si(name, value)
        for thermometer in self.thermometers.values():
            x[bare(thermometer.on)] = x[bare(thermometer.on)] - thermometer.offset
        for meter in self.flow_meters.values():
            x[bare(meter.on)] = x[bare(meter.on)] / (1.0 + meter.offset)
        return x

    def state(self, settings: Mapping[str, Value], *, pressure_pa: float | None = None) -> State:
        """Temperature and vapour pressure for settings that may be arrays; nothing is checked.

        Offsets of thermometers, flow meters and of the supersaturation are taken off.
        """
        found = self.physics.state(self.inputs(settings), pressure_pa or self.pressure_pa, self.choices)
        if self.sigma_offset == 0.0:
            return found
        e_ice = ice_pressure(np.asarray(found.temperature_k, dtype=float))
        return State(found.temperature_k, found.vapour_pa - self.sigma_offset * e_ice)

    def conditions(
        self,
        settings: Mapping[str, float] | None = None,
        *,
        pressure_pa: float | None = None,
        check: bool = True,
    ) -> Air:
        """The air at the crystal, before any fog, for settings in the units of their names.

        Settings not given stand as the file says. ``check=False`` skips the limits of the knobs, for a
        logger's record of what really was.
        Raises ``ApparatusError`` out of range or for contradictions, ``ConditionsError`` where no formula
        holds.
        """
        whole = self.complete(settings)
        if check:
            self.check(whole)
        P = self.pressure_pa if pressure_pa is None else pressure_pa
        if not P > 0:
            raise ConditionsError(
                "The pressure must be above zero.", got=f"{P:g} Pa", wanted="about 101325 Pa"
            )
        found = self.state(whole, pressure_pa=P)
        T = float(found.temperature_k)
        if not _COLDEST_K < T <= 273.165:
            raise ApparatusError(
                "With these settings there is no ice at the crystal.",
                got=f"{T - 273.15:.2f} degC at the crystal",
                wanted="0 degC or colder",
                do="colder settings",
            )
        sigma = float(found.vapour_pa) / float(ice_pressure(T)) - 1.0
        air = Air(T, sigma, P)
        return Air(T, sigma, P, tuple(self._notes(whole, air)))

    def _notes(self, settings: Mapping[str, float], air: Air) -> list[str]:
        said = []
        if air.fog:
            said.append(
                f"above water saturation: droplets will form and hold sigma near "
                f"{100 * air.sigma_water:.2f} %, not {100 * air.sigma:.2f} %"
            )
        if self.sigma_offset:
            said.append(f"a calibrated offset of {100 * self.sigma_offset:.2f} % is taken off sigma")
        return said + self.off_step(settings) + self.physics.assumptions(self.inputs(settings), self.choices)

    def profile(
        self, settings: Mapping[str, float] | None = None, *, pressure_pa: float | None = None
    ) -> Profile:
        """The air along the line that matters, for checked settings. Raises as ``conditions``."""
        whole = self.complete(settings)
        self.check(whole)
        return self.physics.profile(self.inputs(whole), pressure_pa or self.pressure_pa, self.choices)

    # -- how well, and back ----------

    def uncertainty(
        self, settings: Mapping[str, float] | None = None, *, pressure_pa: float | None = None
    ) -> Budget:
        """The full error budget of the conditions; see ``icewright.apparatus.budget``."""
        from icewright.apparatus.budget import budget

        return budget(self, self.complete(settings), pressure_pa=pressure_pa)

    def settings_for(
        self,
        temperature_k: float,
        sigma: float,
        *,
        pressure_pa: float | None = None,
        held: Mapping[str, float] | None = None,
    ) -> dict[str, float]:
        """The settings (units of their names, not rounded to steps) that give this air.

        Two settings are solved for; the others are taken from ``held`` or as they stand now.
        Raises ``ApparatusError`` where no setting within the limits gives it, and says how far one gets.
        """
        from icewright.apparatus.inverse import settings_for

        return settings_for(self, temperature_k, sigma, pressure_pa=pressure_pa, held=held)


def nearest_step(value: float, setting: Setting) -> float:
    """The value that the knob can really show, counted in steps from its lower end."""
    if setting.step <= 0:
        return value
    steps = round((value - setting.low) / setting.step)
    # Decimal digits of low and step: -15.1, not -15.100000000000001.
    return float(min(max(round(setting.low + steps * setting.step, 9), setting.low), setting.high))


def _middle(setting: Setting) -> float:
    return nearest_step((setting.low + setting.high) / 2.0, setting)


def _unknown_setting(name: str, value: float, known: Mapping[str, Setting]) -> ApparatusError:
    from difflib import get_close_matches

    stem = name.rsplit("_", 1)[0]
    celsius = f"{stem}_c"
    if name.endswith("_f") and celsius in known:
        return ApparatusError(
            f"There is no setting {name}.",
            got=f"{name} = {value:g}",
            wanted="degrees Celsius",
            do=f"{celsius} = {(value - 32.0) / 1.8:.6g}",
        )
    near = get_close_matches(name, known, n=1, cutoff=0.5)
    return ApparatusError(
        f"This apparatus has no setting {name}.",
        got=f"{name} = {value:g}",
        wanted=" and ".join(known),
        do=f"{near[0] if near else next(iter(known))} = {value:g}",
    )


def _out_of_range(name: str, value: float, setting: Setting) -> ApparatusError:
    near = min(max(value, setting.low), setting.high) if math.isfinite(value) else _middle(setting)
    do = f"{name} = {nearest_step(near, setting):g}"
    if suffix_of(name) == "_c" and math.isfinite(value):
        guesses = ((-value, "if the minus sign was lost"), ((value - 32.0) / 1.8, "if it was Fahrenheit"))
        kelvin = value - 273.15
        fits = [f"{why}: {name} = {v:.6g}" for v, why in guesses if setting.low <= v <= setting.high]
        if setting.low <= kelvin <= setting.high:
            fits = [f"if it was kelvin: {name} = {kelvin:.6g}"]
        do = "   ".join(fits) or do
    return ApparatusError(
        "This setting is out of its range.",
        got=f"{name} = {value:g}",
        wanted=f"{setting.low:g} to {setting.high:g} {unit_of(name)}",
        do=do,
    )


def setting_difference_si(name: str, lab: float) -> float:
    """An uncertainty or step of a setting in SI."""
    return float(difference_to_si(name, lab))
