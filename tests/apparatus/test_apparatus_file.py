"""Apparatus files: what is read, what is refused in one clear line, and what calibration may write back."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from icewright.apparatus.basis import ApparatusError
from icewright.apparatus.file import loads, read, write
from icewright.apparatus.kinds import KINDS
from icewright.ground.errors import IcewrightError, RecordError

EXAMPLES = Path(__file__).parents[2] / "examples"
PAGE = (Path(__file__).parents[2] / "docs" / "apparatus.md").read_text(encoding="utf-8")
TEXT = (EXAMPLES / "apparatus-two-plate.toml").read_text(encoding="utf-8")


def test_there_is_an_example_of_every_kind_and_it_says_it_is_invented() -> None:
    kinds = set()
    for path in EXAMPLES.glob("apparatus-*.toml"):
        kinds.add(read(path).kind)
        assert "invented" in path.read_text(encoding="utf-8").splitlines()[0]
    assert kinds == set(KINDS)


def test_what_the_file_says_is_what_is_held() -> None:
    a = loads(TEXT)
    warm = a.settings["warm_plate_c"]
    assert (warm.unit, warm.low, warm.high, warm.step, warm.response_s) == ("degC", -30, 0, 0.1, 90)
    assert warm.fastest_ramp == pytest.approx(2.0 / 60.0)
    # One thermal mass behind one conductance: C/G = 420/3.5 s.
    assert a.settings["cold_plate_c"].response_s == pytest.approx(120.0)
    assert a.settings["cold_plate_c"].response_from == "estimated"
    assert a.thermometers["lower"].uncertainty == 0.1 and a.dimensions["gap_mm"].uncertainty == 0.2
    assert a.shared_thermometer_uncertainty_k == 0.03


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("apparatus-*.toml")), ids=lambda p: p.stem)
def test_written_and_read_again_it_is_the_same(path: Path, tmp_path: Path) -> None:
    apparatus = read(path)
    write(apparatus, tmp_path / "new.toml")
    assert read(tmp_path / "new.toml") == apparatus


def test_calibration_writes_back_and_every_comment_stays(tmp_path: Path) -> None:
    path = tmp_path / "cell.toml"
    path.write_text(TEXT, encoding="utf-8")
    a = read(path)
    lower = replace(
        a.thermometers["lower"], offset=0.13, uncertainty=0.04, checked="2026-11-25", evidence="droplets"
    )
    write(replace(a, thermometers={**a.thermometers, "lower": lower}, sigma_offset=0.004), path)
    after = path.read_text(encoding="utf-8")
    for comment in re.findall(r"#.*", TEXT):
        assert comment in after
    assert read(path).thermometers["lower"] == lower and read(path).sigma_offset == 0.004
    assert "smallest_step = 0.1\n" in after and "low = -45\n" in after  # as typed, not -45.0
    assert not list(tmp_path.glob("*.part"))


def test_an_offset_is_taken_off_the_reading() -> None:
    # A thermometer that reads 0.5 K too high: the plate shown as -10 is at -10.5.
    a = loads(TEXT)
    upper = replace(a.thermometers["upper"], offset=0.5)
    lying = replace(a, thermometers={**a.thermometers, "upper": upper})
    there, true = lying.conditions({"warm_plate_c": -10.0}), a.conditions({"warm_plate_c": -10.5})
    assert there.temperature_k == pytest.approx(true.temperature_k) and there.sigma == pytest.approx(
        true.sigma
    )


REFUSED = [
    ('apparatus = "two-plate"', 'apparatus = "oven"', ("No such kind", '"two-plate"')),
    ("schema = 1", "schema = 9", ("newer", "upgrade")),
    ('kind = "icewright.apparatus"', 'kind = "icewright.recipe"', ("kind", "icewright.apparatus")),
    ("gap_mm = {", "gap_cm = {", ("gap_cm", "did you mean gap_mm")),
    ("low = -30\n", "low = 5\n", ("low must lie below high",)),
    ("low = -30\nhigh = 0", "low = 243\nhigh = 273", ("degrees Celsius", "low = -30.15, high = -0.15")),
    ("low = -30\nhigh = 0\n", "low = -22\nhigh = 68\n", ("Fahrenheit",)),
    ("[setting.warm_plate_c]", "[setting.warm_plate_f]", ("Fahrenheit", "warm_plate_c")),
    ("smallest_step = 0.1\nnow = -10.0", "now = -10.0", ("smallest_step",)),
    ("now = -10.0", "now = 10.0", ("out of its own range",)),
    ('on = "cold_plate_c"', 'on = "warm_plate_c"', ("same setting",)),
    ('on = "cold_plate_c"', 'on = "cold_plat_c"', ('on = "cold_plate_c"',)),
    ('walls = "dry"', 'walls = "wet"', ('"dry" or "frosted"',)),
    ("uncertainty_c = 0.10", "uncertainty_c = -0.10", ("below zero",)),
    ("pressure_hpa = 1013.25", "pressure_hpa = 101325", ("pressure_hpa = 1013.25",)),
    ("crystal_height_mm = { value = 9, uncertainty = 0.3 }", "", ("lacks crystal_height_mm",)),
    (
        "response_s = 90 ",
        "response_s = 90\nresponse_from = { heat_capacity_j_k = 1, conductance_w_k = 1 }",
        ("twice",),
    ),
    ("stability = 0.02\n", "stability = 0.02\nuncertainty = 0.1\n", ("twice",)),
    ("fastest_ramp_per_min = 2.0", "fastest_ramp_per_min = -2.0", ("fastest_ramp_per_min = 2",)),
    ("gap_mm = { value = 20", 'gap_mm = { value = "20"', ("gap_mm",)),
]


@pytest.mark.parametrize(
    ("old", "new", "words"), REFUSED, ids=[r[1][:30].strip() or "nothing" for r in REFUSED]
)
def test_refused_with_the_line_to_type(old: str, new: str, words: tuple[str, ...]) -> None:
    assert old in TEXT
    with pytest.raises((ApparatusError, RecordError)) as refusal:
        loads(TEXT.replace(old, new, 1))
    for word in words:
        assert word in str(refusal.value)
    assert len(str(refusal.value).splitlines()) <= 3


SETTINGS = [
    ({"warm_plate_c": 5.0}, ("out of its range", "-30 to 0 degC", "warm_plate_c = -5", "warm_plate_c = -15")),
    ({"warm_plate_c": 258.15}, ("kelvin", "warm_plate_c = -15")),
    ({"warm_plate_c": -25.0, "cold_plate_c": -20.0}, ("swapped", "warm_plate_c = -20, cold_plate_c = -25")),
    ({"warm_plate_f": 14.0}, ("warm_plate_c = -10",)),
    ({"plate_c": -15.0}, ("no setting plate_c", "warm_plate_c and cold_plate_c")),
    ({"warm_plate_c": float("nan")}, ("out of its range",)),
]


@pytest.mark.parametrize(("settings", "words"), SETTINGS)
def test_settings_that_cannot_be(settings: dict, words: tuple[str, ...]) -> None:
    with pytest.raises(IcewrightError) as refusal:
        loads(TEXT).conditions(settings)
    for word in words:
        assert word in str(refusal.value)
    assert len(str(refusal.value).splitlines()) <= 3


def test_other_kinds_refuse_what_contradicts_itself() -> None:
    def kind(name: str):
        return read(EXAMPLES / f"apparatus-{name}.toml")

    with pytest.raises(ApparatusError, match="streams are swapped"):
        kind("mixing").conditions({"humid_c": -14.0, "cold_c": -8.0})
    with pytest.raises(ApparatusError, match="Nothing flows"):
        kind("mixing").conditions({"humid_flow_l_min": 0.0, "cold_flow_l_min": 0.0})
    falling = kind("falling")
    with pytest.raises(ApparatusError, match="out of its range"):
        falling.conditions({"wall_c": 3.0})
    needle = kind("needle")
    with pytest.raises(ApparatusError, match="outside the gap"):
        replace(
            needle,
            dimensions={**needle.dimensions, "gap_mm": replace(needle.dimensions["gap_mm"], value=10.0)},
        ).conditions()
    cold = kind("reservoir").conditions({"reservoir_c": -20.0, "plate_c": -15.0})
    assert cold.sigma < 0 and any("swapped?" in note for note in cold.notes)


def test_between_two_steps_is_said_not_refused() -> None:
    notes = loads(TEXT).conditions({"warm_plate_c": -10.04}).notes
    assert any("-10.04 lies between two steps of 0.1; nearest: -10" in note for note in notes)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(ApparatusError, match="There is no file"):
        read(tmp_path / "cell.toml")


def test_the_examples_of_the_page_run(monkeypatch: pytest.MonkeyPatch) -> None:
    (toml,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    assert loads(toml).conditions().sigma == pytest.approx(
        0.158, abs=1e-3
    )  # 1.6 K: water saturation at -15 degC
    (code,) = re.findall(r"```python\n(.*?)```", PAGE, flags=re.DOTALL)
    monkeypatch.chdir(EXAMPLES.parent)
    names: dict = {}
    exec(code, names)
    assert names["back"]["plate_c"] == pytest.approx(-15.0) and names["went"].sigma[-1] > names["air"].sigma


def test_the_page_names_every_key() -> None:
    from icewright.apparatus import file

    for table in (
        file._File,
        file._Setting,
        file._Estimate,
        file._Thermometer,
        file._FlowMeter,
        file._Measured,
    ):
        for key in table.model_fields:
            assert f"`{key.rstrip('_')}`" in PAGE or f"`[{key}" in PAGE, key
    for table in (file._Air, file._Shared, file._Sigma, file._Equipment):
        for key in table.model_fields:
            assert f"`{key}`" in PAGE, key
    for kind in KINDS.values():
        assert f"`{kind.name}`" in PAGE
        for name in (*kind.settings, *kind.dimensions, *kind.choices):
            assert f"`{name}`" in PAGE, name
        for options in kind.choices.values():
            for option in options:
                assert f"`{option}`" in PAGE, option
