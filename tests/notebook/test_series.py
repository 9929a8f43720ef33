"""series.csv. Checked against the standard library's CSV reader, and by cutting files."""

import csv
import errno
import os

import numpy as np
import pytest

from icewright.ground.errors import IcewrightError
from icewright.notebook.series import SeriesWriter, read_series


def test_the_standard_csv_reader_sees_the_same_doubles(tmp_path, write):
    path = tmp_path / "series.csv"
    write(path, 7)
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["radius_tip_m"]) for row in rows] == [(k + 1) / 3.0 * 1e-7 for k in range(7)]
    assert {(row["kind"], row["schema"]) for row in rows} == {("icewright.series", "1")}
    ours = read_series(path)
    assert len(ours) == 7 and not ours.dropped
    assert ours.columns["mass_kg"].tolist() == [float(row["mass_kg"]) for row in rows]
    assert ours.columns["cells"].dtype == np.int64


def test_not_known_and_endless_values_come_back(tmp_path, reading):
    path = tmp_path / "series.csv"
    with SeriesWriter(path) as out:
        out.append(reading(0) | {"tip_velocity_m_s": float("nan"), "sigma": float("-inf")})
    columns = read_series(path).columns
    assert np.isnan(columns["tip_velocity_m_s"][0]) and columns["sigma"][0] == -np.inf


def test_every_tear_of_the_last_line_costs_that_line_only(tmp_path, write):
    path = tmp_path / "series.csv"
    write(path, 4)
    whole = path.read_bytes()
    third = whole[: whole.rstrip(b"\n").rfind(b"\n") + 1]
    for cut in range(len(third) + 1, len(whole), 17):
        path.write_bytes(whole[:cut])
        series = read_series(path)
        assert len(series) == 3
        assert f"{cut - len(third)} bytes" in series.dropped


def test_cut_back_and_go_on_gives_the_bytes_of_a_run_never_stopped(tmp_path, reading, write):
    straight, broken = tmp_path / "a.csv", tmp_path / "b.csv"
    write(straight, 9)
    write(broken, 6)
    with broken.open("ab") as file:
        file.write(b"1.0,2.0,3")  # torn by kill -9
    with SeriesWriter(broken, keep_rows=4) as out:
        for k in range(4, 9):
            out.append(reading(k))
    assert broken.read_bytes() == straight.read_bytes()


def test_fewer_rows_than_the_checkpoint_says_is_refused(tmp_path, write):
    path = tmp_path / "series.csv"
    write(path, 3)
    before = path.read_bytes()
    with pytest.raises(IcewrightError, match="rows are missing"):
        SeriesWriter(path, keep_rows=4)
    assert path.read_bytes() == before


def test_damage_in_the_middle_newer_schema_and_foreign_files_are_refused(tmp_path, write):
    path = tmp_path / "series.csv"
    write(path, 5)
    text = path.read_text()
    lines = text.splitlines(keepends=True)
    path.write_text("".join([*lines[:2], lines[2][:40] + "\n", *lines[3:]]))
    with pytest.raises(IcewrightError, match=r"Row 2 .* is damaged"):
        read_series(path)
    path.write_text(text.replace(",icewright.series,1\n", ",icewright.series,2\n"))
    with pytest.raises(IcewrightError, match="newer Icewright"):
        read_series(path)
    path.write_text("a,b\n1,2\n")
    with pytest.raises(IcewrightError, match="not a series of ours"):
        read_series(path)


def test_a_disk_that_fills_in_mid_row_leaves_whole_rows_and_says_so(tmp_path, monkeypatch, reading):
    path = tmp_path / "series.csv"
    real = os.write
    with SeriesWriter(path) as out:
        out.append(reading(0))
        before = path.read_bytes()
        calls = []

        def nearly_full(handle, content):
            calls.append(len(content))
            if len(calls) == 1:
                return real(handle, content[:25])  # what a disk with 25 bytes left does
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(os, "write", nearly_full)
        with pytest.raises(IcewrightError, match=r"disk is full.*all earlier rows are still there"):
            out.append(reading(1))
        monkeypatch.undo()
        assert path.read_bytes() == before
        out.append(reading(1))  # room was made
    assert len(read_series(path)) == 2


def test_a_new_series_never_overwrites_an_old_one(tmp_path, write):
    write(tmp_path / "series.csv", 2)
    with pytest.raises(IcewrightError):
        SeriesWriter(tmp_path / "series.csv")
    assert len(read_series(tmp_path / "series.csv")) == 2
