"""Read and write recipes as TOML, with laboratory units in the names of the keys."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from icewright.ground.errors import IcewrightError
from icewright.recipe import keys
from icewright.recipe.endings import Endings
from icewright.recipe.held import Held
from icewright.recipe.limits import RecipeError, number
from icewright.recipe.model import KIND, SCHEMA, Gas, Recipe
from icewright.recipe.notes import Notes
from icewright.recipe.quantities import (
    CELSIUS,
    HECTOPASCAL,
    MICROGRAM,
    MICROMETRE,
    MINUTE,
    PLAIN,
    Unit,
    exact,
)
from icewright.recipe.resolution import Resolution
from icewright.recipe.seed import Seed
from icewright.recipe.step import KEYS, Humidity, Measure, Step

if TYPE_CHECKING:
    from icewright.recipe.in_settings import Planned

_CHOICES = {
    "model": ("3d", "round"),
    "facets": ("joined", "collective", "local"),
    "diffusivity": ("1976", "1998", "1972"),
    "preset": ("preview", "standard", "fine"),
    "way": ("free", "plate", "pedestal", "needle"),
}
_INSTEAD = {
    "kinetics": 'kinetics = "broad-narrow"',
    "apparatus": 'apparatus = "apparatus.toml"',
    "crystal": "[seed]\nradius_um = 5\nthickness_um = 5",
}


def read(path: str | Path) -> Recipe:
    """The recipe in a file. Paths within it (kinetics, seed crystal) count from the file's own folder.

    A recipe in settings of an apparatus is resolved to the air that the crystal will have.

    Raises:
        RecipeError: where the file is missing, is not TOML, or asks for what cannot be.
        ApparatusError: where the apparatus that it names cannot be read.
    """
    made = _read(path)
    return made if isinstance(made, Recipe) else made.recipe


def read_planned(path: str | Path) -> Planned:
    """The recipe in a file with the air behind it, set and actual. Raises as `read`."""
    from icewright.recipe.in_settings import of_air

    made = _read(path)
    return of_air(made) if isinstance(made, Recipe) else made


def _read(path: str | Path) -> Recipe | Planned:
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors begin a file with a byte-order mark
    except FileNotFoundError:
        raise RecipeError(
            got=f"no file {path}", wanted="a recipe", do=f"icewright new {path} --habit star"
        ) from None
    except IsADirectoryError:
        raise RecipeError(
            got=f"{path} is a folder", wanted="a recipe file", do=f"{path / 'recipe.toml'}"
        ) from None
    except (OSError, UnicodeDecodeError) as cause:
        raise RecipeError(got=f"{path} cannot be read ({cause})", wanted="a recipe in UTF-8 text") from cause
    try:
        made = _loads(text, path.parent)
    except RecipeError as cause:
        raise RecipeError(
            f"{path}: {cause.message}" if cause.message else str(path),
            got=cause.got,
            wanted=cause.wanted,
            do=cause.do,
        ) from cause
    return made if isinstance(made, Recipe) else replace(made, text=text)


def write(recipe: Recipe, path: str | Path) -> None:
    """Write the full resolved recipe, every default spelt out."""
    Path(path).write_text(dumps(recipe), encoding="utf-8", newline="\n")


def loads(text: str, folder: Path | None = None) -> Recipe:
    """The recipe in a text.

    Args:
        text: TOML.
        folder: where relative paths in the text count from, and must exist; None leaves them as they are.

    Raises:
        RecipeError: where the text is not TOML, or asks for what cannot be.
    """
    made = _loads(text, folder)
    return made if isinstance(made, Recipe) else made.recipe


def loads_planned(text: str, folder: Path | None = None) -> Planned:
    """The recipe in a text with the air behind it, set and actual. Arguments and errors as `loads`."""
    from icewright.recipe.in_settings import of_air

    made = _loads(text, folder)
    return of_air(made) if isinstance(made, Recipe) else replace(made, text=text)


def _loads(text: str, folder: Path | None) -> Recipe | Planned:
    try:
        # Decimal keeps the digits that were typed, so that writing gives them back.
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as cause:
        raise RecipeError(
            got=f"not TOML: {cause}", wanted="lines such as temperature_c = -15, with text in quotes"
        ) from cause
    try:
        return _recipe(data, folder)
    except ValidationError as cause:
        first = cause.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RecipeError(got=f"{where} = {first.get('input')!r}", wanted=str(first["msg"])) from cause


def _recipe(data: dict[str, Any], folder: Path | None) -> Recipe | Planned:
    keys.refuse_unknown(data, keys.TOP, "recipe")
    if data.get("kind", KIND) != KIND or "kind" not in data:
        raise RecipeError(
            got=f"kind = {_toml(data.get('kind', 'nothing'))}", wanted="a recipe", do=f'kind = "{KIND}"'
        )
    schema = data.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        newer = isinstance(schema, int) and schema > SCHEMA
        raise RecipeError(
            got="no schema number" if schema is None else f"schema = {_toml(schema)}",
            wanted=f"schema = {SCHEMA}" + (", the newest that this version reads" if newer else ""),
            do="pip install --upgrade icewright" if newer else f"schema = {SCHEMA}",
        )
    air = _table(data, "air")
    keys.refuse_unknown(air, keys.AIR, "[air]")
    steps = data.get("step", [])
    if not isinstance(steps, list) or not all(isinstance(s, dict) for s in steps):
        raise RecipeError(got="[step]", wanted="steps in double brackets, one for each", do="[[step]]")
    given: dict[str, Any] = {
        "title": _text(data, "title", "recipe", 'title = "A star"') or "",
        "held": _held(_table(data, "held")),
        "seed": _seed(data, folder),
        "resolution": _resolution(_table(data, "resolution")),
        "notes": _notes(_table(data, "notes")),
        "gas": _gas(air),
    }
    if "pressure_hpa" in air:
        given["pressure_pa"] = HECTOPASCAL.to_si(
            number(air["pressure_hpa"], "[air]", "pressure_hpa", "1013.25")
        )
    for table, where, key in (
        (air, "[air]", "diffusivity"),
        (data, "recipe", "facets"),
        (data, "recipe", "model"),
    ):
        if key in table:
            given[key] = _choice(table, key, where)
    kinetics = _text(data, "kinetics", "recipe", 'kinetics = "broad-narrow"')
    if kinetics is not None:
        given["kinetics"] = _found(kinetics, folder, "kinetics") if _is_path(kinetics) else kinetics
    if "apparatus" in data:
        return _in_settings(data, given, steps, folder)
    for i, step in enumerate(steps, 1):
        if "settings" in step or "before" in data:
            raise RecipeError(
                got=f"step {i} with settings" if "settings" in step else "before without an apparatus",
                wanted="the file of the apparatus whose settings these are",
                do='apparatus = "apparatus.toml"   (above the first table)',
            )
    return Recipe(**given, steps=tuple(_step(s, i) for i, s in enumerate(steps, 1)))


def _in_settings(
    data: dict[str, Any], given: dict[str, Any], steps: list[dict[str, Any]], folder: Path | None
) -> Planned:
    from icewright.recipe.in_settings import SetStep, read_apparatus, resolve

    named = _text(data, "apparatus", "recipe", 'apparatus = "apparatus.toml"') or ""
    path = Path(_found(named, folder, "apparatus"))
    made = []
    for i, table in enumerate(steps, 1):
        where = f"step {i}"
        keys.refuse_unknown(table, keys.STEP, where)
        said = [key for key in ("temperature_c", *(key for key, _ in KEYS.values())) if key in table]
        if said or "settings" not in table:
            raise RecipeError(
                got=f"{where} {f'with {said[0]}' if said else 'without settings'}, in a recipe that names an "
                "apparatus",
                wanted="settings of the apparatus in every step",
                do="settings = { plate_c = -15 }   (or delete the line with apparatus)",
            )
        settings = {
            name: _hold_or_ramp(_table(table, "settings"), name, PLAIN, where, "-15")
            for name in _table(table, "settings")
        }
        note = _text(table, "note", where, 'note = "raise the humidity"') or ""
        made.append(SetStep(settings, _endings(table, where), note))
    before = _table(data, "before")
    stood = {n: PLAIN.to_si(number(v, "before", n, "-15")) for n, v in before.items()}
    return resolve(given, made, read_apparatus(path), apparatus_path=path, before=stood or None)


def _notes(table: dict[str, Any]) -> Notes:
    keys.refuse_unknown(table, keys.NOTES, "[notes]")
    words = {
        key: _text(table, key, "[notes]", f'{key} = "..."') or "" for key in keys.NOTES if key != "volts"
    }
    return Notes(volts=_quantity(table, "volts", PLAIN, "[notes]", "2000"), **words)


def _held(table: dict[str, Any]) -> Held:
    keys.refuse_unknown(table, keys.HELD, "[held]")
    return Held(
        way=_choice(table, "way", "[held]") if "way" in table else "free",
        height_m=_quantity(table, "height_um", MICROMETRE, "[held]", "50"),
        stalk_radius_m=_quantity(table, "stalk_radius_um", MICROMETRE, "[held]", "2"),
    )


def _seed(data: dict[str, Any], folder: Path | None) -> Seed:
    if "seed" not in data:
        raise RecipeError(
            got="no [seed]", wanted="the crystal to start from", do="[seed]\nradius_um = 5\nthickness_um = 5"
        )
    table = _table(data, "seed")
    keys.refuse_unknown(table, keys.SEED, "[seed]")
    crystal = _text(table, "crystal", "[seed]", 'crystal = "demo-run"')
    if crystal is not None:
        crystal = _found(crystal, folder, "crystal")
    radius_m = _quantity(table, "radius_um", MICROMETRE, "[seed]", "5")
    thickness_m = _quantity(table, "thickness_um", MICROMETRE, "[seed]", "5")
    if "aspect" in table:
        aspect = exact(number(table["aspect"], "[seed]", "aspect", "1"))
        if thickness_m is not None or radius_m is None or not aspect > 0:
            raise RecipeError(
                got=f"[seed]: aspect = {aspect}" + (" and thickness_um" if thickness_m is not None else ""),
                wanted="aspect (thickness over width, above 0) with radius_um, in place of thickness_um",
                do="radius_um = 5\naspect = 1",
            )
        thickness_m = MICROMETRE.to_si(exact(table["radius_um"]) * 2 * aspect)
    return Seed(radius_m=radius_m, thickness_m=thickness_m, crystal=crystal)


def _resolution(table: dict[str, Any]) -> Resolution:
    keys.refuse_unknown(table, keys.RESOLUTION, "[resolution]")
    return Resolution(
        preset=_choice(table, "preset", "[resolution]") if "preset" in table else None,
        voxel_m=_quantity(table, "voxel_um", MICROMETRE, "[resolution]", "0.5"),
    )


def _gas(air: dict[str, Any]) -> Gas | None:
    if "gas" not in air:
        return None
    table = _table(air, "gas", "[air.gas]")
    keys.refuse_unknown(table, keys.GAS, "[air.gas]")
    examples = {"diffusivity_m2_s": "1.9e-5", "conductivity_w_mk": "0.023"}
    for key, example in examples.items():
        if key not in table:
            raise RecipeError(
                got=f"[air.gas] without {key}",
                wanted="both numbers: another gas than air goes only with its own D and conductivity",
                do=f"{key} = {example}",
            )
    if "diffusivity" in air:
        raise RecipeError(
            got="[air]: diffusivity together with gas",
            wanted="one of them: the formulas of diffusivity are for air",
            do="delete diffusivity",
        )
    values = {
        key: PLAIN.to_si(number(table[key], "[air.gas]", key, example)) for key, example in examples.items()
    }
    return Gas(**values)


def _step(table: dict[str, Any], index: int) -> Step:
    where = f"step {index}"
    keys.refuse_unknown(table, keys.STEP, where)
    if "temperature_c" not in table:
        raise RecipeError(
            got=f"{where} without temperature_c", wanted="a temperature", do="temperature_c = -15"
        )
    measures: list[Measure] = [m for m, (key, _) in KEYS.items() if key in table]
    if len(measures) != 1:
        names = ", ".join(key for key, _ in KEYS.values())
        named = " and ".join(KEYS[m][0] for m in measures)
        raise RecipeError(
            got=f"{where} with {named}" if named else f"{where} without a humidity",
            wanted=f"exactly one of {names}",
            do=f"delete {KEYS[measures[-1]][0]}" if measures else "sigma_percent = 2",
        )
    key, unit = KEYS[measures[0]]
    start, end = _hold_or_ramp(table, key, unit, where, "2" if key == "sigma_percent" else "0.95")
    temperature_k = _hold_or_ramp(table, "temperature_c", CELSIUS, where, "-15")
    endings = _endings(table, where)
    note = _text(table, "note", where, 'note = "raise the humidity"') or ""
    try:
        return Step(
            temperature_k=temperature_k,
            humidity=Humidity(measure=measures[0], start=start, end=end),
            endings=endings,
            note=note,
        )
    except RecipeError as cause:
        # The model does not know its place in the list and says "step"; here the number is known.
        got = where + cause.got.removeprefix("step")
        raise RecipeError(got=got, wanted=cause.wanted, do=cause.do) from cause


def _endings(table: Mapping[str, Any], where: str) -> Endings:
    return Endings(
        time_s=_quantity(table, "minutes", MINUTE, where, "10"),
        radius_m=_quantity(table, "radius_um", MICROMETRE, where, "100"),
        thickness_m=_quantity(table, "thickness_um", MICROMETRE, where, "100"),
        mass_kg=_quantity(table, "mass_ug", MICROGRAM, where, "1"),
    )


def _hold_or_ramp(
    table: Mapping[str, Any], key: str, unit: Unit, where: str, example: str
) -> tuple[float, float]:
    value = table[key]
    if isinstance(value, list):
        if len(value) != 2:
            raise RecipeError(
                got=f"{where}: {key} = [{len(value)} numbers]",
                wanted="one number to hold, or [from, to] to ramp",
                do=f"{key} = [{example}, {example}]",
            )
        start, end = (unit.to_si(number(v, where, key, example)) for v in value)
        return start, end
    held = unit.to_si(number(value, where, key, example))
    return held, held


def _quantity(table: Mapping[str, Any], key: str, unit: Unit, where: str, example: str) -> float | None:
    return unit.to_si(number(table[key], where, key, example)) if key in table else None


def _table(data: Mapping[str, Any], key: str, shown: str = "") -> dict[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise RecipeError(got=f"{key} = {_toml(value)}", wanted="a table", do=shown or f"[{key}]")
    return value


def _text(table: Mapping[str, Any], key: str, where: str, example: str) -> str | None:
    value = table.get(key)
    if value is None or isinstance(value, str):
        return value
    raise RecipeError(got=f"{where}: {key} = {_toml(value)}", wanted="text in quotes", do=example)


def _choice(table: Mapping[str, Any], key: str, where: str) -> Any:
    value, allowed = table[key], _CHOICES[key]
    if value in allowed:
        return value
    # 1976 without quotes is plain enough to name.
    near = str(value) if str(value) in allowed else allowed[0]
    from difflib import get_close_matches

    close = get_close_matches(str(value).lower(), allowed, n=1, cutoff=0.5)
    raise RecipeError(
        got=f"{where}: {key} = {_toml(value)}",
        wanted="one of " + ", ".join(f'"{a}"' for a in allowed),
        do=f'{key} = "{close[0] if close else near}"',
    )


def _is_path(name: str) -> bool:
    return name.endswith(".toml") or "/" in name or "\\" in name


def _found(name: str, folder: Path | None, key: str) -> str:
    if folder is None:
        return name
    path = Path(name) if Path(name).is_absolute() else folder / name
    if not path.exists():
        raise RecipeError(
            got=f'{key} = "{name}", but there is no {path}',
            wanted="a path that exists, counted from the recipe's own folder",
            do=_INSTEAD[key],
        )
    return str(path.resolve())


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def dumps(recipe: Recipe) -> str:
    """The recipe as TOML, every default spelt out; `loads` gives back an equal recipe."""
    lines = [f'kind = "{KIND}"', f"schema = {SCHEMA}", f"title = {_quoted(recipe.title)}"]
    lines += [f"model = {_quoted(recipe.model)}", f"kinetics = {_quoted(recipe.kinetics)}"]
    lines += [
        f"facets = {_quoted(recipe.facets)}",
        "",
        "[air]",
        f"pressure_hpa = {HECTOPASCAL.text(recipe.pressure_pa)}",
    ]
    if recipe.gas is None:
        lines.append(f"diffusivity = {_quoted(recipe.diffusivity)}")
    else:
        lines += ["", "[air.gas]", f"diffusivity_m2_s = {PLAIN.text(recipe.gas.diffusivity_m2_s)}"]
        lines.append(f"conductivity_w_mk = {PLAIN.text(recipe.gas.conductivity_w_mk)}")
    lines += ["", "[held]", f"way = {_quoted(recipe.held.way)}"]
    lines += _optional(
        (
            ("height_um", recipe.held.height_m, MICROMETRE),
            ("stalk_radius_um", recipe.held.stalk_radius_m, MICROMETRE),
        )
    )
    lines += ["", "[seed]"]
    if recipe.seed.crystal is not None:
        lines.append(f"crystal = {_quoted(recipe.seed.crystal)}")
    lines += _optional(
        (
            ("radius_um", recipe.seed.radius_m, MICROMETRE),
            ("thickness_um", recipe.seed.thickness_m, MICROMETRE),
        )
    )
    lines += ["", "[resolution]"]
    if recipe.resolution.preset is not None:
        lines.append(f"preset = {_quoted(recipe.resolution.preset)}")
    lines += _optional((("voxel_um", recipe.resolution.voxel_m, MICROMETRE),))
    if recipe.notes:
        lines += ["", "[notes]", *_optional((("volts", recipe.notes.volts, PLAIN),))]
        lines += [f"{k} = {_quoted(v)}" for k, v in recipe.notes.given().items() if isinstance(v, str)]
    for step in recipe.steps:
        lines += ["", "[[step]]"]
        if step.note:
            lines.append(f"note = {_quoted(step.note)}")
        lines += [step.temperature_line(), step.humidity.line()]
        ends = step.endings
        lines += _optional(
            (
                ("minutes", ends.time_s, MINUTE),
                ("radius_um", ends.radius_m, MICROMETRE),
                ("thickness_um", ends.thickness_m, MICROMETRE),
                ("mass_ug", ends.mass_kg, MICROGRAM),
            )
        )
    return "\n".join(lines) + "\n"


def _optional(items: tuple[tuple[str, float | None, Unit], ...]) -> list[str]:
    return [f"{key} = {unit.text(value)}" for key, value, unit in items if value is not None]


def _quoted(text: str) -> str:
    """A TOML basic string: JSON escapes are TOML escapes, but for delete and lone surrogates."""
    if any(0xD800 <= ord(c) <= 0xDFFF for c in text):
        raise IcewrightError(got="text with half a character in it", wanted="text that UTF-8 can hold")
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
