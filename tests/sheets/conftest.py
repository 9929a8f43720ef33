"""Small crystals of the real engine, on coarse voxels, from invented recipes of the Tern Point cold room."""

from __future__ import annotations

from pathlib import Path

import pytest

# Odd signs in title and notes: nothing that a user writes may mean anything to the typesetter.
TURN = """
kind = "icewright.recipe"
schema = 1
title = "Turn #1 *at* $Tern$ Point @noon — [x]"
kinetics = "layer-fits"
[seed]
radius_um = 4
thickness_um = 4
[resolution]
voxel_um = 1
[[step]]
note = "moist, #strong[loud]"
temperature_c = -15
sigma_percent = 12
radius_um = 14
minutes = 10
[[step]]
temperature_c = [-15, -13.25]
sigma_percent = [12, 2.5]
minutes = 0.3
[[step]]
note = "dry"
temperature_c = -13.25
sigma_percent = 2.5
minutes = 0.7
"""


@pytest.fixture(scope="session")
def turn_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from icewright.tasks.grow import grow

    folder = tmp_path_factory.mktemp("sheets")
    (folder / "turn.toml").write_text(TURN, encoding="utf-8")
    grow(folder / "turn.toml", folder / "turn-run", pictures=False)
    return folder / "turn-run"


@pytest.fixture(scope="session")
def turn_sheet(turn_run: Path) -> Path:
    """The sheet of that run, with ``turn.csv`` and ``again.toml`` beside it."""
    from icewright.tasks.sheet import sheet

    out = turn_run.parent / "turn.pdf"
    sheet(turn_run, out, csv=out.with_suffix(".csv"), session=out.with_name("again.toml"))
    return out


@pytest.fixture(scope="session")
def turn_text() -> str:
    return TURN
