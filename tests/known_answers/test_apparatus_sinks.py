"""Frost, needles, neighbours and lags against closed forms, general solvers and tables.

Outside sources: potential theory (closed limits named beside each check), finite differences and ODE
solvers of SciPy, and the project's table of two equal spheres (section 3 of the collected physics, checked
there by image charges).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_bvp, solve_ivp
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from icewright.apparatus import depletion, needle, response, sinks, two_plate
from icewright.apparatus.basis import Air, Setting
from icewright.vapour.air import diffusivity
from icewright.vapour.scales import scales


def solve_cylinder(aspect: float, excess, n: int = 60, plate_clear: float | None = None) -> np.ndarray:
    """Axis values [n+1] of Laplace's equation in a round box of height 1, by finite differences.

    Walls hold ``excess(z)``, both plates 0; or, with ``plate_clear`` = b, the top holds 1, the walls z, and
    the bottom 0 outside b and no flux inside.
    """
    R, h = aspect / 2, 1 / n
    m = round(R / h)
    A, rhs = lil_matrix(((m + 1) * (n + 1),) * 2), np.zeros((m + 1) * (n + 1))

    def at(i: int, k: int) -> int:
        return i * (n + 1) + k

    for i in range(m + 1):
        for k in range(n + 1):
            row, z, r = at(i, k), k * h, i * h
            fixed = None
            if plate_clear is None:
                fixed = 0.0 if k in (0, n) else excess(z) if i == m else None
            elif k == n or i == m:
                fixed = z
            elif k == 0 and r > plate_clear:
                fixed = 0.0
            if fixed is not None:
                A[row, row], rhs[row] = 1.0, fixed
                continue
            A[row, row] = -(6.0 if i == 0 else 4.0)
            if i == 0:
                A[row, at(1, k)] = 4.0
            else:
                A[row, at(i + 1, k)] = 1 + 0.5 / i
                A[row, at(i - 1, k)] = 1 - 0.5 / i
            A[row, at(i, k + 1)] += 1.0
            A[row, at(i, k - 1 if k else 1)] += 1.0
    return np.asarray(spsolve(A.tocsr(), rhs))[: n + 1]


def test_frosted_round_wall_against_finite_differences() -> None:
    def excess(z: float) -> float:
        return 4 * z * (1 - z) * (1 + 0.5 * z)

    axis = solve_cylinder(1.5, excess)
    z = np.linspace(0, 1, 61)[[10, 27, 45]]
    ours = sinks.wall_loss(z, np.full(3, 1.5), np.tile(excess(sinks.wall_nodes()), (3, 1)))
    assert ours == pytest.approx(axis[[10, 27, 45]], rel=3e-3)


def test_frosted_slab_wall_has_one_mode_in_closed_form() -> None:
    # Excess sin(pi z): w = sin(pi z)/cosh(pi W/2H) exactly, by separation of variables.
    nodes = np.sin(math.pi * sinks.wall_nodes())
    for aspect in (0.2, 1.0, 3.0):
        ours = sinks.wall_loss(0.3, aspect, nodes, "slab")
        assert ours == pytest.approx(math.sin(0.3 * math.pi) / math.cosh(math.pi * aspect / 2), rel=1e-9)


def test_near_walls_take_all_and_far_ones_nothing() -> None:
    nodes = np.sin(math.pi * sinks.wall_nodes())
    assert sinks.wall_loss(0.5, 0.01, nodes) == pytest.approx(1.0, rel=1e-3)
    assert sinks.wall_loss(0.5, 20.0, nodes) < 1e-10


def test_small_clear_zone() -> None:
    # Half space with a hole of no flux in an absorbing plane, uniform gradient g: 2 g b/pi at the middle.
    for b in (1e-4, 1e-3, 1e-2):
        assert sinks.clear_zone_factor(b) == pytest.approx(2 * b / math.pi, rel=2e-4)


def test_clear_zone_against_finite_differences() -> None:
    # The edge of the zone is singular, so the crude grid is extrapolated: its error falls as h.
    coarse = solve_cylinder(6.0, None, 20, plate_clear=1.0 + 0.5 / 20)[0]
    fine = solve_cylinder(6.0, None, 40, plate_clear=1.0 + 0.5 / 40)[0]
    assert sinks.clear_zone_factor(1.0) == pytest.approx(2 * fine - coarse, rel=0.01)


def test_clear_zone_table_and_axis() -> None:
    for b in (0.05, 0.37, 1.3, 4.0):
        assert sinks.clear_zone_factor(b) == pytest.approx(float(sinks.solve_clear_zone(b)[0]), abs=1e-5)
    up = sinks.solve_clear_zone(1.0, np.linspace(0, 1, 9))
    assert np.all(np.diff(up) > 0) and up[-1] == pytest.approx(1.0)
    assert sinks.clear_zone_factor(50.0) == 1.0


def test_needle_is_a_fin() -> None:
    # T'' = m^2 (T - T_air), T(0) = T_air(0), T'(L) = 0, by SciPy's boundary value solver.
    slope, length, radius, k_n, far, k_air = 500.0, 5e-3, 60e-6, 2.3, 0.02, 0.0235
    m2 = 2 * k_air / (k_n * radius**2 * math.log(far / radius))
    s = np.linspace(0, 1, 200)
    found = solve_bvp(
        lambda s, y: np.vstack([y[1], m2 * length**2 * (y[0] - slope * length * s)]),
        lambda a, b: np.array([a[0], b[1]]),
        s,
        np.zeros((2, s.size)),
        tol=1e-8,
    )
    expected = found.sol(1.0)[0] - slope * length
    assert needle.tip_excess(slope, length, radius, k_n, far, k_air) == pytest.approx(expected, rel=1e-5)


def test_two_equal_spheres() -> None:
    # Table of section 3, printed to eight digits; contact is ln 2.
    for s, printed in ((2, 0.69314718), (3, 0.75720438), (10, 0.90917423)):
        assert depletion.two_spheres_factor(s) == pytest.approx(printed, abs=6e-9)
    assert depletion.two_spheres_factor(1e4) == pytest.approx(1 / (1 + 1e-4), rel=1e-8)
    assert depletion.neighbours_factor(1e-4, 1e-2, 6) == pytest.approx(1 / (1 + 6 * 0.01), rel=1e-3)


def test_prism_growth() -> None:
    # Section 4.2 [public]: 2a = 1 mm, L = 20 um, -15 degC, water saturation: C 3.047e-4 m, 1.2265e-11 kg/s.
    found = depletion.deplete(Air(258.15, 0.15742, 101325.0), 500e-6, 20e-6)
    assert found.capacitance_m == pytest.approx(3.047e-4, rel=2e-4)
    assert found.mass_rate_kg_s == pytest.approx(1.2265e-11, rel=1e-3)


def test_surface_sigma_is_that_of_the_sphere_with_the_same_numbers() -> None:
    # sigma_s = sigma a_d/(alpha + a_d), a_d = X0/R of a sphere (section 3) with 4 pi C/A in the place of 1/R.
    air, alpha = Air(258.15, 0.10, 101325.0), 0.05
    found = depletion.deplete(air, 50e-6, 80e-6, alpha=alpha)
    s = scales(258.15, 101325.0)
    a_d = s.X0_m * 4 * math.pi * found.capacitance_m / depletion.prism_area_m2(50e-6, 80e-6) / (1 + s.chi0)
    assert found.sigma_surface == pytest.approx(0.10 * a_d / (alpha + a_d), rel=1e-12)
    # What the surface takes is what diffusion brings: alpha v_kin rho A sigma_s.
    taken = (
        alpha
        * s.v_kin_m_s
        * s.ice_density_kg_m3
        * depletion.prism_area_m2(50e-6, 80e-6)
        * found.sigma_surface
    )
    assert found.mass_rate_kg_s == pytest.approx(taken, rel=1e-6)


def test_plates_help_as_image_charges_do() -> None:
    # Small sphere half way between grounded plates: images -1, +1, ... at H, 2H, ... both sides.
    n = np.arange(1, 200001)
    images = 2 * float(np.sum((-1.0) ** n / n)) + (1.0 / 200000)
    assert depletion.plates_factor(1e-4, 1e-2, "between") == pytest.approx(1 / (1 + 0.01 * images), rel=1e-6)


def test_still_air_settles_as_its_slowest_mode() -> None:
    # The slowest eigenvalue of the discretised diffusion operator between fixed ends.
    H, T, P, n = 0.02, 258.15, 101325.0, 400
    D = diffusivity(T, P)
    main = np.full(n - 1, 2.0)
    from scipy.linalg import eigh_tridiagonal

    slow = eigh_tridiagonal(main, np.full(n - 2, -1.0), eigvals_only=True, select="i", select_range=(0, 0))[0]
    assert two_plate.still_air_response_s(H, T, P)[1] == pytest.approx((H / n) ** 2 / (D * slow), rel=1e-4)


def test_first_order_lag_against_an_ode_solver() -> None:
    tau = 40.0
    t = np.linspace(0, 300, 61)
    u = np.interp(t, [0, 60, 150, 300], [-15.0, -13.0, -13.5, -10.0])
    ours = response._lagged(t, u, -15.0, tau)
    found = solve_ivp(
        lambda s, y: (np.interp(s, t, u) - y) / tau,
        (0, 300),
        [-15.0],
        t_eval=t,
        rtol=1e-9,
        atol=1e-10,
        max_step=1.0,
    )
    assert ours == pytest.approx(found.y[0], abs=1e-6)


def test_ramp_limit_and_step() -> None:
    setting = Setting("degC", -30, 0, 0.1, fastest_ramp=0.05, response_s=0.0)
    t = np.arange(0.0, 101.0)
    went = response._track(t, np.full(t.size, -10.0), -12.0, setting)
    assert went[20] == pytest.approx(-11.0) and went[40] == pytest.approx(-10.0) and went[-1] == -10.0
    # A first-order step stands at 1 - 1/e after one time constant (any text on control).
    slow = Setting("degC", -30, 0, 0.1, fastest_ramp=math.inf, response_s=50.0)
    assert response._track(t, np.full(t.size, -10.0), -12.0, slow)[50] == pytest.approx(-10 - 2 / math.e)
