"""Logger files of many makes: delimiters, decimal signs, preambles, units; each trouble is one clear line.

Fahrenheit to Celsius: the scales' definition (32 degF is 0 degC, 180 to 100 degrees). Humidities of one air:
the project's table at -15 degC (water saturation is 15.742 % over ice, frost point -13.406 degC; public row).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from icewright.apparatus import as_logged, logger
from icewright.apparatus.clock import LogError
from icewright.apparatus.file import loads
from icewright.ground.errors import RecordError

APPARATUS = """
kind = "icewright.apparatus"
schema = 1
apparatus = "reservoir"
title = "Tern Point cell"
[dimension]
gap_mm = 3
[setting.reservoir_c]
low = -35
high = -0.1
smallest_step = 0.1
[setting.plate_c]
low = -40
high = -0.5
smallest_step = 0.1
now = -15.0
[thermometer.plate]
on = "plate_c"
offset_c = 0.05
uncertainty_c = 0.05
"""
CELL = loads(APPARATUS)


def columns(*channels: logger.Channel, time: str = "Time", **more) -> logger.Columns:
    return logger.Columns((time,), channels=channels, **more)


def plain(tmp_path: Path, text: str, name: str = "log.csv", encoding: str = "utf-8") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


RESERVOIR = logger.Channel("reservoir_c", "R (°C)", "degC")
ROWS = [f"2026-01-10 14:00:{s:02d}" for s in range(0, 60, 10)]


def table(delimiter: str, decimal: str, head: str = "Time{d}R (°C)") -> str:
    lines = [head.format(d=delimiter)]
    lines += [f"{t}{delimiter}{f'{-13.5 - 0.01 * i:.2f}'.replace('.', decimal)}" for i, t in enumerate(ROWS)]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (table(",", "."), "utf-8"),
        (table(";", ","), "utf-8-sig"),
        (table("\t", ","), "utf-16"),
        (table(";", ".").replace("\n", "\r\n"), "cp1252"),
        ("Logger 7;serial 12\nInterval;10 s\n\n" + table(";", ","), "utf-8"),
        (table(";", ",", "Time{d}R (°C)\n{d}degC"), "utf-8"),
    ],
)
def test_the_same_record_in_six_dialects(tmp_path: Path, text: str, encoding: str) -> None:
    record = logger.read_log(plain(tmp_path, text, encoding=encoding), columns(RESERVOIR))
    assert record.values["reservoir_c"] == pytest.approx(273.15 - 13.5 - 0.01 * np.arange(6))
    assert np.diff(record.time_s) == pytest.approx(10.0)


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    text = "Day,Clock,R (°C)\n10.01.2026,14:00:00,-13.5\n10.01.2026,14:00:10,-13.4\n"
    what = logger.Columns(("Day", "Clock"), "%d.%m.%Y %H:%M:%S", channels=(RESERVOIR,))
    assert np.diff(logger.read_log(plain(tmp_path, text), what).time_s) == pytest.approx([10.0])


def test_empty_cells_and_spikes_are_bridged_and_told(tmp_path: Path) -> None:
    lines = ["Time,R (°C)"]
    for i in range(40):
        reading = {10: "---", 20: "-9.9"}.get(i, f"{-13.5 + 0.001 * i:.3f}")
        lines.append(f"{10 * i},{reading}")
    record = logger.read_log(plain(tmp_path, "\n".join(lines)), columns(RESERVOIR, layout="seconds"))
    (spike,) = record.spikes
    assert (spike.line, spike.channel, round(spike.read - 273.15, 3)) == (22, "reservoir_c", -9.9)
    assert spike.mended - 273.15 == pytest.approx(-13.48, abs=1e-9)
    assert np.isnan(record.raw["reservoir_c"][10])
    assert record.values["reservoir_c"][10] - 273.15 == pytest.approx(-13.49, abs=1e-9)
    assert any("1 cells without a number" in note for note in record.notes)


def test_a_missing_hour_is_one_clear_line(tmp_path: Path) -> None:
    text = "Time,R (°C)\n" + "".join(f"2026-01-10 0{h}:{m:02d},-13.5\n" for h in (1, 3) for m in range(60))
    record = logger.read_log(plain(tmp_path, text), columns(RESERVOIR))
    with pytest.raises(LogError) as caught:
        logger.refuse_gaps(record, 120.0)
    assert "lines 61 to 62" in caught.value.got and "61 min" in caught.value.got
    assert "--bridge-min 61" in caught.value.do
    assert logger.refuse_gaps(record, 3700.0) == [
        "lines 61 to 62, from 2026-01-10 01:59:00 UTC to 2026-01-10 03:00:00 UTC: 3660 s without a reading, "
        "bridged by a line"
    ]


@pytest.mark.parametrize(
    ("text", "channel", "words"),
    [
        ("Time,Lid\n0,1\n1,2\n", RESERVOIR, 'no column "R (°C)"'),
        ("Time,R (°C)\n0,warm\n1,cold\n", RESERVOIR, "without a single number"),
        ("Time,R (°C),R (°C)\n0,1,2\n1,2,3\n", RESERVOIR, "2 columns called"),
        ("Time,R (°C)\n0,-13\n", RESERVOIR, "1 rows of readings"),
        ("Time,R (°F)\n0,8\n1,8\n", logger.Channel("reservoir_c", "R (°F)", "degC"), 'unit = "degF"'),
    ],
)
def test_refusals_of_files(tmp_path: Path, text: str, channel: logger.Channel, words: str) -> None:
    with pytest.raises(LogError) as caught:
        logger.read_log(plain(tmp_path, text), columns(channel, layout="seconds"))
    assert words in str(caught.value)


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"PK\x03\x04\x00\x00\x00")
    with pytest.raises(LogError, match="export the log as CSV"):
        logger.read_log(path, columns(RESERVOIR))
    with pytest.raises(LogError, match="no file"):
        logger.read_log(tmp_path / "none.csv", columns(RESERVOIR))


MAPPING = """
kind = "icewright.logger"
schema = 1
[time]
column = "Time"
zone = "UTC"
[channel.plate_c]
column = "TC2"
unit = "degF"
"""


def test_a_mapping_is_read(tmp_path: Path) -> None:
    found = logger.read_mapping(plain(tmp_path, MAPPING, "m.toml"))
    assert found == columns(logger.Channel("plate_c", "TC2", "degF"), zone="UTC")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"degF"', '"°C"', "degC"),
        ('"degF"', '"bar"', "one of"),
        ('column = "TC2"', 'columm = "TC2"', "did you mean column"),
        (
            "[channel.plate_c]",
            '[channel.dew_point]\ncolumn = "D"\nunit = "percent"\n[channel.plate_c]',
            "a fraction",
        ),
        ("[time]", "[times]", "unknown key times"),
    ],
)
def test_refusals_of_mappings(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises(LogError) as caught:
        logger.read_mapping(plain(tmp_path, MAPPING.replace(old, new), "m.toml"))
    assert words in str(caught.value)


def test_a_mapping_of_another_kind_or_a_newer_schema_is_refused(tmp_path: Path) -> None:
    for text in (
        MAPPING.replace("icewright.logger", "icewright.recipe"),
        MAPPING.replace("schema = 1", "schema = 2"),
    ):
        with pytest.raises(RecordError):
            logger.read_mapping(plain(tmp_path, text, "m.toml"))


def test_the_starter_mapping_names_every_column_and_reads_back(tmp_path: Path) -> None:
    text = "made by logger 2\nDate time;T reservoir (°C);T plate (°F);room\n" + "".join(
        f"2026-01-10 14:00:{s:02d};-13.5;5.0;21\n" for s in range(10, 20)
    )
    log = plain(tmp_path, text)
    made = logger.starter(log, {"reservoir_c": "degC", "plate_c": "degC"})
    mapping = logger.read_mapping(plain(tmp_path, made, "m.toml"))
    assert {(c.name, c.column, c.unit) for c in mapping.channels} == {
        ("reservoir_c", "T reservoir (°C)", "degC"),
        ("plate_c", "T plate (°F)", "degF"),
    }
    assert "room" in made
    record = logger.read_log(log, mapping)
    assert record.values["plate_c"][0] == pytest.approx(273.15 - 15.0)


# -- to the air ---------------------------------------------------------------------------------------------


def record_of(**values: float) -> logger.Record:
    time = np.arange(0.0, 600.0, 10.0)
    kinds = {"sigma": "fraction", "relative_humidity": "fraction"}
    held = {name: np.full(time.shape, value) for name, value in values.items()}
    return logger.Record(
        time, held, dict(held), np.arange(time.size) + 2, {n: kinds.get(n, "temperature") for n in held}
    )


@pytest.mark.parametrize(
    "humidity",
    [
        {"sigma": 0.15742},
        {"frost_point": 273.15 - 13.406},
        {"dew_point": 258.15},
        {"relative_humidity": 1.0},
    ],
)
def test_air_from_its_own_humidity(humidity: dict[str, float]) -> None:
    air = as_logged.air(record_of(air_temperature=258.15, **humidity), CELL)
    assert air.sigma == pytest.approx(0.15742, abs=3e-4)


def test_air_from_settings_takes_the_thermometer_s_offset_off() -> None:
    # Reservoir 0.5 K above the crystal at -15 degC: 4.712 % over ice (project's section 5, public row; two
    # formulas over ice differ by 0.4e-5). The plate's thermometer shows 0.05 K too much.
    air = as_logged.air(record_of(reservoir_c=273.15 - 14.5, plate_c=273.15 - 14.95), CELL)
    assert air.temperature_k == pytest.approx(258.15)
    assert air.sigma == pytest.approx(0.04712, abs=1.2e-5)
    assert any("+0.05 K" in words for words in air.words)


def test_a_knob_without_a_channel_stands_as_the_file_says() -> None:
    air = as_logged.air(record_of(reservoir_c=273.15 - 14.55), CELL)
    assert air.temperature_k == pytest.approx(258.10)
    assert any("plate_c not logged" in words for words in air.words)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"reservoir_c": 273.15 + 7.7}, 'unit = "degF"'),  # 7.7 degF is -13.5 degC
        ({"reservoir_c": 273.15 + 259.65}, 'unit = "K"'),
        ({"air_temperature": 273.15 + 5.0, "sigma": 0.1}, 'unit = "degF"'),
        ({"air_temperature": 258.15, "relative_humidity": 95.0}, 'unit = "percent"'),
        ({"lid_c": 258.15}, "channel.lid_c"),
        ({"air_temperature": 258.15}, "frost_point"),
    ],
)
def test_readings_that_cannot_be(values: dict[str, float], words: str) -> None:
    with pytest.raises(LogError) as caught:
        as_logged.air(record_of(**values), CELL)
    assert words in str(caught.value)
