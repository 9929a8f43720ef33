"""`icewright air` at the command line: laboratory units at the edge, JSON in SI, refusals in words."""

from __future__ import annotations

import json

import pytest

from icewright.cli.main import run


def printed(capsys: pytest.CaptureFixture[str], *args: str) -> dict[str, object]:
    assert run(["air", *args, "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def values(record: dict[str, object]) -> dict[str, float]:
    groups = (record["humidity"], record["margins"], record["scales"])
    return {item["name"]: item["value"] for group in groups for item in group}  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    "humidity",
    [
        ("--sigma", "15.742"),
        ("--rh", "100"),
        ("--dew-point", "-15"),
        ("--frost-point", "-13.406"),
        ("--vapour-pressure", "191.32"),
        ("--excess", "0.2184"),
    ],
)
def test_water_saturation_at_minus_15_in_six_ways(
    capsys: pytest.CaptureFixture[str], humidity: tuple[str, str]
) -> None:
    # Project's table at -15 degC: 15.742 %, 0.2184 g/m3, frost point 1.594 K above. Within the digits typed.
    found = values(printed(capsys, "--temperature", "-15", *humidity))
    assert found["sigma"] == pytest.approx(0.15742, abs=5e-4)
    assert found["rh_water"] == pytest.approx(1.0, abs=5e-4)


def test_pressure_is_in_hpa_and_diffusivity_by_year(capsys: pytest.CaptureFixture[str]) -> None:
    # D of the 1998 formula: 1.966e-5 m2/s at -15 degC and 1013.25 hPa (project's table); it goes as 1/P.
    args = ("-t", "-15", "--sigma", "1", "--diffusivity", "1998")
    assert values(printed(capsys, *args))["D_m2_s"] == pytest.approx(1.966e-5, abs=1e-8)
    half = values(printed(capsys, *args, "-p", "506.625"))
    assert half["D_m2_s"] == pytest.approx(2 * 1.966e-5, abs=2e-8)


def test_the_tables_carry_values_uncertainties_and_sources(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["air", "-t", "-15", "--sigma", "5"]) == 0
    out = capsys.readouterr().out
    rows = {line[:30].strip(): line[30:].split() for line in out.splitlines()}
    assert rows["supersaturation over ice"][:3] == ["5", "given", "%"]
    # Project's table at -15 degC: v_kin 207.9 um/s.
    value, spread, unit = rows["kinetic velocity v_kin"][:3]
    assert float(value) == pytest.approx(207.9, rel=5e-3) and float(spread) > 0 and unit == "um/s"
    assert "margin to water saturation" in rows
    assert "from memory" in out and "J. Atmos. Sci. 33, 1995, 1976" in out


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("-t", "-5"), "--frost-point"),
        (("-t", "-5", "--sigma", "1", "--rh", "90"), "--sigma and --rh"),
        (("-t", "5", "--sigma", "1"), "0 degC or colder"),
        (("-t", "-5", "--rh", "-3"), "negative"),
        (("-t", "-5", "--sigma", "1", "--diffusivity", "1957"), "1976, 1998, 1972"),
        (("-t", "-5", "--sigma", "1", "-p", "101325"), "hPa"),
    ],
)
def test_refusals(capsys: pytest.CaptureFixture[str], args: tuple[str, ...], words: str) -> None:
    assert run(["air", *args]) == 2
    assert words in capsys.readouterr().err
