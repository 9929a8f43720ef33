"""Targets: what a file may say, what it is refused for, and what a crystal then misses."""

import math
import tomllib
from pathlib import Path

import pytest

from icewright.design.portrait import DesignError, portrait
from icewright.design.target import Grown, from_dict, read
from icewright.design.wants import HABITS, Range, habit_of, number
from icewright.shape import habit, specimens
from icewright.shape.solid import hexagon

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("target-*.toml"))
HEAD = 'kind = "icewright.target"\nschema = 1\n'
PLATE = '[[stage]]\nhabit = "plate"\nradius_um = 50\n'
UM = 1e-6


def target(text, folder=Path()):
    return from_dict(tomllib.loads(HEAD + text), folder)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_every_example_is_read(path):
    assert read(path).stages


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "Nothing is wanted"),
        (PLATE.replace("plate", "flake"), "No crystal is called that"),
        (PLATE.replace("radius_um", "radius"), "radius_um"),
        ('[[stage]]\nhabit = "plate"\n', "how large"),
        (PLATE + PLATE.replace("50", "40"), "never shrinks"),
        ("[limits]\nminutes = -3\n" + PLATE, "0.01 to two weeks"),
        ("[limits]\ntemperature_c = [-5, 3]\n" + PLATE, "coldest, warmest"),
        ("[limits]\nwater_fraction = 98\n" + PLATE, "water_fraction = 0.98"),
        ("[wanted]\nsolidty = 0.5\n" + PLATE, "solidity"),
        ("[wanted]\nradius_um = [80, 40]\n", "least, most"),
        ("[seed]\nradius_um = 60\nthickness_um = 5\n" + PLATE, "smaller than the crystal"),
        ("[outline]\nfile = 'none.svg'\nradius_um = 50\n", "no file"),
        (PLATE.replace("50", "0.00005"), "metres"),
    ],
)
def test_slips_are_refused_in_words(text, word):
    with pytest.raises(DesignError) as caught:
        target(text)
    assert word in str(caught.value)


def test_a_newer_or_other_file_is_refused():
    for head in (
        'kind = "icewright.recipe"\nschema = 1\n',
        'kind = "icewright.target"\nschema = 2\n',
        "schema = 1\n",
    ):
        with pytest.raises(DesignError):
            from_dict(tomllib.loads(head + PLATE), Path())


def test_words_and_their_ranges_agree_with_the_habit_rule():
    # Drawn specimens whose word by icewright.shape.habit is known miss no range of that word.
    drawn = [
        hexagon(50 * UM, 8 * UM, 1 * UM),
        hexagon(50 * UM, 40 * UM, 1 * UM),
        hexagon(50 * UM, 100 * UM, 1 * UM),
        hexagon(20 * UM, 120 * UM, 1 * UM),
        hexagon(8 * UM, 120 * UM, 1 * UM),
        specimens.hollow_column(20 * UM, 120 * UM, 1 * UM),
        specimens.sectored(60 * UM, 10 * UM, 1 * UM),
        specimens.star(60 * UM, 8 * UM, 0.5 * UM),
        specimens.capped_column(15 * UM, 100 * UM, 40 * UM, 8 * UM, 1 * UM),
    ]
    seen = set()
    for solid in drawn:
        crystal = portrait(solid)
        seen.add(crystal.habit)
        for want in HABITS[habit_of(crystal.habit)]:
            assert want.miss(number(crystal, want.name)) == 0.0, (crystal.habit, want.text)
    assert len(seen) >= 8 and seen <= set(habit.WORDS)


def test_a_plate_misses_the_wants_of_a_star_and_the_other_way_round():
    plate, star = (
        portrait(hexagon(50 * UM, 8 * UM, 1 * UM)),
        portrait(specimens.star(60 * UM, 8 * UM, 0.5 * UM)),
    )
    for crystal, word in ((plate, "star"), (star, "plate")):
        assert any(w.miss(number(crystal, w.name)) > 0.1 for w in HABITS[habit_of(word)])


def test_misses_are_logarithms_of_ratios_and_differences_of_shares():
    assert Range("radius_um", 40, 50).miss(100) == pytest.approx(math.log(2))
    assert Range("radius_um", 40, 50).miss(45) == 0
    assert Range("solidity", 0.8, 1).miss(0.7) == pytest.approx(0.4)
    assert Range("side_branches", 2).miss(1) == pytest.approx(0.25)


def test_limits_count_only_when_broken():
    wanted = target("[limits]\nthickness_um = 10\n" + PLATE)
    thin, thick = (portrait(hexagon(50 * UM, h * UM, 1 * UM)) for h in (8, 20))
    assert wanted.broken(Grown((thin,), thin)) == {}
    assert wanted.broken(Grown((thick,), thick)) == {"limit thickness_um": pytest.approx(math.log(2))}
    assert wanted.distance(Grown((thick,), thick)) >= math.log(2)


def test_a_stage_that_was_never_reached_is_a_miss():
    wanted = target(PLATE)
    crystal = portrait(hexagon(50 * UM, 8 * UM, 1 * UM))
    assert wanted.distance(Grown((crystal,), crystal)) < 0.02
    unreached = Grown((None,), crystal, whole=False)
    assert not wanted.same(unreached) and 0.3 < wanted.distance(unreached) < 0.35


def test_an_outline_target_asks_for_no_thickness(tmp_path):
    points = " ".join(
        f"{100 * math.cos(k * math.pi / 3):.2f},{100 * math.sin(k * math.pi / 3):.2f}" for k in range(6)
    )
    (tmp_path / "drawn.svg").write_text(f'<svg><polygon points="{points}"/></svg>')
    wanted = target("[outline]\nfile = 'drawn.svg'\nradius_um = 50\n", tmp_path)
    assert wanted.thickness_m is None and wanted.radius_m == pytest.approx(50 * UM)
    crystal = portrait(hexagon(50 * UM, 8 * UM, 1 * UM))
    assert set(wanted.misfit(Grown((), crystal)).terms) == {"size", "outline", "arms"}
    assert wanted.distance(Grown((), crystal)) < 0.03


def test_a_plate_never_passes_for_branches_however_many_other_wants_it_meets():
    wanted = target(
        "[wanted]\nradius_um = 50\nmass_ug = [0, 9]\n"
        + PLATE.replace("50", "20")
        + PLATE.replace("plate", "branches")
    )
    crystal = portrait(hexagon(50 * UM, 8 * UM, 1 * UM))
    small = portrait(hexagon(20 * UM, 4 * UM, 1 * UM))
    assert not wanted.same(Grown((small, crystal), crystal))
    star = portrait(specimens.star(50 * UM, 8 * UM, 0.5 * UM))
    assert wanted.same(Grown((small, star), star))
