"""The two built-in tables against the published fits and the remembered values they were made from.

Outside sources: the s_c table of the project's physics notes, evaluated by other code from the coefficients
of J. Atmos. Sci. 76, 1609, 2019; the standard sequence plate/column/plate with temperature, for the sense of
the layer fits. The broad-narrow numbers are from memory: only their transcription is tested.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from icewright import kinetics
from icewright.ground.errors import KineticsError
from icewright.ground.sources import source
from icewright.kinetics.barriers import Dip
from icewright.kinetics.model import ALPHA_MIN, BASAL, PRISM, Kinetics
from icewright.kinetics.tables.broad_narrow import broad_narrow
from icewright.kinetics.tables.layer_fits import LayerFits

BROAD = np.array(1.0)  # m; no facet is broader
NARROW = np.array(1e-9)

S_C_PERCENT = [  # degC, basal, prism
    (-1, 1.01, 0.36), (-2, 0.82, 0.37), (-4, 0.41, 0.39), (-5, 0.26, 0.40), (-6, 0.18, 0.41),
    (-8, 0.24, 0.44), (-10, 0.59, 0.47), (-12, 1.14, 0.50), (-14, 1.80, 0.54), (-15.001, 2.15, 0.54),
    (-18, 3.21, 1.48), (-20, 3.91, 2.71), (-25, 4.58, 5.63), (-30, 7.41, 7.53), (-40, 11.6, 11.6),
]  # fmt: skip


@pytest.mark.parametrize(("t_c", "basal", "prism"), S_C_PERCENT)
def test_layer_fits_table(t_c: float, basal: float, prism: float) -> None:
    # At -15 the two pieces of the prism fit differ (0.555 and 0.543 %); the notes' 0.54 is of the colder.
    table = LayerFits()
    digit = 0.051 if t_c == -40 else 0.0051
    assert 100 * table.critical_sigma(273.15 + t_c, BASAL) == pytest.approx(basal, abs=digit)
    assert 100 * table.critical_sigma(273.15 + t_c, PRISM) == pytest.approx(prism, abs=digit)


def test_layer_fits_are_nearly_continuous_where_pieces_meet() -> None:
    # The published pieces do not meet exactly; this states by how much they jump, largest 2.6 % of s_c.
    table = LayerFits()
    basal = [(-22, BASAL, 0.026), (-30, BASAL, 0.003)]
    prism = [(-15, PRISM, 0.022), (-22, PRISM, 0.004), (-30, PRISM, 0.019)]
    for t_c, facet, jump in basal + prism:
        warm, cold = (table.critical_sigma(273.15 + t_c + d, facet) for d in (1e-6, -1e-6))
        assert abs(warm / cold - 1) < jump


def test_layer_fits_favour_columns_between_the_crossings_and_plates_outside() -> None:
    # Transition sequence plate/column/plate at about -3/-4 and -9/-10 degC: the facet with the larger s_c
    # grows slower and shows. Widened by 1.5 K on either side, since the boundaries are known to +-1 K.
    table = LayerFits()
    basal, prism = (lambda t, f=f: table.critical_sigma(273.15 + t, f) for f in (BASAL, PRISM))
    assert basal(-2.0) > prism(-2.0)
    assert all(basal(t) < prism(t) for t in (-5.0, -6.0, -7.0, -8.0))
    assert all(basal(t) > prism(t) for t in (-11.0, -13.0, -15.0, -17.0))


def test_layer_fits_law() -> None:
    # alpha = x^n tanh(x^-n): tanh 1 at x = 1, x^n for x << 1, 1 for x >> 1; n = 1 is the dislocation law.
    s_c = LayerFits().critical_sigma(258.15, PRISM)
    alpha = LayerFits().alpha(258.15, s_c * np.array([1.0, 0.5, 2.0]), PRISM, BROAD)
    assert alpha[0] == pytest.approx(math.tanh(1.0), rel=1e-12)
    assert alpha[1] == pytest.approx(0.5**10, rel=1e-12)
    assert 1 - 1e-6 < alpha[2] <= 1.0
    half = LayerFits(exponent=1.0).alpha(258.15, np.array([s_c / 2]), PRISM, BROAD)
    assert half[0] == pytest.approx(0.5 * math.tanh(2.0), rel=1e-12)


def test_layer_fits_ignore_the_width() -> None:
    sigma = np.geomspace(1e-4, 1, 20)
    one = LayerFits().alpha(258.15, sigma, PRISM, NARROW)
    np.testing.assert_array_equal(one, LayerFits().alpha(258.15, sigma, PRISM, BROAD))


def test_broad_narrow_transcription() -> None:
    # sigma0 basal, sigma0 prism (%), A prism as remembered (physics notes, section 2.2).
    rows = [(-5, 0.7, 0.17, 0.15), (-7, 0.8, 0.4, 0.4), (-12, 1.7, 2.0, 1.0), (-15, 2.2, 2.7, 1.0),
            (-20, 2.5, 3.0, 1.0), (-30, 2.8, 3.3, 1.0), (-40, 3.0, 3.5, 1.0)]  # fmt: skip
    table = broad_narrow()
    for t_c, basal, prism, amplitude in rows:
        assert table.barrier(273.15 + t_c, BASAL) == pytest.approx((basal / 100, 1.0))
        assert table.barrier(273.15 + t_c, PRISM) == pytest.approx((prism / 100, amplitude))


def test_nucleation_law_on_a_broad_facet() -> None:
    # alpha = A exp(-sigma0/sigma) (arXiv:1110.5828, abstract), far from both dips and on a broad facet.
    sigma = np.array([0.005, 0.025, 0.1])
    got = broad_narrow().alpha(253.15, sigma, BASAL, BROAD)
    np.testing.assert_allclose(got, np.exp(-0.025 / sigma), rtol=1e-9)


def test_basal_barrier_on_a_narrow_rim_near_minus_5() -> None:
    # arXiv:1302.1231, abstract: about ten times smaller than on a large basal facet near -5 degC. The dip's
    # centre is at -4.5 degC, so "about ten" is checked as eight to ten between -4.2 and -4.8 degC.
    table = broad_narrow()
    for t_c in (-4.2, -4.5, -4.8):
        ratio = 1 / float(table.narrow_factor(273.15 + t_c, BASAL, NARROW))
        assert 8.0 < ratio <= 10.0 + 1e-9


@pytest.mark.parametrize("t_c", [-0.5, -25.0, -35.0])
def test_no_dip_far_away(t_c: float) -> None:
    table = broad_narrow()
    assert float(table.narrow_factor(273.15 + t_c, PRISM, NARROW)) > 0.99
    if t_c < -15:
        assert float(table.narrow_factor(273.15 + t_c, BASAL, NARROW)) > 0.99


def test_width_law_follows_the_clip_it_smooths() -> None:
    # clip(w/W, d, 1) is what the prototype used; the smooth law stays within 20 % (16 % at W, 19 % at d W).
    table = broad_narrow()
    width = np.geomspace(1e-8, 1e-2, 200)
    factor = table.narrow_factor(258.65, PRISM, width)
    clip = np.clip(width / 60e-6, 0.1, 1.0)
    assert np.max(np.abs(factor / clip - 1)) < 0.2
    assert np.all(np.diff(factor) >= 0)
    assert factor[0] == pytest.approx(0.1, rel=1e-6)
    assert factor[-1] == pytest.approx(1.0, rel=1e-6)


def test_the_subgrid_width_is_called_so_and_can_be_switched_off() -> None:
    at_dip = 258.65
    device, physical = broad_narrow(), broad_narrow(subgrid_width_m=0.0)
    assert "sub-grid device" in device.notes(at_dip)
    assert "sub-grid" not in physical.notes(at_dip)
    one_um = np.array(1e-6)
    assert float(device.narrow_factor(at_dip, PRISM, one_um)) < 0.2
    assert float(physical.narrow_factor(at_dip, PRISM, one_um)) > 0.99


def test_dip_parameters_do_what_they_say() -> None:
    table = broad_narrow(prism_depth=0.3, prism_centre_c=-13.0, prism_half_width_k=1.0)
    factor = [float(table.narrow_factor(273.15 + t, PRISM, NARROW)) for t in (-13.0, -12.0, -14.0)]
    assert factor == pytest.approx([0.3, 0.65, 0.65], rel=1e-9)
    other = broad_narrow().with_(prism_dip=Dip(260.0, 0.5, 2.0, None, "arxiv-2009.08404", "from memory"))
    assert float(other.narrow_factor(260.0, PRISM, NARROW)) == pytest.approx(0.5)
    assert other.dips[BASAL] == broad_narrow().dips[BASAL]


@pytest.mark.parametrize("bad", [{"prism_depth": 0.0}, {"prism_depth": 1.5}, {"basal_half_width_k": 0.0}])
def test_dips_that_cannot_be_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(KineticsError, match="cannot be"):
        broad_narrow(**bad)


@pytest.mark.parametrize("name", kinetics.names())
@given(
    temperature_k=st.floats(233.15, 273.15),
    sigma=st.lists(st.floats(-1.0, 5.0), min_size=2, max_size=6),
    facet=st.sampled_from([BASAL, PRISM]),
    width_m=st.floats(1e-9, 1e-3),
)
def test_alpha_is_a_coefficient_and_rises_with_sigma(
    name: str, temperature_k: float, sigma: list[float], facet: int, width_m: float
) -> None:
    table = kinetics.load(name)
    ordered = np.array(sorted(sigma))
    alpha = table.alpha(temperature_k, ordered, facet, np.array(width_m))
    assert alpha.shape == ordered.shape
    assert np.all((alpha >= ALPHA_MIN * (1 - 1e-12)) & (alpha <= 1.0))
    assert np.all(np.diff(alpha) >= -4e-16)  # two roundings near alpha = 1
    assert np.all(alpha[ordered <= 0] == ALPHA_MIN)


@pytest.mark.parametrize("name", kinetics.names())
def test_both_views_answer_the_protocol_and_say_where_they_come_from(name: str) -> None:
    table = kinetics.load(name)
    assert isinstance(table, Kinetics)
    assert table.name == name
    assert table.sources()
    assert all(source(key).citation for key in table.sources())
    for t_c in (-0.5, -5.0, -14.5, -25.0, -40.0):
        note = table.notes(273.15 + t_c)
        assert "basal" in note and "prism" in note and "rival" in note
    with pytest.raises(KineticsError, match="No such facet"):
        table.alpha(260.0, np.array([0.1]), 2, BROAD)


def test_what_is_from_memory_says_so() -> None:
    # Project rule: values from memory are marked; physics notes tag all of section 2.2 as such.
    assert all(kinetics.load("broad-narrow").from_memory(273.15 + t) for t in (-1.0, -5.0, -15.0, -40.0))
    assert "from memory" in kinetics.load("broad-narrow").notes(258.15)
    assert not kinetics.load("layer-fits").from_memory(258.15)
    assert "wait for the paper" in kinetics.load("layer-fits").notes(258.15)
    assert "held" in kinetics.load("layer-fits").notes(272.9)


def test_an_unknown_name_lists_the_known() -> None:
    with pytest.raises(KineticsError) as caught:
        kinetics.load("broadnarrow")
    assert "broad-narrow" in caught.value.wanted and "layer-fits" in caught.value.wanted
