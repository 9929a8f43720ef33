"""Thickness from fringes, held against thin-film reflectance computed here in another way.

The check is the characteristic matrix of a stack of films (any textbook of thin films), a 2 x 2 product of
cosines and sines, where the code sums reflections; and closed forms for one film. Index values beside them
are those of J. Geophys. Res. 113, D14220, 2008, DOI 10.1029/2007JD009744.
"""

import cmath
import math

import numpy as np
import pytest

from icewright.ground.errors import IcewrightError
from icewright.measure.interference import (
    InterferenceError,
    Optics,
    count_fringes,
    fringe_m,
    reflectance,
    thickness_from_maxima,
)
from icewright.measure.refractive_index import index_of_ice
from icewright.measure.shadow import column_from_shadow

NM = 1e-9
UM = 1e-6
CASES = [
    Optics("free"),
    Optics("in-contact", 1.52),
    Optics("in-contact", 1.77),
    Optics("free", transmitted=True),
    Optics("in-contact", 1.52, transmitted=True),
    Optics("free", angle_rad=0.5),
]


def characteristic_matrix(thickness, wavelength, films, below, angle):
    """Reflectance of films [(index, thickness)] on `below`, in air; mean of both polarisations."""
    total = 0.0
    for p in (False, True):
        sine = math.sin(angle)

        def admittance(n, p=p, sine=sine):
            c = cmath.sqrt(1 - (sine / n) ** 2)
            return n / c if p else n * c

        m = np.eye(2, dtype=complex)
        for n, d in films:
            c = cmath.sqrt(1 - (sine / n) ** 2)
            delta = 2 * math.pi * n * d * c / wavelength
            y = admittance(n)
            m = m @ np.array(
                [[cmath.cos(delta), 1j * cmath.sin(delta) / y], [1j * y * cmath.sin(delta), cmath.cos(delta)]]
            )
        b, c = m @ np.array([1.0, admittance(below)])
        r = (admittance(1.0) * b - c) / (admittance(1.0) * b + c)
        total += 0.5 * abs(r) ** 2
    return total


@pytest.mark.parametrize("angle", [0.0, 0.4, 1.1])
@pytest.mark.parametrize(
    "below, gap", [(None, 0.0), (1.52, 0.0), (1.77, 0.0), (1.52, 180 * NM), (1.77, 900 * NM)]
)
def test_reflectance_against_the_characteristic_matrix(below, gap, angle):
    optics = Optics("free" if below is None else "in-contact", below, gap, angle)
    rng = np.random.default_rng(3)
    for d, wavelength in zip(rng.uniform(0.05, 30, 25) * UM, rng.uniform(400, 700, 25) * NM, strict=True):
        n = float(index_of_ice(wavelength))
        films = [(n, d)] + ([(1.0, gap)] if gap else [])
        expected = characteristic_matrix(d, wavelength, films, below or 1.0, angle)
        assert float(reflectance(d, wavelength, optics)) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_reflectance_against_the_closed_form_of_one_film():
    # Free film at normal incidence: R = F s / (1 + F s), F = 4 r / (1 - r)^2, s = sin^2(2 pi n d / l).
    n = float(index_of_ice(532 * NM))
    r = ((n - 1) / (n + 1)) ** 2
    f = 4 * r / (1 - r) ** 2
    d = np.linspace(0.1, 4, 300) * UM
    s = np.sin(2 * math.pi * n * d / (532 * NM)) ** 2
    assert reflectance(d, 532 * NM, Optics("free")) == pytest.approx(f * s / (1 + f * s), rel=1e-9, abs=1e-15)


def test_a_film_of_no_thickness_shows_what_is_below():
    # Air over glass of 1.52: ((1.52 - 1) / (1.52 + 1))^2 = 0.0426; ice over air over ice of nothing: none.
    assert float(reflectance(0.0, 550 * NM, Optics("in-contact", 1.52))) == pytest.approx(0.0426, abs=5e-5)
    assert float(reflectance(0.0, 550 * NM, Optics("free"))) == pytest.approx(0.0, abs=1e-15)


