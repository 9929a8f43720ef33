"""A recipe of the fictional cold room and the stand-in engine, shared by the tests of tasks."""

import importlib.util
import shutil
import sys
from pathlib import Path

import pytest

RECIPE = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point cold room: a plate that is brought down"

[seed]
radius_um = 5
thickness_um = 3

[resolution]
voxel_um = 0.5

[[step]]
temperature_c = -15
sigma_percent = 10
radius_um = 20

[[step]]
temperature_c = [-15, -14]
sigma_percent = 2
minutes = 5
"""
ENGINE = Path(__file__).with_name("fake_engine.py")


def _load():
    name = "icewright_fake_engine"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, ENGINE)
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@pytest.fixture
def fake():
    return _load().FakeSimulation


@pytest.fixture
def glancing():
    return _load().Glancing


@pytest.fixture
def faulty():
    return _load().Faulty


@pytest.fixture(scope="session")
def _grown_once(tmp_path_factory):
    from icewright.tasks.grow import grow

    place = tmp_path_factory.mktemp("grown")
    (place / "plate.toml").write_text(RECIPE)
    grow(place / "plate.toml", place / "run", engine=_load().FakeSimulation, pictures=False)
    return place / "run"


@pytest.fixture
def straight(_grown_once, tmp_path):
    """A copy of a run that was never stopped."""
    return shutil.copytree(_grown_once, tmp_path / "straight")


@pytest.fixture
def engine_file():
    return ENGINE


@pytest.fixture
def recipe_file(tmp_path):
    path = tmp_path / "plate.toml"
    path.write_text(RECIPE)
    return path
