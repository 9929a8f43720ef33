"""`icewright look`: the same facts in words and as JSON."""

from __future__ import annotations

import json

from icewright.cli.main import run


def test_look_says_what_the_run_holds(fake_engine, recipe_file, tmp_path, capsys) -> None:
    out = tmp_path / "run"
    assert run(["grow", str(recipe_file), "--out", str(out), "--json"]) == 0
    grown = json.loads(capsys.readouterr().out)
    assert run(["look", str(out), "--json"]) == 0
    held = json.loads(capsys.readouterr().out)
    assert held["state"] == "ended"
    assert held["summary"]["radius_um"] == grown["radius_um"]
    assert run(["look", str(out)]) == 0
    said = capsys.readouterr().out
    assert "Tern Point cold room" in said
    assert "series.csv" in said


def test_a_folder_that_is_no_run_is_refused(tmp_path, capsys) -> None:
    assert run(["look", str(tmp_path)]) == 2
    assert "icewright grow" in capsys.readouterr().err
