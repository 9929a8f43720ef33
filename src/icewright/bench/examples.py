"""What a first visit sees growing, and a few recipes to begin from. All from an invented place."""

from __future__ import annotations

from icewright.bench.security import BenchError

_HEAD = """kind = "icewright.recipe"
schema = 1
title = "{title}, Tern Point cold room"
kinetics = "layer-fits"

[held]
way = "free"

[seed]
radius_um = {radius}
thickness_um = {thickness}
"""
_STEP = """
[[step]]
temperature_c = {t}
sigma_percent = {s}
{ends}
"""


def _text(title: str, seed: tuple[float, float], *steps: tuple[str, str, str]) -> str:
    head = _HEAD.format(title=title, radius=seed[0], thickness=seed[1])
    return head + "".join(_STEP.format(t=t, s=s, ends=ends) for t, s, ends in steps)


# name: (text, radius in um that the preview is cut for)
EXAMPLES: dict[str, tuple[str, float]] = {
    "star": (
        _text("Star", (6, 5), ("-15", "2", "minutes = 2"), ("-15", "12", "radius_um = 100\nminutes = 40")),
        100.0,
    ),
    "plate": (_text("Plate", (6, 5), ("-15", "2", "radius_um = 90\nminutes = 120")), 90.0),
    "column": (_text("Column", (5, 6), ("-6", "2", "thickness_um = 160\nminutes = 90")), 80.0),
    "capped-column": (
        _text(
            "Capped column",
            (5, 6),
            ("-6", "2", "thickness_um = 90\nminutes = 60"),
            ("[-6, -15]", "[2, 10]", "minutes = 2"),
            ("-15", "10", "radius_um = 80\nminutes = 30"),
        ),
        80.0,
    ),
}
FIRST = "star"
HINTS = [
    "Turn the temperature or the supersaturation: the crystal answers at once, and what you did is a recipe.",
    "Click anywhere on the curves to go back to that moment; turn a knob there and a second path begins.",
    "Save what you did as a recipe, run it beside the microscope, or grow it at full resolution.",
]
NOTE = "The examples are invented: the cold room of the Tern Point science museum does not exist."


def example(name: str) -> tuple[str, float]:
    """The text of an example and the radius (um) of its preview. Raises BenchError 404."""
    if name not in EXAMPLES:
        raise BenchError(404, "There is no such example.", got=name[:40], wanted=", ".join(EXAMPLES))
    return EXAMPLES[name]
