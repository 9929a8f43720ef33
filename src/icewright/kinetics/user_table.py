"""A user's own barrier table, read from a TOML file.

::

    kind = "icewright.kinetics"
    schema = 1
    name = "tern-point-2026"
    source = "needle and plate runs, cold room of the Tern Point science museum, 2026"
    how = "measured"            # "measured", "fitted", "abstract" or "from memory"
    uncertainty = 0.3           # relative, of sigma0; leave the line out if you do not know it

    [basal]
    temperature_c = [-2, -5, -15]
    sigma0_percent = [0.9, 0.7, 2.2]
    A = [1, 1, 1]

    [prism]
    temperature_c = [-2, -5, -15]
    sigma0_percent = [0.15, 0.17, 2.7]
    A = [0.15, 0.15, 1]
    how = ["from memory", "measured", "measured"]   # one for all, or one a temperature

    [prism.dip]                 # optional, also for basal
    centre_c = -14.5
    depth = 0.1                 # factor left on sigma0 of the narrowest facets
    half_width_k = 2.0

    [width]                     # optional
    physical_um = 0.1
    subgrid_um = 8.0            # a sub-grid device; 0 switches it off

    [valid]                     # optional: where the end values may be held
    coldest_c = -20
    warmest_c = 0
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast, get_args

from icewright.ground.errors import KineticsError, RecordError
from icewright.ground.records import check_keys, check_kind
from icewright.ground.sources import How, Source, register
from icewright.ground.units import celsius_to_kelvin, from_percent, from_um
from icewright.kinetics.barriers import BarrierKinetics, Dip, Point, Standing, WidthLaw
from icewright.kinetics.model import FACETS

KIND = "icewright.kinetics"
SCHEMA = 1

_ORIGIN = ("source", "how", "uncertainty")
_HOW_OF_STANDING: dict[str, How] = {
    "measured": "read",
    "fitted": "computed",
    "abstract": "abstract",
    "from memory": "from memory",
}


def read(path: str | Path) -> BarrierKinetics:
    """Read a user's table; the file's layout is at the top of this module.

    Raises ``KineticsError`` if the file is missing, is not TOML, or holds values that cannot be, and
    ``RecordError`` for the wrong kind, a newer schema, or missing or unknown keys.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
        data = tomllib.loads(text)
    except OSError as error:
        raise KineticsError(
            "The kinetics file cannot be read.",
            got=f"{path}: {error.strerror}",
            wanted="a readable TOML file",
        ) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise KineticsError(
            "The kinetics file is not TOML.", got=f"{path}: {error}", wanted="TOML, UTF-8"
        ) from error
    return from_dict(data)


def from_dict(data: Mapping[str, Any]) -> BarrierKinetics:
    """A table from the file's content as a dictionary; raises as ``read``."""
    check_kind(data, KIND, SCHEMA)
    check_keys(
        data,
        required=("kind", "schema", "name", *FACETS),
        optional=(*_ORIGIN, "width", "valid"),
        where="kinetics table",
    )
    general = {key: data[key] for key in _ORIGIN if key in data}
    basal, prism = (_points(facet, _table(data, facet), general) for facet in FACETS)
    basal_dip, prism_dip = (_dip(facet, _table(data, facet), general) for facet in FACETS)
    return BarrierKinetics(
        name=str(data["name"]),
        points=(basal, prism),
        dips=(basal_dip, prism_dip),
        width_law=_width(data, general),
        valid_range_k=_valid(data, basal, prism),
    )