def test_index_of_ice_is_the_published_tables_and_falls_between():
    # J. Geophys. Res. 113, D14220, 2008, -7 degC; 532 and 589 nm interpolated by hand from it.
    for nm, n in ((400, 1.3194), (500, 1.3130), (550, 1.3110), (600, 1.3094), (650, 1.3080), (700, 1.3069)):
        assert float(index_of_ice(nm * NM)) == pytest.approx(n, abs=1e-9)
    assert float(index_of_ice(532 * NM)) == pytest.approx(1.3116, abs=1e-4)
    assert float(index_of_ice(589 * NM)) == pytest.approx(1.3097, abs=1e-4)
    assert (np.diff(index_of_ice(np.linspace(400, 700, 301) * NM)) < 0).all()
    for bad in (399 * NM, 710 * NM, 550.0, math.nan):
        with pytest.raises(IcewrightError, match="visible"):
            index_of_ice(bad)


def test_one_fringe_is_half_a_wave_in_the_ice():
    # 532 nm over twice 1.3116 = 202.8 nm; 589 nm: 225.0; 633 nm: 241.8 (hand arithmetic).
    for nm, expected in ((532, 202.8), (589, 225.0), (633, 241.8)):
        assert fringe_m(nm * NM) / NM == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize("optics", CASES)
def test_the_case_says_which_fringe_is_bright(optics):
    # Where the matrix's reflectance turns, the whole number of waves must be what the case says.
    d = np.linspace(0.6, 3.0, 20001) * UM
    n = float(index_of_ice(550 * NM))
    r = np.array(
        [
            characteristic_matrix(x, 550 * NM, [(n, x)], optics.below_index or 1.0, optics.angle_rad)
            for x in d[::10]
        ]
    )
    seen = 1 - r if optics.transmitted else r
    top = np.flatnonzero((seen[1:-1] > seen[:-2]) & (seen[1:-1] > seen[2:])) + 1
    orders = d[::10][top] / fringe_m(550 * NM, optics.angle_rad)
    assert len(orders) > 5
    assert (orders - optics.bright_order) % 1.0 == pytest.approx(
        np.rint((orders - optics.bright_order) % 1.0), abs=0.01
    )


@pytest.mark.parametrize("optics", CASES)
@pytest.mark.parametrize("thinning", [False, True])
def test_growth_is_counted_from_fringes_of_the_matrix(optics, thinning):
    rate = -6 * NM if thinning else 6 * NM
    t = np.arange(0.0, 300.0, 0.8)
    d = 7.3 * UM + rate * t
    n = float(index_of_ice(532 * NM))
    seen = np.array(
        [characteristic_matrix(x, 532 * NM, [(n, x)], optics.below_index or 1.0, optics.angle_rad) for x in d]
    )
    seen = 1 - seen if optics.transmitted else seen
    rng = np.random.default_rng(8)
    noisy = seen + rng.normal(0.0, 0.03 * np.ptp(seen), t.size)
    found = count_fringes(t, noisy, 532 * NM, optics, thinning=thinning, at_most_m=12 * UM)
    assert found.rate_m_s == pytest.approx(rate, rel=0.01)
    assert abs(found.rate_m_s - rate) < 4 * found.u_rate_m_s
    assert found.steadiness < 0.1 and found.warnings == ()
    true = np.interp(found.time_s, t, d)
    off = found.change_m - (true - true[0])
    assert np.sqrt(np.mean(off**2)) < 4 * NM
    assert (np.abs(off) < 4 * found.u_change_m + 1 * NM).all()
    # The true first thickness is one of the possibilities, which stand a fringe apart.
    assert np.abs(found.possible_m - true[0]).min() < 8 * NM
    assert np.diff(found.possible_m) == pytest.approx(fringe_m(532 * NM, optics.angle_rad))


