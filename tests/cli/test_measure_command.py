"""`icewright measure` and `icewright compare` as a user types them, on pictures drawn by matplotlib."""

import csv
import json
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

sys.path.append(str(Path(__file__).parents[1] / "measure"))

from drawn import as_8bit, hexagon_points, picture, png_header, polygon_mask

from icewright.cli.main import run


def hexagon(radius, seed=0, at=(120.0, 90.0), shape=(181, 240)):
    return as_8bit(picture(polygon_mask(hexagon_points(radius, 14.0, at), shape, finer=4), seed=seed))


@pytest.fixture(scope="module")
def morning(tmp_path_factory):
    """Five pictures a minute apart, growing by 4 pixels each; and three files that are none."""
    folder = tmp_path_factory.mktemp("morning")
    for k in range(6):
        Image.fromarray(hexagon(40 + 4 * k, k, (110.0 + 2 * k, 90.0))).save(folder / f"t{k}min.png")
    (folder / "torn.png").write_bytes((folder / "t0min.png").read_bytes()[:500])
    (folder / "letter.jpg").write_text("no picture")
    Image.fromarray(np.zeros((1, 1), np.uint8)).save(folder / "dot.png")
    return folder


def test_a_series_has_velocities_and_names_what_is_wrong(morning, tmp_path, capsys):
    out = tmp_path / "out"
    arguments = ["measure", str(morning), "--scale", "0.5+-0.002", "--out", str(out), "--workers", "1"]
    assert run([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    (crystal,) = found["crystals"]
    # Four pixels of half a micrometre in a minute, by construction.
    value, u = crystal["values"]["tip_velocity_m_s"]
    assert value == pytest.approx(2e-6 / 60, abs=max(3 * u, 1e-9))
    assert {p["name"] for p in found["problems"]} == {"torn.png", "letter.jpg", "dot.png"}
    with (out / "growth-series.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [float(r["time_s"]) for r in rows] == [0, 60, 120, 180, 240, 300]
    for k, row in enumerate(rows):
        assert float(row["radius_tip_m"]) == pytest.approx((40 + 4 * k) * 0.5e-6, rel=0.02)
        assert float(row["u_radius_tip_m"]) > 0
    for name in ("growth-series.nc", "readings.json", "measure.json", "sheet-01.png", "curves.png"):
        assert (out / name).exists()
    for name, kind in (("readings.json", "icewright.readings"), ("measure.json", "icewright.measurement")):
        record = json.loads((out / name).read_text())
        assert (record["kind"], record["schema"]) == (kind, 1)
    # A second call reads no picture again.
    before = {p: p.stat().st_mtime_ns for p in (out / "kept").iterdir()}
    assert run(arguments) == 0
    assert {p: p.stat().st_mtime_ns for p in (out / "kept").iterdir()} == before
    assert "6 of 7 pictures" in capsys.readouterr().out


def test_files_that_are_wrong_are_named_and_the_rest_goes_on(morning, tmp_path, capsys):
    """A header of 30,000 by 30,000, a torn file, a letter, one pixel, and a PNG that is called JPEG."""
    folder = tmp_path / "mixed"
    folder.mkdir()
    for name in ("torn.png", "letter.jpg", "dot.png"):
        (folder / name).write_bytes((morning / name).read_bytes())
    (folder / "photo.jpg").write_bytes((morning / "t3min.png").read_bytes())
    (folder / "huge.png").write_bytes(png_header(30000, 30000))
    out = tmp_path / "out"
    assert run(["measure", str(folder), "--scale", "0.5", "--out", str(out), "--workers", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    reasons = {p["name"]: p["reason"] for p in found["problems"]}
    assert set(reasons) == {"torn.png", "letter.jpg", "dot.png", "huge.png"}
    assert "too large" in reasons["huge.png"] and "too small" in reasons["dot.png"]
    (crystal,) = found["crystals"]
    assert crystal["last_picture"] == "photo.jpg"
    # 52 pixels of half a micrometre by construction.
    assert crystal["values"]["radius_tip_m"][0] == pytest.approx(52 * 0.5e-6, rel=0.02)


def test_corrections_change_the_table_and_not_what_was_found(morning, tmp_path, capsys):
    from icewright.measure.corrections import Correction
    from icewright.tasks.measure import correct, measure

    picture_0 = morning / "t0min.png"
    out = tmp_path / "out"
    first = measure([picture_0], "0.5", out, pictures=False)
    correct(out, Correction("t0min.png", scale_um=(1.0, 1.0), note="wrong objective"))
    second = measure([picture_0], "0.5", out, pictures=False)
    one, two = (f["crystals"][0]["values"]["radius_tip_m"][0] for f in (first, second))
    assert two == pytest.approx(2 * one, rel=1e-6)
    assert second["corrected"] == 1
    found = json.loads((out / "readings.json").read_text())["pictures"][0]["readings"][0]
    assert found["values"]["radius_tip_m"][0] == pytest.approx(one)
    assert "wrong objective" in (out / "growth-series.csv").read_text()


def test_a_watched_folder_is_measured_as_it_fills(tmp_path):
    from icewright.tasks.measure import watch

    folder = tmp_path / "camera"
    folder.mkdir()
    came = []

    def camera():
        for k in range(2):
            Image.fromarray(hexagon(45 + k, k)).save(folder / f"shot{k}.png")
            time.sleep(0.4)

    writer = threading.Thread(target=camera)
    writer.start()
    last = watch(
        folder,
        "0.5",
        tmp_path / "out",
        idle_s=4.0,
        look_every_s=0.2,
        on_picture=came.append,
        workers=1,
        pictures=False,
    )
    writer.join()
    assert sorted(n for c in came for n in c["new"]) == ["shot0.png", "shot1.png"]
    assert last["pictures"] == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["a.png"], "--scale"),
        (["--scale", "0.5"], "--watch"),
        (["a.png", "--scale", "wide"], "micrometres in a pixel"),
        (["a.png", "--scale", "-1"], "micrometres in a pixel"),
        (["a.png", "--scale", "0"], "positive"),
        (["no-such-folder", "--scale", "0.5"], "no-such-folder: there is no such file or folder"),
    ],
)
def test_slips_are_told_with_the_line_to_type(arguments, words, capsys, tmp_path):
    assert run(["measure", *arguments, "--out", str(tmp_path / "o")]) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said
    assert not (tmp_path / "o").exists()  # nothing is written for a slip


def test_compare_two_pictures(tmp_path, capsys):
    for name, radius in (("a.png", 60.0), ("b.png", 54.0)):
        Image.fromarray(hexagon(radius)).save(tmp_path / name)
    arguments = ["compare", str(tmp_path / "a.png"), str(tmp_path / "b.png"), "--scale", "0.5", "--json"]
    assert run([*arguments, "--out", str(tmp_path / "c")]) == 0
    found = json.loads(capsys.readouterr().out)
    # Two hexagons: the square of the ratio of radii.
    assert found["similarity"] == pytest.approx(0.81, abs=0.02)
    assert [a["difference_m"] for a in found["arms"]] == pytest.approx([-3e-6] * 6, abs=0.6e-6)
    assert (tmp_path / "c" / "compare.png").exists()


def test_compare_twins_in_one_picture(tmp_path, capsys):
    mask = np.maximum(
        polygon_mask(hexagon_points(36.0, 14.0, (70.0, 90.0)), (181, 240), finer=4),
        polygon_mask(hexagon_points(34.0, 40.0, (165.0, 92.0)), (181, 240), finer=4),
    )
    Image.fromarray(as_8bit(picture(mask))).save(tmp_path / "two.png")
    assert run(["compare", str(tmp_path / "two.png"), "--scale", "0.5", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["distance_m"] == pytest.approx(0.5e-6 * np.hypot(95, 2), rel=0.01)
    assert all(abs(lag["lag_m"]) < 0.5e-6 for lag in found["lag"])


def test_compare_needs_a_scale_and_something_to_compare(tmp_path, capsys):
    Image.fromarray(hexagon(50.0)).save(tmp_path / "a.png")
    assert run(["compare", str(tmp_path / "a.png"), str(tmp_path / "gone"), "--scale", "1"]) == 2
    assert run(["compare", str(tmp_path / "a.png"), str(tmp_path / "a.png")]) == 2
    assert run(["compare", str(tmp_path / "a.png"), "--scale", "1"]) == 2
    assert "two crystals" in capsys.readouterr().err
