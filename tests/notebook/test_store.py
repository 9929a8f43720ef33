"""The run folder: refusals, full and forbidden disks, the lock, opening with xarray, zipping."""

import errno
import json
import os
import subprocess
import sys
import zipfile

import numpy as np
import pytest

from icewright.ground.errors import IcewrightError
from icewright.notebook import frames
from icewright.notebook.export import open_run, zip_run
from icewright.notebook.files import write_atomic
from icewright.notebook.store import RunFolder


@pytest.fixture
def run(tmp_path, record, write):
    folder = RunFolder(tmp_path / "run")
    folder.create('kind = "icewright.recipe"\n')
    folder.write_run({"title": "Tern Point cold room, plate", "status": "growing", "version": "0.1.0"})
    write(folder.series, 6)
    frames.begin(folder.frames)
    frames.write_frame(folder.frames, 0, record(time_s=0.0))
    frames.write_frame(folder.frames, 1, record(time_s=9.0))
    return folder


def test_another_run_is_not_grown_over(run):
    before = {item: item.read_bytes() for item in run.path.rglob("*") if item.is_file()}
    with pytest.raises(IcewrightError, match=r"(?s)already holds a run.*--resume .*--out"):
        RunFolder(run.path).create('kind = "icewright.recipe"\n')
    assert before == {item: item.read_bytes() for item in run.path.rglob("*") if item.is_file()}


def test_a_recipe_of_the_users_own_is_not_overwritten(tmp_path):
    (tmp_path / "recipe.toml").write_text("mine")
    with pytest.raises(IcewrightError, match="another recipe"):
        RunFolder(tmp_path).create("ours")
    assert (tmp_path / "recipe.toml").read_text() == "mine"


def test_records_have_no_bare_nan_and_are_strict_json(run):
    run.write_summary({"a": float("nan"), "b": np.float64(2.5), "c": np.array([1, 2]), "d": [float("inf")]})

    def refuse(word):
        raise AssertionError(word)

    got = json.loads(run.summary.read_text(), parse_constant=refuse)
    assert got == {"kind": "icewright.summary", "schema": 1, "a": None, "b": 2.5, "c": [1, 2], "d": [None]}


def test_newer_and_torn_records_are_refused(run):
    data = json.loads(run.run.read_text())
    run.run.write_text(json.dumps(data | {"schema": 2}))
    with pytest.raises(IcewrightError, match="newer Icewright"):
        run.read_run()
    run.run.write_text(json.dumps(data)[:20])
    with pytest.raises(IcewrightError, match="not whole JSON"):
        run.read_run()
    with pytest.raises(IcewrightError, match="not a run folder"):
        RunFolder(run.path / "pictures").read_run()


def test_a_full_disk_keeps_the_old_record(run, monkeypatch):
    before = run.run.read_bytes()

    def full(_handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(IcewrightError, match="disk is full"):
        run.set_status("ended")
    monkeypatch.undo()
    assert run.run.read_bytes() == before
    assert not list(run.path.glob(".*.part"))


@pytest.mark.skipif(sys.platform != "linux", reason="needs a small tmpfs")
def test_a_disk_that_is_really_full(tmp_path, record):
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(disk)], capture_output=True
    )
    if made.returncode:
        pytest.skip("may not mount a small disk here: " + made.stderr.decode().strip())
    try:
        store = disk / "frames.zarr"
        frames.begin(store)
        big = record(4000, 7)
        big["frozen_s"] = np.random.default_rng(1).random((4000, 7)).astype(np.float32)  # does not compress
        with pytest.raises(IcewrightError, match="disk is full"):
            for index in range(9):
                frames.write_frame(store, index, big)
        kept = frames.list_frames(store)
        assert 1 <= len(kept) < 9
        for index in kept:
            np.testing.assert_array_equal(frames.read_frame(store, index)["frozen_s"], big["frozen_s"])
        with pytest.raises(IcewrightError, match="disk is full"):
            write_atomic(disk / "run.json", b"x" * 300_000)
        assert not (disk / "run.json").exists()
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_a_forbidden_folder_is_one_clear_error(tmp_path, monkeypatch):
    folder = tmp_path / "locked"
    folder.mkdir()
    if os.geteuid() == 0:  # root may write anywhere, so play the system's answer

        def forbidden(*_args, **_kw):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

        monkeypatch.setattr("pathlib.Path.mkdir", forbidden)
    else:
        folder.chmod(0o500)
    try:
        with pytest.raises(IcewrightError, match=r"(?s)No permission.*--out") as caught:
            RunFolder(folder / "run").create("x")
        assert len(str(caught.value).splitlines()) <= 3
    finally:
        folder.chmod(0o700)


def test_one_writer_at_a_time_and_a_killed_one_holds_nothing(run):
    script = (
        "import sys, pathlib; from icewright.notebook.store import RunFolder\n"
        "r = RunFolder(pathlib.Path(sys.argv[1])); r.lock(); print('held', flush=True); sys.stdin.read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", script, str(run.path)], stdout=subprocess.PIPE, stdin=subprocess.PIPE
    )
    assert other.stdout.readline() == b"held\n"
    assert run.busy()
    with pytest.raises(IcewrightError, match="Another process is growing"):
        run.lock()
    other.kill()
    other.wait()
    other.stdout.close()
    other.stdin.close()
    assert not run.busy()
    run.lock()
    assert run.busy()
    run.unlock()
    assert not run.busy()


def test_a_run_opens_as_labelled_arrays_with_units(run, record):
    run.write_summary({"radius_um": 12.5, "warnings": ["none"]})
    tree = open_run(run.path)
    series = tree.to_dataset()
    assert series["radius_tip_m"].dims == ("time_s",) and series.sizes["time_s"] == 6
    assert series["radius_tip_m"].attrs["units"] == "m" and series["time_s"].attrs["units"] == "s"
    assert all(series[name].attrs["units"] and series[name].attrs["long_name"] for name in series.variables)
    assert series.attrs["title"] == "Tern Point cold room, plate" and series.attrs["radius_um"] == 12.5
    frame = tree["frames/0001"]
    assert frame["fill"].dims == ("column", "z") and frame.attrs["time_s"] == 9.0
    assert frame["frozen_s"].attrs["units"] == "s"
    np.testing.assert_array_equal(frame["frozen_s"].values, record(time_s=9.0)["frozen_s"])


def test_frames_are_read_only_when_used(run):
    chunk = next(item for item in (run.frames / "0001" / "fill" / "c").rglob("*") if item.is_file())
    chunk.write_bytes(b"damaged")
    tree = open_run(run.path)  # opening reads no frame, so it cannot stumble
    tree["frames/0000/fill"].load()
    with pytest.raises(Exception):  # noqa: B017
        tree["frames/0001/fill"].load()


def test_a_zipped_run_opens_again(run, tmp_path):
    run.checkpoint.mkdir()
    (run.checkpoint / "a.npz").write_bytes(b"large")
    path = zip_run(run.path)
    with zipfile.ZipFile(path) as pack:
        assert pack.testzip() is None
        pack.extractall(tmp_path / "elsewhere")
    assert not (tmp_path / "elsewhere/run/checkpoint").exists()
    assert open_run(tmp_path / "elsewhere/run").to_dataset().equals(open_run(run.path).to_dataset())
    with pytest.raises(IcewrightError, match="exists already"):
        zip_run(run.path)
