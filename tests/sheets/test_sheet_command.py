"""`icewright sheet` as a new user meets it."""

from __future__ import annotations

import json

import pytest

from icewright.cli.main import run


def test_json_says_what_was_written(turn_run, tmp_path, capsys) -> None:
    out = tmp_path / "t.pdf"
    arguments = ["sheet", str(turn_run), "--out", str(out), "--session", str(tmp_path / "t.toml"), "--json"]
    assert run(arguments) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["sheet"] == str(out) and out.read_bytes().startswith(b"%PDF")
    assert said["pages"] in (1, 2) and said["steps"] == 3
    assert run(["sheet", str(tmp_path / "t.toml"), "--mark", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"mark": said["mark"], "agrees": None}


def test_the_bench_opens_the_session_file(turn_run, turn_sheet) -> None:
    from icewright.bench.runs import read_recipe
    from icewright.recipe.files import read

    text = turn_sheet.with_name("again.toml").read_text(encoding="utf-8")
    found = read_recipe(text, turn_sheet.parent)
    assert getattr(found, "recipe", found) == read(turn_run / "recipe.toml")


def test_typed_in_file_is_checked_by_its_mark(turn_run, tmp_path, capsys) -> None:
    from icewright.recipe.files import read
    from icewright.sheets.type_in import block

    typed = tmp_path / "again.toml"
    typed.write_text(block(read(turn_run / "recipe.toml")), encoding="utf-8")
    assert run(["sheet", str(typed), "--mark"]) == 0
    assert "as printed" in capsys.readouterr().out
    typed.write_text(typed.read_text(encoding="utf-8").replace("0.3", "0.35"), encoding="utf-8")
    assert run(["sheet", str(typed), "--mark"]) == 2
    assert "line by line" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["{run}"], "--out turn.pdf"),
        (["{run}", "--out", "{tmp}/t.png"], "t.pdf"),
        (["{tmp}/nothing.toml", "--out", "{tmp}/t.pdf"], "no file"),
        (["{tmp}", "--out", "{tmp}/t.pdf"], "not a run folder"),
    ],
)
def test_slips_are_refused_in_words(turn_run, tmp_path, capsys, arguments, words) -> None:
    filled = [a.format(run=turn_run, tmp=tmp_path) for a in arguments]
    assert run(["sheet", *filled]) == 2
    said = capsys.readouterr().err
    assert words in said and "Traceback" not in said


def test_a_recipe_is_grown_first_and_gone_on_with_after_a_stop(
    turn_text, tmp_path, capsys, monkeypatch
) -> None:
    from icewright.tasks import grow as task

    class StopsAtOnce(task.StopFlag):
        def __enter__(self):
            self.asked = True
            return self

        def __exit__(self, *_):
            pass

    recipe, out = tmp_path / "turn.toml", tmp_path / "turn.pdf"
    recipe.write_text(turn_text.replace("voxel_um = 1", "voxel_um = 2"), encoding="utf-8")
    with monkeypatch.context() as patch:
        patch.setattr(task, "StopFlag", StopsAtOnce)
        assert run(["sheet", str(recipe), "--out", str(out)]) == 130
    assert "the same command again" in capsys.readouterr().err
    assert not out.exists()
    assert run(["sheet", str(tmp_path / "turn-run"), "--out", str(out)]) == 2  # it has not ended
    assert "--resume" in capsys.readouterr().err
    assert run(["sheet", str(recipe), "--out", str(out)]) == 0
    assert out.exists()
    # Another recipe under the same name must not get the old one's prediction.
    recipe.write_text(turn_text, encoding="utf-8")
    assert run(["sheet", str(recipe), "--out", str(out)]) == 2
    assert "another recipe" in capsys.readouterr().err


def test_a_fine_recipe_is_predicted_at_preview_and_a_coarse_one_as_it_is(turn_text) -> None:
    from icewright.recipe.files import loads
    from icewright.recipe.in_settings import of_air
    from icewright.recipe.resolution import Resolution
    from icewright.tasks.sheet import _at_preview

    recipe = loads(turn_text)
    assert _at_preview(of_air(recipe)).recipe == recipe  # 1 um is coarser than 14 um in 100
    fine = recipe.model_copy(update={"resolution": Resolution(preset="fine")})
    assert _at_preview(of_air(fine)).recipe.resolution == Resolution(preset="preview")
