"""Sizes of hexagons, stars and columns drawn by matplotlib against the closed forms of plane geometry."""

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn import hexagon_area, hexagon_points, picture, polygon_mask, star_points

from icewright.measure.images import scaled
from icewright.measure.reading import read, to_metres
from icewright.measure.scale import Scale, ScaleError

UM = 1e-6
HEXAGONS = [
    # radius um, angle, pitch x, y, blur px, noise
    (80.0, 11.0, 1.0, 1.0, 0.8, 0.005),
    (80.0, 53.0, 1.0, 1.3, 1.2, 0.01),
    (61.0, 29.0, 0.8, 0.7, 1.0, 0.01),
    (44.0, 3.0, 0.9, 1.0, 0.7, 0.02),
]


@pytest.mark.parametrize(("radius", "angle", "px", "py", "blur", "noise"), HEXAGONS)
def test_a_drawn_hexagon_has_the_sizes_of_plane_geometry(radius, angle, px, py, blur, noise):
    mask = polygon_mask(hexagon_points(radius, angle, (151.3, 118.6), (px, py)), (240, 310))
    found = read(picture(mask, blur_px=blur, noise=noise), Scale(px * UM, py * UM))
    assert len(found) == 1
    one, v = found[0], found[0].values
    pixel = math.sqrt(px * py)
    assert one.view == "plan"
    assert not one.flagged, one.reasons
    # The bar for good pictures: 1 % or 1.5 pixel.
    assert v["radius_tip_m"][0] / UM == pytest.approx(radius, abs=max(0.01 * radius, 1.5 * pixel))
    facet = radius * math.cos(math.pi / 6)
    assert v["radius_facet_m"][0] / UM == pytest.approx(facet, abs=max(0.01 * radius, 1.5 * pixel))
    assert v["area_m2"][0] / UM**2 == pytest.approx(hexagon_area(radius), rel=0.02)
    assert v["perimeter_m"][0] / UM == pytest.approx(6 * radius, rel=0.02)
    assert v["solidity"][0] == pytest.approx(1.0, abs=0.01)
    off = (math.degrees(v["angle_rad"][0]) - angle + 30) % 60 - 30
    assert abs(off) < 0.5
    assert v["centre_x_m"][0] / (px * UM) == pytest.approx(151.3, abs=0.3)
    assert -v["centre_y_m"][0] / (py * UM) == pytest.approx(118.6, abs=0.3)
    straight = one.details["facets"]
    assert len([f for f in straight if f["length_m"] > 0.7 * radius * UM]) == 6
    assert all(abs(math.degrees(f["off_rad"])) < 1.0 for f in straight[:6])


def test_axes_are_not_swapped_and_angles_run_against_the_clock():
    """A corner at 10 degrees lies to the right and above the centre: in a smaller row."""
    mask = polygon_mask(hexagon_points(70.0, 10.0, (150.0, 100.0)), (210, 330))
    one = read(picture(mask), Scale(UM, UM))[0]
    tip = np.array(one.details["tips_m"][0])
    assert tip[0] > one.values["centre_x_m"][0]
    assert tip[1] > one.values["centre_y_m"][0]
    assert math.degrees(one.values["angle_rad"][0]) == pytest.approx(10.0, abs=0.5)


@pytest.mark.parametrize("inner", [0.45, 0.6])
def test_a_star_polygon_has_its_tips_and_hollows(inner):
    points = star_points(90.0, 90.0 * inner, 17.0, (160.0, 131.0))
    mask = polygon_mask(points, (262, 331))
    v = read(picture(mask), Scale(UM, UM))[0].values
    assert v["radius_tip_m"][0] / UM == pytest.approx(90.0, abs=1.5)
    assert v["radius_facet_m"][0] / UM == pytest.approx(90.0 * inner, abs=1.5)
    # Twelve triangles with sides R and r and 30 degrees between them.
    assert v["area_m2"][0] / UM**2 == pytest.approx(12 * 0.5 * 90.0**2 * inner * 0.5, rel=0.02)


