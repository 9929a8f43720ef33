"""Sampled tables against the models they sample: the model's own formula is the reference."""

from __future__ import annotations

import math

import numpy as np
import pytest

from icewright import kinetics
from icewright.ground.errors import KineticsError
from icewright.kinetics.model import FloatArray
from icewright.kinetics.sampled import sample
from icewright.kinetics.user_function import FunctionKinetics


@pytest.mark.parametrize("name", kinetics.names())
def test_layout(name: str) -> None:
    table = sample(kinetics.load(name), 258.15)
    assert table.ln_alpha.shape == (2, 25, 160)
    assert table.ln_alpha.dtype == np.float32
    for grid, ends in ((table.ln_sigma, (1e-6, 3.0)), (table.ln_width, (0.05e-6, 200e-6))):
        np.testing.assert_allclose(np.exp(grid[[0, -1]]), ends, rtol=1e-12)
        np.testing.assert_allclose(np.diff(grid), np.diff(grid)[0], rtol=1e-9)
    assert np.all((table.ln_alpha >= -30.0) & (table.ln_alpha <= 0.0))


@pytest.mark.parametrize("name", kinetics.names())
def test_nodes_are_the_model(name: str) -> None:
    model = kinetics.load(name)
    table = sample(model, 258.65)
    sigma, width = np.exp(table.ln_sigma[[40, 90, 130]]), np.exp(table.ln_width[[3, 12, 20]])
    for facet in (0, 1):
        exact = model.alpha(258.65, sigma[None, :], facet, width[:, None])
        np.testing.assert_allclose(table.alpha(sigma[None, :], facet, width[:, None]), exact, rtol=1e-5)


@pytest.mark.parametrize("name", kinetics.names())
@pytest.mark.parametrize("temperature_k", [268.65, 258.65])
def test_between_nodes_the_error_is_far_below_the_uncertainty_of_the_tables(
    name: str, temperature_k: float
) -> None:
    # The barriers are known to +-50 % at best; where alpha is above 1e-3 (growth that can be seen) the
    # sampling must be worth less than 4 % of the barrier. Barrier and sigma enter both laws only as their
    # ratio, so the sampled alpha has to lie between the exact ones at 0.96 and 1.04 sigma.
    model = kinetics.load(name)
    table = sample(model, temperature_k)
    random = np.random.default_rng(11)
    sigma = np.exp(random.uniform(math.log(1e-3), math.log(0.5), 4000))
    width = np.exp(random.uniform(math.log(1e-7), math.log(1e-4), 4000))
    for facet in (0, 1):
        exact, low, high = (
            model.alpha(temperature_k, part * sigma, facet, width) for part in (1.0, 0.96, 1.04)
        )
        got = table.alpha(sigma, facet, width)
        seen = exact > 1e-3
        assert np.count_nonzero(seen) > 500
        assert np.all((got[seen] > low[seen] * 0.999) & (got[seen] < high[seen] * 1.001))


def test_beyond_the_grid_the_ends_are_held() -> None:
    table = sample(kinetics.load("broad-narrow"), 258.65)
    wide, narrow = (table.alpha(np.array([0.05]), 1, np.array(w)) for w in (1.0, 1e-12))
    assert wide == table.alpha(np.array([0.05]), 1, np.array(200e-6))
    assert narrow == table.alpha(np.array([0.05]), 1, np.array(0.05e-6))
    assert table.alpha(np.array([-0.5]), 1, np.array(1e-5))[0] == pytest.approx(math.exp(-30.0))


def test_temperatures_that_a_model_does_not_cover_are_refused() -> None:
    with pytest.raises(KineticsError, match="say nothing about this temperature"):
        sample(kinetics.load("broad-narrow"), 220.0)


def linear(temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
    return np.clip(sigma * (1 + facet), 1e-12, 1.0) + 0 * width_m


def test_a_users_function_is_sampled_like_any_other() -> None:
    model = FunctionKinetics(
        linear, name="mine", source="invented for this test", how="computed", uncertainty=0.2
    )
    table = sample(model, 258.15)
    # ln alpha is linear in ln sigma here, so interpolation is exact to float32.
    got = table.alpha(np.array([0.01, 0.02]), 1, np.array(1e-5))
    np.testing.assert_allclose(got, [0.02, 0.04], rtol=1e-5)
    assert model.alpha(258.15, np.array([-0.1, 0.1]), 0, np.array(1e-5)) == pytest.approx(
        [math.exp(-30), 0.1]
    )
    assert not model.from_memory(258.15)
    assert "relative uncertainty 0.2" in model.notes(258.15)
    assert FunctionKinetics(linear).from_memory(258.15)


@pytest.mark.parametrize(
    ("function", "words"),
    [
        (lambda T, s, f, w: s * 100 + 0 * w, "cannot be"),
        (lambda T, s, f, w: 0 * s * w, "cannot be"),
        (lambda T, s, f, w: np.nan * s * w, "cannot be"),
        (lambda T, s, f, w: np.minimum(s, 1.0), "do not broadcast"),
    ],
)
def test_a_users_function_that_answers_nonsense_is_refused(function: object, words: str) -> None:
    with pytest.raises(KineticsError, match=words):
        sample(FunctionKinetics(function), 258.15)  # type: ignore[arg-type]
