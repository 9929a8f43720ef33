"""The shape distance against areas that are known in closed form."""

import math

import numpy as np
import pytest

from icewright.design.distance import SAME, distance, misfit
from icewright.design.portrait import DesignError, Portrait, portrait
from icewright.design.twin import of as twin_of
from icewright.shape.solid import hexagon, round_disc
from icewright.shape.specimens import capped_column, hexagram, hollow_column, star

UM = 1e-6


def plate(radius=50.0, thickness=10.0, voxel=1.0):
    return portrait(hexagon(radius * UM, thickness * UM, voxel * UM))


def test_a_crystal_is_no_distance_from_itself_and_the_distance_is_symmetric():
    one, two = plate(), portrait(star(60 * UM, 8 * UM, 1 * UM))
    assert distance(one, one) == 0.0
    assert distance(one, two) == distance(two, one) > SAME


def test_scaling_all_lengths_moves_only_size_and_thickness():
    # ln 1.2 is the relative misfit of lengths that are a fifth longer, by definition of the terms.
    found = misfit(plate(50, 10), plate(60, 12)).terms
    assert found["size"] == pytest.approx(math.log(1.2), abs=0.005)
    assert found["thickness"] == pytest.approx(math.log(1.2), abs=1e-6)
    assert found["outline"] < 0.02 and found["arms"] < 0.005 and found["section"] < 0.02


def test_a_part_filled_end_layer_costs_a_known_little():
    # Its ice counts as spread over its layer: half of half a layer of 5.5 is missing from the section.
    assert misfit(plate(50, 10), plate(50, 11)).terms["section"] == pytest.approx(0.25 / 5.5, abs=0.01)


def test_a_hexagram_in_its_hexagon_covers_two_thirds():
    # Plane geometry: two crossed triangles cover sqrt(3) R^2, their hull 1.5 sqrt(3) R^2. So a third
    # of the plan is not in common, and the solidities differ by a third.
    found = misfit(plate(60, 10, 0.5), portrait(hexagram(60 * UM, 10 * UM, 0.5 * UM))).terms
    assert found["outline"] == pytest.approx(1 / 3, abs=0.015)
    assert found["arms"] == pytest.approx(1 / 3, abs=0.015)


def test_a_hexagon_in_its_circle_covers_what_geometry_says():
    # 1.5 sqrt(3) / pi of the circle's area.
    found = misfit(plate(60, 10, 0.5), portrait(round_disc(60 * UM, 10 * UM, 0.5 * UM))).terms
    assert found["outline"] == pytest.approx(1 - 1.5 * math.sqrt(3) / math.pi, abs=0.015)


def test_the_section_sees_a_hollow_that_the_plan_cannot():
    solid, hollow = (portrait(hollow_column(20 * UM, 120 * UM, 1 * UM, depth=d)) for d in (0.0, 0.4))
    found = misfit(solid, hollow).terms
    assert found["outline"] < 0.01 and found["thickness"] < 0.01
    # Two funnels of depth 0.4 L on the hexagon of 0.85 R: a third of base times depth each.
    share = 2 * 0.4 * 0.85**2 / 3
    assert found["section"] == pytest.approx(share, abs=0.03)


def test_caps_are_seen_in_the_section():
    one = portrait(capped_column(15 * UM, 100 * UM, 40 * UM, 8 * UM, 1 * UM))
    assert misfit(one, plate(40, 100)).terms["section"] > 0.5


@pytest.mark.parametrize("voxel", [2.0, 1.3, 0.7])
def test_the_voxel_of_a_drawn_specimen_hardly_counts(voxel):
    assert distance(plate(50, 8, voxel), plate(50, 8, 0.5)) < 0.25 * SAME


def test_plain_data_and_back_keeps_the_distance():
    one = portrait(star(60 * UM, 8 * UM, 1 * UM), mass_kg=1e-9, time_s=60.0)
    back = Portrait.from_dict(one.to_dict())
    assert distance(one, back) < 1e-3 and back.mass_kg == one.mass_kg and back.habit == one.habit
    with pytest.raises(DesignError):
        Portrait.from_dict({"plan": []})


def test_a_term_that_does_not_exist_is_refused():
    with pytest.raises(DesignError, match="colour"):
        misfit(plate(), plate(), ("colour",))


def test_a_twin_of_another_size_is_the_drawn_crystal_of_that_size():
    assert distance(twin_of(plate(40, 8), size=1.5), plate(60, 12, 1.5)) < 0.02


def test_a_twin_with_longer_arms_reaches_farther_and_is_more_open():
    # R' = core + 1.5 (R - core), and the core stays as large as it was.
    one = portrait(star(60 * UM, 8 * UM, 0.5 * UM, branches=()))
    two = twin_of(one, arms=1.5)
    assert 1.2 < two.radius_m / one.radius_m < 1.5
    assert two.sizes.solidity < one.sizes.solidity
    core = np.flatnonzero(one.plan.mean(axis=1) < 0.9)[0] / 48 * one.radius_m
    again = np.flatnonzero(two.plan.mean(axis=1) < 0.9)[0] / 48 * two.radius_m
    assert again == pytest.approx(core, rel=0.15)
