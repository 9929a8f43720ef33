"""Outlines, centres and scales by hand on drawn pictures: the numbers are those of the closed forms.

Outside: area, perimeter, apothem and corners of a regular hexagon and a six-pointed star from elementary
geometry; the pictures are drawn by matplotlib (`drawn.py`).
"""

import json
import math

import numpy as np
import pytest
from drawn import hexagon_area, hexagon_points, picture, polygon_mask, star_points

from icewright.measure import by_hand, corrections, reading
from icewright.measure.corrections import Correction, CorrectionError
from icewright.measure.scale import Scale

SHAPE, AT = (240, 320), (170.0, 118.0)
UM = 0.5


def closed(points):
    return np.vstack([points, points[:1]])


@pytest.fixture(scope="module")
def plate():
    """A dark hexagon of 80 pixels radius, turned by 14 degrees."""
    mask = polygon_mask(hexagon_points(80.0, 14.0, AT), SHAPE, finer=4)
    return reading.ready(picture(mask), Scale(UM * 1e-6, UM * 1e-6))


def only(it, scale=None, **hand):
    scale = scale or Scale(UM * 1e-6, UM * 1e-6)
    (one,) = reading.read_ready(it, scale, by_hand={1: hand} if hand else None, only=1)
    return one


def test_a_hexagon_drawn_by_hand_has_the_numbers_of_the_closed_form(plate):
    # Another hexagon than the one in the picture, so that nothing can come from the picture.
    radius_px, at = 60.0, (150.0, 125.0)
    r = radius_px * UM * 1e-6
    one = only(plate, outline_px=closed(hexagon_points(radius_px, 40.0, at)))
    v = {k: pair[0] for k, pair in one.values.items()}
    # Area and length are exact for a polygon. Tips and facets are read from lines fitted to points a pixel
    # apart: a few thousandths, a tenth of what a hand is sure of.
    assert v["area_m2"] == pytest.approx(hexagon_area(r), rel=1e-9)
    assert v["perimeter_m"] == pytest.approx(6 * r, rel=1e-9)
    assert v["radius_tip_m"] == pytest.approx(r, rel=2e-3)
    assert v["radius_facet_m"] == pytest.approx(r * math.cos(math.pi / 6), rel=2e-3)
    assert v["radius_max_m"] == pytest.approx(r, rel=2e-3)
    assert v["solidity"] == pytest.approx(1.0, abs=1e-3)
    assert math.degrees(v["angle_rad"]) % 60 == pytest.approx(40.0, abs=0.05)
    assert v["centre_x_m"] == pytest.approx(at[0] * UM * 1e-6, abs=0.02e-6)
    assert v["centre_y_m"] == pytest.approx(-at[1] * UM * 1e-6, abs=0.02e-6)
    for k in range(1, 7):
        assert v[f"arm_{k}_m"] == pytest.approx(r, rel=3e-3)
    # A hand is not surer than it is: 0.8 pixel at least on every length.
    assert one.values["radius_tip_m"][1] >= 0.8 * UM * 1e-6


def test_the_notches_of_a_star_are_where_the_hand_put_them(plate):
    # Notches of a photographed star are blurred, and a found outline is deepened there; a drawn one is not.
    one = only(plate, outline_px=closed(star_points(70.0, 40.0, 10.0, AT)))
    assert one.values["radius_tip_m"][0] == pytest.approx(70.0 * UM * 1e-6, rel=0.01)
    assert one.values["radius_facet_m"][0] == pytest.approx(40.0 * UM * 1e-6, rel=0.02)
    # A star of twelve corners: 6 R r sin 30.
    assert one.values["area_m2"][0] == pytest.approx(6 * 70 * 40 * 0.5 * (UM * 1e-6) ** 2, rel=1e-3)


def test_unequal_pitches_by_hand_stretch_the_numbers_as_they_should(plate):
    # Drawn in pixels of 0.5 x 0.7 um so that it is a regular hexagon of 35 um only under that scale.
    loop = closed(hexagon_points(35.0, 20.0, AT, (0.5, 0.7)))
    one = only(plate, Scale(0.5e-6, 0.7e-6), outline_px=loop)
    assert one.values["radius_tip_m"][0] == pytest.approx(35e-6, rel=3e-3)
    assert one.values["area_m2"][0] == pytest.approx(hexagon_area(35e-6), rel=1e-4)
    assert math.degrees(one.values["angle_rad"][0]) % 60 == pytest.approx(20.0, abs=0.05)


