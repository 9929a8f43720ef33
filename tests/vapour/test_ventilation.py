"""Ventilation: limits that any correct law has, and the joints of the published pieces."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from icewright.ground.errors import ConditionsError
from icewright.vapour import fall_speed as fs
from icewright.vapour import ventilation as ve


@pytest.mark.parametrize("relation", list(ve.RELATIONS))
def test_pieces_meet_and_still_air_gives_one(relation):
    """Coefficients from memory: that both published pieces meet within 0.1 % speaks for them."""
    joint, square, start, slope = ve._LAWS[relation]
    assert 1 + square * joint**2 == pytest.approx(start + slope * joint, rel=1e-3)
    assert ve.law(0.0, relation) == 1.0


@given(st.floats(0, 100), st.floats(0.01, 10), st.sampled_from(list(ve.RELATIONS)))
def test_more_wind_is_more_vapour(x, more, relation):
    assert ve.law(x + more, relation) > ve.law(x, relation) >= 1 - 1e-3


def test_the_two_relations_agree_on_a_sphere_within_a_fifth():
    """Two experiments on different bodies; no outside value, only a bound on how far they part."""
    for x in (0.5, 2.0, 5.0, 20.0):
        assert ve.law(x, "1976") == pytest.approx(ve.law(x, "1971"), rel=0.2)


def test_small_crystals_need_none_and_millimetres_double():
    """Common practice, no source: below about 100 um in diameter ventilation may be left out."""

    def f(radius):
        h = 2.02e-6 * (2e6 * radius) ** 0.449
        area = 1.5 * math.sqrt(3) * radius**2
        body = fs.plate(area * h * 918, radius, h, area, 6 * radius)
        return ve.factor(body, fs.fall_speed(body, 258.15, 1e5), 258.15, 1e5)

    assert f(10e-6) < 1.01
    assert f(50e-6) < 1.1
    assert 1.5 < f(500e-6) < 3


@given(st.floats(0.001, 0.5), st.floats(0, 1), st.floats(1, 5))
def test_still_air_of_sigma_eff_feeds_f_times_as_much(sigma, share, f):
    """The defining identity: sigma_eff - <s> = f (sigma - <s>)."""
    surface = share * sigma
    assert ve.effective_sigma(sigma, surface, f) - surface == pytest.approx(f * (sigma - surface), abs=1e-12)


def test_refusals():
    with pytest.raises(ConditionsError, match="ventilation relation"):
        ve.law(1.0, "1850")
    with pytest.raises(ConditionsError, match="below zero"):
        ve.law(-1.0)
