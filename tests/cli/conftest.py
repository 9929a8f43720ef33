"""A stand-in engine behind the command line, so that its words can be tested without growing ice."""

import importlib.util
import sys
from pathlib import Path

import pytest

_FAKE = Path(__file__).parents[1] / "tasks" / "fake_engine.py"
RECIPE = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point cold room"
[seed]
radius_um = 5
thickness_um = 3
[resolution]
voxel_um = 1
[[step]]
temperature_c = -15
sigma_percent = 10
radius_um = 12
"""


@pytest.fixture
def fake_engine(monkeypatch):
    name = "icewright_fake_engine"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, _FAKE)
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    from icewright.tasks import engine, grow

    # The album has tests of its own, and takes ten times as long as everything here.
    monkeypatch.setattr(grow, "draw", lambda summary, *_: summary)
    monkeypatch.setattr(engine, "built_in", lambda: sys.modules[name].FakeSimulation)
    return sys.modules[name]


@pytest.fixture
def recipe_file(tmp_path):
    path = tmp_path / "plate.toml"
    path.write_text(RECIPE)
    return path
