"""The scale from a stage micrometer: rulings drawn here from the error function, spacing known exactly."""

import math

import numpy as np
import pytest
from scipy.special import erf

from icewright.measure.micrometer import MicrometerError, find_ruling, scale_of, scale_of_two

SHAPE = (300, 420)


def ruling(
    spacing, width, angle, *, shape=SHAPE, offset=0.3, long=5, noise=0.0, bright=False, ratio=1.0, seed=0
):
    """Lines `spacing` apart along the normal in units of a pixel's width; short and long, blurred by 0.7.

    A line of constant ink and Gaussian blur has an error-function profile; light is uneven by a fifth.
    """
    rows, columns = shape
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    a = math.radians(angle)
    u = (x * math.cos(a) - y * ratio * math.sin(a)) / spacing + offset
    along = x * math.sin(a) + y * ratio * math.cos(a)
    along = (along - along.min()) / np.ptp(along)
    number = np.rint(u)
    off, blur = (u - number) * spacing, 0.7
    ink = 0.5 * (erf((off + width / 2) / (blur * 2**0.5)) - erf((off - width / 2) / (blur * 2**0.5)))
    ink *= np.where(number % long == 0, along > 0.1, along > 0.45)
    grey = 200.0 - 140.0 * ink
    grey = 255.0 - grey if bright else grey
    grey *= 1.0 - 0.2 * ((x / columns - 0.4) ** 2 + (y / rows - 0.5) ** 2)
    return grey + np.random.default_rng(seed).normal(0.0, noise, shape)


@pytest.mark.parametrize("angle", [0.0, 90.0, 3.7, -41.0, 88.6])
@pytest.mark.parametrize("spacing", [6.3, 17.77, 41.3])
def test_a_perfect_ruling_is_found_to_a_few_parts_in_ten_thousand(spacing, angle):
    found = find_ruling(ruling(spacing, 0.22 * spacing, angle))
    assert found.spacing_px == pytest.approx(spacing, rel=3e-4)
    assert abs((found.angle_deg - angle + 90) % 180 - 90) < 0.02
    assert found.dark


def test_errors_are_as_large_as_stated_from_clear_to_noisy():
    rng = np.random.default_rng(3)
    pulls, wrong = [], 0
    for seed in range(24):
        spacing, angle, ratio = (
            rng.uniform(6, 45),
            rng.uniform(-90, 90),
            rng.choice([1.0, rng.uniform(0.8, 1.25)]),
        )
        drawn = ruling(
            spacing,
            spacing * rng.uniform(0.1, 0.4),
            angle,
            noise=rng.uniform(0, 15),
            bright=bool(rng.random() < 0.3),
            ratio=ratio,
            seed=seed,
        )
        if seed % 2:
            drawn = np.clip(np.round(drawn), 0, 255).astype(np.uint8)
        scale = scale_of(find_ruling(drawn), 10e-6, pitch_ratio=ratio)
        off = scale.x_m / (10e-6 / spacing) - 1.0
        wrong += abs(off) > 1e-3
        pulls.append(off / scale.u_share)
        assert scale.y_m == pytest.approx(ratio * scale.x_m)
    assert wrong == 0
    assert 0.5 < np.mean(np.abs(pulls) < 1.0) < 0.9
    assert np.sqrt(np.mean(np.square(pulls))) < 2.0


def test_more_noise_gives_a_larger_error():
    clear, noisy = (find_ruling(ruling(21.0, 4.0, 5.0, noise=s)) for s in (2.0, 30.0))
    assert noisy.u_spacing_px > 1.5 * clear.u_spacing_px


def test_two_pictures_tell_the_sides_of_a_pixel_apart():
    x_um, ratio = 0.52, 1.17
    upright = find_ruling(ruling(10 / x_um, 4.0, 2.0, ratio=ratio, noise=3.0))
    level = find_ruling(ruling(10 / x_um, 4.0, 88.0, ratio=ratio, noise=3.0))
    scale = scale_of_two(upright, level, 10e-6, u_division_share=1e-3)
    assert scale.x_m * 1e6 == pytest.approx(x_um, rel=3e-4)
    assert scale.y_m * 1e6 == pytest.approx(x_um * ratio, rel=3e-4)
    assert scale.u_share >= 1e-3  # the maker's own uncertainty stays in
    with pytest.raises(MicrometerError, match="alike"):
        scale_of_two(upright, upright, 10e-6)


def test_a_ruling_with_faults_of_its_own_says_so():
    # Lines that stand off their places by 2 % of a division, as a worn graticule's might.
    rng = np.random.default_rng(5)
    spacing, rows, columns = 20.0, *SHAPE
    x = np.arange(columns, dtype=float)[None, :] + np.zeros((rows, 1))
    grey = np.full(SHAPE, 200.0)
    faults = rng.normal(0, 0.4, 30)
    for k in range(-1, 22):
        off = x - (k * spacing + 7.0 + faults[k])
        grey -= 70.0 * (erf((off + 2) / 1.0) - erf((off - 2) / 1.0))
    found, even = find_ruling(grey), find_ruling(ruling(spacing, 4.0, 0.0))
    assert found.scatter_px == pytest.approx(0.4, rel=0.5)
    assert found.u_spacing_px > 4 * even.u_spacing_px
    assert abs(found.spacing_px - spacing) < 3 * found.u_spacing_px


def test_colour_pictures_and_sixteen_bits_are_the_same_ruling():
    plain = ruling(19.0, 4.0, 11.0)
    deep = (plain * 200).astype(np.uint16)
    colour = np.repeat(np.clip(np.round(plain), 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    spacing = [find_ruling(p).spacing_px for p in (plain, deep, colour)]
    assert spacing == pytest.approx([19.0] * 3, rel=2e-4)


def _plain(kind):
    from skimage import data

    return getattr(data, kind)()


@pytest.mark.parametrize(
    "name, picture",
    [
        ("noise", lambda: np.random.default_rng(0).normal(size=SHAPE)),
        ("even", lambda: np.full(SHAPE, 7.0)),
        ("three lines", lambda: ruling(150.0, 8.0, 3.0)),
        ("tiny", lambda: np.zeros((5, 5))),
        ("one number", lambda: 3.0),
        ("not a number", lambda: np.full(SHAPE, np.nan)),
        ("a photograph", lambda: _plain("camera")),
        ("bricks", lambda: _plain("brick")),
        ("letters", lambda: _plain("text")),
    ],
)
def test_where_there_is_no_ruling_none_is_found(name, picture):
    with pytest.raises(MicrometerError) as caught:
        find_ruling(picture())
    assert caught.value.got and caught.value.wanted


@pytest.mark.parametrize("wrong", [0.0, -1e-5, math.nan])
def test_a_division_must_be_a_length(wrong):
    with pytest.raises(MicrometerError):
        scale_of(find_ruling(ruling(19.0, 4.0, 0.0)), wrong)


def test_the_ends_of_lines_lie_on_them():
    found = find_ruling(ruling(19.0, 4.0, 11.0))
    for number, *ends in found.ends():
        for x, y in ends:
            u = found.per_column * x + found.per_row * y + found.offset
            assert u == pytest.approx(number, abs=0.05)
            assert 0 <= x <= SHAPE[1] - 1 and 0 <= y <= SHAPE[0] - 1
