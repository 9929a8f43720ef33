"""What must hold for every crystal: no shrinking, no ice from nowhere, exact symmetry, two models that agree.

Outside sources: conservation of mass, symmetry of the lattice, and for the two models each other (their code
shares kernels but not the lattice).
"""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from icewright import kinetics
from icewright.growth.rules import GrowthTables
from icewright.growth.run import Simulation
from icewright.growth.stepping import Grower, table_distances
from icewright.kinetics.user_function import FunctionKinetics
from icewright.recipe import files
from icewright.shape.solid import fold, unfold

few = settings(max_examples=5, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
V_KIN, X0 = 208e-6, 0.145e-6  # set A of shared/physics.md section 3

RECIPE = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point cold room: a property"
model = "{model}"
kinetics = "{kinetics}"
{held}
[seed]
radius_um = 3
thickness_um = {thick}

[resolution]
voxel_um = 0.5

[[step]]
temperature_c = {t}
sigma_percent = {sigma}
minutes = {minutes}
"""


def simulation(t=-15, sigma=10, model="3d", held="free", law="broad-narrow", thick=3, minutes=1.0):
    way = {"free": "", "plate": '[held]\nway = "plate"\n'}[held]
    text = RECIPE.format(model=model, kinetics=law, held=way, thick=thick, t=t, sigma=sigma, minutes=minutes)
    recipe = files.loads(text)
    return Simulation(recipe, kinetics.load(recipe.kinetics))


conditions = {
    "t": st.integers(-25, -2),
    "sigma": st.sampled_from([0.5, 1, 2, 5, 10, 20]),
    "model": st.sampled_from(["3d", "round"]),
    "held": st.sampled_from(["free", "plate"]),
    "law": st.sampled_from(kinetics.names()),
}


@few
@given(**conditions)
def test_growth_never_shrinks_a_crystal_and_makes_no_ice(t, sigma, model, held, law):
    """Ice stays ice, volume never falls, and the gain is the vapour taken up within 1e-4."""
    s = simulation(t, sigma, model, held, law)
    g = s.grower
    start, last = g.ice_volume(), g.ice_volume()
    for _ in range(60):
        if s.ended or g._radius > 25:
            break
        field, mask = g.field, g.field.mask.copy()
        s.advance()
        if g.field is field:
            assert (g.field.mask[mask == 1] == 1).all()
        now = g.ice_volume()
        # fills are float32: a sum of thousands of them is good to about 1e-6
        assert now >= last * (1 - 1e-6)
        last = now
    assert g.time_s > 0 and g.taken > 0
    # a gain that is small beside the seed is known only to float32
    assert last - start == pytest.approx(g.taken, rel=1e-4, abs=1e-6 * start)
    assert abs(g.lost) <= 1e-4 * g.taken


@pytest.mark.parametrize("model", ["3d", "round"])
@pytest.mark.parametrize("held", ["free", "plate"])
def test_far_flux_is_surface_flux(model, held):
    """Through a far surface flows what the crystal takes up, within 2 % (limit of the issue)."""
    s = simulation(-15, 10, model, held, minutes=0.5)
    while not s.ended and s.grower._radius < 30:
        s.advance()
    reading = s.reading()
    assert reading["field_flux_ratio"] == pytest.approx(1, abs=0.02)
    assert reading["mass_balance_error"] < 1e-4


@pytest.mark.parametrize(
    ("model", "t", "sigma", "steps"),
    [
        ("3d", -5, 2, 400),  # ratio 0.77
        ("round", -2, 20, 565),  # 0.89
        ("round", -10, 20, 600),  # 0.91
        ("3d", -15, 20, 200),
        ("round", -15, 20, 500),
    ],
)
def test_far_flux_is_surface_flux_over_a_long_run(model, t, sigma, steps):
    """The same over a whole life with the built-in narrow-facet table, whose laws are steep."""
    s = simulation(t, sigma, model, minutes=5)
    for _ in range(steps):
        if s.ended:
            break
        s.advance()
    assert s.grower.far_sum / s.grower.near_sum == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("sigma", [0, -5])
@pytest.mark.parametrize("model", ["3d", "round"])
def test_no_supersaturation_no_growth(sigma, model):
    s = simulation(sigma=sigma, model=model, minutes=0.5)
    before = s.grower.crystal.fill.copy()
    while not s.ended:
        s.advance()
    assert s.time_s == pytest.approx(30)
    assert np.array_equal(before, s.grower.crystal.fill)
    assert s.grower.taken == 0
    said = [w for w in s.warnings if "sublimation is not modelled" in w]
    assert len(said) == (1 if sigma < 0 else 0)
    assert len([w for w in s.warnings if "neither grows nor shrinks" in w]) == (1 if sigma == 0 else 0)


# -- symmetry -----------------------------------------------------------------------------------------------

TURNS = [(a, b) for a in range(6) for b in (False, True)]


def image(q, r, turns, mirror):
    """Axial coordinates turned by 60 degrees so many times, and mirrored in the x axis or not."""
    if mirror:
        q, r = q + r, -r
    for _ in range(turns):
        q, r = -r, q + r
    return q, r


@few
@given(t=conditions["t"], sigma=st.sampled_from([5, 20]), law=conditions["law"])
def test_the_crystal_is_its_own_twelve_images(t, sigma, law):
    s = simulation(t, sigma, law=law)
    while not s.ended and s.grower._radius < 15:
        s.advance()
    solid = s.solid()
    q, r, fill = unfold(solid, solid.fill)
    n = int(q.max())
    assert float(fill.sum()) == pytest.approx(
        float(solid.multiplicity @ solid.fill.sum(axis=1, dtype=float)), rel=1e-6
    )
    for turns, mirror in TURNS:
        iq, ir = image(q, r, turns, mirror)
        held = (abs(iq) <= n) & (abs(ir) <= n)
        assert np.array_equal(fill[held], fill[iq[held] + n, ir[held] + n])
        assert not fill[~held].any()


def test_the_wedge_is_the_whole_plane():
    """Lay the field out on the full plane: every cell there has the neighbours that its wedge column has.

    So a full-plane solver would see the same numbers to the bit, whichever image it looks at.
    """
    s = simulation(-15, 20)
    while not s.ended and s.grower._radius < 12:
        s.advance()
    f = s.grower.field
    lat = f.lattice
    look = {(int(a), int(b)): i for i, (a, b) in enumerate(zip(lat.q, lat.r, strict=True))}
    steps = [(1, 0), (0, 1), (-1, 1), (-1, 0), (0, -1), (1, -1)]
    nb = lat.levels[0].neighbours
    for turns, mirror in TURNS:
        for c in range(lat.n_free):
            q, r = image(int(lat.q[c]), int(lat.r[c]), turns, mirror)
            around = sorted(look[tuple(int(x) for x in fold(q + a, r + b))] for a, b in steps)
            assert around == sorted(nb[c])


# -- the two models ----------


def grow(symmetry, law, sigma, end_s, dx=1e-6 / 6):
    """(mass, mean radius of the plan) in um^3 and um of a crystal from a 2 um seed; seeds of equal area."""
    g = Grower(symmetry, dx, 1.0, mirror=True, bottom_far=False)
    n = round(2e-6 / dx)
    g.seed(n if symmetry == "sixfold" else round((n + 0.5) * (1.5 * 3**0.5 / np.pi) ** 0.5), n)
    x0 = X0 / dx
    tables = GrowthTables(law, 258.15, dx, x0, table_distances(symmetry, 1.0))
    while g.time_s < end_s * (1 - 1e-9):
        g.step(tables, x0, 0, 0, sigma, V_KIN * x0 / dx, end_s - g.time_s)
    lat = g.field.lattice
    plan = float((lat.area * lat.multiplicity) @ g.crystal.fill.max(axis=1)) * dx**2
    return 2 * g.ice_volume() * dx**3 * 1e18, np.sqrt(plan / np.pi) * 1e6


LAWS = {
    "alpha 0.1": (lambda t, s, f, w: np.full(np.broadcast(s, w).shape, 0.1), 0.1, 20.0),
    "nucleation": (
        lambda t, s, f, w: np.broadcast_to(np.exp(-0.02 / s), np.broadcast(s, w).shape),
        0.02,
        110.0,
    ),
}


@pytest.mark.parametrize("name", LAWS)
def test_round_and_sixfold_models_agree_on_a_compact_crystal(name):
    """Isotropic kinetics to 10 um: mass within 8 %, mean plan radius within 8 % (measured 5 and 7; 3 to 7).

    A hexagon is no disc: its corners are better supplied than any place of a disc, and drive its facets; the
    steeper the law, the more. At twice the voxel the masses differ by 2 and 7 %: it is no error of the grid.
    The limit for the mass was 5 % while a step's rounds left the laws of the round model behind its field
    (its mass was 5 % too high then). The radius takes the outermost row of voxels, 1.7 %, as it is when the
    time is up: 5.3 % with small steps, 3.3 to 7.5 with longer ones; its limit was 6 %. With alpha = 1 the
    crystals are not compact: the sixfold one grows arms and is 11 to 13 % heavier.
    """
    function, sigma, end_s = LAWS[name]
    law = FunctionKinetics(function, name=name)
    mass, radius = zip(*(grow(symmetry, law, sigma, end_s) for symmetry in ("round", "sixfold")), strict=True)
    assert (3 * mass[0] / (4 * np.pi)) ** (1 / 3) == pytest.approx(10.5, abs=0.5)
    assert mass[1] == pytest.approx(mass[0], rel=0.08)
    assert radius[1] == pytest.approx(radius[0], rel=0.08)


def test_steep_kinetics_do_not_stall_the_round_model():
    """alpha = exp(-2 %/s) at 10 %: an exact sphere has 10.55 um after 20 s, the voxel crystal about 11."""
    law = FunctionKinetics(
        lambda t, s, f, w: np.broadcast_to(np.exp(-0.02 / s), np.broadcast(s, w).shape), name="steep"
    )
    mass, _ = grow("round", law, 0.1, 20.0, dx=0.25e-6)
    assert (3 * mass / (4 * np.pi)) ** (1 / 3) > 10.5
