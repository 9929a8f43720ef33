"""Slips that people make, each refused with the line to type. The wording is part of the promise."""

from __future__ import annotations

import pytest

from icewright.ground.errors import IcewrightError
from icewright.recipe.files import loads, read

HEAD = 'kind = "icewright.recipe"\nschema = 1\n'
SEED = "[seed]\nradius_um = 5\nthickness_um = 4\n"
STEP = "[[step]]\ntemperature_c = -15\nsigma_percent = 2\nminutes = 10\n"


def with_step(*lines: str) -> str:
    return HEAD + SEED + "[[step]]\n" + "\n".join(lines) + "\n"


SLIPS = {
    "kelvin": (
        with_step("temperature_c = 258.15", "sigma_percent = 2", "minutes = 5"),
        ["kelvin", "temperature_c = -15"],
    ),
    "lost minus or fahrenheit": (
        with_step("temperature_c = 14", "sigma_percent = 2", "minutes = 5"),
        ["above freezing", "temperature_c = -14", "Fahrenheit: temperature_c = -10"],
    ),
    "too cold": (
        with_step("temperature_c = -80", "sigma_percent = 2", "minutes = 5"),
        ["step 1", "-70 to 0"],
    ),
    "pascals": (HEAD + "[air]\npressure_hpa = 101325\n" + SEED + STEP, ["pascals", "pressure_hpa = 1013.25"]),
    "negative humidity": (
        with_step("temperature_c = -15", "water_fraction = -0.1", "minutes = 5"),
        ["negative humidity", "water_fraction = 0.95"],
    ),
    "humidity in percent": (
        with_step("temperature_c = -15", "water_fraction = 95", "minutes = 5"),
        ["not percent", "water_fraction = 0.95"],
    ),
    "less than no vapour": (
        with_step("temperature_c = -15", "sigma_percent = -150", "minutes = 5"),
        ["negative amount of vapour"],
    ),
    "two humidities": (
        with_step("temperature_c = -15", "sigma_percent = 2", "excess_g_m3 = 0.1", "minutes = 5"),
        ["sigma_percent and excess_g_m3", "exactly one of"],
    ),
    "no humidity": (
        with_step("temperature_c = -15", "minutes = 5"),
        ["without a humidity", "sigma_percent = 2"],
    ),
    "no ending": (
        with_step("temperature_c = -15", "sigma_percent = 2"),
        ["step 1 has no ending", "minutes = 10"],
    ),
    "ramp without time": (
        with_step("temperature_c = [-6, -15]", "sigma_percent = 2", "radius_um = 50"),
        ["step 1: temperature_c = [-6, -15] is a ramp without a time", "minutes = 10"],
    ),
    "never grows": (
        with_step("temperature_c = -15", "sigma_percent = 0", "radius_um = 50"),
        ["never grows", "can never end", "minutes = 10"],
    ),
    "dry by water fraction": (  # 0.8 of water saturation is below ice saturation at -15 degC
        with_step("temperature_c = -15", "water_fraction = 0.8", "radius_um = 50"),
        ["never grows", "can never end"],
    ),
    "smaller than the seed": (
        with_step("temperature_c = -15", "sigma_percent = 2", "radius_um = 4"),
        ["step 1: radius_um = 4", "the seed already has 5", "radius_um = 10"],
    ),
    "smaller than the step before": (
        HEAD
        + SEED
        + STEP.replace("minutes = 10", "radius_um = 100")
        + STEP.replace("minutes = 10", "radius_um = 80"),
        ["step 2: radius_um = 80", "the crystal after step 1 already has 100"],
    ),
    "misspelt key": (
        with_step("temperature_c = -15", "sigma_pecent = 2", "minutes = 5"),
        ["step 1: unknown key sigma_pecent; did you mean sigma_percent?", "sigma_percent = 2"],
    ),
    "another unit in the key": (
        with_step("temperature_k = 258.15", "sigma_percent = 2", "minutes = 5"),
        ["did you mean temperature_c?", "its name says the unit"],
    ),
    "key in the wrong place": (
        HEAD + "voxel_um = 0.5\n" + SEED + STEP,
        ["voxel_um belongs in [resolution]"],
    ),
    "metres": (HEAD + "[seed]\nradius_um = 5e-6\nthickness_um = 4\n" + STEP, ["metres", "radius_um = 5"]),
    "seconds": (
        with_step("temperature_c = -15", "sigma_percent = 2", "minutes = 36000"),
        ["seconds", "minutes = 600"],
    ),
    "text for a number": (
        with_step('temperature_c = "-15"', "sigma_percent = 2", "minutes = 5"),
        ["a number", "temperature_c = -15"],
    ),
    "three numbers": (
        with_step("temperature_c = [-5, -6, -7]", "sigma_percent = 2", "minutes = 5"),
        ["[from, to]"],
    ),
    "not a number": (with_step("temperature_c = nan", "sigma_percent = 2", "minutes = 5"), ["finite number"]),
    "misspelt choice": (HEAD + 'facets = "joint"\n' + SEED + STEP, ['facets = "joined"']),
    "number for a name": (HEAD + "[air]\ndiffusivity = 1976\n" + SEED + STEP, ['diffusivity = "1976"']),
    "pedestal without height": (
        HEAD + '[held]\nway = "pedestal"\nstalk_radius_um = 2\n' + SEED + STEP,
        ["without height_um", "height_um = 50"],
    ),
    "height for a free crystal": (
        HEAD + "[held]\nheight_um = 50\n" + SEED + STEP,
        ['height_um with way = "free"'],
    ),
    "stalk wider than the seed": (
        HEAD + '[held]\nway = "needle"\nstalk_radius_um = 8\n' + SEED + STEP,
        ["under a seed of radius 5 um"],
    ),
    "preset and voxel": (
        HEAD + SEED + '[resolution]\npreset = "fine"\nvoxel_um = 1\n' + STEP,
        ["one of them"],
    ),
    "half a gas": (
        HEAD + "[air.gas]\ndiffusivity_m2_s = 1e-5\n" + SEED + STEP,
        ["without conductivity_w_mk"],
    ),
    "no seed": (HEAD + STEP, ["no [seed]", "radius_um = 5"]),
    "no steps": (HEAD + SEED, ["without steps", "[[step]]"]),
    "single brackets": (HEAD + SEED + STEP.replace("[[step]]", "[step]"), ["double brackets", "[[step]]"]),
    "no schema": ('kind = "icewright.recipe"\n' + SEED + STEP, ["no schema number", "schema = 1"]),
    "newer schema": (HEAD.replace("1", "2") + SEED + STEP, ["schema = 2", "pip install --upgrade icewright"]),
    "another kind": (HEAD.replace("recipe", "run") + SEED + STEP, ['kind = "icewright.recipe"']),
    "not toml": (HEAD + "title = star\n", ["not TOML", "line 3"]),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_slip_is_refused_with_the_line_to_type(slip: str) -> None:
    text, wanted = SLIPS[slip]
    with pytest.raises(IcewrightError) as caught:
        loads(text)
    for words in wanted:
        assert words in str(caught.value)
    assert caught.value.got
    assert caught.value.wanted


def test_the_text_that_the_slips_are_made_from_is_itself_accepted() -> None:
    assert loads(HEAD + SEED + STEP).seed.radius_m == 5e-6


def test_missing_file_says_how_to_make_one(tmp_path) -> None:
    with pytest.raises(IcewrightError, match="icewright new"):
        read(tmp_path / "absent.toml")


def test_missing_kinetics_file_is_named_from_the_recipes_folder(tmp_path) -> None:
    path = tmp_path / "r.toml"
    path.write_text(HEAD + 'kinetics = "mine.toml"\n' + SEED + STEP)
    with pytest.raises(IcewrightError) as caught:
        read(path)
    assert str(tmp_path / "mine.toml") in str(caught.value)
    (tmp_path / "mine.toml").write_text("")
    assert read(path).kinetics == str((tmp_path / "mine.toml").resolve())


def test_missing_seed_crystal_is_refused(tmp_path) -> None:
    path = tmp_path / "r.toml"
    path.write_text(HEAD + '[seed]\ncrystal = "demo-run"\n' + STEP)
    with pytest.raises(IcewrightError, match="demo-run"):
        read(path)
    (tmp_path / "demo-run").mkdir()
    assert read(path).seed.crystal == str((tmp_path / "demo-run").resolve())


@pytest.mark.parametrize("dress", ["\ufeff{}", "{}"], ids=["byte-order mark", "plain"])
def test_files_from_other_editors_are_read(tmp_path, dress: str) -> None:
    path = tmp_path / "r.toml"
    path.write_bytes(dress.format(HEAD + SEED + STEP).replace("\n", "\r\n").encode())
    assert read(path) == loads(HEAD + SEED + STEP)
