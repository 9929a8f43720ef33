"""Read and write apparatus files: TOML, laboratory units in the names, comments kept.

``docs/apparatus.md`` names every key.
"""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from collections.abc import Collection, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from icewright.apparatus.basis import (
    ApparatusError,
    Equipment,
    FlowMeter,
    Kind,
    Measured,
    Setting,
    Thermometer,
    suffix_of,
    unit_of,
)
from icewright.apparatus.kinds import KINDS, kind_of
from icewright.apparatus.model import Apparatus
from icewright.ground.constants import P_STANDARD
from icewright.ground.errors import RecordError
from icewright.ground.records import check_kind

KIND = "icewright.apparatus"
SCHEMA = 1

__all__ = ["KIND", "SCHEMA", "Apparatus", "loads", "read", "write"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


class _Estimate(_Table):
    heat_capacity_j_k: float
    conductance_w_k: float


class _Setting(_Table):
    low: float
    high: float
    smallest_step: float
    now: float | None = None
    fastest_ramp_per_min: float | None = None
    response_s: float | None = None
    response_from: _Estimate | None = None
    stability: float = 0.0
    uncertainty: float | None = None


class _Thermometer(_Table):
    on: str
    offset_c: float = 0.0
    uncertainty_c: float | None = None
    checked: str | dt.date | dt.datetime = ""
    evidence: str = ""


class _FlowMeter(_Table):
    on: str
    offset_percent: float = 0.0
    uncertainty_percent: float | None = None
    checked: str | dt.date | dt.datetime = ""
    evidence: str = ""


class _Measured(_Table):
    value: float
    uncertainty: float | None = None


class _Air(_Table):
    pressure_hpa: float = P_STANDARD / 100.0
    response_s: float | None = None


class _Shared(_Table):
    thermometer_uncertainty_c: float


class _Sigma(_Table):
    offset_percent: float = 0.0
    uncertainty_percent: float | None = None
    checked: str | dt.date | dt.datetime = ""
    evidence: str = ""


class _Equipment(_Table):
    voltage_kv: float = 0.0
    coolant: str = ""
    vapours: list[str] = []
    laser_class: str = ""
    vacuum_glass: bool = False


class _File(_Table):
    kind: str
    schema_: int
    apparatus: str
    title: str = ""
    setting: dict[str, _Setting]
    dimension: dict[str, float | _Measured] = {}
    thermometer: dict[str, _Thermometer] = {}
    flow_meter: dict[str, _FlowMeter] = {}
    arrangement: dict[str, str] = {}
    air: _Air = _Air()
    shared: _Shared | None = None
    supersaturation: _Sigma = _Sigma()
    equipment: _Equipment = _Equipment()
    notes: dict[str, Any] = {}


def read(path: str | Path) -> Apparatus:
    """The apparatus in a file. Raises ``ApparatusError`` or ``RecordError`` with the line to type."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ApparatusError(
            f"There is no file {path}.",
            wanted="an apparatus file",
            do="copy one of examples/apparatus-*.toml",
        ) from None
    except (OSError, UnicodeDecodeError) as cause:
        raise ApparatusError(
            f"{path} cannot be read ({cause}).", wanted="an apparatus file in UTF-8"
        ) from cause
    try:
        return loads(text)
    except (ApparatusError, RecordError) as cause:
        message = f"{path}: {cause.message}" if cause.message else str(path)
        raise type(cause)(message, got=cause.got, wanted=cause.wanted, do=cause.do) from cause


def loads(text: str) -> Apparatus:
    """The apparatus in a text. Raises as ``read``."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as cause:
        raise ApparatusError(
            "This is not TOML.", got=str(cause), wanted="lines such as low = -30, with text in quotes"
        ) from cause
    check_kind(data, KIND, SCHEMA)
    data["schema_"] = data.pop("schema")
    try:
        held = _File.model_validate(data)
    except ValidationError as cause:
        raise _first_fault(cause) from cause
    return _apparatus(held, kind_of(held.apparatus))


def write(apparatus: Apparatus, path: str | Path) -> None:
    """Write the apparatus back into its file, or as a new one; comments and order of a file are kept.

    What calibration changes (thermometers, flow meters, supersaturation) and every other value is put where
    it stands; a value that is the same is left as it was typed. The file is replaced in one move.
    """
    import tomlkit

    path = Path(path)
    old = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    document = tomlkit.parse(old)
    _merge(document, _plain(apparatus))
    text = tomlkit.dumps(document)
    loads(text)  # never replace a good file by one that cannot be read back
    beside = path.with_name(path.name + ".part")
    beside.write_text(text, encoding="utf-8", newline="\n")
    beside.replace(path)


def _apparatus(held: _File, kind: Kind) -> Apparatus:
    choices = _choices(held.arrangement, kind)
    _same_names(held.setting, kind.settings, "setting")
    dimensions = _dimensions(held.dimension, kind, choices)
    for name, thermometer in held.thermometer.items():
        _measures(f"thermometer.{name}", thermometer.on, [s for s in kind.settings if suffix_of(s) == "_c"])
    for name, meter in held.flow_meter.items():
        _measures(f"flow_meter.{name}", meter.on, [s for s in kind.settings if suffix_of(s) == "_l_min"])
    _one_word(held)
    _once("thermometer", [t.on for t in held.thermometer.values()])
    _once("flow_meter", [t.on for t in held.flow_meter.values()])
    pressure = held.air.pressure_hpa
    if not 0.1 <= pressure <= 2000.0:
        raise ApparatusError(
            "The pressure is outside what a growth chamber has.",
            got=f"[air]: pressure_hpa = {pressure:g}",
            wanted="0.1 to 2000 hPa",
            do=f"pressure_hpa = {pressure / 100:g}"
            if 10 <= pressure / 100 <= 2000
            else "pressure_hpa = 1013.25",
        )
    return Apparatus(
        kind=held.apparatus,
        title=held.title,
        settings={name: _setting(name, held.setting[name]) for name in kind.settings},
        dimensions=dimensions,
        thermometers={
            name: Thermometer(t.on, t.offset_c, _positive(t.uncertainty_c, name), str(t.checked), t.evidence)
            for name, t in held.thermometer.items()
        },
        flow_meters={
            name: FlowMeter(
                m.on,
                m.offset_percent / 100.0,
                None if m.uncertainty_percent is None else m.uncertainty_percent / 100.0,
                str(m.checked),
                m.evidence,
            )
            for name, m in held.flow_meter.items()
        },
        choices=choices,
        pressure_pa=round(pressure * 100.0, 9),
        air_response_s=held.air.response_s,
        shared_thermometer_uncertainty_k=held.shared.thermometer_uncertainty_c if held.shared else None,
        sigma_offset=held.supersaturation.offset_percent / 100.0,
        sigma_uncertainty=None
        if held.supersaturation.uncertainty_percent is None
        else held.supersaturation.uncertainty_percent / 100.0,
        sigma_checked=str(held.supersaturation.checked),
        sigma_evidence=held.supersaturation.evidence,
        equipment=Equipment(
            held.equipment.voltage_kv,
            held.equipment.coolant,
            tuple(held.equipment.vapours),
            held.equipment.laser_class,
            held.equipment.vacuum_glass,
        ),
        notes=held.notes,
    )


def _setting(name: str, held: _Setting) -> Setting:
    where = f"[setting.{name}]"
    if not held.low < held.high:
        raise ApparatusError(
            f"{where}: low must lie below high.",
            got=f"low = {held.low:g}, high = {held.high:g}",
            wanted="low < high",
            do=f"low = {held.high:g}, high = {held.low:g}",
        )
    if not held.smallest_step > 0:
        raise ApparatusError(
            f"{where}: the smallest step must be above zero.",
            got=f"smallest_step = {held.smallest_step:g}",
            wanted="the smallest change that the knob can show",
            do="smallest_step = 0.1",
        )
    if suffix_of(name) == "_c" and not (held.low >= -150.0 and held.high <= 58.0):
        raise ApparatusError(
            f"{where}: this range is not one of a chamber in degrees Celsius.",
            got=f"low = {held.low:g}, high = {held.high:g}",
            wanted="-150 to 58 degC; a name that ends in _c is in degrees Celsius, not Fahrenheit or kelvin",
            do=f"low = {_celsius(held.low):.4g}, high = {_celsius(held.high):.4g}",
        )
    if suffix_of(name) != "_c" and held.low < 0:
        raise ApparatusError(
            f"{where}: below zero.", got=f"low = {held.low:g}", wanted="0 or more", do="low = 0"
        )
    if held.now is not None and not held.low <= held.now <= held.high:
        raise ApparatusError(
            f"{where}: what the knob stands at is out of its own range.",
            got=f"now = {held.now:g}",
            wanted=f"{held.low:g} to {held.high:g} {unit_of(name)}",
        )
    if held.response_s is not None and held.response_from is not None:
        raise ApparatusError(
            f"{where}: the response is given twice.",
            got="response_s and response_from",
            wanted="response_s if it was measured, else response_from",
        )
    if held.response_s is not None and held.response_s < 0:
        raise ApparatusError(f"{where}: a response time below zero.", got=f"response_s = {held.response_s:g}")
    ramp = held.fastest_ramp_per_min
    if ramp is not None and not ramp > 0:
        raise ApparatusError(
            f"{where}: a ramp must be above zero, for both directions.",
            got=f"fastest_ramp_per_min = {ramp:g}",
            do=f"fastest_ramp_per_min = {abs(ramp) or 1:g}",
        )
    estimate = held.response_from
    if estimate is not None and not (estimate.heat_capacity_j_k > 0 and estimate.conductance_w_k > 0):
        raise ApparatusError(
            f"{where}: heat capacity and conductance must be above zero.",
            got=f"{estimate.heat_capacity_j_k:g} J/K, {estimate.conductance_w_k:g} W/K",
        )
    response, how = held.response_s or 0.0, "measured" if held.response_s is not None else "not given"
    if estimate is not None:
        # One thermal mass behind one conductance: tau = C/G.
        response, how = estimate.heat_capacity_j_k / estimate.conductance_w_k, "estimated"
    return Setting(
        unit=unit_of(name),
        low=held.low,
        high=held.high,
        step=held.smallest_step,
        fastest_ramp=math.inf if ramp is None else ramp / 60.0,
        response_s=response,
        response_from=how,
        now=held.now,
        stability=abs(held.stability),
        uncertainty=_positive(held.uncertainty, where),
        estimate=None if estimate is None else (estimate.heat_capacity_j_k, estimate.conductance_w_k),
    )


def _celsius(value: float) -> float:
    return value - 273.15 if value > 150 else (value - 32.0) / 1.8


def _choices(given: Mapping[str, str], kind: Kind) -> dict[str, str]:
    for name, value in given.items():
        if name not in kind.choices:
            raise _unknown(name, kind.choices, "[arrangement]")
        if value not in kind.choices[name]:
            raise ApparatusError(
                f"[arrangement]: {name} cannot be that.",
                got=f'{name} = "{value}"',
                wanted=" or ".join(f'"{c}"' for c in kind.choices[name]),
                do=f'{name} = "{kind.choices[name][0]}"',
            )
    return {name: given.get(name, options[0]) for name, options in kind.choices.items()}


def _dimensions(
    given: Mapping[str, float | _Measured], kind: Kind, choices: Mapping[str, str]
) -> dict[str, Measured]:
    for name in given:
        if name not in kind.dimensions:
            raise _unknown(name, kind.dimensions, "[dimension]")
    found: dict[str, Measured] = {}
    needed = kind.needs(choices)
    for name, dimension in kind.dimensions.items():
        if name not in given:
            if dimension.default is not None:
                found[name] = Measured(dimension.default)
            elif not dimension.optional or name in needed:
                raise ApparatusError(
                    f"[dimension] lacks {name}, the {dimension.words}.",
                    got=", ".join(given) or "no dimension",
                    wanted=name,
                    do=f"{name} = {{ value = ..., uncertainty = ... }}",
                )
            continue
        held = given[name]
        size = (
            Measured(held.value, _positive(held.uncertainty, name))
            if isinstance(held, _Measured)
            else Measured(held)
        )
        if not dimension.low <= size.value <= dimension.high:
            raise ApparatusError(
                f"[dimension]: {name}, the {dimension.words}, is out of all measure.",
                got=f"{name} = {size.value:g}",
                wanted=f"{dimension.low:g} to {dimension.high:g} {unit_of(name)}",
            )
        found[name] = size
    return found


def _positive(uncertainty: float | None, name: str) -> float | None:
    if uncertainty is not None and uncertainty < 0:
        raise ApparatusError(
            f"{name}: an uncertainty below zero.", got=f"{uncertainty:g}", wanted="a standard uncertainty"
        )
    return uncertainty


def _same_names(given: Collection[str], wanted: Collection[str], table: str) -> None:
    for name in given:
        if name not in wanted:
            raise _unknown(name, wanted, f"[{table}.*]")
    missing = [name for name in wanted if name not in given]
    if missing:
        raise ApparatusError(
            f"The file lacks [{table}.{missing[0]}].",
            got=", ".join(given) or "none",
            wanted=", ".join(wanted),
            do=f"[{table}.{missing[0]}] with low, high and smallest_step",
        )


def _measures(where: str, on: str, possible: Collection[str]) -> None:
    if on not in possible:
        near = get_close_matches(on, possible, n=1, cutoff=0.3)
        raise ApparatusError(
            f"[{where}] sits on no setting that it could measure.",
            got=f'on = "{on}"',
            wanted=" or ".join(f'"{p}"' for p in possible) or "no such instrument for this kind",
            do=f'on = "{near[0]}"' if near else "",
        )


def _one_word(held: _File) -> None:
    """A knob's own uncertainty beside that of an instrument on it would count one error twice."""
    instruments = [("thermometer", n, t.on) for n, t in held.thermometer.items()]
    instruments += [("flow_meter", n, m.on) for n, m in held.flow_meter.items()]
    for table, name, on in instruments:
        if held.setting[on].uncertainty is not None:
            raise ApparatusError(
                f"{on} has its uncertainty twice.",
                got=f"[setting.{on}] uncertainty, and [{table}.{name}]",
                wanted="that of the instrument alone",
                do=f"delete uncertainty under [setting.{on}]",
            )


def _once(table: str, on: list[str]) -> None:
    twice = [name for name in on if on.count(name) > 1]
    if twice:
        raise ApparatusError(
            f"Two of [{table}.*] sit on the same setting.",
            got=f'on = "{twice[0]}" twice',
            wanted="one for each setting; average two readings yourself",
        )


def _unknown(name: str, known: Collection[str], where: str) -> ApparatusError:
    stem = name.rsplit("_", 1)[0]
    celsius = f"{stem}_c"
    if name.endswith("_f") and celsius in known:
        return ApparatusError(
            f"{where}: {name} would be Fahrenheit.",
            got=name,
            wanted="degrees Celsius, (F - 32)/1.8",
            do=f"{celsius} = ...",
        )
    near = get_close_matches(name, list(known), n=1, cutoff=0.5)
    return ApparatusError(
        f"{where}: unknown key {name}" + (f"; did you mean {near[0]}?" if near else "."),
        got=name,
        wanted=", ".join(known) or "nothing",
        do=f"{near[0]} = ..." if near else f"delete {name}",
    )


def _first_fault(cause: ValidationError) -> ApparatusError:
    first = cause.errors()[0]
    parts = [str(p) for p in first["loc"] if str(p) not in ("float", "_Measured")]
    where = ".".join(parts).replace("schema_", "schema")
    if first["type"] == "extra_forbidden":
        known = _keys_beside(parts)
        return _unknown(parts[-1], known, f"[{'.'.join(parts[:-1])}]" if parts[:-1] else "apparatus file")
    if first["type"] == "missing":
        do = f'apparatus = "{"|".join(KINDS)}"' if where == "apparatus" else f"{parts[-1]} = ..."
        return ApparatusError(f"The file lacks {where}.", wanted=parts[-1], do=do)
    return ApparatusError(
        f"{where} is not what it should be.", got=repr(first.get("input")), wanted=str(first["msg"])
    )


def _keys_beside(parts: list[str]) -> list[str]:
    tables: dict[str, type[_Table]] = {
        "setting": _Setting,
        "thermometer": _Thermometer,
        "flow_meter": _FlowMeter,
        "dimension": _Measured,
        "air": _Air,
        "shared": _Shared,
        "supersaturation": _Sigma,
        "equipment": _Equipment,
    }
    table = _File if len(parts) == 1 else tables.get(parts[0], _File)
    if parts[-2:-1] == ["response_from"]:
        table = _Estimate
    return [name.rstrip("_") for name in table.model_fields]


def _plain(a: Apparatus) -> dict[str, Any]:
    """The apparatus as its file holds it; None for what the file need not say."""
    kind = a.physics
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "title": a.title or None,
        "apparatus": a.kind,
        "air": {"pressure_hpa": _tidy(a.pressure_pa / 100.0), "response_s": a.air_response_s},
        "arrangement": dict(a.choices),
        "setting": {name: _plain_setting(s) for name, s in a.settings.items()},
        "dimension": {
            name: d.value if d.uncertainty is None else {"value": d.value, "uncertainty": d.uncertainty}
            for name, d in a.dimensions.items()
            if name in kind.dimensions
        },
        "thermometer": {
            name: {
                "on": t.on,
                "offset_c": _tidy(t.offset),
                "uncertainty_c": _tidy(t.uncertainty),
                "checked": t.checked or None,
                "evidence": t.evidence or None,
            }
            for name, t in a.thermometers.items()
        },
        "flow_meter": {
            name: {
                "on": m.on,
                "offset_percent": _tidy(100.0 * m.offset),
                "uncertainty_percent": None if m.uncertainty is None else _tidy(100.0 * m.uncertainty),
                "checked": m.checked or None,
                "evidence": m.evidence or None,
            }
            for name, m in a.flow_meters.items()
        },
        "shared": None
        if a.shared_thermometer_uncertainty_k is None
        else {"thermometer_uncertainty_c": a.shared_thermometer_uncertainty_k},
        "supersaturation": {
            "offset_percent": _tidy(100.0 * a.sigma_offset) if a.sigma_offset else None,
            "uncertainty_percent": None
            if a.sigma_uncertainty is None
            else _tidy(100.0 * a.sigma_uncertainty),
            "checked": a.sigma_checked or None,
            "evidence": a.sigma_evidence or None,
        },
        "equipment": {
            "voltage_kv": a.equipment.voltage_kv or None,
            "coolant": a.equipment.coolant or None,
            "vapours": list(a.equipment.vapours) or None,
            "laser_class": a.equipment.laser_class or None,
            "vacuum_glass": a.equipment.vacuum_glass or None,
        },
        "notes": dict(a.notes) or None,
    }


