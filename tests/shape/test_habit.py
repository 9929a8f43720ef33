"""The word for drawn specimens; that the words fit these shapes is common practice, no source."""

from dataclasses import replace
from pathlib import Path

import pytest

from icewright.shape import habit, specimens
from icewright.shape.sizes import NOTHING, measure
from icewright.shape.solid import hexagon, round_disc

U = 1e-6


@pytest.mark.parametrize(
    ("word", "draw"),
    [
        ("plate", lambda: hexagon(50 * U, 5 * U, U)),
        ("plate", lambda: round_disc(50 * U, 5 * U, U)),
        ("thick plate", lambda: hexagon(50 * U, 30 * U, U)),
        ("compact", lambda: hexagon(30 * U, 60 * U, U)),
        ("column", lambda: hexagon(20 * U, 100 * U, U)),
        ("column", lambda: hexagon(20 * U, 100 * U, U, mirrored=False)),
        ("needle", lambda: hexagon(10 * U, 200 * U, U)),
        ("hollow column", lambda: specimens.hollow_column(20 * U, 100 * U, U)),
        ("capped column", lambda: specimens.capped_column(20 * U, 100 * U, 60 * U, 8 * U, U)),
        ("sectored plate", lambda: specimens.sectored(100 * U, 8 * U, U)),
        ("stellar plate", lambda: specimens.star(150 * U, 10 * U, U, branches=())),
        ("stellar plate", lambda: specimens.hexagram(80 * U, 6 * U, U)),
        ("dendritic plate", lambda: specimens.star(150 * U, 10 * U, U)),
    ],
)
def test_word_for_a_drawn_specimen(word, draw):
    assert habit.word(measure(draw())) == word


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_word_does_not_hang_on_the_voxel(factor):
    assert habit.word(measure(specimens.star(160 * U, 10 * U, factor * U))) == "dendritic plate"
    assert habit.word(measure(specimens.sectored(160 * U, 10 * U, factor * U))) == "sectored plate"


def test_thresholds_part_neighbouring_words():
    base = replace(NOTHING, volume_m3=1.0, solidity=1.0, radius_end_m=1.0, radius_waist_m=1.0, cap_share=1.0)
    steps = [
        (habit.THICK, "plate", "thick plate"),
        (habit.THICK_TO, "thick plate", "compact"),
        (habit.COLUMN, "compact", "column"),
        (habit.NEEDLE, "column", "needle"),
    ]
    for limit, below, above in steps:
        assert habit.word(replace(base, aspect_ratio=limit * 0.999)) == below
        assert habit.word(replace(base, aspect_ratio=limit)) == above
    assert habit.word(NOTHING) == "none"


def test_every_word_and_constant_is_in_the_docs():
    text = (Path(__file__).parents[2] / "docs/physics/habit-words.md").read_text(encoding="utf-8")
    for word in habit.WORDS:
        assert f"| {word} |" in text
    for name in (
        "CAP_RATIO",
        "CAP_SHARE",
        "NEEDLE",
        "COLUMN",
        "HOLLOW",
        "THICK_TO",
        "THICK",
        "WHOLE",
        "STELLAR",
        "SIDE_BRANCHES",
    ):
        assert name in text
        value = getattr(habit, name)
        assert f"{value:g}" in text
