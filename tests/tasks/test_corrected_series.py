"""A series written anew with corrections by hand, and compared: the numbers are those that were drawn.

Outside: plane geometry of hexagons; the pictures are drawn by matplotlib.
"""

import csv
import json
import math
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

sys.path.append(str(Path(__file__).parents[1] / "measure"))

from drawn import as_8bit, hexagon_area, hexagon_points, picture, polygon_mask

from icewright.cli.main import run
from icewright.measure import corrections
from icewright.measure.corrections import Correction
from icewright.tasks.compare import compare
from icewright.tasks.corrected import rewrite
from icewright.tasks.measure import measure

AT, SHAPE = (120.0, 90.0), (181, 240)


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Three pictures a minute apart and their measured folder beside them."""
    folder = tmp_path_factory.mktemp("evening")
    for k in range(3):
        mask = polygon_mask(hexagon_points(46 + 4 * k, 14.0, AT), SHAPE, finer=4)
        Image.fromarray(as_8bit(picture(mask, seed=k))).save(folder / f"t{k}min.png")
    measure([folder], "0.5+-0.002", folder / "measured", workers=1, pictures=False)
    return folder


@pytest.fixture
def evening(kept, tmp_path):
    """A copy to change."""
    return Path(shutil.copytree(kept, tmp_path / "evening"))


def rows(out):
    with (out / "growth-series.csv").open() as file:
        return list(csv.DictReader(file))


def test_written_anew_the_series_holds_the_corrections_and_says_so(evening):
    out = evening / "measured"
    as_found, found = (out / "growth-series.csv").read_bytes(), (out / "readings.json").read_bytes()
    loop = tuple(map(tuple, hexagon_points(70.0, 30.0, AT).tolist()))
    corrections.put(out, "t1min.png", 1, [Correction("t1min.png", 1, outline_px=loop, note="halo taken off")])
    corrections.put(out, "*", 0, [Correction("*", scale_um=(0.8, 0.8), u_scale_share=0.01)])
    done = rewrite(out, pictures=False)
    assert (out / "readings.json").read_bytes() == found, "what was found is not touched"
    first, second, third = rows(out)
    assert float(second["radius_tip_m"]) == pytest.approx(70 * 0.8e-6, rel=3e-3)
    assert float(second["area_m2"]) == pytest.approx(hexagon_area(70 * 0.8e-6), rel=1e-6)
    assert float(first["radius_tip_m"]) == pytest.approx(46 * 0.8e-6, rel=0.02)
    assert float(third["radius_tip_m"]) == pytest.approx(54 * 0.8e-6, rel=0.02)
    assert "halo taken off" in second["corrected"] and "outline" in second["corrected"]
    assert first["corrected"] == third["corrected"] == "scale by hand"
    assert done["corrected"] == 3 and any("corrections.json" in w for w in done["words"])
    import xarray as xr

    with xr.open_dataset(out / "growth-series.nc", engine="h5netcdf") as data:
        assert "outline" in str(data.corrected.sel(crystal=1).values[1])
        assert "3 rows" in data.attrs["corrections"]
    # With the corrections taken away, it is the series that was found, to the last byte.
    corrections.write(out, [])
    rewrite(out, pictures=False)
    assert (out / "growth-series.csv").read_bytes() == as_found


def test_written_anew_or_measured_again_is_the_same(evening):
    out = evening / "measured"
    corrections.put(out, "t0min.png", 1, [Correction("t0min.png", 1, centre_px=(118.0, 91.0))])
    corrections.put(out, "t2min.png", 1, [Correction("t2min.png", 1, leave_out=True)])
    rewrite(out, pictures=False)
    once = (out / "growth-series.csv").read_bytes()
    again = measure([evening], "0.5+-0.002", out, workers=1, pictures=False)
    assert (out / "growth-series.csv").read_bytes() == once
    assert [r["picture"] for r in rows(out)] == ["t0min.png", "t1min.png"]
    assert again["left_out"] == 1


def test_a_crystal_that_was_not_found_is_measured_where_it_was_drawn(evening):
    out = evening / "measured"
    loop = tuple(map(tuple, hexagon_points(20.0, 0.0, (30.0, 30.0)).tolist()))
    corrections.put(out, "t0min.png", 2, [Correction("t0min.png", 2, outline_px=loop)])
    rewrite(out, pictures=False)
    mine = [r for r in rows(out) if r["picture"] == "t0min.png"]
    assert len(mine) == 2
    assert float(mine[1]["radius_facet_m"]) == pytest.approx(20 * 0.5e-6 * math.cos(math.pi / 6), rel=0.01)


def test_a_moved_folder_still_finds_its_pictures(evening, tmp_path):
    moved = evening.rename(tmp_path / "moved")
    corrections.put(moved / "measured", "*", 0, [Correction("*", scale_um=(1.0, 1.0))])
    rewrite(moved / "measured", pictures=False)
    assert float(rows(moved / "measured")[0]["radius_tip_m"]) == pytest.approx(46e-6, rel=0.02)


def test_the_measure_command_says_that_corrections_were_laid_over(evening, capsys):
    out = evening / "measured"
    corrections.put(out, "*", 0, [Correction("*", scale_um=(1.0, 1.0), note="other objective")])
    assert run(["measure", str(evening), "--scale", "0.5", "--out", str(out), "--workers", "1"]) == 0
    assert "corrections.json is laid over what was found: 3 rows" in capsys.readouterr().out


def test_compare_takes_a_measured_folder_with_its_corrections(evening, capsys):
    out = evening / "measured"
    as_found = compare(out, out, picture="t0min.png", picture_second="t2min.png")
    # Two like hexagons: common over covered area is the square of the ratio of their radii.
    assert as_found["similarity"] == pytest.approx((46 / 54) ** 2, rel=0.01)
    assert as_found["corrected"] == ["", ""]
    loop = tuple(map(tuple, hexagon_points(46.0, 14.0, AT).tolist()))
    corrections.put(out, "t2min.png", 1, [Correction("t2min.png", 1, outline_px=loop, note="fog taken off")])
    assert run(["compare", str(out), str(out), "--picture", "t0min.png", "--picture-b", "t2min.png"]) == 0
    said = capsys.readouterr().out
    assert "measured/t2min.png: outline by hand: fog taken off" in said
    after = compare(out, out, picture="t0min.png", picture_second="t2min.png")
    assert after["similarity"] > 0.97
    assert json.dumps(after["corrected"])
    assert np.isfinite(after["u_similarity"])
