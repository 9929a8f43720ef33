"""A sweep: which crystals to grow. A grid over lists of conditions, or a list of cells, read from TOML.

::

    kind = "icewright.sweep"
    schema = 1
    title = "Morphology diagram"

    [common]                     # what all cells share; every key has its default
    model = "round"
    size_um = 50

    [grid]                       # every combination of these lists is one cell
    temperature_c = { from = -2, to = -30, by = -2 }
    sigma_percent = [1, 2, 5, 10]
    kinetics = ["broad-narrow", "layer-fits"]

    [limits]
    minutes = 240                # of the crystal's life
    wall_s = 600                 # of computing, for one cell

In place of ``[grid]`` there may be ``[[cell]]`` tables, each with single values. The keys are those of
``KEYS``; ``size_um`` is half the greatest extent of the finished crystal, which ends the cell.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.errors import IcewrightError
from icewright.recipe.quantities import exact, toml_number

if TYPE_CHECKING:
    from icewright.kinetics.model import Kinetics
    from icewright.recipe.model import Recipe

KIND = "icewright.sweep"
SCHEMA = 1

HUMIDITIES = ("sigma_percent", "water_fraction", "excess_g_m3")
# Order of the axes of the result, and each key's default (None: must be given).
KEYS: dict[str, Any] = {
    "kinetics": "broad-narrow",
    "model": "round",
    "held": "free",
    "facets": "joined",
    "diffusivity": "1976",
    "pressure_hpa": Decimal("1013.25"),
    "seed_radius_um": Decimal(3),
    "seed_aspect": Decimal(1),
    "size_um": None,
    "sigma_percent": None,
    "water_fraction": None,
    "excess_g_m3": None,
    "temperature_c": None,
}
_WORDS = ("kinetics", "model", "held", "facets", "diffusivity")
_TOP = ("kind", "schema", "title", "common", "grid", "cell", "limits", "resolution")
_LIMITS = {"minutes": Decimal(240), "wall_s": Decimal(600)}
_RANGE = ("from", "to", "by", "count", "spacing")
MOST_CELLS = 1_000_000

Value = Any  # text, Decimal, or a table that says how the crystal is held


class SweepPlanError(IcewrightError):
    """A sweep file that is refused: what was got, what was wanted, the line to type."""


@dataclass(frozen=True)
class Cell:
    """One crystal of a sweep.

    ``place`` is its index along each axis of the sweep (its number in a list); ``values`` are its own
    conditions by key, numbers as floats in the unit of the key's name, the others as text.
    """

    index: int
    place: tuple[int, ...]
    values: dict[str, float | str]
    recipe: Recipe
    kinetics: str  # label of the table, a key of Sweep.tables


@dataclass(frozen=True)
class Sweep:
    """A sweep, read and checked.

    ``axes`` are the grid's keys that have more than one value, temperature and humidity always among them;
    a list of cells has the one axis "cell". ``tables`` hold each kinetics table by its label, ``digests``
    what tells a user's table from another of the same name. ``minutes`` and ``wall_s`` limit each cell.
    """

    title: str
    rows: tuple[dict[str, Value], ...]
    grid: dict[str, tuple[Value, ...]] | None
    resolution: dict[str, Value]
    minutes: Decimal
    wall_s: float
    tables: dict[str, Kinetics]
    digests: dict[str, str]
    paths: dict[str, str]  # label -> file of a user's table

    @property
    def humidity(self) -> str:
        """The key in which this sweep says humidity."""
        return next(key for key in HUMIDITIES if key in self.rows[0])

    @property
    def axes(self) -> dict[str, tuple[float | str, ...]]:
        """Axes of the result in order, each with its values as floats or text."""
        if self.grid is None:
            return {"cell": tuple(float(i) for i in range(len(self.rows)))}
        kept = (self.humidity, "temperature_c")
        return {
            key: tuple(shown(v) for v in self.grid[key])
            for key in KEYS
            if key in self.grid and (len(self.grid[key]) > 1 or key in kept)
        }

    def __len__(self) -> int:
        return len(self.rows)

    def cells(self) -> Iterator[Cell]:
        """Every cell with its recipe, in order. Raises ``SweepPlanError`` for one that no recipe allows."""
        sizes = {key: len(values) for key, values in self.axes.items()}
        for index, row in enumerate(self.rows):
            place: tuple[int, ...] = (index,)
            if self.grid is not None:
                place = tuple(next(i for i, v in enumerate(self.grid[key]) if v == row[key]) for key in sizes)
            values = {key: shown(value) for key, value in row.items()}
            yield Cell(index, place, values, self._recipe(row), str(row["kinetics"]))

    def name_of(self, cell: Cell) -> str:
        """The cell's folder: a hash of all that decides the crystal, so that an edited sweep finds it again.

        The recipe, the kinetics by content, and nothing else: neither the sweep's title nor its wall limit.
        """
        from icewright.recipe.files import dumps

        text = dumps(cell.recipe.model_copy(update={"title": "", "kinetics": cell.kinetics}))
        digest = hashlib.sha256(f"{text}\0{self.digests[cell.kinetics]}".encode()).hexdigest()[:16]
        t = cell.values["temperature_c"]
        return f"{t:g}C-{cell.values[self.humidity]:g}-{digest}"

    def _recipe(self, row: Mapping[str, Value]) -> Recipe:
        from icewright.recipe.files import loads

        try:
            return loads(self._recipe_text(row))
        except IcewrightError as error:
            where = ", ".join(f"{key} = {_toml(row[key])}" for key in (self.humidity, "temperature_c"))
            raise SweepPlanError(
                f"The cell with {where} cannot be grown.", got=error.got, wanted=error.wanted, do=error.do
            ) from error

    def _recipe_text(self, row: Mapping[str, Value]) -> str:
        from icewright.recipe.model import KIND as RECIPE_KIND
        from icewright.recipe.model import SCHEMA as RECIPE_SCHEMA

        held = row["held"]
        way = {"way": held} if isinstance(held, str) else dict(held)
        radius, size = row["seed_radius_um"], row["size_um"]
        lines = [f'kind = "{RECIPE_KIND}"', f"schema = {RECIPE_SCHEMA}", f"title = {_toml(self.title)}"]
        lines += [f"{key} = {_toml(row[key])}" for key in ("model", "facets")]
        lines += [f"kinetics = {_toml(self.paths.get(row['kinetics'], row['kinetics']))}"]
        lines += ["[air]", f"pressure_hpa = {_toml(row['pressure_hpa'])}"]
        lines += [f"diffusivity = {_toml(row['diffusivity'])}"]
        lines += ["[held]", *(f"{key} = {_toml(value)}" for key, value in way.items())]
        lines += ["[seed]", f"radius_um = {_toml(radius)}"]
        lines += [f"thickness_um = {_toml(exact(radius) * 2 * exact(row['seed_aspect']))}"]
        lines += ["[resolution]", *(f"{key} = {_toml(value)}" for key, value in self.resolution.items())]
        lines += ["[[step]]", f"temperature_c = {_toml(row['temperature_c'])}"]
        lines += [f"{self.humidity} = {_toml(row[self.humidity])}"]
        lines += [f"radius_um = {_toml(size)}", f"thickness_um = {_toml(exact(size) * 2)}"]
        lines += [f"minutes = {_toml(self.minutes)}"]
        return "\n".join(lines) + "\n"


def read(path: str | Path) -> Sweep:
    """The sweep in a file; paths of kinetics tables count from the file's own folder.

    Raises ``SweepPlanError``: no such file, not TOML, unknown keys, values that cannot be.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as cause:
        raise SweepPlanError(
            got=f"{path} cannot be read ({cause})",
            wanted="a sweep",
            do="icewright atlas examples/atlas-quick.toml --out quick-atlas",
        ) from cause
    try:
        return loads(text, folder=path.parent)
    except SweepPlanError as cause:
        message = f"{path}: {cause.message}" if cause.message else str(path)
        raise SweepPlanError(message, got=cause.got, wanted=cause.wanted, do=cause.do) from cause