def test_arms_of_unlike_length_are_told_apart():
    points = star_points(80.0, 34.0, 20.0, (160.0, 120.0))
    points[4] = np.array([160.0, 120.0]) + (points[4] - [160.0, 120.0]) * 0.9  # the third tip, at 140 degrees
    one = read(picture(polygon_mask(points, (240, 330))), Scale(UM, UM), view="plan")[0]
    arms = np.array([one.values[f"arm_{k}_m"][0] for k in range(1, 7)]) / UM
    angle = math.degrees(one.values["angle_rad"][0])
    short = round((140.0 - angle) / 60.0) % 6
    assert int(np.argmin(arms)) == short
    assert arms[short] == pytest.approx(72.0, abs=1.5)
    assert np.delete(arms, short) == pytest.approx(80.0, abs=1.5)


def test_a_bar_is_a_column_from_the_side():
    c, s = math.cos(math.radians(24)), math.sin(math.radians(24))
    corners = np.array([[-75, -21], [75, -21], [75, 21], [-75, 21]], float)
    points = np.column_stack(
        [151 + corners[:, 0] * c - corners[:, 1] * s, 121 - corners[:, 0] * s - corners[:, 1] * c]
    )
    one = read(picture(polygon_mask(points, (240, 310))), Scale(UM, UM))[0]
    assert one.view == "side"
    assert one.values["length_m"][0] / UM == pytest.approx(150.0, abs=1.5)
    assert one.values["width_m"][0] / UM == pytest.approx(42.0, abs=1.5)
    assert math.degrees(one.values["angle_rad"][0]) == pytest.approx(24.0, abs=0.5)
    assert one.details["ends"] == ["straight", "straight"]
    assert "radius_tip_m" not in one.values


def test_two_dark_flanks_are_one_column():
    """A column seen from the side shows two dark flanks and a clear middle; its width is over both."""
    flank = [[[80, y], [230, y], [230, y + 12], [80, y + 12]] for y in (90, 138)]
    mask = sum(polygon_mask(np.array(f, float), (240, 310)) for f in flank)
    found = read(picture(mask), Scale(UM, UM))
    assert len(found) == 1
    assert found[0].values["length_m"][0] / UM == pytest.approx(150.0, abs=1.5)
    assert found[0].values["width_m"][0] / UM == pytest.approx(60.0, abs=1.5)


def test_a_thin_dark_line_around_clear_ice_does_not_make_it_larger():
    """A plate with an edge of two pixels blurred by two: half of the height lies outside of the edge."""
    outer = polygon_mask(hexagon_points(80.0, 20.0, (151.0, 121.0)), (242, 303))
    inner = polygon_mask(hexagon_points(77.7, 20.0, (151.0, 121.0)), (242, 303))
    one = read(picture(outer - inner, blur_px=2.0), Scale(UM, UM))[0]
    v = one.values
    assert v["radius_tip_m"][0] / UM == pytest.approx(80.0, abs=1.0)
    x, y = one.outline_m.T / UM
    enclosed = 0.5 * abs(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1]))
    assert enclosed == pytest.approx(hexagon_area(80.0), rel=0.015)
    # no light is lost inside: a plate, or a ring; so the area without gaps is not told
    assert "area_m2" not in v and "area_m2" in one.details["left_out"]


def test_no_number_for_a_crystal_that_is_cut_off():
    mask = polygon_mask(hexagon_points(80.0, 11.0, (40.0, 121.0)), (240, 310))
    one = read(picture(mask), Scale(UM, UM))[0]
    assert one.quality == "none"
    assert not one.values
    assert "touches the edge" in one.reasons[0]


def test_two_crystals_that_overlap_are_flagged():
    mask = np.maximum(
        polygon_mask(hexagon_points(55.0, 11.0, (110.0, 121.0)), (240, 310)),
        polygon_mask(hexagon_points(50.0, 31.0, (190.0, 118.0)), (240, 310)),
    )
    one = read(picture(mask), Scale(UM, UM))[0]
    assert one.flagged


def test_something_that_clings_to_an_arm_is_flagged():
    mask = polygon_mask(hexagon_points(60.0, 11.0, (150.0, 121.0)), (240, 310))
    y, x = np.mgrid[0:240, 0:310]
    mask = np.maximum(mask, (np.hypot(x - 214, y - 112) < 14).astype(float))
    assert read(picture(mask), Scale(UM, UM))[0].flagged


def test_far_out_of_focus_is_flagged():
    mask = polygon_mask(hexagon_points(60.0, 11.0, (150.0, 121.0)), (240, 310))
    found = read(picture(mask, blur_px=9.0), Scale(UM, UM))
    assert found[0].flagged, found[0].quality


