"""`icewright new`: starters that read back, and that ask the question of the crystal under the microscope."""

from __future__ import annotations

import json

import pytest

from icewright.cli.main import run
from icewright.ground.errors import IcewrightError
from icewright.recipe.cautions import warnings
from icewright.recipe.files import loads, read
from icewright.tasks.new import HABITS, starter


@pytest.mark.parametrize("habit", HABITS)
def test_every_habit_reads_back_without_warnings(habit: str) -> None:
    text = starter(habit=habit)
    recipe = loads(text)
    assert warnings(recipe) == []
    assert text.count("#") >= 8  # commented, as promised


def test_habits_stand_where_the_morphology_diagram_has_them() -> None:
    # Common practice, no source: plates near -2 or -12, columns and needles near -5, stars near -15 degC.
    def first_c(habit: str) -> float:
        return loads(starter(habit=habit)).steps[0].temperature_k[0] - 273.15

    assert first_c("star") == pytest.approx(-15)
    for habit in ("column", "hollow-column", "needle", "capped-column"):
        assert -7 <= first_c(habit) <= -4
    last = loads(starter(habit="capped-column")).steps[-1]
    assert last.temperature_k[0] < loads(starter(habit="capped-column")).steps[0].temperature_k[0]


def test_measured_crystal_becomes_the_seed_and_the_question_is_ready() -> None:
    text = starter(temperature_c=-15, sigma_percent=2, radius_um=80, thickness_um=12)
    recipe = loads(text)
    assert (recipe.seed.radius_m, recipe.seed.thickness_m) == (80e-6, 12e-6)
    assert len(recipe.steps) == 1
    asked = text[text.index("# What if") :].replace("# ", "").split("\n", 1)[1]
    moister = loads(text[: text.index("# What if")] + asked)
    assert len(moister.steps) == 2
    # Between now and water saturation, 15.74 % over ice at -15 degC (2005 review): no fog on the first try.
    assert 0.02 < moister.steps[1].humidity.start < 0.1574
    assert warnings(moister) == []


def test_conditions_by_water_fraction_say_where_fog_forms() -> None:
    text = starter(temperature_c=-5, water_fraction=0.98)
    assert loads(text).steps[0].humidity.measure == "water_fraction"
    # Water saturation over ice at -5 degC: 4.979 % (2005 review for both), 4.980 % (equation of state).
    assert "Fog forms at 4.98 %" in text


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "nothing to start from"),
        ({"habit": "star", "temperature_c": -15.0}, "--habit together with conditions"),
        ({"temperature_c": -15.0}, "no humidity"),
        ({"sigma_percent": 2.0}, "without a temperature"),
        ({"temperature_c": 258.0, "sigma_percent": 2.0}, "kelvin"),
        ({"temperature_c": -15.0, "sigma_percent": 2.0, "radius_um": 80.0}, "--radius-um alone"),
        ({"radius_um": 80.0, "thickness_um": 12.0}, "without its air"),
        ({"temperature_c": -15.0, "water_fraction": 95.0}, "not percent"),
    ],
)
def test_refusals(given, words: str) -> None:
    with pytest.raises(IcewrightError) as caught:
        starter(**given)
    assert words in str(caught.value)
    assert caught.value.do


def test_file_is_written_once_and_again_only_with_force(tmp_path, capsys) -> None:
    path = tmp_path / "star.toml"
    assert run(["new", str(path), "--habit", "star"]) == 0
    assert f"icewright grow {path}" in capsys.readouterr().out
    assert read(path).title == "A star with side branches"
    path.write_text("mine")
    assert run(["new", str(path), "--habit", "star"]) == 2
    assert "exists" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert run(["new", str(path), "--habit", "star", "--force"]) == 0
    assert read(path)


def test_missing_folder(tmp_path, capsys) -> None:
    assert run(["new", str(tmp_path / "no" / "star.toml"), "--habit", "star"]) == 2
    assert "mkdir -p" in capsys.readouterr().err


def test_to_stdout_and_as_json(capsys) -> None:
    arguments = ["new", "--temperature", "-5", "--sigma", "2", "--radius-um", "9", "--length-um", "60"]
    assert run(arguments) == 0
    text = capsys.readouterr().out
    assert loads(text).seed.thickness_m == 60e-6
    assert run([*arguments, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said == {"path": None, "recipe": text}
