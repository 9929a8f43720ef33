"""Readings, series and frames with known content, shared by the tests of the run folder."""

import numpy as np
import pytest

from icewright.notebook.series import NAMES, SeriesWriter


def _reading(k):
    return {name: (k if name in ("step", "cells") else (k + 1) / 3.0 * 1e-7) for name in NAMES}


def _write(path, n, **kw):
    with SeriesWriter(path, **kw) as out:
        for k in range(n):
            out.append(_reading(k))


def _record(columns=30, cells=7, time_s=12.5):
    rng = np.random.default_rng(3)
    fill = rng.choice([0.0, 1.0, 0.31], size=(columns, cells)).astype(np.float32)
    return {
        "symmetry": "sixfold",
        "q": np.arange(columns, dtype=np.int32),
        "r": np.zeros(columns, dtype=np.int32),
        "spacing_m": 0.5e-6,
        "z_edges_m": np.linspace(0, 3e-6, cells + 1) ** 1.01,
        "fill": fill,
        "frozen_s": np.where(fill == 1, rng.random((columns, cells)), np.nan).astype(np.float32),
        "mirrored": True,
        "time_s": np.float64(time_s),
    }


@pytest.fixture
def reading():
    return _reading


@pytest.fixture
def write():
    return _write


@pytest.fixture
def record():
    return _record