def test_stated_errors_of_rate_cover_the_truth_about_as_often_as_they_say():
    t = np.arange(0.0, 300.0, 0.8)
    pulls = []
    for seed in range(80):
        rng = np.random.default_rng(seed)
        rate = rng.uniform(3, 9) * NM
        seen = reflectance(rng.uniform(3, 9) * UM + rate * t, 532 * NM, Optics("free"))
        found = count_fringes(t, seen + rng.normal(0, 0.004, t.size), 532 * NM, Optics("free"))
        pulls.append((found.rate_m_s - rate) / found.u_rate_m_s)
    inside = np.mean(np.abs(pulls) < 1.0)
    assert 0.55 < inside < 0.85, inside


@pytest.mark.parametrize("eighths", [1, 3, 5, 7])
def test_a_record_that_turns_round_half_way_is_not_counted_in_silence(eighths):
    # Growth stops and turns at an odd eighth of a fringe; at a fringe itself one colour cannot see it.
    t = np.arange(0.0, 400.0, 0.7)
    fringe = fringe_m(532 * NM)
    high = (45 + eighths / 8.0) * fringe
    d = high - 7 * NM * np.abs(t - 190.0)
    found = count_fringes(t, reflectance(d, 532 * NM, Optics("free")), 532 * NM, Optics("free"))
    assert found.warnings


@pytest.mark.parametrize("optics", CASES)
def test_thickness_from_all_maxima_of_a_spectrum_of_the_matrix(optics):
    l = np.linspace(412, 690, 6000) * NM  # noqa: E741
    n = index_of_ice(l)
    for d in (1.7 * UM, 4.4 * UM, 9.1 * UM):
        r = np.array(
            [
                characteristic_matrix(d, w, [(k, d)], optics.below_index or 1.0, optics.angle_rad)
                for w, k in zip(l, n, strict=True)
            ]
        )
        seen = 1 - r if optics.transmitted else r
        top = np.flatnonzero((seen[1:-1] > seen[:-2]) & (seen[1:-1] > seen[2:])) + 1
        rng = np.random.default_rng(1)
        read = l[top] + rng.normal(0, 0.4 * NM, top.size)
        found = thickness_from_maxima(read, optics, u_wavelength_m=0.4 * NM)
        assert found.warning == ""
        assert found.thickness_m == pytest.approx(d, rel=2e-3)
        assert abs(found.thickness_m - d) < 4 * found.u_thickness_m
        assert abs(found.by_spacing_m - d) < 4 * found.u_by_spacing_m
        assert (found.order - optics.bright_order) % 1.0 == 0.0


def test_two_maxima_give_the_textbook_thickness():
    # By hand: 2 n d = m l in contact with sapphire, m = 9 and 8, d = 1.8 um; n(l) by iteration.
    d, optics = 1.8 * UM, Optics("in-contact", 1.77)
    two = []
    for m in (9, 8):
        l = 520 * NM  # noqa: E741
        for _ in range(50):
            l = 2 * float(index_of_ice(l)) * d / m  # noqa: E741
        two.append(l)
    found = thickness_from_maxima(two, optics, u_wavelength_m=0.3 * NM)
    n = index_of_ice(np.array(two))
    assert found.by_spacing_m == pytest.approx(1 / (2 * (n[0] / two[0] - n[1] / two[1])), rel=1e-9)
    assert found.thickness_m == pytest.approx(d, rel=1e-6) and found.order == 8.0


def test_no_order_is_claimed_where_it_is_not_certain():
    # Thick plate, two close maxima: the order hangs on a difference of two nearly equal numbers.
    d, optics = 25 * UM, Optics("free")
    l = []  # noqa: E741
    for m in (120.5, 119.5):
        w = 540 * NM
        for _ in range(50):
            w = 2 * float(index_of_ice(w)) * d / m
        l.append(w)
    found = thickness_from_maxima(l, optics, u_wavelength_m=0.5 * NM)
    assert math.isnan(found.order) and "not certain" in found.warning
    assert found.u_thickness_m > 0.05 * found.thickness_m  # and says how bad the spacing alone is
    # The wrong case shows too, where the order is sharp.
    exact = []
    for m in (9, 8):
        w = 520 * NM
        for _ in range(50):
            w = 2 * float(index_of_ice(w)) * 1.8 * UM / m
        exact.append(w)
    wrong = thickness_from_maxima(exact, Optics("free"), u_wavelength_m=0.1 * NM)
    assert math.isnan(wrong.order) and "case is another" in wrong.warning


