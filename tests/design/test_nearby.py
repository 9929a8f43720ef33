"""The plane over the recipe: against the least squares of a reference library, and where it must be exact."""

import numpy as np
import pytest

from icewright.design import nearby
from icewright.design.compared import extends
from icewright.design.nearby import as_row, fitted, from_row, nearest
from icewright.design.portrait import portrait
from icewright.design.recipes import forms
from icewright.design.target import Grown, Limits, Target
from icewright.design.wants import Range
from icewright.shape.solid import hexagon

UM = 1e-6


def crystal(radius=40.0, height=20.0):
    return portrait(hexagon(radius * UM, height * UM, 2 * UM), mass_kg=1e-9, time_s=600.0)


def moved(known, amount, along):
    """A crystal whose numbers all lie `amount` along `along` from a known one's."""
    return from_row(as_row(known) + amount * along, known)


def test_a_row_read_back_is_the_same_crystal_and_keeps_stages_that_were_not_reached():
    grown = Grown((crystal(20.0, 10.0), None), crystal(), True)
    back = from_row(as_row(grown), grown)
    assert back.stages[1] is None and back.whole
    assert back.last.sizes == grown.last.sizes
    assert np.array_equal(back.stages[0].plan, grown.stages[0].plan)
    assert np.array_equal(back.last.section, grown.last.section)


def test_what_cannot_be_is_not_predicted():
    grown = Grown((), crystal(), True)
    back = from_row(as_row(grown) - 10.0, grown).last
    assert back.sizes.thickness_m > 0 and back.mass_kg > 0 and back.sizes.side_branches == 0
    assert back.plan.min() == 0.0
    assert from_row(as_row(grown) + 10.0, grown).last.sizes.solidity == 1.0


def test_slopes_are_those_of_least_squares():
    # Ridge regression is ordinary least squares with the square root of the ridge as rows below (textbook,
    # common practice); numpy.linalg.lstsq solves it by another way (singular values).
    rng = np.random.default_rng(3)
    known, reach, n = Grown((), crystal(), True), 0.1, 3
    at = np.full(n, 0.5)
    along = as_row(known) * 0.01
    tried = [(p, moved(known, float(p.sum() - 1.5), along)) for p in rng.uniform(0.4, 0.6, (7, n))]
    plane = fitted(at, known, reach, tried)
    z = np.array([(p - at) / reach for p, _ in tried])
    root = np.sqrt(np.exp(-0.5 * (z**2).max(axis=1)))[:, None]
    change = np.array([as_row(g) - as_row(known) for _, g in tried])
    rows = np.vstack([root * z, np.sqrt(nearby.RIDGE) * np.eye(n)])
    values = np.vstack([root * change, np.zeros((n, change.shape[1]))])
    expected = np.linalg.lstsq(rows, values, rcond=None)[0]
    assert plane.slopes == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_slopes_that_nothing_tells_are_held_at_those_of_a_rough_plane():
    # Generalised ridge regression, held at a prior instead of at zero (textbook, common practice): least
    # squares with rows of the root of the ridge that ask for the prior.
    rng = np.random.default_rng(4)
    known, reach, n = Grown((), crystal(), True), 0.05, 3
    at = np.full(n, 0.5)
    along = as_row(known) * 0.01
    far = [(p, moved(known, float(p[0] - p[2]), along)) for p in rng.uniform(0.4, 0.6, (8, n))]
    rough = fitted(at, known, 0.1, far)
    held = fitted(at, known, reach, [], rough)
    assert held.slopes == pytest.approx(rough.slopes * (reach / 0.1), rel=1e-12)
    tried = [(p, moved(known, float(p.sum() - 1.5), along)) for p in rng.uniform(0.46, 0.54, (4, n))]
    plane = fitted(at, known, reach, tried, rough)
    z = np.array([(p - at) / reach for p, _ in tried])
    root = np.sqrt(np.exp(-0.5 * (z**2).max(axis=1)))[:, None]
    change = np.array([as_row(g) - as_row(known) for _, g in tried])
    ridge = np.sqrt(nearby.RIDGE) * np.eye(n)
    rows, values = np.vstack([root * z, ridge]), np.vstack([root * change, ridge @ held.slopes])
    expected = np.linalg.lstsq(rows, values, rcond=None)[0]
    assert plane.slopes == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_the_plane_goes_through_the_known_crystal_and_leaves_out_what_is_not_alike():
    known = Grown((crystal(20.0, 10.0),), crystal(), True)
    odd = [
        (np.array([0.52, 0.5]), Grown((None,), crystal(44.0), True)),  # never came to the stage
        (np.array([0.5, 0.52]), Grown((crystal(),), crystal(44.0), False)),  # was cut
        (np.array([0.5, 0.5]), Grown((crystal(),), crystal(44.0), True)),  # the same recipe
    ]
    plane = fitted(np.full(2, 0.5), known, 0.1, odd)
    assert not plane.slopes.any()
    assert plane.at(np.full(2, 0.5)).last.sizes == known.last.sizes


def test_the_nearest_point_of_a_plane_is_found_within_its_reach():
    known = Grown((), crystal(), True)
    row = as_row(known)
    thicker = row * 0
    # Per unit of the first number; nothing hangs on the other.
    thicker[nearby._NAMES.index("thickness_m")] = 20 * UM
    rng = np.random.default_rng(1)
    at = np.array([0.5, 0.5])
    points = [at + d for d in (np.array([0.05, 0]), np.array([-0.05, 0.05]), np.array([0, -0.05]))]
    plane = fitted(at, known, 0.1, [(p, moved(known, float(p[0] - 0.5), thicker)) for p in points])

    def score(g):
        return abs(g.last.thickness_m / (20.8 * UM) - 1)  # wanted: where the first number is about 0.54

    found = nearest(plane, 0.1, score, rng.uniform)
    assert score(plane.at(found)) < 1e-3 < score(known)
    assert np.abs(found - at).max() <= 0.1 + 1e-12  # rounding
    held = nearest(plane, 0.005, score, rng.uniform)
    assert np.abs(held - at).max() <= 0.005 + 1e-12 and score(plane.at(held)) < score(known)


def test_only_forms_that_can_repeat_a_recipe_go_on_from_it():
    wants = (Range("radius_um", 60, 60), Range("thickness_um", 50, 50), Range("end_over_waist", 1.3))
    named = {f.name: f for f in forms(Target(kinetics="layer-fits", limits=Limits(steps=3), wants=wants))}
    assert extends(named["2 steps"], named["1 step"]) and extends(named["drift"], named["1 step"])
    assert not extends(named["1 step"], named["2 steps"])
    assert not extends(named["2 steps"], named["length, then radius"])  # its first step ends on the length
    assert not extends(named["3 steps"], named["drift"])  # steps hold their air
