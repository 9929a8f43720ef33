"""What look() says of runs that ended, were killed, or have damaged parts; and a run's sources."""

import json

import pytest

from icewright.ground.errors import IcewrightError
from icewright.notebook.frames import list_frames
from icewright.notebook.series import read_series
from icewright.notebook.store import RunFolder
from icewright.tasks.grow import grow
from icewright.tasks.look import look
from icewright.tasks.sources import sources_of_run


@pytest.fixture
def folder(straight):
    return straight


def test_an_ended_run_in_words_and_tables(folder):
    held = look(folder)
    assert held["state"] == "ended" and held["words"][0].endswith("5 minutes passed")
    assert any("radius 23.6 um" in words for words in held["words"])
    first, second = held["steps"]
    columns = read_series(folder / "series.csv").columns
    # Step 1 ends on radius 20 um, within the stand-in's own time step; step 2 lasts five minutes.
    assert first["radius_um"] == pytest.approx(20, rel=0.03) and second["min"] == pytest.approx(5, rel=1e-9)
    assert first["min"] + second["min"] == pytest.approx(columns["time_s"][-1] / 60)
    assert second["mass_ug"] == pytest.approx(columns["mass_kg"][-1] * 1e9)
    assert second["temperature_c"] == pytest.approx([-15, -14])
    assert all(len(row) == len(table["columns"]) for table in held["tables"] for row in table["rows"])
    assert held["frames"] == len(list_frames(folder / "frames.zarr"))
    json.dumps(held)  # plain values only


def test_a_killed_run_is_told_from_one_that_goes_on(folder):
    run = RunFolder(folder)
    run.set_status("growing", state="growing")
    held = look(folder)
    assert held["state"] == "killed" and "--resume" in held["words"][0] and "9.218 min" in held["words"][0]
    run.lock()
    assert look(folder)["state"] == "growing"
    run.unlock()


def test_damage_is_named_and_hides_nothing_else(folder):
    whole = (folder / "series.csv").read_bytes()
    (folder / "series.csv").write_bytes(whole[:-20])
    held = look(folder)
    assert any("torn" in text for text in held["warnings"]) and len(held["steps"]) == 2
    (folder / "series.csv").write_bytes(whole[:500] + b"rubbish" + whole[500:])
    held = look(folder)
    assert any("damaged" in text for text in held["warnings"]) and held["summary"]["habit"] == "plate"
    (folder / "recipe.toml").unlink()
    assert any("recipe" in text for text in look(folder)["warnings"])


def test_no_run_and_a_newer_run_are_refused(folder, tmp_path):
    with pytest.raises(IcewrightError, match="not a run folder"):
        look(tmp_path)
    data = json.loads((folder / "run.json").read_text())
    (folder / "run.json").write_text(json.dumps(data | {"schema": 99}))
    with pytest.raises(IcewrightError, match="newer Icewright"):
        look(folder)


def test_a_run_prints_its_sources(folder):
    text = sources_of_run(folder)
    # The two standards that the air of every run rests on, by their published numbers.
    assert "IAPWS R14-08" in text and "10.1063/1.3657937" in text
    assert "from memory" in text
    entries = sources_of_run(folder, style="bibtex")
    assert entries.count("@misc{") == len(json.loads((folder / "run.json").read_text())["sources"])
    with pytest.raises(IcewrightError, match="text or bibtex"):
        sources_of_run(folder, style="word")


def test_another_formula_for_diffusion_is_cited_instead(recipe_file, tmp_path, fake):
    recipe_file.write_text(recipe_file.read_text() + '\n[air]\ndiffusivity = "1998"\n')
    grow(recipe_file, tmp_path / "run", engine=fake, pictures=False)
    text = sources_of_run(tmp_path / "run")
    assert "Atmos. Environ. 32, 1111, 1998" in text and "J. Atmos. Sci. 33, 1995, 1976" not in text
