"""From the text of a printed sheet back to the recipe: what a person does who types the block in.

The text may come from a PDF reader, which may put other spaces, dashes and quotes in place of the plain ones,
and lines of the page's foot in between.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from icewright.ground.errors import IcewrightError
from icewright.sheets.type_in import FIRST, MARK, mark

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe

FOOT = "Icewright recipe sheet"  # every foot of a page begins with this
_PLAIN = str.maketrans(
    {
        "\N{NO-BREAK SPACE}": " ",
        "\N{NARROW NO-BREAK SPACE}": " ",
        "\N{MINUS SIGN}": "-",
        "\N{EN DASH}": "-",
        "\N{NON-BREAKING HYPHEN}": "-",
        "\N{LEFT DOUBLE QUOTATION MARK}": '"',
        "\N{RIGHT DOUBLE QUOTATION MARK}": '"',
        "\N{SOFT HYPHEN}": None,
    }
)


def lines_of(text: str) -> str:
    """The lines to type, found in the text of a sheet. Raises ``IcewrightError`` if they are not there."""
    plain = text.translate(_PLAIN).splitlines()
    starts = [i for i, line in enumerate(plain) if line.strip() == FIRST]
    if not starts:
        raise IcewrightError(
            "There is no recipe to type in here.", got=f"{len(plain)} lines", wanted=f"a line {FIRST}"
        )
    kept = []
    for line in plain[starts[0] :]:
        if line.strip().startswith(FOOT):
            continue
        kept.append(line.rstrip())
        if line.strip().startswith(MARK):
            return "\n".join(kept) + "\n"
    raise IcewrightError(
        "The recipe on this sheet is cut off.", wanted=f"a last line {MARK} and eight digits"
    )


def recipe(text: str, folder: Path | None = None) -> Recipe:
    """The recipe in the text of a sheet, its mark checked.

    Args:
        text: of the pages, or only of the lines to type.
        folder: where files that it names lie, and must exist; None leaves their names as they are.

    Raises:
        RecipeError: for a line that no recipe may have.
        IcewrightError: if there is no recipe, or its mark is not that of the sheet.
    """
    from icewright.recipe import files

    typed = lines_of(text)
    made = files.loads(typed, folder)
    check(made, printed_mark(typed) or "")
    return made


def printed_mark(text: str) -> str | None:
    """The mark in a text, or None where there is none."""
    for line in text.splitlines():
        if line.strip().startswith(MARK):
            return " ".join(line.strip().removeprefix(MARK).split())
    return None


def check(made: Recipe, printed: str) -> None:
    """Compare a typed recipe with the mark on the sheet. Raises ``IcewrightError`` if they differ."""
    got = mark(made)
    if got.replace(" ", "") != printed.replace(" ", "").lower():
        raise IcewrightError(
            "This is not the recipe of the sheet: some number or word differs.",
            got=f"mark {got}",
            wanted=f"mark {printed}",
            do="compare with the sheet line by line",
        )
