"""Growing into a folder: stopped, killed, resumed, full disks.

The check is the same bytes as a run never stopped, or what plain arithmetic on the series gives.
"""

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from icewright.ground.errors import IcewrightError
from icewright.notebook import checkpoint
from icewright.notebook.frames import list_frames, read_frame
from icewright.notebook.series import read_series
from icewright.notebook.store import RunFolder
from icewright.tasks import grow as module
from icewright.tasks.crystals import solid_of
from icewright.tasks.grow import grow

SCRIPT = """
import importlib.util, sys
spec = importlib.util.spec_from_file_location("engine", sys.argv[1])
engine = importlib.util.module_from_spec(spec)
spec.loader.exec_module(engine)
from icewright.tasks.grow import grow
print("begun", flush=True)
s = grow(sys.argv[2] or None, sys.argv[3], resume=not sys.argv[2], engine=engine.FakeSimulation,
         checkpoint_every_s=float(sys.argv[4]), pictures=False)
print(s.ended, flush=True)
"""


@pytest.fixture
def child(engine_file):
    """Start a grower in a process of its own, which naps a little each step."""

    def start(recipe, folder, every_s=0.1, nap_s=0.002):
        return subprocess.Popen(
            [sys.executable, "-c", SCRIPT, str(engine_file), str(recipe), str(folder), str(every_s)],
            stdout=subprocess.PIPE,
            env=os.environ | {"FAKE_NAP_S": str(nap_s)},
        )

    return start


