"""The solved field against growth laws with an exact answer.

Sources: rows of shared/physics.md section 3 tagged [public] (computed there without a grid) and, for the laws
behind them, the docstrings of `icewright.growth.closed_forms`. Set A: v_kin 208 um/s, X0 0.145 um, no heat,
no surface energy. Measured values stand beside the limits.
"""

import numpy as np
import pytest
from growth_bodies import (
    COLD_K,
    LATTICES,
    absorbing,
    ball,
    capacitance,
    constant,
    nucleation,
    smooth,
    tables_for,
)

from icewright.growth import closed_forms as cf
from icewright.growth.field import Field, z_edges
from icewright.growth.stepping import Grower

V_KIN, X0 = 208e-6, 0.145e-6
A = {"v_kin": V_KIN, "x0": X0}


# -- alpha no bottleneck: capacitance -----------------------------------------------------------------------


@pytest.mark.parametrize("symmetry", ["sixfold", "round"])
@pytest.mark.parametrize(("a", "c"), [(40, 40), (100, 10), (60, 30), (20, 40), (12, 120)])
def test_capacitance_of_spheroids(symmetry, a, c):
    """Within 1.5 % at one resolution, no extrapolation (measured: +0.1 to +0.3 %)."""
    got, far = capacitance(symmetry, a, c, lambda lat, rho, z: (rho / a) ** 2 + (z / c) ** 2 <= 1)
    assert got == pytest.approx(cf.capacitance_spheroid(a, c), rel=0.015)
    assert far == pytest.approx(1, abs=2e-3)


@pytest.mark.parametrize(("aspect", "n", "half", "monte_carlo"), [(0.1, 40, 4, 0.6748), (1, 40, 40, 1.1288),
                                                                  (5, 20, 102, 2.4177)])  # fmt: skip
def test_capacitance_of_hexagonal_prisms(aspect, n, half, monte_carlo):
    """Walk-on-spheres values of shared/physics.md section 3, C/a +- 0.0002 to 0.0013, within 1.5 %.

    n rows of cells from the axis make a prism whose facets lie FACET_DISTANCE before the next row, that is a
    corner radius of n + 1/2; the fit's slope carries the Monte-Carlo value to the lattice's exact aspect.
    """
    a = n + 0.5
    got, far = capacitance(
        "sixfold", a, half, lambda lat, rho, z: (lat.q + lat.r <= n)[:, None] & (z <= half)
    )
    want = monte_carlo * a * cf.capacitance_prism(a, 2 * half) / cf.capacitance_prism(a, aspect * 2 * a)
    assert got == pytest.approx(want, rel=0.015)
    assert far == pytest.approx(1, abs=2e-3)


def test_capacitance_of_a_thin_disc():
    """2a/pi for a thickness of 0.4 % of the radius, rings of a/100."""
    got, _ = capacitance("round", 100, 0.2, lambda lat, rho, z: (rho <= 100) & (z <= 0.2), dz=0.1)
    assert got == pytest.approx(cf.capacitance_disc(100), rel=0.015)


# -- spheres with attachment kinetics -----------------------------------------------------------------------


def _speed(g, radius_m):
    """Mean speed of the half ball's surface (m/s): total flux over its true area."""
    return V_KIN * X0 / g.dx_m * g.surface.take_up() / (2 * np.pi * (radius_m / g.dx_m) ** 2)


@pytest.mark.parametrize("symmetry", ["sixfold", "round"])
@pytest.mark.parametrize("cells", [10, 40])
def test_sphere_with_alpha_one_by_the_engines_own_rules(symmetry, cells):
    """R 10 um, sigma 0.1: 2.972893e-7 m/s. Limit 4 %: shared/growth-method.md reports 0.99 to 1.04.

    Measured 1.023, 1.003 (sixfold, 10 and 40 cells) and 1.016, 1.003 (round): steps offer more area than the
    sphere, which matters less the finer the cells are.
    """
    radius = 10e-6
    g = ball(symmetry, cells, radius / cells)
    x0 = X0 / g.dx_m
    g.settle(tables_for(constant(1.0), symmetry, x0), x0, 0, 0, 0.1, most=200)
    assert _speed(g, radius) == pytest.approx(2.972893e-7, rel=0.04)
    assert g.field.far_flux() == pytest.approx(g.surface.take_up(), rel=5e-3)


