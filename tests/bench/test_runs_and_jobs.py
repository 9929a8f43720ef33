"""Runs in the folder and growing in the background; what is exported is opened by general libraries."""

from __future__ import annotations

import csv
import io
import json
import time
import zipfile

import pytest
import trimesh
from PIL import Image
from scipy.io import netcdf_file

from icewright.bench import protocol

RECIPE = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point cold room: a small plate"
kinetics = "layer-fits"

[seed]
radius_um = 5
thickness_um = 4

[resolution]
voxel_um = 1

[[step]]
temperature_c = -15
sigma_percent = 2
radius_um = 12
minutes = 20
"""


@pytest.fixture(scope="module")
def run(served):
    """A run in a sub-folder, and a damaged one beside it."""
    from icewright.tasks.grow import grow

    folder = served.settings.folder
    (folder / "evening").mkdir()
    (folder / "evening.toml").write_text(RECIPE)
    grow(folder / "evening.toml", folder / "evening" / "plate", pictures=False)
    (folder / "broken").mkdir()
    (folder / "broken" / "run.json").write_text("{")
    return "evening~plate"


def test_runs_are_listed_and_a_damaged_one_hides_nothing(served, run) -> None:
    listed = {r["name"]: r for r in served.client.get("/api/runs").json()}
    assert listed[run]["title"] == "Tern Point cold room: a small plate"
    assert listed[run]["radius_um"] == pytest.approx(12, rel=0.1)
    assert listed["broken"]["state"] == "damaged"
    view = served.client.get(f"/api/runs/{run}").json()
    assert view["words"] and view["frames"] and "netcdf" in view["exports"]
    mesh = served.client.get(f"/api/runs/{run}/frames/{view['frames'][-1]['number']}/mesh")
    got = protocol.decode(mesh.content)
    assert got["radius_m"] * 1e6 == pytest.approx(listed[run]["radius_um"], rel=0.1)
    picture = Image.open(io.BytesIO(served.client.get(f"/api/runs/{run}/thumbnail").content))
    assert max(picture.size) == 256
    series = served.client.get(f"/api/runs/{run}/series?most=5").json()["columns"]
    assert len(series["time_s"]) == 5 and series["time_s"][0] == 0


def test_everything_it_can_be_exported_to_opens_elsewhere(served, run, tmp_path) -> None:
    def get(what):
        answer = served.client.get(f"/api/runs/{run}/export/{what}")
        assert answer.status_code == 200, answer.text
        assert "attachment" in answer.headers["content-disposition"]
        return answer.content

    assert zipfile.ZipFile(io.BytesIO(get("zip"))).testzip() is None
    rows = list(csv.DictReader(io.StringIO(get("csv").decode())))
    assert float(rows[0]["time_s"]) == 0
    (tmp_path / "x.nc").write_bytes(get("netcdf"))
    with netcdf_file(tmp_path / "x.nc", mmap=False) as data:
        assert data.variables["radius_tip_m"].units == b"m"
        assert data.variables["time_s"][-1] == pytest.approx(float(rows[-1]["time_s"]))
    for kind in ("stl", "glb"):
        solid = trimesh.load(io.BytesIO(get(kind)), file_type=kind, force="mesh")
        assert solid.volume > 0
    assert b"[[step]]" in get("recipe")
    assert b"layer" in get("sources") or b"read" in get("sources")
    assert served.client.get(f"/api/runs/{run}/export/exe").status_code == 404


@pytest.mark.parametrize("name", ["..~..~etc", "..", "nowhere", ".icewright-bench", "evening"])
def test_names_that_are_no_run(served, run, name) -> None:
    for rest in ("", "/series", "/thumbnail", "/export/zip", "/frames/0/mesh", "/pictures/x.png"):
        assert served.client.get(f"/api/runs/{name}{rest}").status_code in (400, 403, 404)


def test_a_session_is_grown_at_a_resolution_in_the_background(served) -> None:
    coarse = RECIPE.replace("voxel_um = 1", "voxel_um = 0.5").replace("radius_um = 12", "radius_um = 30")
    sid = served.new(toml=coarse, paused=True)
    path = f"/api/sessions/{sid}/grow"
    served.post(path, 400, name="../out")
    job = served.post(path, 202, name="grown", preset="preview")
    served.post(path, 409, name="grown", preset="preview")
    end = time.time() + 60
    while time.time() < end and job["fraction"] == 0:
        time.sleep(0.1)
        job = served.client.get(f"/api/jobs/{job['number']}").json()
    assert job["fraction"] > 0, job
    served.post(f"/api/jobs/{job['number']}/stop")
    while time.time() < end and job["state"] in ("waiting", "growing", "drawing"):
        time.sleep(0.1)
        job = served.client.get(f"/api/jobs/{job['number']}").json()
    assert job["state"] in ("stopped", "done"), job
    assert (served.settings.folder / "grown" / "recipe.toml").is_file()
    held = json.loads((served.settings.folder / "grown" / "run.json").read_text())
    assert held["state"] in ("stopped", "ended")
    served.client.delete(f"/api/sessions/{sid}")


@pytest.mark.slow
def test_a_stopped_job_is_resumed_to_its_end(served) -> None:
    sid = served.new(toml=RECIPE.replace("radius_um = 12", "radius_um = 14"), paused=True)
    job = served.post(f"/api/sessions/{sid}/grow", 202, name="resumed", preset="preview")

    def wait(job, until):
        end = time.time() + 300
        while time.time() < end and not until(job):
            time.sleep(0.1)
            job = served.client.get(f"/api/jobs/{job['number']}").json()
        return job

    job = wait(job, lambda j: j["fraction"] > 0)
    served.post(f"/api/jobs/{job['number']}/stop")
    job = wait(job, lambda j: j["state"] not in ("waiting", "growing", "drawing"))
    if job["state"] == "stopped":
        job = wait(
            served.post(f"/api/jobs/{job['number']}/resume", 202),
            lambda j: j["state"] not in ("waiting", "growing", "drawing"),
        )
    assert job["state"] == "done", job
    assert served.client.get("/api/runs/resumed").json()["state"] == "ended"
    served.client.delete(f"/api/sessions/{sid}")