def wait_for(what, seconds=20.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if what():
            return
        time.sleep(0.005)
    raise AssertionError("waited in vain")


def assert_same_run(one, other):
    assert (one / "series.csv").read_bytes() == (other / "series.csv").read_bytes()
    ours, theirs = list_frames(one / "frames.zarr"), list_frames(other / "frames.zarr")
    assert ours == theirs
    for index in ours:
        a, b = (read_frame(folder / "frames.zarr", index) for folder in (one, other))
        assert a.keys() == b.keys()
        for key, value in a.items():
            if isinstance(value, np.ndarray):
                assert value.tobytes() == b[key].tobytes(), (index, key)
            else:
                assert value == b[key], (index, key)
    a, b = (checkpoint.load(folder / "checkpoint").state for folder in (one, other))
    assert list(a) == list(b)
    for key, value in a.items():
        assert type(value) is type(b[key])
        assert np.asarray(value).tobytes() == np.asarray(b[key]).tobytes(), key


def summary_of(folder):
    return json.loads((folder / "summary.json").read_text())


def test_a_run_leaves_what_the_docs_promise(straight):
    summary = summary_of(straight)
    needed = (
        "time_min radius_um thickness_um mass_ug aspect_ratio solidity habit "
        "mass_balance_error field_flux_ratio wall_s cells steps ended warnings from_memory sources"
    )
    assert set(needed.split()) <= set(summary)
    columns = read_series(straight / "series.csv").columns
    assert summary["radius_um"] == columns["radius_tip_m"][-1] * 1e6
    assert summary["mass_ug"] == columns["mass_kg"][-1] * 1e9
    assert summary["time_min"] == columns["time_s"][-1] / 60.0
    assert summary["ended"] == "5 minutes passed" and summary["complete"] and summary["habit"] == "plate"
    run = json.loads((straight / "run.json").read_text())
    assert run["state"] == "ended" and run["machine"]["cores"] and run["sources"]
    for name in ("run.json", "summary.json"):
        record = json.loads((straight / name).read_text())
        assert record["kind"].startswith("icewright.") and record["schema"] == 1
    assert 'kind = "icewright.recipe"' in (straight / "recipe.toml").read_text()


def test_rows_are_a_percent_apart_and_every_step_has_its_own(straight):
    columns = read_series(straight / "series.csv").columns
    assert (np.diff(columns["time_s"]) > 0).all()
    # One time step of the stand-in grows the mass by up to 5 %; a row is due at 1 %.
    mass = columns["mass_kg"]
    assert (mass[1:] / mass[:-1] < 1.06).all()
    turn = np.flatnonzero(np.diff(columns["step"]))
    assert turn.size == 1
    assert columns["radius_tip_m"][turn[0] + 1] == pytest.approx(20e-6, rel=0.03)


def test_frames_are_even_in_size_and_hold_each_end(straight):
    frames = [read_frame(straight / "frames.zarr", k) for k in list_frames(straight / "frames.zarr")]
    assert 16 <= len(frames) <= 36
    columns = read_series(straight / "series.csv").columns
    times = [frame["time_s"] for frame in frames]
    assert times[0] == 0.0 and times[-1] == columns["time_s"][-1] and times == sorted(times)
    assert columns["time_s"][np.flatnonzero(np.diff(columns["step"]))[0] + 1] in times
    size = columns["radius_tip_m"] + columns["thickness_m"] / 2
    grown = [size[np.searchsorted(columns["time_s"], t)] for t in times]
    gaps = np.diff(grown)
    assert gaps.max() < 0.25 * (grown[-1] - grown[0])


def test_a_long_recipe_without_a_size_thins_its_frames(tmp_path, recipe_file, fake):
    text = recipe_file.read_text().replace("radius_um = 20", "minutes = 30")
    recipe_file.write_text(text)
    grow(recipe_file, tmp_path / "long", engine=fake, pictures=False, frames=8)
    kept = list_frames(tmp_path / "long/frames.zarr")
    assert 6 <= len(kept) <= 15 and max(kept) > 15
    frames = [read_frame(tmp_path / "long/frames.zarr", k) for k in kept]
    sizes = [frame["spacing_m"] for frame in frames]  # the stand-in's lattice grows with its crystal
    assert sizes == sorted(sizes)
    spaced = [s for s, frame in zip(sizes, frames, strict=True) if frame["kept_for"] == "growth"]
    assert np.diff(spaced).max() < 2.5 * np.diff(spaced).min()


@pytest.mark.parametrize("moment", [0.15, 0.45])
def test_kill_9_then_resume_gives_the_same_bytes(recipe_file, tmp_path, straight, child, moment):
    folder = tmp_path / "killed"
    process = child(recipe_file, folder)
    wait_for(lambda: (folder / "checkpoint/b.npz").exists())
    time.sleep(moment)
    process.kill()
    assert process.wait() == -signal.SIGKILL
    process.stdout.close()
    assert json.loads((folder / "run.json").read_text())["state"] == "growing"
    again = child("", folder, nap_s=0)
    assert again.wait(timeout=60) == 0
    again.stdout.close()
    assert_same_run(folder, straight)


def test_killed_again_and_again(recipe_file, tmp_path, straight, child, fake):
    folder = tmp_path / "often"
    source, reached = recipe_file, 0

    def number():
        saved = checkpoint.load(folder / "checkpoint")
        return saved.number if saved else 0

    for _ in range(3):
        process = child(source, folder, every_s=0.05, nap_s=0.008)
        before = reached
        wait_for(lambda before=before: number() > before)
        process.kill()
        process.wait()
        process.stdout.close()
        assert json.loads((folder / "run.json").read_text())["state"] == "growing"
        source, reached = "", number()
    grow(None, folder, resume=True, engine=fake, pictures=False)
    assert_same_run(folder, straight)


def test_killed_before_the_first_checkpoint_starts_over(recipe_file, tmp_path, straight, child, fake):
    folder = tmp_path / "early"
    process = child(recipe_file, folder, every_s=1e9)
    wait_for(lambda: (folder / "series.csv").exists() and (folder / "series.csv").stat().st_size > 3000)
    process.kill()
    process.wait()
    process.stdout.close()
    grow(None, folder, resume=True, engine=fake, pictures=False)
    assert_same_run(folder, straight)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_stops_tidily_and_resume_goes_on(recipe_file, tmp_path, straight, child, fake, number):
    folder = tmp_path / "stopped"
    process = child(recipe_file, folder, every_s=1e9)
    wait_for(lambda: (folder / "series.csv").exists() and (folder / "series.csv").stat().st_size > 3000)
    process.send_signal(number)
    assert process.wait(timeout=20) == 0
    last = process.stdout.read().decode().splitlines()[-1]
    process.stdout.close()
    assert last.startswith("stopped by the user at ") and "--resume" in last
    summary = summary_of(folder)
    assert summary["ended"] == last and not summary["complete"] and summary["radius_um"] > 5
    assert json.loads((folder / "run.json").read_text())["state"] == "stopped"
    done = grow(None, folder, resume=True, engine=fake, pictures=False)
    assert done.complete
    assert_same_run(folder, straight)


def test_a_torn_checkpoint_costs_the_work_since_the_one_before_and_is_said(
    recipe_file, tmp_path, straight, child, fake
):
    folder = tmp_path / "torn"
    process = child(recipe_file, folder, every_s=0.05)
    wait_for(lambda: (folder / "checkpoint/b.npz").exists() and (folder / "checkpoint/a.npz").exists())
    time.sleep(0.3)
    process.kill()
    process.wait()
    process.stdout.close()
    newest = max((folder / "checkpoint").glob("?.npz"), key=lambda path: path.stat().st_mtime_ns)
    newest.write_bytes(newest.read_bytes()[:-700])
    with (folder / "series.csv").open("ab") as file:
        file.write(b"12.0,258.1")
    summary = grow(None, folder, resume=True, engine=fake, pictures=False)
    assert any(f"{newest.name} is torn" in text for text in summary.warnings)
    assert_same_run(folder, straight)


def test_a_row_that_a_checkpoint_counts_but_is_gone_is_refused(recipe_file, tmp_path, child, fake):
    folder = tmp_path / "short"
    process = child(recipe_file, folder, every_s=1e9)
    wait_for(lambda: (folder / "series.csv").exists() and (folder / "series.csv").stat().st_size > 3000)
    process.send_signal(signal.SIGINT)
    process.wait(timeout=20)
    process.stdout.close()
    lines = (folder / "series.csv").read_bytes().splitlines(keepends=True)
    (folder / "series.csv").write_bytes(b"".join(lines[:3]))
    with pytest.raises(IcewrightError, match="rows are missing"):
        grow(None, folder, resume=True, engine=fake, pictures=False)


def test_a_full_disk_in_mid_run_is_one_error_and_resumes(recipe_file, tmp_path, straight, fake, monkeypatch):
    folder = tmp_path / "full"
    real, calls = np.savez, []

    def filling(*args, **kw):
        calls.append(1)
        if len(calls) == 4:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(*args, **kw)

    monkeypatch.setattr(np, "savez", filling)
    with pytest.raises(IcewrightError, match=r"(?s)disk is full.*--resume") as caught:
        grow(recipe_file, folder, engine=fake, pictures=False, checkpoint_every_s=0.0)
    assert len(str(caught.value).splitlines()) <= 3
    assert json.loads((folder / "run.json").read_text())["status"].startswith("stopped: The disk is full")
    assert checkpoint.load(folder / "checkpoint").number == 3
    assert len(read_series(folder / "series.csv")) > 1
    monkeypatch.undo()
    grow(None, folder, resume=True, engine=fake, pictures=False)
    assert_same_run(folder, straight)


def test_a_fault_in_the_engine_is_told_as_it_is(recipe_file, tmp_path, fake, faulty, straight):
    folder = tmp_path / "fault"
    with pytest.raises(ZeroDivisionError):
        grow(recipe_file, folder, engine=faulty, pictures=False, checkpoint_every_s=0.0)
    run = json.loads((folder / "run.json").read_text())
    assert run["state"] == "failed" and "a fault in the engine" in run["status"]
    grow(None, folder, resume=True, engine=fake, pictures=False)  # the fault is mended
    assert_same_run(folder, straight)


def test_a_cheap_reading_gives_the_same_run_with_fewer_dear_ones(recipe_file, tmp_path, glancing, straight):
    glancing.dear = 0
    summary = grow(recipe_file, tmp_path / "g", engine=glancing, pictures=False)
    rows = len(read_series(straight / "series.csv"))
    assert glancing.dear <= rows + 2 < summary.steps
    assert_same_run(tmp_path / "g", straight)


def test_another_run_is_never_grown_over(recipe_file, straight, fake):
    before = (straight / "series.csv").read_bytes()
    with pytest.raises(IcewrightError, match=r"(?s)already holds a run.*--resume.*--out"):
        grow(recipe_file, straight, engine=fake, pictures=False)
    assert (straight / "series.csv").read_bytes() == before


def test_resume_of_something_else_is_refused(tmp_path, recipe_file, straight, fake):
    with pytest.raises(IcewrightError, match="not a run folder"):
        grow(None, tmp_path, resume=True, engine=fake)
    other = tmp_path / "other.toml"
    other.write_text(recipe_file.read_text().replace("sigma_percent = 10", "sigma_percent = 9"))
    with pytest.raises(IcewrightError, match="not the one in"):
        grow(other, straight, resume=True, engine=fake)


def test_an_ended_run_resumes_to_its_own_summary(straight, fake):
    before = (straight / "series.csv").read_bytes()
    summary = grow(None, straight, resume=True, engine=fake, pictures=False)
    record = summary_of(straight)
    assert summary.ended == record["ended"] and summary.radius_um == record["radius_um"]
    assert (straight / "series.csv").read_bytes() == before


def test_killed_after_the_last_step_but_before_the_summary(straight, tmp_path, fake):
    before = summary_of(straight)
    (straight / "summary.json").unlink()
    RunFolder(straight).set_status("growing", state="growing")
    untouched = shutil.copytree(straight, tmp_path / "untouched")
    grow(None, straight, resume=True, engine=fake, pictures=False)
    after = summary_of(straight)
    assert {k: v for k, v in after.items() if k != "wall_s"} == {
        k: v for k, v in before.items() if k != "wall_s"
    }
    assert_same_run(straight, untouched)


def test_a_bad_recipe_writes_nothing(tmp_path, recipe_file, fake):
    recipe_file.write_text(recipe_file.read_text().replace("temperature_c = -15", "temperature_c = 5"))
    with pytest.raises(IcewrightError):
        grow(recipe_file, tmp_path / "none", engine=fake)
    assert not (tmp_path / "none").exists()


def test_progress_says_what_a_bar_needs(recipe_file, tmp_path, fake, monkeypatch):
    monkeypatch.setattr(module, "_TELL_EVERY_S", 0.0)
    said = []
    grow(recipe_file, tmp_path / "p", engine=fake, on_progress=said.append, pictures=False)
    keys = "radius_um thickness_um time_min step steps_total fraction eta_s wall_s status"
    assert all(set(keys.split()) <= set(item) for item in said)
    fractions = [item["fraction"] for item in said]
    assert fractions == sorted(fractions) and fractions[-1] == 1.0
    assert {item["step"] for item in said} == {1, 2} and said[0]["steps_total"] == 2
    # Step 1 ends on radius 20 um from 5: half of the run's bar is (radius - 5) / 15 / 2.
    first = [item for item in said if item["step"] == 1]
    for item in first:
        assert item["fraction"] == pytest.approx((item["radius_um"] - 5) / 30, abs=1e-9)


def test_pictures_that_fail_do_not_lose_the_run(recipe_file, tmp_path, fake, monkeypatch):
    import types

    def broken(*_args):
        raise RuntimeError("no fonts here")

    monkeypatch.setitem(sys.modules, "icewright.pictures.album", types.SimpleNamespace(make_album=broken))
    summary = grow(recipe_file, tmp_path / "p", engine=fake)
    assert summary.complete and any("no fonts here" in text for text in summary.warnings)
    assert any("no fonts here" in text for text in summary_of(tmp_path / "p")["warnings"])


def test_the_album_gets_frames_series_and_the_droplet_line(recipe_file, tmp_path, fake, monkeypatch):
    import types

    got = {}

    def album(frames, series, title, caption, sigma_water, out_dir):
        got.update(frames=list(frames), series=series, title=title, caption=caption, water=sigma_water)
        out_dir.mkdir()
        written = [out_dir / name for name in ("hero.png", "solid.stl")]
        for path in written:
            path.write_bytes(b"drawn")
        return written

    monkeypatch.setitem(sys.modules, "icewright.pictures.album", types.SimpleNamespace(make_album=album))
    summary = grow(recipe_file, tmp_path / "p", engine=fake)
    assert summary_of(tmp_path / "p")["pictures"] == ["pictures/hero.png", "solid.stl"]
    assert all(path.exists() for path in summary.pictures)
    assert got["frames"][-1][0] == got["series"]["time_s"][-1]
    assert got["title"].startswith("Tern Point") and "-15 to -14 degC, sigma 2 %" in got["caption"]
    # -15 degC at water saturation: sigma 0.15742 (Q. J. R. Meteorol. Soc. 131, 1539, 2005, as tabled in the
    # project's physics notes, section 1.2).
    at_minus_15 = np.isclose(got["series"]["temperature_k"], 258.15)
    np.testing.assert_allclose(
        np.broadcast_to(got["water"], at_minus_15.shape)[at_minus_15], 0.15742, rtol=2e-3
    )


def test_a_run_in_a_thread_needs_no_signals(recipe_file, tmp_path, fake, straight):
    thread = threading.Thread(
        target=grow, args=(recipe_file, tmp_path / "t"), kwargs={"engine": fake, "pictures": False}
    )
    thread.start()
    thread.join()
    assert_same_run(tmp_path / "t", straight)


def test_signal_handlers_are_put_back(recipe_file, tmp_path, fake):
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    grow(recipe_file, tmp_path / "p", engine=fake, pictures=False)
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


def test_a_saved_crystal_is_the_seed_of_the_next_run(tmp_path, recipe_file, straight, fake):
    text = recipe_file.read_text().replace("radius_um = 5\nthickness_um = 3", f'crystal = "{straight}"')
    recipe_file.write_text(text.replace("radius_um = 20", "radius_um = 30"))
    summary = grow(recipe_file, tmp_path / "next", engine=fake, pictures=False)
    first = read_series(tmp_path / "next/series.csv").columns["radius_tip_m"][0]
    last = read_series(straight / "series.csv").columns["radius_tip_m"][-1]
    assert first == pytest.approx(last, rel=0.06)  # one cell of the stand-in's lattice is 5 % of the radius
    assert summary.radius_um > 30


def test_frames_come_back_as_solids_with_the_area_of_a_hexagon(straight):
    from icewright.shape.sizes import measure

    sizes = measure(solid_of(straight))
    last = {name: values[-1] for name, values in read_series(straight / "series.csv").columns.items()}
    # A regular hexagon of corner radius R has area 3 sqrt(3)/2 R^2 (plane geometry).
    assert sizes.area_m2 == pytest.approx(1.5 * 3**0.5 * last["radius_tip_m"] ** 2, rel=0.12)


def test_a_users_own_table_travels_with_the_run(tmp_path, recipe_file, fake, monkeypatch):
    table = tmp_path / "mine.toml"
    table.write_text("ours = 1\n")
    text = recipe_file.read_text().replace("schema = 1", 'schema = 1\nkinetics = "mine.toml"')
    recipe_file.write_text(text)
    from icewright.kinetics import load

    asked = []

    def loads(path):
        asked.append(str(path))
        return load("broad-narrow")

    monkeypatch.setattr("icewright.kinetics.load", loads)
    grow(recipe_file, tmp_path / "run", engine=fake, pictures=False)
    assert (tmp_path / "run/kinetics.toml").read_text() == "ours = 1\n"
    table.unlink()
    grow(None, tmp_path / "run", resume=True, engine=fake, pictures=False)
    assert asked[-1] == str(tmp_path / "run/kinetics.toml")
