"""Closed growth laws against the printed values of shared/physics.md section 3, rows tagged [public].

Those rows were computed independently of this code (SciPy, mpmath); set A is v_kin 208 um/s, X0 0.145 um.
Where a table prints n digits the test asks for half a unit of the last one.
"""

import math

import pytest

from icewright.growth import closed_forms as cf
from icewright.vapour.scales import scales

A = {"v_kin": 208e-6, "x0": 0.145e-6}
COLD = {"v_kin": 207.9e-6, "x0": 0.13733e-6}  # -15 degC, physics.md 1.4 and the row of section 3


@pytest.mark.parametrize(
    ("radius", "alpha", "v", "s"),
    [(10e-6, 1.0, 2.972893e-7, 1.429276e-3), (1e-6, 0.1, 1.231020e-6, 5.918367e-2)],
)
def test_sphere_with_constant_alpha(radius, alpha, v, s):
    got = cf.sphere(radius, 0.10, alpha, **A)
    assert got.v_m_s == pytest.approx(v, rel=5e-7)
    assert got.sigma_surface == pytest.approx(s, rel=5e-7)


def test_sphere_radius_in_time_and_in_a_finite_room():
    assert cf.sphere_radius(600, 1e-6, 0.1, 1.0, **A) == pytest.approx(60.02568e-6, abs=5e-12)
    # finite outer radius: the conductance rises by 1/(1 - R/R_far); R 0.1 mm in 1 mm: 1.1111
    free = cf.sphere(1e-4, 0.1, 1e9, **A).v_m_s
    assert cf.sphere(1e-4, 0.1, 1e9, far_m=1e-3, **A).v_m_s / free == pytest.approx(1.1111, abs=5e-5)


def test_sphere_radius_is_the_integral_of_the_speed():
    from scipy.integrate import quad

    end = cf.sphere_radius(100, 1e-6, 0.1, 0.03, **A)
    time, _ = quad(lambda r: 1 / cf.sphere(r, 0.1, 0.03, **A).v_m_s, 1e-6, end)
    assert time == pytest.approx(100, rel=1e-9)


@pytest.mark.parametrize(
    ("radius", "sigma", "s0", "s", "alpha", "v"),
    [
        (10e-6, 0.10, 0.02, 0.00988415, 0.1321996, 2.717894e-7),
        (50e-6, 0.157, 0.03, 0.00963065, 0.04437613, 8.889319e-8),
    ],
)
def test_sphere_limited_by_layer_nucleation(radius, sigma, s0, s, alpha, v):
    got = cf.sphere_nucleation(radius, sigma, 1.0, s0, **A)
    assert got.sigma_surface == pytest.approx(s, abs=5e-9)
    assert got.alpha == pytest.approx(alpha, rel=1e-6)
    assert got.v_m_s == pytest.approx(v, rel=5e-7)


def test_sphere_with_heat():
    """R 50 um at -15 degC, sigma 0.15742: 6.958e-8 m/s, 8.964e-8 without heat, 0.399 K warmer."""
    hot = cf.sphere(50e-6, 0.15742, 1.0, chi0=0.2891, **COLD)
    assert hot.v_m_s == pytest.approx(6.958e-8, abs=1e-11)
    assert cf.sphere(50e-6, 0.15742, 1.0, **COLD).v_m_s == pytest.approx(8.964e-8, abs=1e-11)
    # L, density, k_air at -15 degC: physics.md 1.2 and 1.3
    warm = cf.sphere_warming(
        50e-6, hot.v_m_s, latent_j_kg=2837.3e3, density_kg_m3=918.871, conductivity=0.023823 - 15 * 7.118e-5
    )
    assert warm == pytest.approx(0.399, abs=1e-3)


def test_cylinder_in_a_finite_room():
    assert cf.cylinder(5e-6, 5e-3, 0.05, 1.0, **A).v_m_s == pytest.approx(4.347854e-8, rel=5e-7)
    # -5 degC, R 2.5 um in 1 cm, sigma 0.0498; inputs rounded in the table, so 0.2 %
    real = {"v_kin": 496.6e-6, "x0": 0.1451e-6}
    assert cf.cylinder(2.5e-6, 1e-2, 0.0498, 1.0, chi0=0.653, **real).v_m_s == pytest.approx(
        1.0425e-7, rel=2e-3
    )
    assert cf.cylinder(2.5e-6, 1e-2, 0.0498, 1.0, **real).v_m_s == pytest.approx(1.718e-7, rel=2e-3)


@pytest.mark.parametrize(
    ("pe", "d3", "d2"),
    [
        (1e-6, "1.323830913e-5", "1.770455622e-3"),
        (1e-4, "8.634088e-4", "1.752629772e-2"),
        (1e-2, "4.078511443e-2", "0.1588928626"),
        (0.1, "0.2014642545", "0.4055650792"),
        (1, "0.5963473623", "0.7578721561"),
        (10, "0.9156333394", "0.9560866129"),
    ],
)
def test_ivantsov(pe, d3, d2):
    for got, printed in ((cf.ivantsov_3d(pe), d3), (cf.ivantsov_2d(pe), d2)):
        digits = len(printed.split("e")[0].lstrip("0.").replace(".", ""))
        assert got == pytest.approx(float(printed), rel=6 * 10.0**-digits)