def test_a_scale_by_hand_carries_its_own_uncertainty(plate):
    as_found = only(plate)
    twice = only(plate, Scale(2 * UM * 1e-6, 2 * UM * 1e-6, 0.03))
    value, u = twice.values["radius_tip_m"]
    assert value == pytest.approx(2 * as_found.values["radius_tip_m"][0], rel=1e-9)
    assert value == pytest.approx(80e-6, rel=0.01)
    assert u == pytest.approx(math.hypot(2 * as_found.values["radius_tip_m"][1], 0.03 * value), rel=1e-9)
    assert twice.values["solidity"] == pytest.approx(as_found.values["solidity"])


def test_a_moved_centre_moves_arms_and_leaves_the_area(plate):
    as_found, moved = only(plate), only(plate, centre_px=(AT[0] + 6.0, AT[1]))
    assert moved.values["area_m2"] == as_found.values["area_m2"]
    # The reach from a point 6 px off the middle, along the axes: 3 um more on one side than on the other.
    arms = sorted(moved.values[f"arm_{k}_m"][0] for k in range(1, 7))
    assert arms[-1] - arms[0] > 4e-6
    assert moved.values["centre_x_m"][0] == pytest.approx((AT[0] + 6) * UM * 1e-6)


def test_an_outline_that_crosses_itself_has_no_numbers(plate):
    loop = hexagon_points(60.0, 0.0, AT)
    loop[[1, 2]] = loop[[2, 1]]
    one = only(plate, outline_px=closed(loop))
    assert one.quality == "none" and not one.values
    assert "crosses itself" in one.reasons[0]
    assert not by_hand.crosses(closed(hexagon_points(60.0, 0.0, AT)))
    assert not by_hand.crosses(by_hand.close_points(closed(star_points(60.0, 6.0, 0.0, AT))))


def test_laying_points_close_keeps_corners_and_length():
    loop = closed(hexagon_points(33.3, 5.0, AT))
    dense = by_hand.close_points(loop)
    assert np.hypot(*np.diff(dense, axis=0).T).max() <= 1.0
    assert np.hypot(*np.diff(dense, axis=0).T).sum() == pytest.approx(6 * 33.3)
    for corner in loop:
        assert np.hypot(*(dense - corner).T).min() < 1e-9


def test_what_holds_is_what_was_put_and_one_picture_stands_over_all(tmp_path):
    corrections.put(tmp_path, "a.png", 0, [Correction("a.png", scale_um=(0.6, 0.6), u_scale_share=0.01)])
    corrections.put(tmp_path, "*", 0, [Correction("*", scale_um=(0.7, 0.7))])
    known = corrections.put(tmp_path, "a.png", 2, [Correction("a.png", 2, leave_out=True, note="dust")])
    found = Scale(1e-6, 1e-6, 0.004)
    assert corrections.scale_of(known, "a.png", found).x_m == pytest.approx(0.6e-6)
    assert corrections.scale_of(known, "a.png", found).u_share == 0.01
    assert corrections.scale_of(known, "b.png", found).x_m == pytest.approx(0.7e-6)
    assert corrections.scale_of(known, "b.png", found).u_share == 0.004
    assert corrections.for_crystal(known, "a.png", 2)["leave_out"] is True
    assert corrections.read(tmp_path) == known
    one = corrections.digest(known)
    assert one and one != corrections.digest(corrections.put(tmp_path, "a.png", 2, []))
    corrections.put(tmp_path, "a.png", 0, [])
    assert corrections.digest(corrections.put(tmp_path, "*", 0, [])) == ""


def test_files_of_the_first_schema_still_open(tmp_path):
    one = {"picture": "*", "number": 0, "scale_um": [0.7, 0.8], "date": "2026-01-05"}
    old = {"kind": "icewright.corrections", "schema": 1, "corrections": [one]}
    (tmp_path / "corrections.json").write_text(json.dumps(old))
    (one,) = corrections.read(tmp_path)
    assert one.scale_um == (0.7, 0.8) and one.u_scale_share is None


def test_a_scale_for_one_crystal_of_a_picture_is_refused():
    with pytest.raises(CorrectionError, match="whole picture"):
        Correction("a.png", 2, scale_um=(1.0, 1.0))
