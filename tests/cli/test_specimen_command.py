"""`icewright specimen` from the keyboard: of a recipe, of its run, of a set; refusals without a traceback."""

import json

import numpy as np
import pytest
from PIL import Image

from icewright.cli.main import run


def _json(capsys):
    return json.loads(capsys.readouterr().out)


def test_a_recipe_is_grown_and_drawn_and_then_its_run_is_drawn_alone(
    fake_engine, recipe_file, tmp_path, capsys
):
    out = tmp_path / "seen"
    small = ["--pixels", "160x120", "--json"]
    assert run(["specimen", str(recipe_file), "--out", str(out), "--light", "all", *small]) == 0
    told = _json(capsys)
    assert [s["light"] for s in told["specimens"]] == ["bright-field", "dark-field", "oblique", "two-colour"]
    assert told["specimens"][0]["radius_tip_um"] == pytest.approx(12.0, abs=1.0)  # the recipe ends at 12 um
    assert np.asarray(Image.open(told["specimens"][3]["picture"])).shape == (120, 160, 3)
    # The same command again does not grow again; the run by itself draws all its frames.
    assert run(["specimen", str(recipe_file), "--out", str(out), *small]) == 0
    capsys.readouterr()
    series = tmp_path / "series"
    assert run(["specimen", str(out / "run"), "--out", str(series), "--every-frame", *small]) == 0
    told = _json(capsys)["specimens"]
    assert len(told) > 1 and len({tuple(s["pitch_um"]) for s in told}) == 1
    times = [s["time_min"] for s in told]
    radii = [s["radius_tip_um"] for s in told]
    assert times == sorted(times) and radii == sorted(radii)


def test_another_recipe_does_not_draw_the_first_ones_crystal(fake_engine, recipe_file, tmp_path, capsys):
    out = tmp_path / "seen"
    assert run(["specimen", str(recipe_file), "--out", str(out), "--pixels", "80x60", "--json"]) == 0
    other = tmp_path / "other.toml"
    other.write_text(recipe_file.read_text().replace("radius_um = 12", "radius_um = 9"))
    capsys.readouterr()
    assert run(["specimen", str(other), "--out", str(out), "--json"]) == 2
    assert "another recipe" in _json(capsys)["error"]["message"]


def test_a_set_goes_on_where_it_was_stopped(tmp_path, capsys):
    out = tmp_path / "set"
    assert run(["specimen", "--set", "2", "--out", str(out), "--light", "bright-field", "--json"]) == 0
    first = _json(capsys)["specimens"]
    assert [s["grade"] for s in first] == ["perfect", "good"]
    when = (out / "specimen-0000.json").stat().st_mtime_ns
    assert run(["specimen", "--set", "3", "--out", str(out), "--light", "bright-field", "--json"]) == 0
    assert _json(capsys)["specimens"][:2] == first
    assert (out / "specimen-0000.json").stat().st_mtime_ns == when


@pytest.mark.parametrize(
    "typed",
    [
        ["specimen"],
        ["specimen", "--out", "x"],
        ["specimen", "nowhere", "--out", "x"],
        ["specimen", "nowhere", "--set", "3", "--out", "x"],
        ["specimen", "--set", "0", "--out", "x"],
        ["specimen", "--set", "2", "--out", "x", "--quality", "superb"],
        ["specimen", "nowhere", "--out", "x", "--pixels", "wide"],
        ["specimen", "nowhere", "--out", "x", "--light", "pink"],
    ],
)
def test_slips_are_refused_with_what_was_wanted(typed, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run([*typed, "--json"]) == 2
    error = _json(capsys)["error"]
    assert error["got"] and error["wanted"]
