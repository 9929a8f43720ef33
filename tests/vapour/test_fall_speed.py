"""Fall speeds against what is known outside: the equation of state of air, Stokes' law, observed bounds."""

import math

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from icewright.ground.errors import ConditionsError
from icewright.vapour import fall_speed as fs

AIR = (263.15, 90000.0)


def sphere(radius_m):
    area = math.pi * radius_m**2
    return fs.FallingBody(
        917 * 4 / 3 * math.pi * radius_m**3, 2 * radius_m, area, 2 * math.pi * radius_m, 4 * area
    )


@pytest.mark.parametrize("t_c", [-40, -20, -5, 0])
def test_air_against_its_reference_equation_of_state(t_c):
    """CoolProp's Air: viscosity within 1 %, density within 0.2 %."""
    t = 273.15 + t_c
    assert fs.viscosity(t) == pytest.approx(PropsSI("V", "T", t, "P", 101325, "Air"), rel=0.01)
    assert fs.air_density(t, 101325) == pytest.approx(PropsSI("D", "T", t, "P", 101325, "Air"), rel=2e-3)


@pytest.mark.parametrize(("relation", "within"), [("1996", 1e-9), ("2010", 0.09)])
def test_small_spheres_obey_stokes_law(relation, within):
    """v = (2/9) rho g r^2/eta (any text on fluid flow). "1996" is that law here; "2010" has X/22.4, not
    X/24.
    """
    for r in (0.5e-6, 2e-6):
        stokes = 2 / 9 * 917 * fs.GRAVITY_M_S2 * r * r / fs.viscosity(AIR[0])
        assert fs.fall_speed(sphere(r), *AIR, relation) == pytest.approx(stokes, rel=within)


def test_the_four_pieces_meet():
    """Coefficients from memory: that they meet within 1 % at the published joints speaks for them."""
    for (joint, a, b), (_, a2, b2) in zip(fs._PIECES, fs._PIECES[1:], strict=False):
        assert a * joint**b == pytest.approx(a2 * joint**b2, rel=0.01)
    _, a, b = fs._PIECES[0]
    assert a * 0.01**b == pytest.approx(0.01 / 24, rel=0.25)  # onto Stokes' law


@pytest.mark.parametrize("relation", list(fs.RELATIONS))
@pytest.mark.parametrize("size_mm", [0.1, 0.5, 1.0, 3.0])
def test_hexagonal_plates_fall_as_fast_as_crystals_were_seen_to(relation, size_mm):
    """0.06 to 1.6 m/s for 0.06 to 3.2 mm (Atmos. Chem. Phys. 21, 7545, 2021), to half of the last printed
    digit.
    """
    r, h = size_mm * 0.5e-3, 2.02e-6 * (size_mm * 1e3) ** 0.449
    area = 1.5 * math.sqrt(3) * r * r
    body = fs.plate(area * h * 918, r, h, area, 6 * r)
    assert 0.055 <= fs.fall_speed(body, *AIR, relation) <= 1.65


def test_width_of_a_column_is_the_mean_over_all_turns():
    """Cauchy's theorem, perimeter/pi, against the mean of a hexagon's width over its turns."""
    a = 1e-5
    corners = [a * complex(math.cos(k * math.pi / 3), math.sin(k * math.pi / 3)) for k in range(6)]
    widths = []
    for k in range(3600):
        turn = complex(math.cos(k * math.pi / 1800), math.sin(k * math.pi / 1800))
        along = [(c * turn).real for c in corners]
        widths.append(max(along) - min(along))
    body = fs.column(1e-12, a, 1e-4, 1.5 * math.sqrt(3) * a * a, 6 * a)
    assert body.area_m2 / 1e-4 == pytest.approx(sum(widths) / len(widths), rel=1e-5)


@given(st.floats(1e-6, 2e-3), st.floats(0.05, 1.0), st.floats(1.05, 20), st.sampled_from(list(fs.RELATIONS)))
def test_heavier_is_faster_and_wider_is_slower(radius, ratio, more, relation):
    area = ratio * math.pi * radius**2
    body = fs.FallingBody(1e-9 * radius / 1e-3, 2 * radius, area, 6 * radius, 3 * area)
    heavy = fs.FallingBody(more * body.mass_kg, body.size_m, area, body.perimeter_m, body.surface_m2)
    open_ = fs.FallingBody(body.mass_kg, body.size_m, area / more, body.perimeter_m, body.surface_m2)
    v = fs.fall_speed(body, *AIR, relation)
    assert fs.fall_speed(heavy, *AIR, relation) > v > 0
    assert fs.fall_speed(open_, *AIR, relation) > v


def test_refusals():
    with pytest.raises(ConditionsError, match="drag relation"):
        fs.reynolds(sphere(1e-5), *AIR, "1850")
    with pytest.raises(ConditionsError, match="needs a mass"):
        fs.reynolds(fs.FallingBody(0, 1e-3, 1e-6, 1e-3, 1e-6), *AIR)
