"""An atlas folder: it stands alone, goes on where it stopped, and draws what it holds."""

from __future__ import annotations

import numpy as np
import pytest

from icewright.notebook.files import StoreError
from icewright.tasks import atlas as atlas_task

SWEEP = """
kind = "icewright.sweep"
schema = 1
title = "Tern Point trial"
[common]
size_um = 6
[grid]
kinetics = ["broad-narrow", "layer-fits"]
temperature_c = [-5, -15, -50]
sigma_percent = [3, 20]
[resolution]
voxel_um = 0.5
"""


@pytest.fixture(scope="module")
def grown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("atlas")
    (folder / "sweep.toml").write_text(SWEEP)
    told = []
    out = folder / "out"
    done = atlas_task.atlas(folder / "sweep.toml", out, workers=1, on_progress=told.append)
    return out, done, told


def test_every_cell_is_accounted_for(grown) -> None:
    out, done, told = grown
    # Both tables end at -40 degC, so -50 is outside for each of two humidities and two tables.
    assert (done.cells, done.done, done.outside, done.failed, done.kept) == (12, 8, 4, 0, 0)
    # At water saturation sigma is 4.98 % at -5 degC and 15.7 % at -15 (Q. J. R. Meteorol. Soc. 131, 1539,
    # 2005), and 62 % at -50: of the two humidities 20 % is above it at the first two, for both tables.
    assert done.above_water == 4
    assert done.complete
    assert told[-1].total == 12
    data = atlas_task.open_atlas(out)
    assert dict(data.sizes) == {"kinetics": 2, "sigma_percent": 2, "temperature_c": 3}
    assert np.isfinite(data["mass_kg"].sel(temperature_c=[-5, -15])).all()
    assert not (data["from_memory"].sel(kinetics="layer-fits") > 0).any()
    assert (data["from_memory"].sel(kinetics="broad-narrow", temperature_c=-5) > 0).all()


def test_pictures_carry_their_kind(grown) -> None:
    from PIL import Image

    _, done, _ = grown
    names = {path.name for path in done.pictures}
    assert {"diagram-layer-fits.png", "maps-broad-narrow.png"} <= names
    assert "difference-broad-narrow-layer-fits.png" in names
    for path in done.pictures:
        with Image.open(path) as picture:
            assert picture.text["kind"].startswith("icewright.atlas-")
            assert np.asarray(picture.convert("L")).std() > 5  # something is drawn


def test_the_same_call_goes_on_and_grows_nothing_again(grown) -> None:
    out, done, _ = grown
    again = atlas_task.atlas(None, out, workers=1, pictures=False)
    assert (again.kept, again.done, again.outside) == (12, done.done, done.outside)
    assert (
        atlas_task.open_atlas(out)
        .load()
        .drop_attrs()
        .identical(atlas_task.open_atlas(out).load().drop_attrs())
    )


def test_a_folder_of_something_else_is_left_alone(tmp_path) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    (tmp_path / "s.toml").write_text(SWEEP)
    with pytest.raises(StoreError, match="something else"):
        atlas_task.atlas(tmp_path / "s.toml", tmp_path, workers=1)
    assert (tmp_path / "thesis.txt").read_text() == "years of work"
    with pytest.raises(StoreError, match="no atlas"):
        atlas_task.atlas(None, tmp_path / "nowhere")


def test_the_command_says_what_it_needs(tmp_path, capsys) -> None:
    from icewright.cli.main import run

    assert run(["atlas"]) == 2
    assert "no sweep" in capsys.readouterr().err
    (tmp_path / "s.toml").write_text(SWEEP)
    assert run(["atlas", str(tmp_path / "s.toml")]) == 2
    assert "--out" in capsys.readouterr().err
    assert run(["atlas", str(tmp_path / "none.toml"), "--out", str(tmp_path / "o")]) == 2
    assert "cannot be read" in capsys.readouterr().err
    assert run(["atlas", "--resume", str(tmp_path / "o"), "--out", "x"]) == 2


def test_the_command_prints_json_and_exports(grown, tmp_path, capsys) -> None:
    import json

    import xarray

    from icewright.cli.main import run

    out, _, _ = grown
    words = ["atlas", "--resume", str(out), "--workers", "1", "--no-pictures", "--json"]
    assert run([*words, "--netcdf", str(tmp_path / "a.nc")]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["cells"], said["done"], said["failed"], said["complete"]) == (12, 8, 0, True)
    engine = "scipy" if said["netcdf_format"] == "NetCDF 3" else "h5netcdf"
    with xarray.open_dataset(tmp_path / "a.nc", engine=engine) as data:
        assert data.sizes["temperature_c"] == 3