def test_ivantsov_inverse_and_small_peclet():
    assert cf.ivantsov_3d_inverse(0.1) == pytest.approx(0.03408583179, abs=5e-12)
    assert cf.ivantsov_3d_inverse(0.5) == pytest.approx(0.6100577918, abs=5e-11)
    assert cf.ivantsov_3d_small(1e-6) == pytest.approx(cf.ivantsov_3d(1e-6), rel=2e-6)


def test_ripples_on_a_flat_front():
    """-15 degC, v 1 um/s: fastest wavelength 1.835 um, 2.283 1/s."""
    cold = {"diffusivity": 1.89102e-5, "c_ratio": 1.50983e-6, "d_sv": 0.99565e-9}
    length, rate = cf.flat_front_fastest(1e-6, **cold)
    assert length == pytest.approx(1.835e-6, abs=5e-10)
    assert rate == pytest.approx(2.283, abs=5e-4)
    k = 2 * math.pi / length
    at = [cf.flat_front_growth_rate(x * k, 1e-6, 1e12, x0=0.137e-6, **cold) for x in (0.98, 1.0, 1.02)]
    assert at[1] == pytest.approx(rate, rel=1e-6) and at[1] > max(at[0], at[2])


@pytest.mark.parametrize(("degree", "ratio"), [(2, 7), (3, 11), (6, 29)])
def test_ripples_on_a_sphere(degree, ratio):
    """R_c(l) = 7, 11, 29 R* for l = 2, 3, 6; sign on both sides (J. Appl. Phys. 34, 323, 1963)."""
    d = 0.99565e-9
    r_c = cf.sphere_critical_radius(degree, 0.05, d)
    assert r_c == pytest.approx(ratio * cf.nucleus_radius(0.05, d), rel=1e-12)
    args = {"diffusivity": 1.89102e-5, "c_ratio": 1.50983e-6, "d_sv": d}
    assert cf.sphere_ripple_rate(degree, 0.98 * r_c, 0.05, **args) < 0
    assert cf.sphere_ripple_rate(degree, 1.02 * r_c, 0.05, **args) > 0


def test_critical_radii_at_minus_15():
    """R* 39.83 nm, R_c(2) 278.8 nm at sigma 0.05; outgrows the sphere above 21 R* (3), 36 R* (6)."""
    d = 0.99565e-9
    star = cf.nucleus_radius(0.05, d)
    assert star == pytest.approx(39.83e-9, abs=5e-12)
    assert cf.sphere_critical_radius(2, 0.05, d) == pytest.approx(278.8e-9, abs=5e-11)
    assert cf.sphere_relative_critical_radius(3, 0.05, d) == pytest.approx(21 * star)
    assert cf.sphere_relative_critical_radius(6, 0.05, d) == pytest.approx(36 * star)
    assert cf.sphere_relative_critical_radius(2, 0.05, d) == math.inf


@pytest.mark.parametrize(
    ("a", "c", "want"), [(1, 0.1, 0.6765727), (1, 0.5, 0.8269934), (1, 2, 1.3151907), (1, 10, 3.3241342)]
)
def test_capacitance_of_spheroids(a, c, want):
    # one unit of the last digit: 0.8269934 is printed for 3 sqrt(3)/(2 pi) = 0.82699334
    assert cf.capacitance_spheroid(a, c) == pytest.approx(want, abs=1e-7)


def test_capacitance_of_sphere_disc_and_prisms():
    assert cf.capacitance_spheroid(3.0, 3.0) == 3.0
    assert cf.capacitance_disc(1.0) == pytest.approx(0.6366198, abs=5e-8)
    assert cf.capacitance_spheroid(1, 1e-9) == pytest.approx(cf.capacitance_disc(1.0), rel=1e-8)
    for aspect, monte_carlo in ((0.1, 0.6748), (1, 1.1288), (5, 2.4177)):  # walk on spheres, physics.md 3
        assert cf.capacitance_prism(1.0, 2 * aspect) == pytest.approx(monte_carlo, rel=7e-3)


@pytest.mark.parametrize(("t_c", "sigma", "radius"), [(-5, 0.04979, 51.26e-6), (-10, 0.10220, 62.67e-6)])
def test_sphere_at_water_saturation(t_c, sigma, radius):
    """Pure-diffusion sphere from 5 um after 600 s at water saturation (physics.md 1.4)."""
    s = scales(t_c + 273.15, 101325.0)
    got = cf.sphere_diffusion_limited(600, 5e-6, sigma, v_kin=s.v_kin_m_s, x0=s.X0_m, chi0=s.chi0)
    assert got == pytest.approx(radius, rel=1e-3)
