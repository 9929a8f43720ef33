"""Drawn specimens: truth against an independent rasteriser and closed forms, camera, files, the set."""

import json
import math

import numpy as np
import pytest
from PIL import Image

from icewright.ground.errors import IcewrightError, RecordError
from icewright.pictures import microscope, specimen_set
from icewright.pictures.microscope import draw
from icewright.pictures.microscope_body import body, lying, prism
from icewright.pictures.microscope_camera import Camera, exposed
from icewright.pictures.microscope_optics import Light, blur_um
from icewright.shape import specimens
from icewright.shape.sizes import measure

UM = 1e-6
STILL = Camera((250, 180), (1.0, 1.25), electrons=0.0, read_electrons=0.0, bits=16)


@pytest.mark.parametrize("orientation", [0.0, 13.0, 47.5])
@pytest.mark.parametrize("pitch", [(1.0, 1.0), (1.0, 1.25), (0.9, 0.7)])
def test_truth_of_a_plate_is_that_of_a_hexagon(orientation, pitch):
    r = 60.0
    camera = Camera((250, 220), pitch, electrons=0.0)
    place = (121.3, 107.8)
    truth = draw(prism(r, 8.0, lying(orientation_deg=orientation)), camera=camera, centre_px=place).truth
    assert truth["area_um2"] == pytest.approx(1.5 * math.sqrt(3) * r * r, rel=4e-4)  # elementary geometry
    assert truth["tip_radii_um"] == pytest.approx([r] * 6, abs=2e-3)
    assert truth["facet_radii_um"] == pytest.approx([r * math.cos(math.pi / 6)] * 6, abs=2e-3)
    assert truth["orientation_deg"] == pytest.approx(orientation % 60.0, abs=1e-6)
    assert truth["perimeter_um"] == pytest.approx(6 * r, rel=0.01)
    assert truth["centre_px"] == list(place) and truth["whole"]


def test_coverage_against_an_independent_rasteriser():
    # Pillow's polygon on a picture eight times as fine, averaged down. Rows run down, angles run up.
    r, turn, fine = 60.0, 22.0, 8
    seen = draw(prism(r, 8.0, lying(orientation_deg=turn)), camera=STILL, centre_px=(118.0, 92.0))
    w, h = STILL.pixels
    px, py = STILL.pitch_um
    corners = [
        (
            (118.0 + 0.5 + r * math.cos(math.radians(turn + 60 * k)) / px) * fine - 0.5,
            (92.0 + 0.5 - r * math.sin(math.radians(turn + 60 * k)) / py) * fine - 0.5,
        )
        for k in range(6)
    ]
    sheet = Image.new("L", (w * fine, h * fine))
    from PIL import ImageDraw

    ImageDraw.Draw(sheet).polygon(corners, fill=1)
    other = np.asarray(sheet, dtype=float).reshape(h, fine, w, fine).mean(axis=(1, 3))
    off = seen.coverage - other
    assert np.abs(off).max() < 0.25  # their polygon is filled half a fine pixel wide of its corners
    assert abs(off.sum()) / other.sum() < 0.006
    # The outline goes round the same place.
    y, x = np.nonzero(other > 0.5)
    loop = np.array(seen.truth["outline_px"][0])
    assert loop.min(axis=0) == pytest.approx([x.min(), y.min()], abs=0.8)
    assert loop.max(axis=0) == pytest.approx([x.max(), y.max()], abs=0.8)


@pytest.mark.parametrize("name", ["star", "sectored", "hexagram"])
def test_smoothing_keeps_the_grown_sizes(name):
    # The rulers of `shape.sizes` on the solid, and the drawn surface; both to within a cell and its edges.
    cell = 0.8
    solid = getattr(specimens, name)(60 * UM, 8 * UM, cell * UM)
    sizes = measure(solid)
    camera = Camera((240, 200), (0.6, 0.7), electrons=0.0)
    truth = draw(body(solid), camera=camera).truth
    assert truth["radius_tip_um"] == pytest.approx(sizes.radius_tip_m / UM, abs=1.5 * cell)
    assert truth["radius_facet_um"] == pytest.approx(sizes.radius_facet_m / UM, abs=1.5 * cell)
    assert abs(truth["area_um2"] - sizes.area_m2 / UM**2) < 0.35 * cell * sizes.perimeter_m / UM
    spread = np.ptp(truth["tip_radii_um"])
    # The triangles that the lattice is cut into are not sixfold; each tip's own truth is what is drawn.
    assert spread < 0.3 * cell