def loads(text: str, folder: Path | None = None) -> Sweep:
    """The sweep in a text; see :func:`read`."""
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as cause:
        raise SweepPlanError(
            got=f"not TOML: {cause}", wanted="lines such as sigma_percent = [1, 2, 5]"
        ) from cause
    _head(data)
    common = _single(_table(data, "common"), "[common]")
    limits = {**_LIMITS, **_numbers(_table(data, "limits"), tuple(_LIMITS), "[limits]")}
    resolution = _table(data, "resolution") or {"preset": "preview"}
    _known(resolution, ("preset", "voxel_um"), "[resolution]")
    if ("grid" in data) == ("cell" in data):
        raise SweepPlanError(
            got="both [grid] and [[cell]]" if "grid" in data else "neither [grid] nor [[cell]]",
            wanted="one of them",
            do="[grid]\ntemperature_c = [-5, -15]\nsigma_percent = [2, 10]",
        )
    grid: dict[str, tuple[Value, ...]] | None = None
    if "grid" in data:
        grid, rows = _grid(_table(data, "grid"), common)
    else:
        rows = _list(data["cell"], common)
    _humidity_once(rows)
    tables, digests, paths, labels = _tables(rows, folder)
    rows = [row | {"kinetics": labels[row["kinetics"]]} for row in rows]
    if grid is not None and "kinetics" in grid:
        grid["kinetics"] = tuple(labels[name] for name in grid["kinetics"])
    sweep = Sweep(
        str(data.get("title", "")),
        tuple(rows),
        grid,
        resolution,
        exact(limits["minutes"]),
        float(limits["wall_s"]),
        tables,
        digests,
        paths,
    )
    for _ in sweep.cells():  # a slip in the last cell must be told before the first is grown
        pass
    return sweep


