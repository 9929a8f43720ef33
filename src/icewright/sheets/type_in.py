"""The block of the sheet from which a recipe is typed back in: a recipe file with one line a step.

It is TOML and a whole recipe: whoever types it into a file has the file. Words that change no crystal (title,
notes) are left out. The last line is a comment with a mark, eight hexadecimal digits that hang on every
number above it, so that a slip of the fingers is found before anything is grown.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from icewright.recipe.notes import Notes
from icewright.recipe.quantities import HECTOPASCAL, MICROGRAM, MICROMETRE, MINUTE, PLAIN

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe
    from icewright.recipe.step import Step

FIRST = 'kind = "icewright.recipe"'
MARK = "# mark"
WIDEST = 140  # characters of the smallest print (6 pt) that one line of the sheet holds


def bare(recipe: Recipe) -> Recipe:
    """The recipe without the words that change no crystal."""
    steps = tuple(step.model_copy(update={"note": ""}) for step in recipe.steps)
    return recipe.model_copy(update={"title": "", "notes": Notes(), "steps": steps})


def mark(recipe: Recipe) -> str:
    """`3f9a 12bc`: the same for equal recipes whatever their words; files named in it count by their name.

    The first 32 bits of SHA-256 (FIPS 180-4) of the recipe written out in full: one slip in four milliards
    goes unseen.
    """
    from icewright.recipe import files

    text = files.dumps(_portable(bare(recipe)))
    digits = hashlib.sha256(text.encode()).hexdigest()[:8]
    return f"{digits[:4]} {digits[4:]}"


def block(recipe: Recipe) -> str:
    """The lines to type. Raises ``IcewrightError`` for text that UTF-8 cannot hold."""
    held = _portable(bare(recipe))
    lines = [FIRST, "schema = 1", f"model = {_text(held.model)}", f"kinetics = {_text(held.kinetics)}"]
    lines += [f"facets = {_text(held.facets)}", f"air = {_air(held)}"]
    h, seed, cut = held.held, held.seed, held.resolution
    lines.append(
        "held = "
        + _table(
            ("way", _text(h.way)),
            ("height_um", _um(h.height_m)),
            ("stalk_radius_um", _um(h.stalk_radius_m)),
        )
    )
    lines.append(
        "seed = "
        + _table(
            ("crystal", _text(seed.crystal) if seed.crystal is not None else None),
            ("radius_um", _um(seed.radius_m)),
            ("thickness_um", _um(seed.thickness_m)),
        )
    )
    lines.append(
        "resolution = "
        + _table(
            ("preset", _text(cut.preset) if cut.preset is not None else None), ("voxel_um", _um(cut.voxel_m))
        )
    )
    rows = [f"  {{ {', '.join(_pairs(step))} }}," for step in held.steps]
    if max(len(row) for row in rows) <= WIDEST:
        lines += ["step = [", *rows, "]"]
    else:  # one key a line: an inline table must not be broken
        for step in held.steps:
            lines += ["[[step]]", *_pairs(step)]
    return "\n".join([*lines, f"{MARK} {mark(recipe)}"]) + "\n"


def needs(recipe: Recipe) -> list[str]:
    """Files that no typing replaces: the user's own attachment table, a saved crystal."""
    said = []
    if recipe.kinetics.endswith(".toml"):
        path = Path(recipe.kinetics)
        known = hashlib.sha256(path.read_bytes()).hexdigest()[:16] if path.is_file() else "unknown"
        said.append(f"the attachment table {path.name} (SHA-256 {known}...) beside it")
    if recipe.seed.crystal is not None:
        said.append(f"the run folder {Path(recipe.seed.crystal).name}, whose crystal it goes on from")
    return said


def _portable(recipe: Recipe) -> Recipe:
    """Paths cut to their names: folders of one machine mean nothing on paper."""
    changes: dict[str, object] = {}
    if recipe.kinetics.endswith(".toml"):
        changes["kinetics"] = Path(recipe.kinetics).name
    if recipe.seed.crystal is not None:
        changes["seed"] = recipe.seed.model_copy(update={"crystal": Path(recipe.seed.crystal).name})
    return recipe.model_copy(update=changes) if changes else recipe


def _air(recipe: Recipe) -> str:
    pressure = ("pressure_hpa", HECTOPASCAL.text(recipe.pressure_pa))
    if recipe.gas is None:
        return _table(pressure, ("diffusivity", _text(recipe.diffusivity)))
    gas = _table(
        ("diffusivity_m2_s", PLAIN.text(recipe.gas.diffusivity_m2_s)),
        ("conductivity_w_mk", PLAIN.text(recipe.gas.conductivity_w_mk)),
    )
    return _table(pressure, ("gas", gas))


def _pairs(step: Step) -> list[str]:
    ends = step.endings
    said = [step.temperature_line(), step.humidity.line()]
    for key, value, unit in (
        ("minutes", ends.time_s, MINUTE),
        ("radius_um", ends.radius_m, MICROMETRE),
        ("thickness_um", ends.thickness_m, MICROMETRE),
        ("mass_ug", ends.mass_kg, MICROGRAM),
    ):
        if value is not None:
            said.append(f"{key} = {unit.text(value)}")
    return said


def _table(*pairs: tuple[str, str | None]) -> str:
    return "{ " + ", ".join(f"{key} = {value}" for key, value in pairs if value is not None) + " }"


def _um(value: float | None) -> str | None:
    return MICROMETRE.text(value) if value is not None else None


def _text(value: str) -> str:
    from icewright.recipe.files import _quoted

    return _quoted(value)
