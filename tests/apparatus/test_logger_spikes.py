"""Gaps and spikes: known outliers in records that we drew, with noise of known size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from icewright.apparatus import spikes


def test_the_factor_of_the_rule_is_that_of_the_normal_distribution() -> None:
    # scipy.stats.norm, a general library.
    assert pytest.approx(1.0 / norm.ppf(0.75), abs=5e-5) == spikes.MAD_TO_SIGMA


def test_planted_spikes_are_found_and_nothing_else() -> None:
    rng = np.random.default_rng(1)
    values = 258.0 + 0.01 * rng.normal(size=2000)
    planted = [100, 777, 1500, 1999]
    values[planted] += [0.5, -0.4, 3.0, 0.6]
    found = np.flatnonzero(spikes.find_spikes(values))
    assert found.tolist() == planted


def test_a_step_that_stays_and_a_ramp_are_no_spikes() -> None:
    step = np.where(np.arange(60) < 30, 260.0, 258.0)
    ramp = np.linspace(258.0, 263.0, 60)
    assert not spikes.find_spikes(step).any()
    assert not spikes.find_spikes(ramp).any()


def test_a_quantised_record_that_stands_still_has_no_spikes_of_one_step() -> None:
    values = np.full(100, 258.1)
    values[[20, 50]] = 258.2  # the logger's own smallest step
    assert not spikes.find_spikes(values).any()
    values[70] = 259.1
    assert np.flatnonzero(spikes.find_spikes(values)).tolist() == [70]


def test_gaps() -> None:
    time = np.concatenate([np.arange(0.0, 100.0, 10.0), np.arange(400.0, 500.0, 10.0)])
    (gap,) = spikes.find_gaps(time, list(range(2, 22)))
    assert (gap.start_s, gap.end_s, gap.length_s) == (90.0, 400.0, 310.0)
    assert (gap.first_line, gap.last_line) == (11, 12)
    assert spikes.find_gaps(time[:10], list(range(10))) == []


def test_noise_is_that_which_was_drawn() -> None:
    # White noise of standard deviation 0.02 on a ramp; 4000 readings give it within 4 % at three sigma.
    rng = np.random.default_rng(5)
    values = np.linspace(250.0, 260.0, 4000) + 0.02 * rng.normal(size=4000)
    assert spikes.noise(values) == pytest.approx(0.02, rel=0.08)
    assert spikes.noise(np.linspace(0.0, 1.0, 50)) == pytest.approx(0.0, abs=1e-12)


def test_bridge_is_a_straight_line() -> None:
    time = np.array([0.0, 1.0, 3.0, 4.0])
    assert spikes.bridge(time, np.array([0.0, np.nan, np.nan, 4.0])).tolist() == [0.0, 1.0, 3.0, 4.0]
