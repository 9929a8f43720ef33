"""The session file of a recipe sheet is opened on a real bench, with knobs, curves and the same recipe.

Outside: the recipe that the sheet was made from. Everything is invented, of the Tern Point science museum.
"""

from __future__ import annotations

import pytest

RECIPE = """
kind = "icewright.recipe"
schema = 1
title = "Tern Point: a plate, then dry (invented)"
kinetics = "{kinetics}"
{more}
[seed]
radius_um = 4
thickness_um = 4
[resolution]
voxel_um = 1
[[step]]
note = "moist"
temperature_c = -15
sigma_percent = 8
radius_um = 9
minutes = 10
[[step]]
temperature_c = [-15, -13.5]
sigma_percent = [8, 2.5]
minutes = 0.3
"""
TABLE = """
kind = "icewright.kinetics"
schema = 1
name = "tern-point-invented"
source = "invented for this test"
how = "measured"
uncertainty = 0.3
[basal]
temperature_c = [-2, -15]
sigma0_percent = [0.9, 2.2]
A = [1, 1]
[prism]
temperature_c = [-15, -2]
sigma0_percent = [2.7, 0.15]
A = [1, 0.15]
"""


@pytest.mark.parametrize("kinetics", ["layer-fits", "own.toml"])
def test_the_session_of_a_sheet_opens_on_the_bench(served, kinetics) -> None:
    from icewright.tasks.sheet import sheet

    folder = served.settings.folder
    stem = kinetics.replace(".", "-")
    (folder / "own.toml").write_text(TABLE)
    (folder / f"{stem}.toml").write_text(RECIPE.format(kinetics=kinetics, more=""))
    made = sheet(folder / f"{stem}.toml", folder / f"{stem}-sheet.pdf", session=folder / f"{stem}-again.toml")
    assert made.session is not None
    view = served.client.get(f"/api/recipes/{made.session.name}")
    assert view.status_code == 200, view.text
    assert any(r["name"] == made.session.name for r in served.client.get("/api/recipes").json())
    sid = served.new(recipe=made.session.name, paused=True)
    session = served.until(sid, lambda s: s["state"]["worker"] == "paused")
    assert session["title"] == "Tern Point: a plate, then dry (invented)"
    steps = session["tree"]["branches"][0]["steps"]
    assert [s["temperature_c"] for s in steps] == [[-15, -15], [-15, pytest.approx(-13.5)]]
    assert steps[0]["radius_um"] == pytest.approx(9) and steps[0]["note"] == "moist"
    assert session["setup"]["seed"] == {"radius_um": pytest.approx(4), "thickness_um": pytest.approx(4)}
    assert session["air"]["temperature_c"] == pytest.approx(-15)
    served.client.delete(f"/api/sessions/{sid}")