def _plain_setting(s: Setting) -> dict[str, Any]:
    return {
        "low": s.low,
        "high": s.high,
        "smallest_step": s.step,
        "now": s.now,
        "fastest_ramp_per_min": None if math.isinf(s.fastest_ramp) else _tidy(60.0 * s.fastest_ramp),
        "response_s": s.response_s if s.response_from == "measured" else None,
        "response_from": None
        if s.estimate is None
        else {"heat_capacity_j_k": s.estimate[0], "conductance_w_k": s.estimate[1]},
        "stability": s.stability or None,
        "uncertainty": s.uncertainty,
    }


def _tidy(value: float | None) -> float | None:
    """Twelve digits: what a person typed, without the tail that a change of unit leaves."""
    return None if value is None else float(f"{value:.12g}")


def _merge(table: Any, wanted: Mapping[str, Any]) -> None:
    """Put ``wanted`` into a tomlkit table, touching only what differs; None and empty tables are skipped."""
    import tomlkit

    for key, value in wanted.items():
        if isinstance(value, Mapping):
            kept = {k: v for k, v in value.items() if v is not None}
            if not kept:
                continue
            inside = table.get(key)
            if inside is None:
                inline = key == "response_from" or set(kept) <= {"value", "uncertainty"}
                inside = tomlkit.inline_table() if inline else tomlkit.table()
                table[key] = inside
                inside = table[key]
            elif not isinstance(inside, Mapping):  # a bare number that gains an uncertainty
                table[key] = inside = tomlkit.inline_table()
            _merge(inside, value)
        elif value is None:
            if key in table and key in _MAY_GO:
                del table[key]
        elif key not in table or not _same(table[key], value):
            table[key] = value


# Keys that calibration may take away again; any other key missing from the object is left in the file.
_MAY_GO = ("offset_percent", "uncertainty_percent", "uncertainty_c", "checked", "evidence", "response_s")


def _same(old: Any, new: Any) -> bool:
    if isinstance(old, Mapping):  # { value = 10 } for a plain 10
        return dict(old) == {"value": new}
    if isinstance(old, int | float) and not isinstance(old, bool):
        return isinstance(new, int | float) and float(old) == float(new)
    if isinstance(old, dt.date):
        return str(old) == str(new)
    return bool(old == new)