def _table(data: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    table = data.get(key, {})
    if not isinstance(table, Mapping):
        raise RecordError(f"{key} must be a table.", got=repr(table), wanted=f"[{key}]")
    return table


def _points(facet: str, table: Mapping[str, Any], general: Mapping[str, Any]) -> tuple[Point, ...]:
    columns = ("temperature_c", "sigma0_percent", "A")
    check_keys(table, required=columns, optional=(*_ORIGIN, "dip"), where=f"[{facet}] table")
    count = len(table["temperature_c"]) if isinstance(table["temperature_c"], list) else 0
    for key in columns:
        if not isinstance(table[key], list) or len(table[key]) != count or not count:
            raise KineticsError(
                f"The columns of [{facet}] are not lists of one length.",
                got=f"{key} = {table[key]!r}",
                wanted=f"{count} numbers, as in temperature_c",
            )
    origins = _origins(facet, dict(general) | dict(table), count)
    rows = zip(*(table[key] for key in columns), origins, strict=True)
    return tuple(
        Point(
            celsius_to_kelvin(_number(f"[{facet}] temperature_c", t)),
            from_percent(_number(f"[{facet}] sigma0_percent", s0)),
            _number(f"[{facet}] A", a),
            uncertainty,
            key,
            standing,
        )
        for t, s0, a, (key, standing, uncertainty) in rows
    )


def _dip(facet: str, table: Mapping[str, Any], general: Mapping[str, Any]) -> Dip | None:
    if "dip" not in table:
        return None
    dip = _table(table, "dip")
    keys = ("centre_c", "depth", "half_width_k")
    check_keys(dip, required=keys, optional=_ORIGIN, where=f"[{facet}.dip] table")
    centre, depth, half = (_number(f"[{facet}.dip] {key}", dip[key]) for key in keys)
    inherited = {key: table[key] for key in _ORIGIN if key in table and not isinstance(table[key], list)}
    ((key, standing, uncertainty),) = _origins(f"{facet}.dip", dict(general) | inherited | dict(dip), 1)
    return Dip(celsius_to_kelvin(centre), depth, half, uncertainty, key, standing)


def _width(data: Mapping[str, Any], general: Mapping[str, Any]) -> WidthLaw:
    width = _table(data, "width")
    check_keys(width, required=(), optional=("physical_um", "subgrid_um", *_ORIGIN), where="[width] table")
    physical = _number("[width] physical_um", width.get("physical_um", 0.1))
    subgrid = _number("[width] subgrid_um", width.get("subgrid_um", 8.0))
    # Left out, the width law is Icewright's own default, and that one is from memory.
    if "physical_um" not in width and "subgrid_um" not in width:
        default = {"source": "Icewright's default width law", "how": "from memory"}
        ((key, standing, _),) = _origins("width", default, 1)
    else:
        ((key, standing, _),) = _origins("width", dict(general) | dict(width), 1)
    return WidthLaw(from_um(physical), from_um(subgrid), key, standing)


def _valid(
    data: Mapping[str, Any], basal: tuple[Point, ...], prism: tuple[Point, ...]
) -> tuple[float, float]:
    valid = _table(data, "valid")
    check_keys(valid, required=(), optional=("coldest_c", "warmest_c"), where="[valid] table")
    temperatures = [[p.temperature_k for p in rows] for rows in (basal, prism)]
    low, high = max(map(min, temperatures)), min(map(max, temperatures))
    if "coldest_c" in valid:
        low = celsius_to_kelvin(_number("[valid] coldest_c", valid["coldest_c"]))
    if "warmest_c" in valid:
        high = celsius_to_kelvin(_number("[valid] warmest_c", valid["warmest_c"]))
    if low > high:
        raise KineticsError(
            "The two facets share no temperature.",
            got=f"valid from {low} to {high} K",
            wanted="tables that overlap, or a [valid] table",
            do="[valid]\ncoldest_c = -20\nwarmest_c = -2",
        )
    return low, high


def _origins(where: str, table: Mapping[str, Any], count: int) -> list[tuple[str, Standing, float | None]]:
    """(source key, standing, uncertainty) for each of ``count`` values; one given for all, or one each."""
    for key in ("source", "how"):
        if key not in table:
            raise KineticsError(
                f"Where do the values of [{where}] come from?",
                got=f"no {key!r}",
                wanted="a source in words and how it is known, for the whole file or this table",
                do='source = "our plate runs, 2026"\nhow = "measured"',
            )
    spread: dict[str, list[Any]] = {}
    for key in _ORIGIN:
        value = table.get(key)
        spread[key] = value if isinstance(value, list) else [value] * count
        if len(spread[key]) != count:
            raise KineticsError(
                f"[{where}] {key} has the wrong length.",
                got=f"{len(spread[key])} values",
                wanted=f"one for all, or {count}",
            )
    return [_origin(where, *row) for row in zip(*spread.values(), strict=True)]


def _origin(where: str, citation: Any, how: Any, uncertainty: Any) -> tuple[str, Standing, float | None]:
    if how not in get_args(Standing):
        raise KineticsError(
            f"[{where}] does not say how its values are known.",
            got=f"how = {how!r}",
            wanted="one of " + ", ".join(f'"{word}"' for word in get_args(Standing)),
        )
    if uncertainty is not None and not _number(f"[{where}] uncertainty", uncertainty) > 0:
        raise KineticsError(
            f"[{where}] uncertainty must be above zero.",
            got=f"uncertainty = {uncertainty!r}",
            wanted="a relative uncertainty such as 0.3; leave the line out if you do not know it",
        )
    key = "user-" + hashlib.sha256(f"{citation}|{how}".encode()).hexdigest()[:10]
    register(Source(key, str(citation), how=_HOW_OF_STANDING[how], note=f"user's own table: {how}"))
    return key, cast(Standing, how), None if uncertainty is None else float(uncertainty)


def _number(where: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise KineticsError(f"{where} must be a number.", got=repr(value), wanted="a number")
    return float(value)
