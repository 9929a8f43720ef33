"""`icewright grow` over a stand-in engine: what it says, writes and leaves with."""

from __future__ import annotations

import json

from icewright.cli.bar import Bar, eta_words
from icewright.cli.main import run


def test_grows_and_says_how_it_ended(fake_engine, recipe_file, tmp_path, capsys) -> None:
    out = tmp_path / "run"
    assert run(["grow", str(recipe_file), "--out", str(out), "--json"]) == 0
    said = capsys.readouterr()
    summary = json.loads(said.out)
    for key in [
        "time_min",
        "radius_um",
        "thickness_um",
        "mass_ug",
        "aspect_ratio",
        "solidity",
        "habit",
        "mass_balance_error",
        "field_flux_ratio",
        "wall_s",
        "cells",
        "steps",
    ]:
        assert key in summary
    assert summary["ended"] == "radius reached 12 um"
    assert summary["complete"] is True
    assert said.err == ""
    assert (out / "summary.json").is_file()


def test_a_taken_folder_is_refused(fake_engine, recipe_file, tmp_path, capsys) -> None:
    out = str(tmp_path / "run")
    assert run(["grow", str(recipe_file), "--out", out, "--json"]) == 0
    capsys.readouterr()
    assert run(["grow", str(recipe_file), "--out", out]) == 2
    assert f"--resume {out}" in capsys.readouterr().err


def test_stop_leaves_with_130_and_resume_goes_on(
    fake_engine, recipe_file, tmp_path, capsys, monkeypatch
) -> None:
    from icewright.tasks import grow as task

    class StopsAtOnce(task.StopFlag):
        def __enter__(self):
            self.asked = True
            return self

        def __exit__(self, *_):
            pass

    whole, cut = tmp_path / "whole", tmp_path / "cut"
    assert run(["grow", str(recipe_file), "--out", str(whole), "--json"]) == 0
    with monkeypatch.context() as patch:
        patch.setattr(task, "StopFlag", StopsAtOnce)
        assert run(["grow", str(recipe_file), "--out", str(cut)]) == 130
    said = capsys.readouterr().out
    assert "stopped by the user" in said
    assert f"icewright grow --resume {cut}" in said
    assert run(["grow", "--resume", str(cut), "--json"]) == 0
    assert (cut / "series.csv").read_bytes() == (whole / "series.csv").read_bytes()


def test_check_resolution_compares_with_half_the_voxel(fake_engine, recipe_file, tmp_path, capsys) -> None:
    out = tmp_path / "run"
    assert run(["grow", str(recipe_file), "--out", str(out), "--check-resolution", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["resolution"]
    # The stand-in knows no voxels, so both runs are equal and every change is exactly nothing.
    assert (found["voxel_um"], found["finer_voxel_um"]) == (1.0, 0.5)
    assert [row["change"] for row in found["rows"]] == [0.0, 0.0, 0.0]
    assert found["within"] is True
    assert json.loads((out / "resolution.json").read_text())["kind"] == "icewright.resolution-check"
    # The finer run is already there, so asking again only compares.
    assert run(["grow", "--resume", str(out), "--check-resolution"]) == 0
    said = capsys.readouterr().out
    assert "voxel 1 um and 0.5 um" in said


def test_comparison_is_at_one_time_and_judged_by_the_bars() -> None:
    import numpy as np
    import pytest

    from icewright.tasks.check_resolution import compare

    t = np.array([0.0, 100.0, 200.0])
    own = {"time_s": t, "radius_tip_m": t * 1e-6, "thickness_m": t * 1e-7, "mass_kg": t * 1e-12}
    other = {"time_s": t * 0.75, "radius_tip_m": t * 0.72e-6, "thickness_m": t * 1e-7, "mass_kg": t * 0.7e-12}
    found = compare(own, other, branched=True)
    assert found["time_min"] == 2.5
    radius, thickness, mass = found["rows"]
    assert radius["value"] == pytest.approx(150e-6)
    assert radius["change"] == pytest.approx(150 / 144 - 1)
    assert radius["within"] is False
    assert thickness["bar"] is None
    assert mass["change"] == pytest.approx(150 / 140 - 1)
    assert mass["within"] is True
    assert compare(own, other, branched=False)["rows"][2]["within"] is False


def test_bar_off_a_terminal_prints_a_line(capsys) -> None:
    told = {
        "step": 1,
        "steps_total": 2,
        "radius_um": 42.0,
        "thickness_um": 7.0,
        "time_min": 1.5,
        "fraction": 0.25,
        "eta_s": 65.0,
        "status": "growing",
    }
    with Bar() as bar:
        bar(told)
        bar(told)  # within ten seconds of the first: nothing more
    said = " ".join(capsys.readouterr().err.split())
    assert said == "1/2 radius 42.0 um thickness 7.0 um 1.50 model min 25 % ETA 1:05"
    assert eta_words(None) == eta_words(0.0) == ""
