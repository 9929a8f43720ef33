"""Members of a family are the table with exactly one thing changed; checked by a second route each."""

import numpy as np
import pytest

from icewright.ground.errors import KineticsError
from icewright.kinetics import load
from icewright.kinetics.family import FAMILIES, Blend, Member, Rescaled, family, moves, shaken
from icewright.kinetics.tables.broad_narrow import broad_narrow

SIGMA = np.logspace(-4, 0, 40)[None, :]
WIDTH = np.logspace(-7, -4, 9)[:, None]
TEMPERATURES = (270.0, 268.15, 263.0, 258.15, 250.0)


def same(one, other):
    return all(
        np.allclose(one.alpha(t, SIGMA, f, WIDTH), other.alpha(t, SIGMA, f, WIDTH), rtol=1e-12)
        for t in TEMPERATURES
        for f in (0, 1)
    )


@pytest.mark.parametrize("name", ["layer-fits", "broad-narrow"])
def test_no_change_and_factor_one_are_the_table(name):
    assert same(Member(name).build(), load(name))
    assert same(Member(name, (("sigma0 basal", 1.0),)).build(), load(name))


@pytest.mark.parametrize("key", ["prism_depth", "basal_depth", "prism_centre_c", "basal_half_width_k"])
def test_dips_against_the_tables_own_arguments(key):
    for member in family(key):
        assert same(member.build(), broad_narrow(**{key: member.changes[0][1]}))


def test_a_dip_of_depth_one_is_none():
    """Then the width of the facet must not matter any more."""
    made = Member("broad-narrow", (("prism_depth", 1.0), ("basal_depth", 1.0))).build()
    alpha = made.alpha(258.15, SIGMA, 1, WIDTH)
    assert np.allclose(alpha, alpha[:1])


@pytest.mark.parametrize("facet", [0, 1])
def test_two_routes_to_a_moved_barrier(facet):
    """Every point multiplied, or alpha asked at a lower sigma: the same for A exp(-s0/s)."""
    what = ("sigma0 basal", "sigma0 prism")[facet]
    factors = (1.5, 1.0) if facet == 0 else (1.0, 1.5)
    assert same(Member("broad-narrow", ((what, 1.5),)).build(), Rescaled(load("broad-narrow"), factors))


def test_a_moved_layer_fit_is_its_formula_with_a_moved_s_c():
    """alpha = x^10 tanh(x^-10), x = s/(1.5 s_c), written out."""
    table = load("layer-fits")
    made = Member("layer-fits", (("sigma0 prism", 1.5),)).build()
    s = np.array([0.004, 0.006, 0.02])
    x = (s / (1.5 * table.critical_sigma(258.15, 1))) ** 10
    assert made.alpha(258.15, s, 1, np.array(1e-5)) == pytest.approx(x * np.tanh(1 / x), rel=1e-9)


def test_a_blend_ends_in_both_tables():
    ends = [Member("broad-narrow", (("blend", x),)).build() for x in (0.0, 1.0)]
    assert same(ends[0], load("broad-narrow"))
    assert same(ends[1], load("layer-fits"))
    half = Blend(load("broad-narrow"), load("layer-fits"), 0.5).alpha(258.15, SIGMA, 1, WIDTH)
    logs = [np.log(k.alpha(258.15, SIGMA, 1, WIDTH)) for k in (load("broad-narrow"), load("layer-fits"))]
    assert np.allclose(np.log(half), (logs[0] + logs[1]) / 2)
    with pytest.raises(KineticsError, match="share"):
        Blend(load("broad-narrow"), load("layer-fits"), 1.5)


def test_moves_are_by_a_half_and_cover_every_value_felt():
    """At -15 degC a point of the table is felt on each facet; sigma0 and A of both, both dips, the width."""
    table = broad_narrow()
    made = {m.changes[0] for m in moves("broad-narrow", (-15.0,))}
    whats = {what for what, _ in made}
    for facet in ("basal", "prism"):
        assert {f"sigma0 {facet}", f"A {facet}", f"sigma0 {facet} -15", f"A {facet} -15"} <= whats
    assert ("prism_depth", table.dips[1].depth * 0.5) in made
    assert ("subgrid_um", 90.0) in made
    assert len(made) == 2 * len(whats)  # each both ways
    for what, value in made:
        if what.startswith(("sigma0", "A ")):
            assert value in (0.5, 1.5)


def test_a_single_point_moves_only_its_neighbourhood():
    made, table = Member("broad-narrow", (("sigma0 prism -15", 1.5),)).build(), load("broad-narrow")
    assert made.barrier(258.15, 1)[0] == pytest.approx(1.5 * table.barrier(258.15, 1)[0])
    assert made.barrier(258.15, 0) == table.barrier(258.15, 0)
    assert made.barrier(253.15, 1) == pytest.approx(table.barrier(253.15, 1), rel=1e-12)


def test_shaken_moves_everything_at_once_and_always_the_same_way():
    one, again = shaken("broad-narrow", 3), shaken("broad-narrow", 3)
    assert one == again
    assert len({m.changes for m in one}) == 3
    whats = [w for w, _ in one[0].changes]
    assert len(whats) == len(set(whats))
    assert sum(w.startswith("sigma0 prism ") for w in whats) == 9  # every point of the table
    assert {"prism_depth", "basal_centre_c", "subgrid_um"} <= set(whats)
    for m in one:
        m.build()


def test_members_travel_as_plain_data_and_name_themselves():
    member = Member("broad-narrow", (("prism_depth", 0.3), ("sigma0 basal", 1.5)))
    assert Member.from_dict(member.to_dict()) == member
    assert member.name == "broad-narrow (prism_depth 0.3, sigma0 basal x 1.5)"
    assert Member("/some/where/tern-point.toml").name == "tern-point"


def test_every_family_holds_the_table_as_it_stands():
    table = load("broad-narrow")
    for what in FAMILIES:
        assert any(same(m.build(), table) for m in family(what)), what


@pytest.mark.parametrize(
    ("base", "what"),
    [
        ("layer-fits", "prism_depth"),
        ("layer-fits", "A basal"),
        ("broad-narrow", "sigma0 basal -17"),
        ("broad-narrow", "x"),
    ],
)
def test_changes_that_cannot_be_are_refused(base, what):
    with pytest.raises(KineticsError):
        Member(base, ((what, 0.5),)).build()
