"""Logger clocks. Zones and their changes: the IANA time zone database, read through the standard library."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from icewright.apparatus.clock import CameraClock, LogError, camera_clock, moment, read_times, shifts_of


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def test_plain_times_follow_each_other() -> None:
    times = read_times(["2026-01-10 14:00:03", "2026-01-10 14:00:13.5"], [2, 3])
    assert np.diff(times.time_s) == pytest.approx([10.5])
    assert not times.notes


def test_counted_minutes_with_a_decimal_comma() -> None:
    times = read_times(["0", "0,5", "1"], [1, 2, 3], layout="minutes")
    assert times.counted
    assert times.time_s.tolist() == [0.0, 30.0, 60.0]


def test_the_hour_that_comes_twice_in_autumn_is_lived_once_each() -> None:
    # Oslo, 25 October 2026: 03:00 summer time becomes 02:00 standard time, at 01:00 UTC (tz database).
    clock = ["01:40", "02:10", "02:40", "02:10", "02:40", "03:10"]
    times = read_times([f"2026-10-25 {c}" for c in clock], [2, 3, 4, 5, 6, 7], zone="Europe/Oslo")
    assert np.diff(times.time_s).tolist() == [1800.0] * 5
    assert times.time_s[1] == utc("2026-10-25 00:10")
    assert any("+02:00 to UTC+01:00" in note for note in times.notes)


def test_the_hour_that_is_missing_in_spring_is_no_gap() -> None:
    # Oslo, 29 March 2026: 02:00 becomes 03:00 (tz database).
    times = read_times(["2026-03-29 01:59:30", "2026-03-29 03:00:00"], [2, 3], zone="Europe/Oslo")
    assert np.diff(times.time_s) == pytest.approx([30.0])


def test_a_moment_that_did_not_exist_is_refused() -> None:
    with pytest.raises(LogError, match="did not exist in Europe/Oslo"):
        read_times(["2026-03-29 02:30"], [2], zone="Europe/Oslo")


def test_offsets_that_change_are_taken_as_they_say() -> None:
    times = read_times(["2026-10-25T02:30:00+02:00", "2026-10-25T02:00:00+01:00"], [2, 3])
    assert np.diff(times.time_s) == pytest.approx([1800.0])
    assert len(times.notes) == 1 and "line 3" in times.notes[0]


def test_two_kinds_of_times_in_one_file_are_one_clear_line() -> None:
    with pytest.raises(LogError) as caught:
        read_times(["2026-01-10T14:00:00+01:00", "2026-01-10T14:00:10"], [2, 3])
    assert "line 3" in caught.value.got and "two time zones" in caught.value.wanted


def test_a_clock_that_goes_back_an_hour_asks_for_the_zone() -> None:
    with pytest.raises(LogError) as caught:
        read_times(["2026-10-25 02:59:50", "2026-10-25 02:00:00"], [11, 12])
    assert "line 12" in caught.value.got
    assert "two zones" in caught.value.wanted
    assert caught.value.do.startswith("zone = ")


def test_a_clock_set_back_by_hand_is_told_by_a_shift() -> None:
    texts, lines = ["2026-01-10 14:00:00", "2026-01-10 12:00:10"], [2, 3]
    with pytest.raises(LogError) as caught:
        read_times(texts, lines)
    assert "shifts = [{ line = 3, hours = 2 }]" in caught.value.do
    times = read_times(texts, lines, shifts=shifts_of([{"line": 3, "hours": 2}]))
    assert np.diff(times.time_s) == pytest.approx([10.0])


@pytest.mark.parametrize("zone", ["Europe/Nowhere", "+1 h", "CET or so"])
def test_unknown_zones(zone: str) -> None:
    with pytest.raises(LogError, match="time zone database"):
        read_times(["2026-01-10 14:00:00"], [2], zone=zone)


def test_text_that_is_no_time_names_its_line() -> None:
    with pytest.raises(LogError, match="line 7"):
        read_times(["10.01.2026 14:00"], [7])
    assert moment("10.01.2026 14:00", layout="%d.%m.%Y %H:%M") == utc("2026-01-10 14:00")


def test_camera_offset_from_one_pair() -> None:
    clock = camera_clock([(100.0, 112.5)])
    assert clock(160.0) == 172.5
    assert clock.scatter_s is None
    assert "+12.5 s" in clock.words()


def test_camera_drift_against_numpy_polyfit() -> None:
    # General library: a straight line of least squares by numpy.polyfit.
    rng = np.random.default_rng(3)
    logger = np.sort(rng.uniform(0, 5e4, 6))
    camera = logger + 40.0 + 2e-5 * logger + rng.normal(0, 0.3, 6)
    clock = camera_clock(list(zip(logger, camera, strict=True)))
    slope, at_zero = np.polyfit(logger, camera - logger, 1)
    assert clock.drift == pytest.approx(slope, rel=1e-9)
    assert clock(1234.0) == pytest.approx(1234.0 + at_zero + slope * 1234.0, abs=1e-6)
    assert clock.scatter_s is not None and clock.scatter_s > 0


def test_no_pair_is_said_not_hidden() -> None:
    assert camera_clock([]) == CameraClock()
    assert "taken to be the logger's" in CameraClock().words()


def test_a_wild_drift_is_refused() -> None:
    with pytest.raises(LogError, match="drift"):
        camera_clock([(0.0, 0.0), (100.0, 110.0)])