def dumps(sweep: Sweep) -> str:
    """The sweep as TOML, every default and every list spelt out; :func:`loads` gives it back."""
    lines = [f'kind = "{KIND}"', f"schema = {SCHEMA}", f"title = {_toml(sweep.title)}", ""]

    def line(key: str, value: Value) -> str:
        if key == "kinetics":
            many = isinstance(value, tuple)
            named = [sweep.paths.get(v, v) for v in (value if many else (value,))]
            value = tuple(named) if many else named[0]
        return f"{key} = {_toml(list(value) if isinstance(value, tuple) else value)}"

    if sweep.grid is not None:
        first, varied = sweep.rows[0], sweep.grid
        lines += ["[common]", *(line(key, first[key]) for key in KEYS if key in first and key not in varied)]
        lines += ["", "[grid]", *(line(key, varied[key]) for key in KEYS if key in varied)]
    lines += ["", "[resolution]", *(f"{key} = {_toml(v)}" for key, v in sweep.resolution.items())]
    lines += ["", "[limits]", f"minutes = {_toml(sweep.minutes)}", f"wall_s = {_toml(exact(sweep.wall_s))}"]
    if sweep.grid is None:
        for row in sweep.rows:
            lines += ["", "[[cell]]", *(line(key, row[key]) for key in KEYS if key in row)]
    return "\n".join(lines) + "\n"


def shown(value: Value) -> float | str:
    """A value as a coordinate: a float, or words such as `needle, stalk_radius_um 2`."""
    if isinstance(value, Mapping):
        parts = [str(value.get("way", "free"))]
        parts += [f"{key} {toml_number(exact(v))}" for key, v in value.items() if key != "way"]
        return ", ".join(parts)
    return value if isinstance(value, str) else float(value)


def _head(data: dict[str, Any]) -> None:
    _known(data, _TOP, "the sweep")
    if data.get("kind") != KIND:
        raise SweepPlanError(
            got=f"kind = {_toml(data.get('kind', 'nothing'))}", wanted="a sweep", do=f'kind = "{KIND}"'
        )
    schema = data.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        newer = isinstance(schema, int) and not isinstance(schema, bool) and schema > SCHEMA
        raise SweepPlanError(
            got="no schema number" if schema is None else f"schema = {_toml(schema)}",
            wanted=f"schema = {SCHEMA}" + (", the newest that this version reads" if newer else ""),
            do="pip install --upgrade icewright" if newer else f"schema = {SCHEMA}",
        )


