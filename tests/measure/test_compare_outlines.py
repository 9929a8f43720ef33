"""Overlap of shapes whose common area is known in closed form; turns, mirror images; twins."""

import math

import numpy as np
import pytest

from icewright.measure.compare import CompareError, compare, twins

UM = 1e-6


def loop(radius, angle_deg=0.0, centre=(0.0, 0.0), sides=6, n=60):
    a = np.radians(angle_deg + 360.0 / sides * np.arange(sides + 1))
    corners = np.column_stack([np.cos(a), np.sin(a)]) * radius
    points = np.vstack([np.linspace(corners[k], corners[k + 1], n, endpoint=False) for k in range(sides)])
    return (np.vstack([points, points[:1]]) + np.asarray(centre)) * UM


@pytest.mark.parametrize("ratio", [0.99, 0.9, 0.7])
def test_hexagons_of_two_sizes_share_the_square_of_their_ratio(ratio):
    found = compare([loop(80.0)], [loop(80.0 * ratio, 23.0, (300.0, -40.0))])
    assert found.similarity == pytest.approx(ratio**2, abs=0.004)
    assert found.sizes == pytest.approx(ratio, abs=1e-3)
    assert math.degrees(found.turned_rad) % 60 == pytest.approx(37.0, abs=0.2)
    assert found.arms_second_m == pytest.approx(ratio * 80.0 * UM, rel=2e-3)
    assert found.only_first_m2 == pytest.approx(1.5 * math.sqrt(3) * 80**2 * (1 - ratio**2) * UM**2, rel=0.03)
    assert compare([loop(80.0)], [loop(80.0 * ratio)], same_size=True).similarity > 0.995


def test_a_hexagon_in_its_circle_covers_what_geometry_says():
    """A circle of radius 1 around a hexagon of corner radius 1: 3 sqrt(3) / (2 pi)."""
    found = compare([loop(80.0)], [loop(80.0, sides=180, n=4)])
    assert found.similarity == pytest.approx(3 * math.sqrt(3) / (2 * math.pi), abs=0.004)
    assert found.common_m2 == pytest.approx(1.5 * math.sqrt(3) * 80**2 * UM**2, rel=0.004)


def lopsided(mirror=False):
    a = np.radians(30.0 * np.arange(13))
    r = np.array([80, 30, 70, 34, 75, 32, 60, 31, 78, 38, 66, 30, 80], float)
    p = np.column_stack([np.cos(a), np.sin(a)]) * r[:, None]
    p = np.vstack([np.linspace(p[k], p[k + 1], 40, endpoint=False) for k in range(12)])
    p = np.vstack([p, p[:1]]) * UM
    return p * np.array([1, -1]) if mirror else p


def turned(points, degrees):
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return points @ np.array([[c, s], [-s, c]])


def test_a_mirror_image_is_turned_over_and_found_again():
    found = compare([lopsided()], [turned(lopsided(mirror=True), 75.0) + 1e-4])
    assert found.mirrored
    assert found.similarity > 0.985
    same = compare([lopsided()], [turned(lopsided(), 200.0)])
    assert not same.mirrored
    assert same.similarity > 0.985
    assert math.degrees(same.turned_rad) == pytest.approx(160.0, abs=0.3)


def test_like_crystals_agree_with_themselves_and_order_does_not_matter():
    a, b = lopsided(), loop(60.0)
    assert compare([a], [a]).similarity > 0.995
    assert compare([a], [b]).similarity == pytest.approx(compare([b], [a]).similarity, abs=0.01)


def test_no_area_is_refused():
    with pytest.raises(CompareError):
        compare([np.zeros((5, 2))], [loop(10.0)])


def test_the_facing_side_of_a_twin_lags_by_what_was_cut_off():
    """A circle whose near third of directions is set back by 5 um, about its old centre."""
    a = np.radians(np.arange(0, 361, 0.5))
    back = np.where(np.abs((a + math.pi) % (2 * math.pi) - math.pi) <= math.pi / 3, 45.0, 50.0)
    one = np.column_stack([back * np.cos(a), back * np.sin(a)]) * UM
    other = np.column_stack([150 + 30 * np.cos(a), 30 * np.sin(a)]) * UM
    found = twins(one, other, centres=np.array([[0.0, 0.0], [150.0, 0.0]]) * UM)
    assert found.first.lag_m / UM == pytest.approx(5.0, abs=0.1)
    assert found.second.lag_m / UM == pytest.approx(0.0, abs=0.05)
    assert found.distance_m / UM == pytest.approx(150.0)
    assert found.gap_m / UM == pytest.approx(75.0, abs=0.2)
