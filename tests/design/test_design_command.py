"""`icewright design` as a user types it: three closed loops on real ice, what cannot be, stop and resume."""

import json

import pytest

from icewright.cli.main import run
from icewright.design.distance import SAME, distance
from icewright.design.portrait import portrait
from icewright.growth.run import Simulation
from icewright.kinetics.family import Member
from icewright.recipe.files import loads, read
from icewright.tasks.design import crystal_of, design, read_design
from icewright.tasks.grow import grow

HEAD = (
    'kind = "icewright.target"\nschema = 1\ntitle = "Tern Point loop (invented)"\nkinetics = "layer-fits"\n'
)
RECIPE = """
kind = "icewright.recipe"
schema = 1
kinetics = "layer-fits"
[seed]
radius_um = 3
thickness_um = 3
[resolution]
voxel_um = {voxel}
"""
HIDDEN = {
    "plate": ("0.7", "temperature_c = -13.5\nsigma_percent = 4\nradius_um = 24\n"),
    "column": ("0.8", "temperature_c = -5.7\nsigma_percent = 1.5\nthickness_um = 56\n"),
    "thick plate": (
        "0.65",
        "temperature_c = -11\nsigma_percent = 5\nradius_um = 12\n"
        "[[step]]\ntemperature_c = -14\nsigma_percent = 7\nradius_um = 24\n",
    ),
}


def designed(capsys, *args):
    code = run(["design", *map(str, args), "--json"])
    out = json.loads(capsys.readouterr().out)
    return code, out


@pytest.mark.parametrize("name", HIDDEN)
def test_the_closed_loop_finds_the_crystal_of_a_hidden_recipe(tmp_path, capsys, name):
    # The hidden world has other voxels and barriers moved by 5 percent; the search gets the crystal alone.
    voxel, step = HIDDEN[name]
    moved = Member("layer-fits", (("sigma0 basal", 1.05), ("sigma0 prism", 0.95)))
    recipe = loads(RECIPE.format(voxel=voxel) + "[[step]]\n" + step)
    grow(recipe, tmp_path / "hidden", kinetics=moved.build(), pictures=False, frames=2)
    target = tmp_path / "target.toml"
    target.write_text(HEAD + '[limits]\nsteps = 1\n[crystal]\nrun = "hidden"\n')
    out = tmp_path / "out"
    code, found = designed(
        capsys, target, "--out", out, "--workers", 1, "--trials", 18, "--spread", 0, "--no-pictures"
    )
    assert code == 0 and found["complete"] and found["same"]
    assert found["distance"] <= SAME == found["level"]
    # The recipe that was written regrows the crystal that was promised.
    again = read(out / "recipe.toml")
    s = Simulation(again, Member("layer-fits").build())
    while s.ended is None:
        s.advance()
    assert distance(portrait(s.solid()), portrait(crystal_of(out))) < 0.02


@pytest.mark.parametrize(
    ("asked", "good"), [([], 0.02), (["--enough", "0.3"], 0.3), (["--enough", "0"], 0.0)]
)
def test_a_search_ends_where_it_is_told_to(tmp_path, monkeypatch, capsys, asked, good):
    """`Search` is tested on crystals made by a formula; here, that the command and --resume hand it on."""
    from icewright.design import search
    from icewright.ground.errors import IcewrightError

    told = []

    def run_not(self):
        told.append(self.good)
        raise IcewrightError("stopped by the test")

    monkeypatch.setattr(search.Search, "run", run_not)
    target = tmp_path / "target.toml"
    target.write_text(HEAD + '[limits]\nsteps = 1\n[[stage]]\nhabit = "plate"\nradius_um = 16\n')
    for words in ([target, "--out", tmp_path / "out", *asked], ["--resume", tmp_path / "out"]):
        assert run(["design", *map(str, words)]) != 0
        assert "stopped by the test" in capsys.readouterr().err
    assert told == [good, good]


def test_what_cannot_be_is_said_with_the_nearest_crystal(tmp_path, capsys):
    target = tmp_path / "fast.toml"
    target.write_text(
        HEAD + "[limits]\nminutes = 2\nsteps = 1\n" + '[[stage]]\nhabit = "plate"\nradius_um = 1000\n'
    )
    code, found = designed(
        capsys,
        target,
        "--out",
        tmp_path / "out",
        "--workers",
        1,
        "--trials",
        12,
        "--spread",
        0,
        "--no-pictures",
    )
    assert code == 0 and not found["same"]
    assert found["ended"].startswith("this crystal cannot be grown")
    assert any(r["certain"] and "diffusion" in r["why"] for r in found["reasons"])
    nearest = found["recipes"][0]
    assert 0 < nearest["radius_um"] < 900 and nearest["minutes"] <= 2.1
    assert sum(s.endings.time_s or 0 for s in read(tmp_path / "out" / "recipe.toml").steps) <= 126


def test_a_stopped_design_leaves_its_best_and_goes_on(tmp_path):
    target = tmp_path / "target.toml"
    target.write_text(HEAD + '[limits]\nsteps = 1\n[[stage]]\nhabit = "plate"\nradius_um = 16\n')
    out, seen = tmp_path / "out", []

    def asked():
        return len(seen) >= 2

    first = design(
        target, out, trials=12, workers=1, spread=4, pictures=False, on_best=seen.append, should_stop=asked
    )
    assert not first.complete and "--resume" in first.ended
    assert first.recipes and (out / "recipe.toml").is_file() and seen[-1].recipe
    second = design(None, out, resume=True, workers=1)
    assert second.complete and second.search["kept_from_before"] > 0
    assert second.spread is not None and second.spread["step_most_at_risk"] == 1
    assert [p.name for p in second.pictures] and all(p.stat().st_size > 10_000 for p in second.pictures)
    assert read_design(out).to_dict() == second.to_dict()


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ([], "no target"),
        (["none.toml", "--out", "x"], "cannot be read"),
        (["t.toml"], "no --out"),
        (["t.toml", "--resume", "x"], "--resume alone"),
        (["--resume", "nowhere"], "design.json"),
    ],
)
def test_slips_at_the_command_line(tmp_path, monkeypatch, capsys, args, words):
    monkeypatch.chdir(tmp_path)
    assert run(["design", *args]) == 2
    assert words in capsys.readouterr().err


def test_a_folder_that_holds_something_is_left_alone(tmp_path, capsys):
    target = tmp_path / "t.toml"
    target.write_text(HEAD + '[[stage]]\nhabit = "plate"\nradius_um = 16\n')
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "notes.txt").write_text("mine")
    assert run(["design", str(target), "--out", str(tmp_path / "x")]) == 2
    assert "not empty" in capsys.readouterr().err
    assert [p.name for p in (tmp_path / "x").iterdir()] == ["notes.txt"]