def test_a_droplet_has_no_axes():
    y, x = np.mgrid[0:240, 0:310]
    mask = np.clip(60.5 - np.hypot(x - 150, y - 121), 0, 1)
    one = read(picture(mask), Scale(UM, UM))[0]
    assert one.view == "round"
    assert "angle_rad" not in one.values
    assert one.values["area_m2"][0] / UM**2 == pytest.approx(math.pi * 3600, rel=0.02)


def test_an_empty_field_has_no_crystal():
    rng = np.random.default_rng(4)
    for light in (0.02, 0.5, 0.9):
        field = np.clip(light + rng.normal(0, 0.01, (200, 310, 1)), 0, 1).astype(np.float32)
        assert read(field, Scale(UM, UM)) == []


def test_the_scale_multiplies_every_length():
    mask = polygon_mask(hexagon_points(70.0, 11.0, (150.0, 121.0)), (240, 310))
    image = picture(mask)
    one, two = (read(image, Scale(s * UM, s * UM))[0].values for s in (1.0, 2.0))
    for name in ("radius_tip_m", "radius_facet_m", "perimeter_m", "arm_3_m"):
        assert two[name][0] == pytest.approx(2 * one[name][0], rel=1e-6)
        assert two[name][1] == pytest.approx(2 * one[name][1], rel=1e-3)
    assert two["area_m2"][0] == pytest.approx(4 * one["area_m2"][0], rel=1e-6)


def test_ten_times_the_uncertainty_of_the_scale_is_in_the_bars():
    mask = polygon_mask(hexagon_points(70.0, 11.0, (150.0, 121.0)), (240, 310))
    image = picture(mask)
    bars = [read(image, Scale(UM, UM, u))[0].values["radius_tip_m"] for u in (0.0, 0.01, 0.1)]
    own = bars[0][1]
    for (value, bar), u in zip(bars, (0.0, 0.01, 0.1), strict=True):
        assert bar == pytest.approx(math.hypot(own, u * value), rel=1e-6)


def test_an_outline_by_hand_replaces_what_was_found():
    mask = polygon_mask(hexagon_points(60.0, 11.0, (150.0, 121.0)), (240, 310))
    loop = hexagon_points(40.0, 25.0, (150.0, 121.0))
    loop = np.vstack([np.linspace(loop[k], loop[(k + 1) % 6], 40, endpoint=False) for k in range(6)])
    loop = np.vstack([loop, loop[:1]])
    one = read(picture(mask), Scale(UM, UM), by_hand={1: {"outline_px": loop}})[0]
    assert one.values["radius_tip_m"][0] / UM == pytest.approx(40.0, abs=0.3)
    assert one.outline_m == pytest.approx(to_metres(loop, Scale(UM, UM)))


def test_scales_that_cannot_be_are_refused():
    for x, y, u in ((0.0, 1.0, 0.0), (1.0, -1.0, 0.0), (1.0, 1.0, 0.7), (math.nan, 1.0, 0.0)):
        with pytest.raises(ScaleError):
            Scale(x * UM, y * UM, u)


def test_a_halo_far_out_of_focus_is_flagged():
    """Drawn far out of focus, as its truth says; in dark field a ragged halo lies around it."""
    from icewright.pictures.specimen_set import specimen

    drawn = specimen(
        3001, seed=11, light="dark-field", habit="hollow column", grade="good", flaw="out of focus"
    )
    px, py = drawn.truth["pitch_um"]
    found = read(scaled(drawn.image), Scale(px * UM, py * UM))
    assert found
    assert all(one.flagged for one in found)


