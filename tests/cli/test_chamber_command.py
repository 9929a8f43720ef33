"""`icewright chamber`: settings to air and back in laboratory units, a picture, refusals in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from icewright.cli.main import run

EXAMPLES = Path(__file__).parents[2] / "examples"
CELL = str(EXAMPLES / "apparatus-reservoir.toml")
PLATES = str(EXAMPLES / "apparatus-two-plate.toml")


def printed(capsys: pytest.CaptureFixture[str], *args: str) -> dict:
    assert run(["chamber", *args, "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("apparatus-*.toml")), ids=lambda p: p.stem)
def test_every_example_answers(capsys: pytest.CaptureFixture[str], path: Path) -> None:
    assert run(["chamber", str(path)]) == 0
    out = capsys.readouterr().out
    for words in ("supersaturation over ice", "Error budget", "calibrate", "Fog", "Cautions", "local rules"):
        assert words in out
    assert max(len(line) for line in out.splitlines() if "│" in line or "─" in line) <= 80


def test_settings_give_the_table_s_air(capsys: pytest.CaptureFixture[str]) -> None:
    # Section 5 (b) of the collected physics: plate -15 degC, reservoir 0.5 K warmer: 0.04712 (to 2.5e-4 of
    # e).
    data = printed(capsys, CELL, "--set", "plate_c=-15", "--set", "reservoir_c=-14.5")
    assert data["kind"] == "icewright.chamber" and data["schema"] == 1
    assert data["air"]["sigma"] == pytest.approx(0.04712, abs=2e-5)
    assert data["air"]["temperature_k"] == pytest.approx(258.15)
    assert data["budget"]["method"] == "linear" and data["budget"]["rows"][0]["thermometer"] == "plate"


def test_wanted_air_gives_settings_on_the_knobs_steps(capsys: pytest.CaptureFixture[str]) -> None:
    data = printed(capsys, PLATES, "--temperature", "-12.5", "--sigma", "8")
    exact, shown = data["wanted"]["exact"], data["wanted"]["on_steps"]
    for name, value in shown.items():
        assert value == pytest.approx(round(value, 1)) and abs(exact[name] - value) <= 0.05 + 1e-9
    # What is told is told at the rounded settings, and is near to what was wanted.
    assert data["settings"] == shown
    assert data["air"]["temperature_k"] == pytest.approx(260.65, abs=0.06)
    assert data["air"]["sigma"] == pytest.approx(0.08, abs=0.003)
    assert run(["chamber", PLATES, "-t", "-12.5", "--sigma", "8"]) == 0
    out = capsys.readouterr().out
    assert "for -12.5 degC and 8 % over ice set" in out and "calibrate lower first" in out


def test_a_crystal_with_company_drinks(capsys: pytest.CaptureFixture[str]) -> None:
    size = ("--radius-um", "100", "--thickness-um", "20")
    alone = printed(capsys, PLATES, *size)["depletion"]
    crowd = printed(capsys, PLATES, *size, "--neighbours", "2", "--distance-mm", "1")["depletion"]
    assert crowd["mass_rate_kg_s"] < 0.95 * alone["mass_rate_kg_s"]
    # Two neighbours ten capacitances and more away: about 1/(1 + 2 C/s).
    C = alone["capacitance_m"]
    assert crowd["factors"]["2 equal neighbours"] == pytest.approx(1 / (1 + 2 * C / 1e-3), rel=0.01)


def test_pressure_is_in_hpa_and_slows_nothing_in_sigma(capsys: pytest.CaptureFixture[str]) -> None:
    full, half = (printed(capsys, CELL, "-p", p) for p in ("1013.25", "500"))
    assert half["air"]["sigma"] == pytest.approx(full["air"]["sigma"])
    # D goes as 1/P, so the air settles in half the time.
    ratio = half["response"]["lag"]["vapour_s"] / full["response"]["lag"]["vapour_s"]
    assert ratio == pytest.approx(500 / 1013.25, rel=1e-6)


@pytest.mark.parametrize("kind", ["two-plate", "mixing"])
def test_the_picture_says_what_it_is(capsys: pytest.CaptureFixture[str], tmp_path: Path, kind: str) -> None:
    from PIL import Image

    path = tmp_path / "air.png"
    assert run(["chamber", str(EXAMPLES / f"apparatus-{kind}.toml"), "--picture", str(path)]) == 0
    assert str(path) in capsys.readouterr().out
    with Image.open(path) as picture:
        assert picture.text["kind"] == "icewright.chamber" and picture.text["schema"] == "1"
        assert picture.size[0] > 1000


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ((CELL, "--set", "plate_c=5"), ("out of its range", "-40 to -0.5 degC", "Fahrenheit: plate_c = -15")),
        ((PLATES, "--set", "warm_plate_c=-25"), ("swapped", "warm_plate_c = -20, cold_plate_c = -25")),
        ((CELL, "--set", "plate_f=5"), ("plate_c = -15",)),
        ((CELL, "--set", "plate_c"), ("NAME=VALUE",)),
        ((CELL, "--set", "plate_c=cold"), ("--set plate_c=-15",)),
        ((CELL, "-t", "-15"), ("both temperature and supersaturation",)),
        ((CELL, "-t", "14", "--sigma", "5"), ("Fahrenheit: --temperature -10",)),
        ((CELL, "-t", "-15", "--sigma", "4900"), ("limits",)),
        ((CELL, "-p", "101325"), ("0.1 to 2000 hPa",)),
        ((CELL, "--radius-um", "100"), ("two sizes",)),
        ((CELL, "--neighbours", "3"), ("Which crystal",)),
        ((CELL, "--radius-um", "100", "--thickness-um", "20", "--neighbours", "1"), ("--distance-mm 1",)),
        (("nowhere.toml",), ("no file nowhere.toml",)),
    ],
)
def test_refusals(capsys: pytest.CaptureFixture[str], args: tuple[str, ...], words: tuple[str, ...]) -> None:
    assert run(["chamber", *args]) == 2
    err = capsys.readouterr().err
    for word in words:
        assert word in err
    assert len(err.strip().splitlines()) <= 3 and "Traceback" not in err