def test_wide_facets_stay_where_they_are():
    from icewright.shape.solid import hexagon

    cell = 0.8
    plain = hexagon(60.4 * UM, 20 * UM, cell * UM)
    truth = draw(body(plain), camera=Camera((240, 200), (0.6, 0.7), electrons=0.0)).truth
    rough = draw(body(plain, smoothing=0), camera=Camera((240, 200), (0.6, 0.7), electrons=0.0)).truth
    # The farthest ice is what is read; beside its edges a facet swells by a sixtieth of a cell.
    assert truth["radius_facet_um"] == pytest.approx(rough["radius_facet_um"], abs=0.03 * cell)


def test_a_column_lies_on_its_side_with_its_length_and_width():
    r, length = 14.0, 90.0
    for roll, width in ((30.0, 2 * r), (0.0, 2 * r * math.cos(math.pi / 6))):
        turn = lying(side=True, orientation_deg=31.0, roll_deg=roll)
        truth = draw(prism(r, length, turn), camera=STILL, side=True).truth
        assert truth["view"] == "side"
        assert truth["length_um"] == pytest.approx(length, rel=1e-9)
        assert truth["width_um"] == pytest.approx(width, rel=1e-9)
        assert truth["orientation_deg"] == pytest.approx(31.0)
        assert "tip_radii_um" not in truth


def test_a_plate_that_is_cut_by_the_picture_says_so_and_keeps_its_whole_area():
    truth = draw(prism(60.0, 8.0), camera=STILL, centre_px=(20.0, 90.0)).truth
    assert not truth["whole"] and truth["perimeter_um"] is None
    assert truth["area_um2"] == pytest.approx(1.5 * math.sqrt(3) * 3600, rel=1e-3)
    with pytest.raises(IcewrightError, match="outside the picture"):
        draw(prism(60.0, 8.0), camera=STILL, centre_px=(-200.0, 90.0))


def test_facet_ground_and_edges_in_each_light():
    r = ((1.31 - 1) / (1.31 + 1)) ** 2
    plate = prism(60.0, 20.0, lying(orientation_deg=5.0))
    for name in ("bright-field", "dark-field", "oblique", "two-colour"):
        clean = draw(plate, Light(name), STILL).clean
        ground, facet = clean[5, 5], clean[90, 125]
        # Straight through two faces: (1 - R)^2 of the open field; what is thrown about inside adds R^2.
        assert facet == pytest.approx(ground * (1 - r) ** 2, abs=2e-3)
    bright = draw(plate, Light("bright-field"), STILL).clean
    dark = draw(plate, Light("dark-field"), STILL).clean
    assert bright.min() < 0.3 and bright.max() <= 1.0 + 1e-9
    assert dark[5, 5] == 0.0 and dark.max() > 0.1  # black ground, bright bevels


@pytest.mark.parametrize("na", [0.10, 0.28, 0.42, 0.55])
@pytest.mark.parametrize("name", ["bright-field", "dark-field", "oblique", "two-colour"])
def test_every_light_shows_the_crystal_through_every_common_objective(name, na):
    # Apertures of common long-distance objectives; bevels at 45 degrees must differ from the open field.
    clean = draw(prism(60.0, 30.0, bevel_um=8.0), Light(name, objective_na=na), STILL).clean
    assert np.abs(clean - clean[2, 2]).max() > 0.1


def test_a_column_is_dark_along_its_sides_and_clear_in_its_middle():
    # Lying on a facet, the level faces let light straight through; those at 60 degrees turn it away.
    seen = draw(prism(20.0, 110.0, lying(side=True)), Light(), STILL, side=True)
    row = seen.clean[:, 125, 0]
    middle = (STILL.pixels[1] - 1) / 2
    py = STILL.pitch_um[1]
    inner, outer = 0.4 * 20.0 / py, 0.75 * 20.0 / py  # the level face reaches half the radius each way
    assert row[round(middle)] > 0.9 and row[round(middle + inner)] > 0.9
    assert row[round(middle + outer)] < 0.05 and row[round(middle - outer)] < 0.05


def test_blur_is_that_of_the_airy_disc_and_defocus_and_keeps_to_micrometres():
    # 0.21 wavelengths over NA (Appl. Opt. 46, 1819, 2007, from memory): 0.825 um at 550 nm and NA 0.14.
    assert blur_um(Light()) == pytest.approx(0.825, abs=5e-4)
    assert blur_um(Light(), 20.0) == pytest.approx(
        math.hypot(0.825, 0.5 * 20 * 0.14 / math.sqrt(1 - 0.14**2))
    )
    # A point of light spreads alike in micrometres, so unlike in pixels of unequal pitch.
    point = np.zeros((81, 101, 1))
    point[40, 50] = 1.0
    spread = microscope._blurred(point, 3.0, Camera((101, 81), (1.0, 1.5)))[..., 0]
    y, x = np.mgrid[0:81, 0:101]
    assert math.sqrt((spread * (x - 50.0) ** 2).sum()) == pytest.approx(3.0, rel=0.02)
    assert math.sqrt((spread * (y - 40.0) ** 2).sum()) * 1.5 == pytest.approx(3.0, rel=0.02)


