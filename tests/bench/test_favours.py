"""Words for an air. What they must say is common practice of the trade (docs/physics/common-practice.md)."""

from __future__ import annotations

import pytest

from icewright.bench.favours import favours
from icewright.kinetics import load
from icewright.vapour.scales import scales

# Common practice, no source: the morphology diagram's best known corners.
COMMON = [
    (-2, 1.0, "plate"),
    (-6, 2.0, "column"),
    (-5, 5.0, "hollow column"),
    (-15, 2.0, "plate"),
    (-15, 15.0, "star"),
]


def words(t_c, percent, table="layer-fits"):
    return favours(scales(273.15 + t_c, 101325.0), percent / 100, load(table))


@pytest.mark.parametrize(("t_c", "percent", "habit"), COMMON)
def test_the_best_known_corners(t_c, percent, habit) -> None:
    assert words(t_c, percent).habit == habit


def test_values_from_memory_are_marked() -> None:
    assert words(-15, 2, "broad-narrow").from_memory
    assert any("from memory" in mark for mark in words(-15, 2, "broad-narrow").marks)
    assert not words(-15, 2).from_memory


def test_dry_and_foggy_air_are_said() -> None:
    assert "shrink" in words(-15, -3).words
    assert any("fog" in why for why in words(-15, 20).why)
    assert words(-15, 0).habit == "none"
    assert words(-15, 0.01).habit == "none"


def test_every_air_of_the_table_has_words() -> None:
    for t_c in range(-40, 1, 4):
        for percent in (0.1, 1, 5, 20, 40):
            for table in ("layer-fits", "broad-narrow"):
                said = words(t_c, percent, table)
                assert said.words and len(said.why) >= 2
