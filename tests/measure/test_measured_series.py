"""Curves, velocities and changes against closed forms; following crystals; the growth-series format."""

import json
import math

import numpy as np
import pytest

from icewright.ground.errors import RecordError
from icewright.measure import format as series_format
from icewright.measure import series, tracking
from icewright.measure.corrections import Correction, CorrectionError, add, for_crystal
from icewright.measure.corrections import read as read_corrections
from icewright.measure.format import GrowthSeries, Row


def test_a_straight_line_has_its_slope_everywhere():
    t = np.sort(np.random.default_rng(1).uniform(0, 600, 30))
    curve = series.smooth(t, 3e-6 + 25e-9 * t)
    assert curve.slope == pytest.approx(25e-9, rel=1e-6)
    assert curve.value == pytest.approx(3e-6 + 25e-9 * t, rel=1e-9)


def test_a_parabola_has_its_slope_inside():
    """Local parabolas follow a parabola exactly, so d(t^2)/dt = 2 t."""
    t = np.arange(0.0, 400.0, 10.0)
    curve = series.smooth(t, 1e-11 * t**2)
    assert curve.slope == pytest.approx(2e-11 * t, abs=1e-12)


def test_one_span_over_all_points_is_a_weighted_polynomial_fit():
    """numpy.polyfit with the same tricube weights, at the middle of eleven even times."""
    rng = np.random.default_rng(5)
    t = np.arange(11.0)
    y = 2.0 + 0.3 * t + rng.normal(0, 1e-3, 11)
    at = 5
    curve = series.smooth(t, y, span=1.0)
    d = np.abs(t - t[at]) / (5.0 * 1.0001)
    w = (1 - np.minimum(d, 1) ** 3) ** 3
    w = np.maximum(w, 1e-3) * curve.weight  # the robust weights are part of the method
    assert np.polyfit(t - t[at], y, 2, w=np.sqrt(w))[1] == pytest.approx(curve.slope[at], abs=2e-4)


def test_an_outlier_does_not_move_the_velocity():
    t = np.arange(0.0, 600.0, 20.0)
    y = 40e-6 + 20e-9 * t + np.random.default_rng(2).normal(0, 20e-9, t.size)
    spoiled = y.copy()
    spoiled[14] += 5e-6
    clean, robust = series.smooth(t, y), series.smooth(t, spoiled)
    assert robust.weight[14] == 0.0
    assert np.abs(robust.slope - clean.slope).max() < 1e-9


def test_velocity_bars_cover_two_thirds():
    """Gaussian noise of known size on a line: one standard uncertainty covers 68 % by definition."""
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 900.0, 30.0)
    inside = []
    for _ in range(150):
        curve = series.smooth(t, 30e-6 + 15e-9 * t + rng.normal(0, 60e-9, t.size))
        inside.append(np.abs(curve.slope - 15e-9) < curve.u_slope)
    assert 0.58 < np.mean(inside) < 0.78
    assert 0.55 < np.mean([i[0] for i in inside]) < 0.80  # at the end too


def test_ten_times_the_noise_gives_ten_times_the_bar():
    rng = np.random.default_rng(3)
    t = np.arange(40.0)
    noise = rng.normal(0, 1, 40)
    one, ten = (series.smooth(t, 5 * t + k * noise) for k in (0.01, 0.1))
    assert np.median(ten.u_slope / one.u_slope) == pytest.approx(10.0, rel=0.01)


def test_too_few_points_have_no_velocity():
    assert series.smooth(np.arange(4.0), np.arange(4.0)) is None
    assert series.smooth(np.zeros(9), np.arange(9.0)) is None
    assert series.changes(np.arange(8.0), np.arange(8.0)) == []


@pytest.mark.parametrize("seed", range(4))
def test_the_moment_of_change_is_found_with_its_error(seed):
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1200.0, 30.0)
    y = np.where(t < 500, 30e-9 * t, 15e-6 + 8e-9 * (t - 500)) + rng.normal(0, 0.1e-6, t.size)
    (change,) = series.changes(t, y)
    assert change.time_s == pytest.approx(500.0, abs=5 * max(change.u_time_s, 5.0))
    assert change.before == pytest.approx(30e-9, abs=5 * change.u_before)
    assert change.after == pytest.approx(8e-9, abs=5 * change.u_after)
    curve = series.in_parts(t, y)
    # A curve smoothed across the kink would be off by tens of its bars beside it.
    for part, slope in ((t < 440, 30e-9), (t > 560, 8e-9)):
        assert (np.abs(curve.slope[part] - slope) < 5 * curve.u_slope[part]).all()


def test_steady_growth_and_smooth_bends_have_no_moment_of_change():
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 900.0, 20.0)
    told = 0
    for _ in range(25):
        told += bool(series.changes(t, 20e-9 * t + rng.normal(0, 0.1e-6, t.size)))
    assert told <= 1
    # A sphere limited by diffusion grows as the square root of time: no moment, only a bend.
    assert series.changes(t + 300, 1e-6 * np.sqrt(t + 300) + rng.normal(0, 0.05e-6, t.size)) == []


def spots(*each):
    return [tracking.Spot(x, y, a) for x, y, a in each]


def test_crystals_are_followed_through_drift_growth_and_a_gap():
    area = 5000.0
    frames = []
    for k in range(8):
        d = 12.0 * k
        frame = [(100 + d, -80 + 0.5 * d, area * 1.05**k), (300 + d, -200 + 0.5 * d, 0.4 * area * 1.1**k)]
        if k == 4:
            frame = frame[:1]  # the smaller one was lost in one picture
        frames.append(spots(*frame[:: -1 if k % 2 else 1]))
    numbers = tracking.track(frames)
    for k, given in enumerate(numbers):
        if k == 4:
            assert given == [1]
        else:
            assert given == ([2, 1] if k % 2 else [1, 2])