def _known(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    from difflib import get_close_matches

    meant = {"sigma": "sigma_percent", "temperature": "temperature_c", "pressure": "pressure_hpa"}
    meant |= {"radius_um": "size_um", "size": "size_um", "seed_um": "seed_radius_um", "way": "held"}
    for key in table:
        if key in known:
            continue
        near = [meant[key]] if meant.get(key) in known else get_close_matches(key, known, n=1, cutoff=0.6)
        raise SweepPlanError(
            got=f"{where}: unknown key {key}" + (f"; did you mean {near[0]}?" if near else ""),
            wanted="one of " + ", ".join(known),
            do=f"{near[0]} = ..." if near else f"delete the line with {key}",
        )


def _table(data: Mapping[str, Any], key: str) -> dict[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise SweepPlanError(got=f"{key} = {_toml(value)}", wanted="a table", do=f"[{key}]")
    return value


def _numbers(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> dict[str, Decimal]:
    _known(table, known, where)
    out = {key: _number(value, f"{where}: {key}") for key, value in table.items()}
    for key, value in out.items():
        if not value > 0:
            raise SweepPlanError(got=f"{where}: {key} = {value}", wanted="above 0", do=f"{key} = 60")
    return out


def _number(value: Any, where: str) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not math.isfinite(value):
        raise SweepPlanError(got=f"{where} = {_toml(value)}", wanted="a number")
    return exact(value)


def _value(key: str, value: Any, where: str) -> Value:
    if key not in _WORDS:
        return _number(value, f"{where}: {key}")
    if isinstance(value, str) or (key == "held" and isinstance(value, dict)):
        return value
    raise SweepPlanError(
        got=f"{where}: {key} = {_toml(value)}", wanted="text in quotes", do=f'{key} = "{KEYS[key]}"'
    )


def _single(table: Mapping[str, Any], where: str) -> dict[str, Value]:
    _known(table, tuple(KEYS), where)
    for key, value in table.items():
        if isinstance(value, list):
            raise SweepPlanError(
                got=f"{where}: {key} is a list", wanted="one value here; lists stand in [grid]", do="[grid]"
            )
    return {key: _value(key, value, where) for key, value in table.items()}


def _grid(
    table: dict[str, Any], common: dict[str, Value]
) -> tuple[dict[str, tuple[Value, ...]], list[dict[str, Value]]]:
    _known(table, tuple(KEYS), "[grid]")
    grid: dict[str, tuple[Value, ...]] = {}
    for key in KEYS:  # in the order of the axes, whatever the order in the file
        if key not in table:
            continue
        if key in common:
            raise SweepPlanError(
                got=f"{key} in [common] and in [grid]", wanted="one of them", do=f"delete {key} from [common]"
            )
        grid[key] = _values(key, table[key])
    # Temperature and humidity are always axes, if only of one value.
    for key in (*HUMIDITIES, "temperature_c"):
        if key in common and key not in grid:
            grid[key] = (common.pop(key),)
    grid = {key: grid[key] for key in KEYS if key in grid}
    if math.prod(len(values) for values in grid.values()) > MOST_CELLS:
        raise SweepPlanError(got="more than a million cells", wanted="fewer", do="several sweeps")
    shared = _with_defaults({**common}, grid)
    rows = [shared | dict(zip(grid, values, strict=True)) for values in itertools.product(*grid.values())]
    return grid, rows


def _list(cells: Any, common: dict[str, Value]) -> list[dict[str, Value]]:
    if not isinstance(cells, list) or not cells or not all(isinstance(c, dict) for c in cells):
        raise SweepPlanError(got="[cell]", wanted="cells in double brackets, one for each", do="[[cell]]")
    return [_with_defaults({**common, **_single(cell, f"cell {i}")}, {}) for i, cell in enumerate(cells, 1)]


def _with_defaults(row: dict[str, Value], later: Mapping[str, Any]) -> dict[str, Value]:
    for key in ("size_um", "temperature_c"):
        if key not in row and key not in later:
            do = "size_um = 50" if key == "size_um" else "temperature_c = [-5, -15]"
            raise SweepPlanError(got=f"no {key}", wanted=f"{key} for every cell", do=do)
    return {key: value for key, value in KEYS.items() if value is not None and key not in later} | row


def _humidity_once(rows: list[dict[str, Value]]) -> None:
    kinds = {tuple(key for key in HUMIDITIES if key in row) for row in rows}
    if len(kinds) != 1 or len(next(iter(kinds))) != 1:
        got = " and ".join(sorted({key for kind in kinds for key in kind})) or "no humidity"
        raise SweepPlanError(
            got=got,
            wanted="exactly one of " + ", ".join(HUMIDITIES) + ", the same for all cells",
            do="sigma_percent = [2, 10]",
        )


def _values(key: str, given: Any) -> tuple[Value, ...]:
    if isinstance(given, dict) and key not in _WORDS:
        return _range(key, given)
    many = given if isinstance(given, list) else [given]
    values = tuple(_value(key, value, "[grid]") for value in many)
    if not values or any(values[i] in values[:i] for i in range(len(values))):
        raise SweepPlanError(
            got=f"[grid]: {key} = {_toml(given)}", wanted="at least one value, each once", do=f"{key} = ..."
        )
    return values


def _range(key: str, table: dict[str, Any]) -> tuple[Decimal, ...]:
    _known(table, _RANGE, f"[grid]: {key}")
    example = (
        f'{key} = {{ from = 1, to = 9, by = 2 }}   or   {{ from = 1, to = 30, count = 6, spacing = "log" }}'
    )
    numbers = {k: _number(v, f"[grid]: {key}.{k}") for k, v in table.items() if k != "spacing"}
    wrong = SweepPlanError(
        got=f"[grid]: {key} = {_toml(table)}", wanted="from, to and one of by and count", do=example
    )
    if not {"from", "to"} <= numbers.keys() or ("by" in numbers) == ("count" in numbers):
        raise wrong
    start, stop = numbers["from"], numbers["to"]
    if "by" in numbers:
        by = numbers["by"]
        if by == 0 or (stop - start) / by < 0 or (stop - start) / by > MOST_CELLS:
            raise wrong
        return tuple(start + by * i for i in range(int((stop - start) / by) + 1))
    count, spacing = int(numbers["count"]), table.get("spacing", "even")
    if count < 2 or start == stop or spacing not in ("even", "log") or count > MOST_CELLS:
        raise wrong
    parts = [Decimal(i) / (count - 1) for i in range(count)]
    if spacing == "even":
        return tuple(start + (stop - start) * part for part in parts)
    if start * stop <= 0:
        raise wrong
    ratio = math.log(stop / start)
    middle = [exact(float(f"{float(start) * math.exp(ratio * float(p)):.3g}")) for p in parts[1:-1]]
    return (start, *middle, stop)


def _tables(
    rows: list[dict[str, Value]], folder: Path | None
) -> tuple[dict[str, Kinetics], dict[str, str], dict[str, str], dict[str, str]]:
    """Load every table that is named: tables, digests and paths by label, and labels by what was written."""
    from icewright.kinetics import load, names

    tables: dict[str, Kinetics] = {}
    digests: dict[str, str] = {}
    paths: dict[str, str] = {}
    labels: dict[str, str] = {}
    for name in dict.fromkeys(row["kinetics"] for row in rows):
        if name in names():
            tables[name], digests[name], labels[name] = load(name), "built in", name
            continue
        path = folder / name if folder is not None and not Path(name).is_absolute() else Path(name)
        table = load(path)
        if table.name in tables:
            raise SweepPlanError(
                got=f"two kinetics tables called {table.name}",
                wanted="a name of its own in each file",
                do=f'name = "{table.name}-2"',
            )
        tables[table.name], labels[name] = table, table.name
        digests[table.name] = hashlib.sha256(path.read_bytes()).hexdigest()
        paths[table.name] = str(path.resolve())
    return tables, digests, paths, labels


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, int | Decimal | float):
        return toml_number(exact(value))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return str(value)