@pytest.mark.parametrize("symmetry", ["sixfold", "round"])
@pytest.mark.parametrize(
    ("radius", "sigma", "law", "v"),
    [
        (1e-6, 0.10, constant(0.1), 1.231020e-6),
        (10e-6, 0.10, nucleation(1.0, 0.02), 2.717894e-7),
        (50e-6, 0.157, nucleation(1.0, 0.03), 8.889319e-8),
    ],
    ids=["alpha 0.1", "nucleation 10 um", "nucleation 50 um"],
)
def test_sphere_with_slow_attachment(symmetry, radius, sigma, law, v):
    """Constant alpha 0.1 and layer nucleation on a ball made smooth (`growth_bodies.smooth`), within 2 %.

    Measured 0.997 to 0.998 of the exact speed on both lattices.
    """
    cells = 40
    g = ball(symmetry, cells, radius / cells)
    smooth(g.surface, cells)
    g.facets = "local"
    x0 = X0 / g.dx_m
    g.settle(tables_for(law, symmetry, x0, dx_m=g.dx_m), x0, 0, 0, sigma, most=200)
    assert _speed(g, radius) == pytest.approx(v, rel=0.02)


@pytest.mark.parametrize("symmetry", ["sixfold", "round"])
@pytest.mark.parametrize("chi0", [0.2891, 0.653])
def test_latent_heat_slows_a_sphere(symmetry, chi0):
    """v falls by 1/(1 + chi0) where attachment is no bottleneck (chi0 at -15 and -5 degC), within 2 %."""
    speed = []
    for chi in (0.0, chi0):
        g = ball(symmetry, 20)
        g.settle(tables_for(constant(1.0), symmetry, 0.145), 0.145, 0, chi, 0.1, most=200)
        speed.append(g.surface.take_up())
    assert speed[1] / speed[0] == pytest.approx(1 / (1 + chi0), rel=0.02)
    exact = (
        cf.sphere(20, 0.1, 1, v_kin=1, x0=0.145, chi0=chi0).v_m_s
        / cf.sphere(20, 0.1, 1, v_kin=1, x0=0.145).v_m_s
    )
    assert speed[1] / speed[0] == pytest.approx(exact, rel=5e-3)


# -- cylinder -----------------------------------------------------------------------------------------------


def test_endless_cylinder_in_a_finite_room():
    """Set A, R 5 um, R_far 5 mm, sigma 0.05, alpha 1: 4.347854e-8 m/s.

    Posed on rings with the z links cut, so that every layer is the plane problem; the wall is the centre of
    the fixed ring. Limit 1 %: half a ring's place in R and R_far.
    """
    cells = 10
    dx = 5e-6 / cells
    f = Field(LATTICES["round"](5e-3 / dx - 0.5), z_edges(1.0, 2, 2.0))
    f.gz[:] = 0
    f.gzu[:] = 0
    ice = np.zeros(f.u.shape, dtype=bool)
    ice[:cells] = True
    f.set_active(cells + 3, f.nz)
    absorbing(f, ice)
    f.sink[:] = 0
    # series of half a ring and X0/alpha over the cylinder's face
    f.sink[cells, :-1] = 2 * np.pi * cells * f.dz[:-1] / (0.5 + X0 / dx)
    f.u[:] = 0.05
    f.u[ice] = 0
    f.prepare()
    last = 0.0
    for _ in range(200):
        f.cycle()
        flux = float(f.sink[cells, 0] * f.u[cells, 0])
        if abs(flux - last) < 1e-6 * flux:
            break
        last = flux
    speed = V_KIN * X0 / dx * flux / (2 * np.pi * cells)
    assert speed == pytest.approx(4.347854e-8, rel=0.01)


# -- plates, surface energy ----------------------------------------------------------------------------------


def _grow(g, kinetics, sigma, steps, *, capillary=0.0, chi0=0.0):
    x0 = X0 / g.dx_m
    tables = tables_for(kinetics, g.symmetry, x0, dx_m=g.dx_m)
    for _ in range(steps):
        g.step(tables, x0, capillary, chi0, sigma, V_KIN * x0 / g.dx_m, 1e9)
    return g


@pytest.mark.parametrize("symmetry", ["sixfold", "round"])
def test_crystal_on_a_dry_plate_is_half_a_free_crystal(symmetry):
    """Mirror symmetry (any text on potential theory): same shape to the bit, same speed, half the mass rate.

    Holds for kinetics without a width law: by the engine's definition the wall of a crystal on a plate is
    half as high as that of the free crystal, so its width differs.
    """
    got = []
    for mirror in (True, False):
        g = Grower(symmetry, 0.5e-6, 1.0, mirror=mirror, bottom_far=False)
        g.seed(6, 3)
        got.append(_grow(g, nucleation(1.0, 0.02), 0.1, 120))
    free, plate = got
    assert free.time_s == plate.time_s and free._radius > 7
    assert np.array_equal(free.crystal.fill, plate.crystal.fill)
    assert np.array_equal(free.field.u, plate.field.u)


