"""Cells: the same crystal as the engine alone, kept whole, damage seen, failures recorded."""

from __future__ import annotations

import json

import numpy as np
import pytest
import sweep_chores as chores

from icewright.sweep import cells as cell_module
from icewright.sweep import dataset, plan, run
from icewright.sweep.store import Store
from icewright.sweep.workers import HaltError


def test_a_cell_is_an_ordinary_run_of_the_engine(small, tmp_path) -> None:
    from icewright.growth.run import Simulation
    from icewright.kinetics import load

    cell = next(iter(small.cells()))
    task = run._task(small, cell, "one", str(tmp_path))
    record = cell_module.grow_cell(task)
    alone = Simulation(cell.recipe, load("broad-narrow"))
    while not alone.ended:
        alone.advance()
    reading = alone.reading()
    for key in ("time_s", "radius_tip_m", "thickness_m", "mass_kg", "aspect_ratio", "solidity"):
        assert record[key] == reading[key]
    kept, solid = cell_module.read_cell(Store(str(tmp_path)), "one", crystal=True)
    assert kept == json.loads(json.dumps(record))
    truth = alone.solid()
    assert np.array_equal(solid.ice, truth.ice)
    assert np.array_equal(solid.fill > 0, truth.fill > 0)
    assert np.abs(solid.fill - truth.fill).max() <= 1 / 254
    # Mean speeds times the time are what was gained, seed to end.
    history = record["history"]
    gained = record["radial_rate_m_s"] * record["time_s"]
    assert gained == pytest.approx(history["radius_tip_m"][-1] - history["radius_tip_m"][0], rel=1e-12)
    half = record["axial_rate_m_s"] * record["time_s"]
    assert half == pytest.approx((history["thickness_m"][-1] - history["thickness_m"][0]) / 2, rel=1e-12)