@pytest.mark.parametrize(
    "call",
    [
        lambda: Optics("floating"),
        lambda: Optics("in-contact"),
        lambda: Optics("in-contact", 1.31),
        lambda: Optics("free", 1.52),
        lambda: Optics("free", angle_rad=2.0),
        lambda: Optics("in-contact", 1.52, gap_m=1e-7).bright_order,
        lambda: thickness_from_maxima([500 * NM], Optics("free")),
        lambda: thickness_from_maxima([500 * NM, 500 * NM], Optics("free")),
        lambda: count_fringes(
            np.arange(50.0), np.random.default_rng(1).normal(size=50), 532 * NM, Optics("free")
        ),
        lambda: count_fringes(np.arange(50.0), np.ones(50), 532 * NM, Optics("free")),
        lambda: count_fringes(np.arange(50.0)[::-1], np.sin(np.arange(50.0)), 532 * NM, Optics("free")),
        lambda: count_fringes(np.arange(60.0), np.sin(np.arange(60.0) / 20), 532 * NM, Optics("free")),
    ],
)
def test_no_number_where_there_should_be_none(call):
    with pytest.raises(InterferenceError):
        call()


def test_shadow_of_a_hexagon_turned_at_random():
    # Width of a hexagon of corner radius 1 turned by r from lying on a facet: 2 cos(r), r within 30 degrees.
    # Monte-Carlo over r of the true radius for a given width, against mean and spread as stated.
    turn = np.random.default_rng(1).uniform(-math.pi / 6, math.pi / 6, 200_000)
    radius = 40 * UM / (2 * np.cos(turn))
    found = column_from_shadow(40 * UM, u_width_m=0.0, objective_na=0.55, lying="unknown")
    assert found.radius_m == pytest.approx(radius.mean(), rel=1e-3)
    edges = math.sqrt(2) * 0.1 * found.resolution_m * 0.5
    assert found.u_radius_m == pytest.approx(
        math.hypot(radius.std(), edges * found.radius_m / (20 * UM)), rel=0.01
    )
    assert found.thickness_m == pytest.approx(math.sqrt(3) * found.radius_m)


def test_depth_of_field_stands_beside_the_shadow():
    # 0.61 l / NA and l / NA^2 at 550 nm: NA 0.10 3.4 um and 55 um; 0.28 1.2 and 7.0 (hand arithmetic).
    for na, fine, deep in ((0.10, 3.4, 55.0), (0.28, 1.2, 7.0)):
        found = column_from_shadow(50 * UM, u_width_m=0.2 * UM, objective_na=na, lying="on-facet")
        assert found.resolution_m / UM == pytest.approx(fine, abs=0.05)
        assert found.depth_of_field_m / UM == pytest.approx(deep, abs=0.1)
        assert found.in_depth and found.blur_m == 0.0
    far = column_from_shadow(
        50 * UM, u_width_m=0.2 * UM, objective_na=0.28, lying="on-edge", off_focus_m=10 * UM
    )
    near = column_from_shadow(50 * UM, u_width_m=0.2 * UM, objective_na=0.28, lying="on-edge")
    assert not far.in_depth and far.u_thickness_m > 3 * near.u_thickness_m
    assert near.thickness_m == pytest.approx(50 * UM)  # on an edge the shadow is facet to facet
    with pytest.raises(IcewrightError):
        column_from_shadow(50 * UM, u_width_m=0.2 * UM, objective_na=0.28, lying="asleep")