@pytest.mark.parametrize("rim", [0.0, 0.02])
def test_a_faint_rim_around_bright_ridges_is_not_left_out_in_silence(rim):
    """In dark field ridges may shine twenty times as much as the rim of the plate under them (drawn here)."""
    from scipy.ndimage import gaussian_filter

    shape, centre, radius = (330, 420), np.array([207.3, 161.8]), 130.0
    light = np.full(shape, 0.03)
    hexagon = polygon_mask(hexagon_points(radius, 17.0, centre), shape)
    inner = polygon_mask(hexagon_points(radius - 4.0, 17.0, centre), shape)
    light += rim * (hexagon - inner)
    for k in range(3):
        a = math.radians(17.0 + 60.0 * k)
        along, across = np.array([math.cos(a), -math.sin(a)]), np.array([math.sin(a), math.cos(a)])
        bar = [
            centre + s * (radius - 3.0) * along + t * 6.0 * across
            for s, t in ((1, 1), (1, -1), (-1, -1), (-1, 1))
        ]
        light = np.maximum(light, 0.03 + 0.5 * polygon_mask(np.array(bar), shape))
    noise = np.random.default_rng(4).normal(0, 0.004, shape)
    seen = np.clip(gaussian_filter(light, 1.5) + noise, 0, 1).astype(np.float32)[:, :, None]
    one = read(seen, Scale(UM, UM))[0]
    said = any("fainter lines" in reason for reason in one.reasons)
    true = 1.5 * math.sqrt(3.0) * radius**2
    if rim:
        wrong = "area_m2" in one.values and abs(one.values["area_m2"][0] / UM**2 - true) > 0.06 * true
        assert wrong, "the rim was found: then this picture tests nothing"
        assert said
        assert one.flagged
    else:
        assert not said


def seen_well(**how):
    """What a judgement rests on, with nothing against the crystal but what is given."""
    from icewright.measure.quality import Seen

    plain = {"blur_share": 0.01, "departure": 0.001, "worst": 0.01, "gap_share": 0.0, "contrast": 60.0}
    plain |= {"radius_px": 200.0, "touches": False, "parts": 1, "bridged": False, "clipped": 0.0}
    return Seen(**(plain | {"sixfold": True, "side": False} | how))


def test_a_gap_that_is_filled_in_some_sixths_takes_the_area_away():
    """A crystal's gaps are alike in all sixths (common practice, no source)."""
    from icewright.measure import quality

    star = seen_well(plain=False)
    assert quality.judge(star) == ("good", ())
    assert "area_m2" not in quality.not_known(star)
    uneven = seen_well(plain=False, unequal=0.03)
    assert quality.judge(uneven)[0] == "fair"
    assert "area_m2" in quality.not_known(uneven)


def test_a_capped_column_whose_ends_do_not_show_is_flagged():
    """Both ends without a rim that shows and bridged besides: they may lie farther out."""
    from icewright.measure import quality

    bridged = {"side": True, "half": 0.02, "bridged": True, "gap_share": 0.09}
    assert quality.judge(seen_well(**bridged, unlit=2))[0] == "poor"
    assert quality.judge(seen_well(**bridged, unlit=0))[0] == "fair"


def test_what_clings_to_an_end_of_a_column_is_flagged():
    """Half a disc on the end of a drawn bar makes it longer; a clean or a pointed end is let be."""
    corners = [[90, 90], [230, 90], [230, 130], [90, 130]]
    bar = polygon_mask(np.array(corners, float), (220, 330))
    y, x = np.mgrid[0:220, 0:330]
    speck = ((x - 230.0) ** 2 + (y - 104.0) ** 2 < 7.0**2).astype(float)
    point = polygon_mask(np.array([*corners[:2], [252, 110], *corners[2:]], float), (220, 330))
    for mask, clings in ((np.maximum(bar, speck), True), (bar, False), (point, False)):
        one = read(picture(mask), Scale(UM, UM))[0]
        assert one.view == "side"
        assert any("stands out of an end" in reason for reason in one.reasons) == clings
        assert not clings or one.flagged


def test_a_cap_that_is_cut_off_is_flagged():
    """An outline drawn without its cap, as where clear ice parts them; the whole outline is let be."""
    from icewright.measure import outline
    from icewright.measure.signal import signal

    shaft = polygon_mask(np.array([[100, 95], [230, 95], [230, 125], [100, 125]], float), (220, 330))
    cap = polygon_mask(np.array([[230, 60], [250, 60], [250, 160], [230, 160]], float), (220, 330))
    seen = signal(picture(np.maximum(shaft, cap)))
    whole = outline.find(seen)[0]
    assert outline.cut_off(whole, seen) < 0.01
    part = np.array([[100, 95], [250, 95], [250, 125], [100, 125], [100, 95]], float)
    assert outline.cut_off(replace(whole, loop=part), seen) > 0.1
