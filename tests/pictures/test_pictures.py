"""Pictures open, are not blank, are stamped, and their scale bars are true to the pixel."""

import math

import numpy as np
import pytest
from PIL import Image

from icewright.pictures import album, figures, plan, render
from icewright.shape import specimens
from icewright.shape.solid import Solid, hexagon, round_disc

UM = 1e-6
INK = np.array([0x10, 0x23, 0x3A])


def _open(path):
    with Image.open(path) as picture:
        picture.load()
        return np.asarray(picture.convert("RGB")).astype(int), dict(picture.text)


def _longest_ink_run(rgb, rows):
    """Longest horizontal run of ink in these rows (pixels)."""
    best = 0
    for row in rgb[rows]:
        ink = (np.abs(row - INK).max(axis=1) < 40).astype(np.int8)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], ink, [0]])))
        runs = edges[1::2] - edges[::2]
        best = max(best, int(runs.max()) if runs.size else 0)
    return best


@pytest.mark.parametrize("name", ["plan", "thickness", "side"])
@pytest.mark.parametrize("radius", [33.0, 120.0])
def test_scale_bar_and_crystal_are_true(tmp_path, name, radius):
    solid = hexagon(radius * UM, 0.5 * radius * UM, UM)
    path = getattr(plan, f"{name}_png")(solid, tmp_path / f"{name}.png", "A plate", "−15 °C")
    rgb, text = _open(path)
    assert text["kind"] == f"icewright.{name}" and text["schema"] == "1"
    per_pixel, bar = float(text["um_per_pixel"]), float(text["scale_bar_um"])
    low = slice(int(0.6 * rgb.shape[0]), rgb.shape[0])
    # The bar lies beneath the crystal; the lowest thick ink is the bar. Two pixels are its two soft ends.
    used = rgb[low]
    dark = (np.abs(used - INK).max(axis=2) < 40).sum(axis=1)
    bar_rows = np.flatnonzero(np.abs(dark - bar / per_pixel) <= 3)
    assert bar_rows.size >= 8  # a bar is many rows thick, an outline is not
    measured = _longest_ink_run(used, bar_rows)
    assert measured * per_pixel == pytest.approx(bar, abs=2 * per_pixel)
    # Tip to tip along x, from the leftmost to the rightmost coloured pixel above the bar.
    above = rgb[int(0.1 * rgb.shape[0]) : int(0.6 * rgb.shape[0])]
    columns = np.flatnonzero((above.min(axis=2) < 225).any(axis=0))
    if name == "thickness":  # the colour bar stands to the right of the map
        columns = columns[columns < 0.84 * rgb.shape[1]]
    width = (columns[-1] - columns[0] + 1) * per_pixel
    assert width == pytest.approx(2 * radius, abs=0.04 * radius + 2.0)


def test_section_says_how_far_heights_are_stretched(tmp_path):
    _, text = _open(plan.section_png(hexagon(100 * UM, 4 * UM, UM), tmp_path / "a.png"))
    assert float(text["z_stretch"]) > 1.0
    _, text = _open(plan.section_png(hexagon(20 * UM, 60 * UM, UM), tmp_path / "b.png"))
    assert float(text["z_stretch"]) == 1.0