def test_a_newcomer_gets_a_number_of_its_own():
    frames = [spots((0, 0, 900)), spots((2, 0, 950), (400, 300, 100)), spots((4, 0, 1000), (402, 300, 110))]
    assert tracking.track(frames) == [[1], [1, 2], [1, 2]]
    assert tracking.track([[], spots((0, 0, 9)), []]) == [[], [1], []]


def rows():
    values = {"radius_tip_m": (40e-6, 0.3e-6), "area_m2": (4.1e-9, 1e-11)}
    return (
        Row(1, 0.0, "a.png", "plan", "good", values),
        Row(1, 30.5, "b.png", "plan", "poor", {}, ("touches the edge", "few pixels"), "scale by hand"),
        Row(2, 30.5, "b.png", "side", "good", {"length_m": (90e-6, 1e-6)}),
    )


def test_the_csv_comes_back_as_it_was(tmp_path):
    path = series_format.write_csv(GrowthSeries(rows()), tmp_path / "s.csv")
    assert series_format.read_csv(path).rows == rows()


def test_pandas_free_readers_see_units_kind_and_schema(tmp_path):
    """Python's own csv module, as an outsider would read the file."""
    import csv

    path = series_format.write_csv(GrowthSeries(rows()), tmp_path / "s.csv")
    with path.open(newline="") as file:
        read = list(csv.DictReader(file))
    assert float(read[0]["radius_tip_m"]) == 40e-6
    assert read[1]["radius_tip_m"] == ""  # not known is empty, never 0
    assert {r["kind"] for r in read} == {"icewright.growth-series"}
    assert {r["schema"] for r in read} == {"1"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("growth-series,1", "growth-series,2", "newer"),
        ("icewright.growth-series", "icewright.series", "kind"),
        ("4e-05", "wide", "line 2"),
        ("crystal,time_s", "crystal,when", "time_s"),
    ],
)
def test_other_files_are_refused(tmp_path, old, new, words):
    path = series_format.write_csv(GrowthSeries(rows()), tmp_path / "s.csv")
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(RecordError, match=words):
        series_format.read_csv(path)


def test_the_data_set_has_units_and_nan_where_nothing_was_measured(tmp_path):
    xr = pytest.importorskip("xarray")
    path = series_format.write_netcdf(GrowthSeries(rows(), {"scale_x_m": 1e-6}), tmp_path / "s.nc")
    with xr.open_dataset(path, engine="h5netcdf") as found:
        assert found.attrs["kind"] == "icewright.growth-series"
        assert int(found.attrs["schema"]) == 1
        assert found.radius_tip_m.attrs["units"] == "m"
        assert float(found.radius_tip_m.sel(crystal=1, time=0.0)) == 40e-6
        assert math.isnan(float(found.radius_tip_m.sel(crystal=1, time=30.5)))
        assert float(found.u_length_m.sel(crystal=2, time=30.5)) == 1e-6


def test_corrections_are_kept_replaced_and_told_apart(tmp_path):
    add(tmp_path, Correction("a.png", 1, centre_px=(10.0, 12.0), note="seed seen"))
    add(tmp_path, Correction("a.png", 1, centre_px=(11.0, 12.0)))
    add(tmp_path, Correction("*", scale_um=(0.7, 0.8), date="2026-01-05"))
    known = read_corrections(tmp_path)
    assert len(known) == 2
    assert for_crystal(known, "a.png", 1)["centre_px"] == (11.0, 12.0)
    assert for_crystal(known, "b.png", 3) == {"scale_um": (0.7, 0.8), "words": "scale by hand"}
    raw = json.loads((tmp_path / "corrections.json").read_text())
    assert (raw["kind"], raw["schema"]) == ("icewright.corrections", 2)


def test_corrections_that_fit_nothing_are_refused():
    for wrong in (
        {"outline_px": ((0.0, 0.0), (1.0, 1.0)), "number": 1},
        {"centre_px": (1.0, 1.0)},
        {"scale_um": (0.0, 1.0)},
    ):
        with pytest.raises(CorrectionError):
            Correction("a.png", **wrong)


def test_loops_held_as_arrays_are_written_as_the_lists_they_were(tmp_path):
    """What is held compactly while a thousand pictures are read is the same text in the file."""
    import json

    from icewright.notebook.files import write_json
    from icewright.tasks.measure import _compact

    one = {
        "outline_px": [[1.25, 2.0], [3.5, 4.75]],
        "holes_px": [[[0.1, 0.2], [0.3, 0.4]]],
        "quality": "good",
    }
    held = {"problem": "", "readings": [dict(one)]}
    write_json(tmp_path / "lists.json", "icewright.test", 1, held, indent=None)
    compact = _compact({"problem": "", "readings": [dict(one)]})
    assert compact["readings"][0]["outline_px"].nbytes == 32  # four numbers of eight bytes
    write_json(tmp_path / "arrays.json", "icewright.test", 1, compact, indent=None)
    assert (tmp_path / "arrays.json").read_bytes() == (tmp_path / "lists.json").read_bytes()
    compact["readings"][0]["outline_px"][0, 0] = float("nan")
    write_json(tmp_path / "unknown.json", "icewright.test", 1, compact, indent=None)
    assert json.loads((tmp_path / "unknown.json").read_text())["readings"][0]["outline_px"][0] == [None, 2.0]