@pytest.mark.parametrize("symmetry", ["sixfold", "round"])
def test_no_growth_below_the_equilibrium_of_a_small_prism(symmetry):
    """Gibbs-Thomson: a facet of width w is in balance with air of sigma = 2 d_sv/w (weighted mean curvature).

    The engine has surface energy through facet widths only (no curvature of tips), so the sphere's
    Mullins-Sekerka spectrum cannot be posed; what must hold is the sign of growth on both sides of the
    balance.
    """
    d = 0.2  # dx; a prism 12 high and about as wide balances near sigma 0.033
    g = Grower(symmetry, 1e-8, 1.0, mirror=True, bottom_far=False)
    g.seed(6, 6)
    m = g.surface.count
    widths = g.surface.width[:m]
    assert widths.min() > 0 and widths.max() < 20
    below, above = 0.95 * 2 * d / widths.max(), 1.05 * 2 * d / widths.min()
    x0 = 1000.0  # so slow that the air at the facets is the air far away
    rates = {}
    for sigma in (below, 2 * d * 2 / (widths.min() + widths.max()), above):
        g = Grower(symmetry, 1e-8, 1.0, mirror=True, bottom_far=False)
        g.seed(6, 6)
        g.settle(tables_for(constant(1.0), symmetry, x0, dx_m=1e-8), x0, d, 0, sigma)
        rates[sigma] = g.surface.flux[:m] / g.surface.area[:m] * x0 / sigma
    between = 2 * d * 2 / (widths.min() + widths.max())
    assert below < between < above
    assert rates[below].max() < 1e-5  # the field is float32
    assert rates[above].min() > 1e-3
    # in between the wide facets grow and the narrow ones do not
    assert rates[between][widths < widths.max()].max() < 1e-5
    assert rates[between][widths == widths.max()].min() > 1e-3


# -- growth in time -----------------------------------------------------------------------------------------


def test_mass_of_a_compact_crystal_grows_as_time_to_three_halves():
    """m ~ t^1.5 of a compact crystal, slope within 0.05 over the last decade in mass (measured 1.535).

    Theory of diffusion-limited growth and the free-fall record of J. Meteorol. Soc. Jpn 66, 841, 1988
    (see shared/physics.md 4.1). Layer nucleation keeps the crystal compact, which alpha = 1 does not: with
    alpha = 1 nothing holds its faces together, it hollows and its mass grows faster (1.52, then 1.57).
    The law is that of diffusion-limited growth, so sigma (10 %) is well above the barrier (2 %): an exact
    sphere with these kinetics has 1.508. At sigma 2 %, where attachment still counts, the exact sphere has
    1.543 and the model 1.600. The decade starts at 35 um, 5000 times the mass of the seed: the decade before
    it has 1.556, as attachment and the steps of a voxel still count there (the exact sphere: 1.51). At last
    the faces hollow a little, to 0.87 of the cylinder around the crystal.
    """
    g = Grower("round", 1e-6, 1.0, mirror=True, bottom_far=False)
    g.seed(2, 2)
    x0 = X0 / g.dx_m
    tables = tables_for(nucleation(1.0, 0.02), "round", x0, dx_m=g.dx_m)
    seed, time, mass = g.ice_volume(), [], []
    while g.ice_volume() < 50_000 * seed:
        g.step(tables, x0, 0, 0, 0.1, V_KIN * x0 / g.dx_m, 1e9)
        time.append(g.time_s)
        mass.append(g.ice_volume())
    t, m = np.array(time), np.array(mass)
    assert m[-1] > 0.85 * np.pi * (g._radius + 0.5) ** 2 * (g._hi + 1)  # compact: it fills its cylinder
    decade = m > m[-1] / 10
    slope = np.polyfit(np.log(t[decade]), np.log(m[decade]), 1)[0]
    assert slope == pytest.approx(1.5, abs=0.05)


def test_functions_of_the_tests_are_isotropic():
    """The kinetics above give both facets one alpha, at any width."""
    s, w = np.array([[0.01, 0.1]]), np.array([[1e-6], [1e-5]])
    for law in (constant(0.3), nucleation(1.0, 0.02)):
        basal, prism = law.alpha(COLD_K, s, 0, w), law.alpha(COLD_K, s, 1, w)
        assert np.array_equal(basal, prism) and np.array_equal(basal[0], basal[1])
