"""Following settings over time: the grid of samples."""

import numpy as np

from icewright.apparatus import response


def test_a_record_as_long_as_the_most_samples_is_followed():
    """A record may have as many rows as samples are allowed, or more: no division by what is left."""
    lag = response.Lag(settings_s={"plate": 5.0}, temperature_s=2.0, vapour_s=2.0, words=())
    for size in (response._MOST_SAMPLES, response._MOST_SAMPLES + 5):
        t = np.arange(size, dtype=float)
        grid, found = response._grid(t, {"plate": np.zeros(size)}, lag, None)
        assert grid.size >= size and found["plate"].size == grid.size