def test_noise_is_that_of_counted_electrons():
    # Poisson: variance equals the count; reading adds its square. In shares of full well.
    camera = Camera((400, 300), electrons=5000.0, read_electrons=20.0, bits=16, exposure=0.8)
    grey = exposed(np.full((300, 400, 1), 0.5), camera, np.random.default_rng(1)) / 65535.0
    assert grey.mean() == pytest.approx(0.4, rel=1e-3)
    assert grey.var() == pytest.approx((0.4 * 5000 + 400) / 5000**2, rel=0.02)


def test_the_same_seed_draws_the_same_picture():
    camera = Camera((200, 150), dust=4, uneven=0.2, droplets_per_mm2=300.0)
    one, same, other = (draw(prism(40.0, 8.0), camera=camera, seed=s).image for s in (4, 4, 5))
    assert np.array_equal(one, same) and not np.array_equal(one, other)


def test_droplets_keep_away_from_the_crystal():
    # Growing ice drinks the droplets near it; the gap is the camera's setting.
    camera = Camera((400, 300), (1.0, 1.2), electrons=0.0, droplets_per_mm2=900.0, droplet_gap_um=50.0)
    wet = draw(prism(40.0, 8.0), camera=camera, seed=2)
    dry = draw(prism(40.0, 8.0), camera=Camera((400, 300), (1.0, 1.2), electrons=0.0), seed=2)
    assert wet.truth["drawn"]["droplets"] > 10
    y, x = np.nonzero(np.abs(wet.image.astype(int) - dry.image.astype(int)) > 10)
    away = np.hypot((x - 199.5) * 1.0, (y - 149.5) * 1.2)
    assert away.size > 100 and away.min() > 40.0 * math.cos(math.pi / 6) + 50.0 - 15.0


@pytest.mark.parametrize("bits, suffix", [(8, ".png"), (16, ".tif")])
@pytest.mark.parametrize("light", ["bright-field", "two-colour"])
def test_files_carry_kind_and_schema_and_read_back(tmp_path, bits, suffix, light):
    camera = Camera((120, 90), (1.0, 1.2), bits=bits)
    seen = draw(prism(30.0, 6.0), Light(light), camera)
    picture, beside, over = microscope.write(seen, tmp_path, "one")
    assert picture.suffix == suffix
    if bits == 8:
        with Image.open(picture) as held:
            assert held.text["kind"] == "icewright.specimen" and held.text["schema"] == "1"
            back = np.asarray(held)
    else:
        import tifffile

        with tifffile.TiffFile(picture) as held:
            assert "icewright.specimen" in held.pages[0].description
            back = held.asarray()
    assert np.array_equal(back, seen.image)
    truth = microscope.read_truth(beside)
    assert (truth["kind"], truth["schema"], truth["picture"]) == ("icewright.specimen", 1, picture.name)
    assert truth["pitch_um"] == [1.0, 1.2] and truth["pixels"] == [120, 90]
    assert np.asarray(Image.open(over)).shape == (90, 120, 3)
    beside.write_text(json.dumps(json.loads(beside.read_text()) | {"schema": 2}))
    with pytest.raises(RecordError, match="newer"):
        microscope.read_truth(beside)


def test_the_set_varies_never_square_and_is_repeatable():
    seen = [specimen_set.specimen(k) for k in (1, 5, 10, 18, 21)]
    for each in seen:
        w, h = each.truth["pixels"]
        assert w != h and each.image.shape[:2] == (h, w)
    assert {s.truth["grade"] for s in seen} == {"good", "fair"}
    assert seen[2].truth["flaw"] == "touching edge" and not seen[2].truth["whole"]
    assert seen[4].truth["flaw"] == "overlapping" and seen[4].truth["drawn"]["neighbours"] == 1
    assert any(s.truth["pitch_um"][0] != s.truth["pitch_um"][1] for s in seen)
    again = specimen_set.specimen(1)
    assert np.array_equal(again.image, seen[0].image) and again.truth == seen[0].truth


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Light("pink"),
        lambda: Light("dark-field", objective_na=0.5, condenser_na=0.55),
        lambda: Light("two-colour", objective_na=0.9),
        lambda: Light(objective_na=0.0),
        lambda: Camera((4, 500)),
        lambda: Camera(pitch_um=(1.0, -1.0)),
        lambda: Camera(bits=12),
        lambda: Camera(droplets_per_mm2=-1.0),
        lambda: prism(10.0, 5.0, bevel_um=3.0),
        lambda: specimen_set.specimen(0, habit="snowman"),
    ],
)
def test_what_cannot_be_is_refused_in_words(wrong):
    with pytest.raises(IcewrightError) as caught:
        wrong()
    assert caught.value.got and caught.value.wanted