def test_section_cuts_where_it_says():
    solid = specimens.hexagram(40 * UM, 6 * UM, UM)
    for angle, reach in ((0.0, 40.5), (30.0, 40.5 / math.sqrt(3))):
        image, x = plan.section(solid, angle, solid.fill, 0.0)
        row = image[image.shape[0] // 2] > 0.5
        assert x[row].max() == pytest.approx(reach * UM, abs=1.0 * UM)
        assert np.array_equal(row, row[::-1])


def test_side_view_integrates_to_the_volume():
    # Ice along the line of sight, summed over the picture, is the volume (Cavalieri's principle).
    solid = specimens.hollow_column(20 * UM, 100 * UM, UM)
    image, _, _ = plan.path_length(solid, 0.25 * UM, 30 * UM, 60 * UM)
    volume = float((solid.column_area_m2 * solid.column_ice_m).sum()) * solid.halves
    assert image.sum() * (0.25 * UM) ** 2 == pytest.approx(volume, rel=0.01)
    # Through the middle between two facets that face the viewer: twice the facet radius.
    assert image.max() == pytest.approx(2 * 20.5 * UM * math.cos(math.pi / 6), rel=0.02)


@pytest.mark.parametrize(
    ("longest", "nice"), [(0.9, 0.5), (1.0, 1.0), (37.0, 20.0), (480.0, 200.0), (5000.0, 5000.0)]
)
def test_nice_lengths(longest, nice):
    assert plan.nice_length(longest) == pytest.approx(nice)


@pytest.mark.parametrize(
    ("draw", "view"),
    [
        (lambda: specimens.star(60 * UM, 8 * UM, UM), "plan"),
        (lambda: specimens.hollow_column(15 * UM, 60 * UM, UM), "oblique"),
        (lambda: round_disc(20 * UM, 40 * UM, UM), "oblique"),
        (lambda: hexagon(30 * UM, 6 * UM, UM, mirrored=False), "plan"),
    ],
)
def test_hero_is_lit_and_framed(tmp_path, draw, view):
    path = tmp_path / "hero.png"
    picture = render.hero(draw(), path, pixels=400, view=view)
    rgb, text = _open(path)
    assert text["kind"] == "icewright.hero" and rgb.shape == (400, 400, 3)
    assert np.array_equal(rgb, picture)
    grey = rgb.mean(axis=2)
    assert grey.max() > 150 and grey.std() > 10  # there is light on the ice
    border = np.concatenate([grey[:8].ravel(), grey[-8:].ravel(), grey[:, :8].ravel(), grey[:, -8:].ravel()])
    assert border.max() < 60  # nothing is cut off, and the ground is dark


def test_snell_and_fresnel_at_the_textbook_angles():
    # Optics textbooks: normal reflectance ((n-1)/(n+1))^2; total reflection beyond asin(1/n).
    one = np.ones(1, np.float32)
    zero = 0 * one
    up = (zero, zero, one)
    d, share, total = render._refract((zero, zero, -one), up, 1 / render.INDEX)
    assert share[0] == pytest.approx((0.31 / 2.31) ** 2, rel=1e-3) and not total[0]
    assert d[2][0] == pytest.approx(-1.0)
    for degrees, expected in ((49.0, False), (50.5, True)):  # asin(1/1.31) = 49.8 degrees
        a = math.radians(degrees)
        _, _, total = render._refract((math.sin(a) * one, zero, -math.cos(a) * one), up, render.INDEX)
        assert bool(total[0]) is expected
    a = math.radians(30.0)
    d, _, _ = render._refract((math.sin(a) * one, zero, -math.cos(a) * one), up, 1 / render.INDEX)
    assert d[0][0] == pytest.approx(0.5 / render.INDEX, rel=1e-5)


def _run(n=6):
    t = np.linspace(0.0, 600.0, n)
    frames = [(float(s), hexagon((10 + 4 * k) * UM, (5 + k) * UM, UM)) for k, s in enumerate(t)]
    series = {
        "time_s": t,
        "temperature_k": np.full(n, 258.15),
        "sigma": np.linspace(0.02, 0.1, n),
        "radius_tip_m": np.linspace(10, 30, n) * UM,
        "radius_facet_m": np.linspace(9, 26, n) * UM,
        "thickness_m": np.linspace(5, 10, n) * UM,
        "mass_kg": np.linspace(1, 9, n) * 1e-12,
        "aspect_ratio": np.linspace(0.25, 0.17, n),
        "solidity": np.ones(n),
        "tip_velocity_m_s": np.append(np.nan, np.full(n - 1, 3e-8)),
    }
    return frames, series


def test_album_holds_everything_and_nothing_is_blank(tmp_path):
    frames, series = _run()
    written = album.make_album(
        frames,
        series,
        "A plate at Tern Point",
        "−15 °C, 2 to 10 % over ice.",
        np.full(6, 0.157),
        tmp_path,
        hero_pixels=300,
    )
    assert [p.name for p in written] == [
        "plan.png",
        "side.png",
        "section.png",
        "thickness.png",
        "curves.png",
        "timeline.png",
        "hero.png",
        "solid.stl",
        "solid.glb",
    ]
    for path in written[:7]:
        rgb, text = _open(path)
        assert text["kind"] == f"icewright.{path.stem}" and text["schema"] == "1"
        assert rgb.std() > 5
        assert min(rgb.shape[:2]) >= 300
        if path.stem != "hero":  # white paper all round: nothing is cut off
            for edge in (rgb[:4], rgb[-4:], rgb[:, :4], rgb[:, -4:]):
                assert edge.min() == 255


def test_timeline_bars_are_true(tmp_path):
    frames, _ = _run(3)
    rgb, text = _open(figures.timeline_png(frames, tmp_path / "t.png", "t", "c"))
    bar = float(text["scale_bar_um"]) / float(text["um_per_pixel"])
    runs = [_longest_ink_run(rgb, slice(k, k + 1)) for k in range(int(0.6 * rgb.shape[0]), rgb.shape[0])]
    assert min(abs(run - bar) for run in runs) <= 2


def test_one_frame_and_one_row_still_make_figures(tmp_path):
    frames, series = _run()
    figures.timeline_png(frames[:1], tmp_path / "t.png")
    figures.curves_png({k: v[:1] for k, v in series.items()}, tmp_path / "c.png")
    assert _open(tmp_path / "c.png")[0].std() > 5


def test_what_cannot_be_drawn_is_refused(tmp_path):
    frames, series = _run()
    with pytest.raises(plan.PictureError):
        album.make_album([], series, "", "", None, tmp_path)
    with pytest.raises(plan.PictureError) as caught:
        figures.curves_png({k: v for k, v in series.items() if k != "mass_kg"}, tmp_path / "c.png")
    assert "mass_kg" in str(caught.value)
    s = frames[0][1]
    bare = Solid(s.symmetry, s.q, s.r, UM, s.z_edges_m, 0 * s.fill, s.frozen_s, True)
    with pytest.raises(plan.PictureError):
        album.make_album([(0.0, bare)], series, "", "", None, tmp_path)


def test_frames_are_picked_evenly_with_both_ends():
    frames, _ = _run(20)
    chosen = figures.pick(frames, 5)
    assert len(chosen) == 5 and chosen[0] is frames[0] and chosen[-1] is frames[-1]


def test_running_mean_keeps_the_way_gone():
    # A velocity that is 1 on every other reading and else 0 has the mean 1/2, and a constant stays itself.
    t = np.linspace(0.0, 10.0, 401)
    jumps = np.arange(401) % 2 * 1.0
    assert figures.running_mean(t, jumps, 1.0)[50:-50] == pytest.approx(0.5, abs=0.03)
    level = np.append(np.nan, np.full(400, 0.7))
    assert figures.running_mean(t, level, 1.0) == pytest.approx(0.7)


def test_a_plate_split_in_two_sheets_is_seen_from_the_side():
    s = hexagon(30 * UM, 10 * UM, UM)
    fill = s.fill.copy()
    fill[(s.q + s.r > 12)[:, None] & (np.arange(fill.shape[1]) < 2)[None, :]] = 0.0
    split = Solid(s.symmetry, s.q, s.r, UM, s.z_edges_m, fill, s.frozen_s, True)
    whole, opened = render.hero(s, pixels=200), render.hero(split, pixels=200)
    assert np.array_equal(whole, render.hero(s, pixels=200, view="plan"))
    assert not np.array_equal(opened, render.hero(split, pixels=200, view="plan"))
