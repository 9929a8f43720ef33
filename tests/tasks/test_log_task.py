"""From a logger's file to a recipe, a comparison and two grown crystals; the stand-in engine grows them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from icewright.apparatus.clock import LogError
from icewright.recipe import curves
from icewright.recipe.files import read, read_planned
from icewright.tasks import log as task
from icewright.tasks.plan import plan

EXAMPLES = Path(__file__).parents[2] / "examples"
CELL = EXAMPLES / "apparatus-reservoir.toml"
LOG = EXAMPLES / "tern-point-log.csv"
PLAN = EXAMPLES / "reservoir-recipe.toml"


@pytest.fixture(autouse=True)
def _no_drawing(request, monkeypatch):
    if request.node.name.endswith("are_drawn"):
        return
    from icewright.pictures import air_figures

    for name in ("air_png", "log_png", "runs_png"):
        monkeypatch.setattr(
            air_figures, name, lambda *args, **_: next(a for a in args if isinstance(a, Path))
        )


def drawn_log(tmp_path: Path, offset_k: float, noise_k: float = 0.0) -> Path:
    """A log of the planned run itself, whose reservoir is that much warmer than set."""
    from icewright.apparatus.file import read as read_apparatus
    from icewright.apparatus.response import follow

    moments = 60.0 * np.array([0.0, 4.0, 4.0, 10.0, 10.0, 15.0])  # the steps of the example
    knob = np.array([-14.6, -14.6, -14.0, -14.0, -14.0, -14.7])
    followed = follow(read_apparatus(CELL), moments, {"reservoir_c": knob, "plate_c": -15.0})
    t = np.arange(0.0, 900.1, 5.0)
    warm = np.interp(t, followed.time_s, followed.settings["reservoir_c"]) + offset_k
    warm += noise_k * np.random.default_rng(0).normal(size=t.size)
    rows = [f"{s:g},{r:.4f},-15" for s, r in zip(t, warm, strict=True)]
    path = tmp_path / "drawn.csv"
    path.write_text("s,R,P\n" + "\n".join(rows) + "\n")
    path.with_suffix(".logger.toml").write_text(
        'kind = "icewright.logger"\nschema = 1\n[time]\ncolumn = "s"\nlayout = "seconds"\n'
        '[channel.reservoir_c]\ncolumn = "R"\nunit = "degC"\n[channel.plate_c]\ncolumn = "P"\nunit = "degC"\n'
    )
    return path


def test_a_log_of_the_plan_itself_gives_the_plan_s_air_back(tmp_path: Path) -> None:
    told = task.log(drawn_log(tmp_path, 0.0), CELL, tmp_path / "out", plan=PLAN)
    whole = told["differences"][0]
    assert abs(whole["temperature_k"]["most"]) < 1e-3
    # A reading every 5 s cuts the knees of a lag of 60 s: less than a thousandth in sigma.
    assert abs(whole["sigma"]["most"]) < 1e-3
    assert read(tmp_path / "out" / "as-run.toml").seed == read(PLAN).seed


def test_an_offset_of_the_reservoir_is_seen_in_sigma(tmp_path: Path) -> None:
    # dsigma/dT_r = L/(Rv T^2) (1 + sigma): 0.1 K at -14.6 degC over -15 are 0.96 % (project's section 5 (b):
    # 0.1 K gives 0.927 % at sigma 0, a tenth higher per unit of sigma).
    told = task.log(drawn_log(tmp_path, 0.1), CELL, tmp_path / "out", plan=PLAN)
    first = next(d for d in told["differences"] if d["part"] == "step 1")
    assert first["sigma"]["mean"] == pytest.approx(0.00927 * 1.0375, rel=0.01)


def test_noise_is_found_and_not_followed(tmp_path: Path) -> None:
    quiet = task.log(drawn_log(tmp_path, 0.0), CELL, tmp_path / "a")
    noisy = task.log(drawn_log(tmp_path, 0.0, noise_k=0.01), CELL, tmp_path / "b")
    assert noisy["steps"] <= quiet["steps"] + 2
    assert any("means over 4 readings" in words for words in noisy["words"])
    # 0.01 K of noise are 0.1 % of sigma in a reading; the ramps through all of them keep to the quiet air.
    made, still = (read(tmp_path / name / "as-run.toml") for name in "ba")
    air = [curves.of_steps(recipe.steps) for recipe in (made, still)]
    t = np.arange(0.0, 900.0, 10.0)
    gap = np.interp(t, air[0][0], air[0][3]) - np.interp(t, air[1][0], air[1][3])
    assert np.sqrt(np.mean(gap**2)) < 1e-3


def test_the_example_log(tmp_path: Path) -> None:
    told = task.log(LOG, CELL, tmp_path, plan=PLAN)
    assert [s["line"] for s in told["spikes"]] == [65, 112]  # put there when the log was invented
    assert len(told["gaps"]) == 1
    held = json.loads((tmp_path / "log.json").read_text())
    assert (held["kind"], held["schema"]) == ("icewright.log", 1)
    c = curves.read(tmp_path / "air.csv")
    assert len(c.time_s) == 169 and set(c.settings) == {"reservoir_c", "plate_c"}


def test_without_a_mapping_a_starter_is_written_once(tmp_path: Path) -> None:
    file = Path(shutil.copy(LOG, tmp_path / "day.csv"))
    with pytest.raises(LogError) as caught:
        task.log(file, CELL, tmp_path / "out")
    beside = tmp_path / "day.logger.toml"
    assert str(beside) in caught.value.got and not (tmp_path / "out").exists()
    beside.write_text((EXAMPLES / "tern-point-log.logger.toml").read_text())
    assert task.log(file, CELL, tmp_path / "out")["steps"] > 2


def test_clock_and_cut(tmp_path: Path) -> None:
    file = drawn_log(tmp_path, 0.0)
    told = task.log(file, CELL, tmp_path / "a", begin="100", end="400")
    assert curves.read(tmp_path / "a" / "air.csv").time_s[[0, -1]].tolist() == [0.0, 300.0]
    # The camera is 30 s ahead and took its first picture at its own 90 s: 60 s by the logger.
    told = task.log(file, CELL, tmp_path / "b", sync=["10=40"], camera_start="90")
    assert curves.read(tmp_path / "b" / "air.csv").time_s[[0, -1]] == pytest.approx([0.0, 840.0])
    assert told["clock"]["offset_s"] == 30.0
    with pytest.raises(LogError, match="first picture"):
        task.log(file, CELL, tmp_path / "c", camera_start="5000")
    with pytest.raises(LogError, match="--sync"):
        task.log(file, CELL, tmp_path / "c", sync=["10"])
    with pytest.raises(LogError, match="at least two"):
        task.log(file, CELL, tmp_path / "c", begin="5000")


def test_the_gap_is_refused_where_no_line_may_cross_it(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="--bridge-min 2"):
        task.log(LOG, CELL, tmp_path / "out", bridge_min=1.0)
    assert not (tmp_path / "out").exists()


@pytest.fixture
def short_plan(tmp_path: Path) -> Path:
    """The first minute of the example, on coarse voxels: the stand-in engine has nothing to resolve."""
    text = PLAN.read_text().replace('preset = "preview"', "voxel_um = 1")
    head, first, *_ = text.replace("apparatus-reservoir.toml", str(CELL)).split("[[step]]")
    path = tmp_path / "short.toml"
    path.write_text(
        f"{head}[[step]]{first.replace('minutes = 4', 'minutes = 0.5')}[[step]]\nsettings = "
        "{ reservoir_c = -14.0 }\nminutes = 0.5\n"
    )
    return path


def test_both_crystals_are_grown_and_compared(tmp_path: Path, short_plan: Path, fake) -> None:
    log = drawn_log(tmp_path, 0.5)
    options = {"plan": short_plan, "end": "60", "engine": fake, "pictures": False}
    told = task.grow_both(log, CELL, tmp_path, **options)
    assert told["complete"]
    # In the log the reservoir stood warmer, so its crystal is the larger one; both are a minute old.
    row = {r["quantity"]: r for r in told["compared"]["rows"]}
    assert row["radius, um"]["as_run"] > row["radius, um"]["planned"]
    assert row["time, min"]["as_run"] == pytest.approx(row["time, min"]["planned"], abs=0.01)
    c = curves.read(tmp_path / "as-run" / "air.csv")
    assert np.isfinite(c.set_sigma).any()
    again = task.grow_both(log, CELL, tmp_path, **options)
    assert again["compared"]["rows"] == told["compared"]["rows"]


def test_a_run_in_settings_keeps_its_air_and_goes_on(tmp_path: Path, short_plan: Path, fake) -> None:
    from icewright.tasks.grow import grow

    grow(short_plan, tmp_path / "run", engine=fake, pictures=False)
    for name in ("air.csv", "settings.toml", "apparatus.toml"):
        assert (tmp_path / "run" / name).is_file()
    # What the folder holds reads as the same recipe, without the files it was grown from.
    assert (
        read(tmp_path / "run" / "settings.toml") == read(tmp_path / "run" / "recipe.toml") == read(short_plan)
    )
    held = json.loads((tmp_path / "run" / "run.json").read_text())
    assert held["air"]["kind_of_apparatus"] == "reservoir" and held["air"]["cautions"]
    done = grow(None, tmp_path / "run", resume=True, engine=fake, pictures=False)
    assert done.complete


def test_a_recipe_of_plain_air_keeps_no_second_curve(tmp_path: Path, recipe_file: Path) -> None:
    from icewright.tasks import planned as air_record

    air_record.keep(read_planned(recipe_file), tmp_path)
    assert not (tmp_path / "air.csv").exists()
    assert air_record.set_air(tmp_path, {}) is None
    assert air_record.about(read_planned(recipe_file)) == {}


def test_plan_and_log_are_drawn(tmp_path: Path) -> None:
    found = plan(PLAN, tmp_path / "plan")
    assert [s["step"] for s in found["steps"]] == [1, 2, 3]
    assert found["steps"][1]["set_sigma_percent"] == pytest.approx(9.627, abs=2e-3)  # section 5 (b), 1 K
    told = task.log(LOG, CELL, tmp_path / "log", plan=PLAN)
    from PIL import Image

    for path in (found["picture"], *told["pictures"]):
        with Image.open(path) as picture:
            assert picture.info["kind"].startswith("icewright.")
            assert len(set(picture.convert("L").resize((64, 64)).tobytes())) > 8