def test_damaged_cells_are_seen_and_grown_again_and_the_others_are_not(
    small, log, tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(run, "grow_cell", chores.log_cell)
    first = run.run(small, tmp_path / "cells", workers=1)
    assert first.count("done") == 6
    assert len(log.read_text().split()) == 6
    names = [record["name"] for record in first.records]
    flipped, shortened, gone, half = (tmp_path / "cells" / name for name in names[:4])
    text = (flipped / "cell.json").read_bytes()
    (flipped / "cell.json").write_bytes(text.replace(b'"state": "done"', b'"state": "cut" '))
    crystal = (shortened / "crystal.npz").read_bytes()
    (shortened / "crystal.npz").write_bytes(crystal[:-7])
    (gone / "crystal.npz").unlink()
    (half / "cell.json").write_bytes(b'{"kind"')
    (tmp_path / "cells" / f".{names[5]}.dead-1.part").mkdir()
    second = run.run(small, tmp_path / "cells", workers=1)
    assert second.kept == 2
    assert sorted(log.read_text().split()[6:]) == sorted(names[:4])
    assert sum("damaged" in words for words in second.events) == 4
    assert any("cut off" in words for words in second.events)
    assert not list((tmp_path / "cells").glob(".*"))
    timeless = [{k: v for k, v in r.items() if k not in ("wall_s", "cpu_s")} for r in first.records]
    assert [{k: v for k, v in r.items() if k not in ("wall_s", "cpu_s")} for r in second.records] == timeless


def test_a_failed_cell_is_recorded_with_its_reason_and_the_rest_goes_on(
    small, log, tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(run, "grow_cell", chores.faulty_cell)
    grown = run.run(small, tmp_path / "cells", workers=1)
    assert (grown.count("done"), grown.count("failed")) == (5, 1)
    failed = next(record for record in grown.records if record["state"] == "failed")
    assert failed["reason"] == "ZeroDivisionError: a fault in the engine"
    assert "faulty_cell" in failed["trace"]
    monkeypatch.setattr(run, "grow_cell", chores.log_cell)
    assert run.run(small, tmp_path / "cells", workers=1).count("failed") == 1  # not tried again unasked
    mended = run.run(small, tmp_path / "cells", workers=1, retry_failed=True)
    assert (mended.count("done"), mended.kept) == (6, 5)


def test_a_full_disk_halts_and_loses_nothing(small, log, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(run, "grow_cell", chores.cell_on_a_disk_that_fills)
    with pytest.raises(HaltError, match="disk is full"):
        run.run(small, tmp_path / "cells", workers=1)
    monkeypatch.setattr(run, "grow_cell", chores.log_cell)
    grown = run.run(small, tmp_path / "cells", workers=1)
    assert (grown.kept, grown.count("done")) == (2, 6)
    assert sorted(log.read_text().split()) == sorted(record["name"] for record in grown.records)


def test_outside_a_tables_range_and_cut_by_the_wall(tmp_path) -> None:
    # broad-narrow speaks for -40 to 0 degC
    s = plan.loads(
        'kind = "icewright.sweep"\nschema = 1\n[common]\nsize_um = 9\n[grid]\ntemperature_c = [-15, -50]\n'
        "sigma_percent = [5]\n[resolution]\nvoxel_um = 0.5\n[limits]\nwall_s = 1e-6\n"
    )
    grown = run.run(s, tmp_path, workers=1)
    assert [record["state"] for record in grown.records] == ["cut", "outside"]
    assert "-50" in grown.records[1]["reason"]
    data = dataset.dataset(s, grown.records)
    assert dataset.words(data, "state").tolist() == [["cut", "outside"]]
    assert np.isnan(data["mass_kg"].sel(temperature_c=-50, sigma_percent=5))
    from dataclasses import replace

    longer = run.run(replace(s, wall_s=60.0), tmp_path, workers=1)
    assert (longer.kept, longer.records[0]["state"]) == (1, "done")


def test_an_object_store_holds_the_same_cells(small, tmp_path) -> None:
    fsspec = pytest.importorskip("fsspec")
    cell = next(iter(small.cells()))
    record = cell_module.grow_cell(run._task(small, cell, "one", "memory://tern-point/cells"))
    store = Store("memory://tern-point/cells")
    assert store.names() == {"one"}
    kept, solid = cell_module.read_cell(store, "one", crystal=True)
    assert kept == json.loads(json.dumps(record))
    assert solid.ice.any()
    held = fsspec.filesystem("memory")
    held.pipe_file("/tern-point/cells/one/cell.json", b"{}")
    from icewright.notebook.files import StoreError

    with pytest.raises(StoreError):
        cell_module.read_cell(store, "one")


def test_the_data_set_goes_to_disk_and_back(small, tmp_path) -> None:
    import xarray

    grown = run.run(small, tmp_path / "cells", workers=1)
    data = dataset.dataset(small, [*grown.records[:5], None])
    dataset.write(data, tmp_path / "a.zarr")
    back = dataset.read(tmp_path / "a.zarr").load()
    xarray.testing.assert_identical(back, data)
    said = dataset.write_netcdf(data, tmp_path / "a.nc")
    with xarray.open_dataset(tmp_path / "a.nc", engine="scipy" if said == "NetCDF 3" else "h5netcdf") as nc:
        for name in data.data_vars:
            np.testing.assert_array_equal(nc[name].to_numpy(), data[name].to_numpy())
            if data[name].attrs.get("units"):
                assert nc[name].attrs["units"] == data[name].attrs["units"]
    assert dataset.words(data, "state")[-1, -1] == "not grown"
    cell = data.sel(temperature_c=-15, sigma_percent=2)
    assert float(cell["sigma"]) == pytest.approx(0.02)
    # sigma at water saturation, -15 degC: 15.742 % (Q. J. R. Meteorol. Soc. 131, 1539, 2005, by computation
    # in the shared physics facts, 1.2), so no cell here is above it; -5 degC: 4.979 %, so 5 and 8 % are.
    assert float(cell["sigma_water"]) == pytest.approx(0.15742, rel=2e-3)
    assert data["above_water"].sel(temperature_c=-5).to_numpy().tolist() == [0, 1, 1]
