"""Sessions with the real engine: what is turned is recorded, found again, and nothing recorded is lost."""

from __future__ import annotations

import json
import os
import signal
import time

import numpy as np
import pytest

from icewright.bench import protocol


def engine_pid(served, sid):
    return served.app.state.sessions.get(sid)._link.process.pid


def grown(by_s):
    return lambda s: s["state"]["time_s"] >= by_s and s["state"]["worker"] in ("growing", "paused")


def rows(served, sid, branch):
    return served.client.get(f"/api/sessions/{sid}/branches/{branch}/series").json()["columns"]


def test_a_turn_is_a_recipe_and_grown_elsewhere_it_gives_the_same_crystal(served, star) -> None:
    from icewright.growth.run import Simulation
    from icewright.kinetics import load
    from icewright.recipe import files
    from icewright.recipe.resolution import Resolution

    served.until(star, grown(60))
    told = served.post(f"/api/sessions/{star}/turn", temperature_c=-14, sigma_percent=5)
    assert told["air"]["temperature_c"] == pytest.approx(-14)
    served.until(star, lambda s: s["state"]["act"] >= told["act"] and s["state"]["time_s"] > 200)
    served.post(f"/api/sessions/{star}/pace", paused=True)
    last = served.until(star, lambda s: s["state"]["worker"] == "paused")
    view = served.client.get(f"/api/sessions/{star}/recipe").json()
    assert [step["temperature_c"] for step in view["steps"]][-1] == [-14, -14]
    # The library's own engine, driven by the recipe alone, is the other witness.
    recipe = files.loads(view["toml"]).model_copy(
        update={"resolution": Resolution(voxel_m=last["setup"]["voxel_um"] * 1e-6)}
    )
    sim = Simulation(recipe, load(recipe.kinetics))
    while sim.ended is None:
        sim.advance()
    assert sim.time_s == pytest.approx(last["state"]["time_s"], rel=1e-6)
    assert sim.glance()["radius_tip_m"] * 1e6 == pytest.approx(last["state"]["sizes"]["radius_um"], rel=0.01)
    assert sim.glance()["mass_kg"] * 1e9 == pytest.approx(last["state"]["sizes"]["mass_ug"], rel=0.01)


def test_going_back_and_turning_makes_a_path_of_its_own(served, star) -> None:
    served.until(star, grown(150))
    served.post(f"/api/sessions/{star}/pace", paused=True)
    before = served.until(star, lambda s: s["state"]["worker"] == "paused")
    old = rows(served, star, 1)
    served.post(f"/api/sessions/{star}/go", time_s=70)
    at = served.until(star, lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] >= 69)
    assert at["state"]["time_s"] == pytest.approx(70, abs=10)
    assert at["state"]["replaying"]
    served.post(f"/api/sessions/{star}/turn", temperature_c=-6, sigma_percent=4)
    served.post(f"/api/sessions/{star}/pace", paused=False)
    after = served.until(star, lambda s: len(s["tree"]["branches"]) == 2 and s["state"]["time_s"] > 100)
    new = next(b for b in after["tree"]["branches"] if b["number"] != 1)
    assert new["parent"] == 1 and new["from_s"] == pytest.approx(at["state"]["time_s"])
    assert after["tree"]["current"] == new["number"]
    assert rows(served, star, 1) == old  # the old path stays
    assert before["tree"]["branches"][0]["end_s"] == after["tree"]["branches"][0]["end_s"]
    both = rows(served, star, new["number"])["time_s"]
    assert both[0] == 0 and both == sorted(both)
    # names, keeping, deleting
    path = f"/api/sessions/{star}/branches/{new['number']}"
    assert served.client.patch(path, json={"name": "cooler", "kept": True}).json()["name"] == "cooler"
    assert served.client.delete(path).status_code == 409
    # a stored crystal can be drawn without the engine
    moment = after["tree"]["branches"][0]["moments"][-1]
    mesh = served.client.get(f"/api/sessions/{star}/branches/1/moments/{moment['number']}/mesh")
    assert protocol.decode(mesh.content)["time_s"] == pytest.approx(moment["time_s"])
    # one that was thinned away after the page was told of it: the nearest that is kept
    (surface,) = served.settings.folder.rglob(f"{star}/moments/1/{moment['number']:06d}/mesh.bin")
    surface.unlink()
    mesh = served.client.get(f"/api/sessions/{star}/branches/1/moments/{moment['number']}/mesh")
    others = [m["time_s"] for m in after["tree"]["branches"][0]["moments"] if m["number"] != moment["number"]]
    assert protocol.decode(mesh.content)["time_s"] in [pytest.approx(time) for time in others]
    assert served.client.get(f"/api/sessions/{star}/branches/1/moments/999999/mesh").status_code == 404


def test_played_on_from_a_past_moment_it_repeats_itself(served, star) -> None:
    served.until(star, grown(150))
    served.post(f"/api/sessions/{star}/pace", paused=True)
    end = served.until(star, lambda s: s["state"]["worker"] == "paused")
    served.post(f"/api/sessions/{star}/go", time_s=10)
    served.until(star, lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] < 20)
    served.post(f"/api/sessions/{star}/go", time_s=end["state"]["time_s"])
    again = served.until(
        star, lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] > end["state"]["time_s"] - 1
    )
    assert again["state"]["sizes"]["mass_ug"] == pytest.approx(end["state"]["sizes"]["mass_ug"], rel=1e-6)
    assert len(again["tree"]["branches"]) == 1


def test_a_killed_engine_is_replaced_and_nothing_recorded_is_lost(served, star) -> None:
    served.until(star, grown(100))
    before = rows(served, star, 1)
    pid = engine_pid(served, star)
    os.kill(pid, signal.SIGKILL)
    told = served.post(f"/api/sessions/{star}/turn", sigma_percent=3)  # while it is being replaced
    after = served.until(
        star,
        lambda s: s["state"]["worker"] == "growing" and s["state"]["time_s"] > before["time_s"][-1] + 30,
    )
    assert engine_pid(served, star) != pid
    assert any("replaced" in note for note in after["notes"])
    now = rows(served, star, after["tree"]["current"])
    n = len(before["time_s"])
    assert now["time_s"][:n] == before["time_s"] and now["radius_um"][:n] == before["radius_um"]
    assert now["time_s"] == sorted(set(now["time_s"]))
    assert after["state"]["act"] >= told["act"]
    assert after["state"]["sigma_percent"] == pytest.approx(3, abs=1e-6)


def test_two_browsers_do_not_disturb_each_other(served) -> None:
    a, b = served.new(example="star", final_radius_um=150), served.new(example="plate", paused=True)
    try:
        served.until(a, grown(30))
        quiet = served.until(
            b, lambda s: s["state"]["worker"] == "paused" and s["tree"]["branches"][0]["moments"]
        )
        served.post(f"/api/sessions/{a}/turn", temperature_c=-5)
        served.until(a, lambda s: s["state"]["temperature_c"] == pytest.approx(-5))
        still = served.session(b)
        assert still["state"]["time_s"] == quiet["state"]["time_s"]
        assert still["state"]["temperature_c"] == pytest.approx(-15)
        assert still["tree"] == quiet["tree"]
        assert served.client.get(f"/api/sessions/{a}/branches/1/series").status_code == 200
    finally:
        for sid in (a, b):
            assert served.client.delete(f"/api/sessions/{sid}").status_code == 204
            assert served.client.get(f"/api/sessions/{sid}").status_code == 404


def test_a_session_is_found_again_after_the_server_was_restarted(fresh) -> None:
    first = fresh()
    sid = first.new(example="star", final_radius_um=150)
    first.until(sid, grown(60))
    first.post(f"/api/sessions/{sid}/turn", temperature_c=-13)
    first.until(sid, grown(90))
    series = rows(first, sid, 1)
    first.stop()
    second = fresh()
    found = second.session(sid)
    assert found["state"]["worker"] == "asleep"
    kept = rows(second, sid, 1)
    assert kept["time_s"][: len(series["time_s"])] == series["time_s"]
    assert found["tree"]["branches"][0]["steps"][-1]["temperature_c"] == [-13, -13]
    with second.socket(sid) as socket:
        frame = second.events(socket, "frame")[0]
        assert protocol.decode(frame)["time_s"] > 0
        second.post(f"/api/sessions/{sid}/pace", paused=False)
        second.until(sid, lambda s: s["state"]["time_s"] > kept["time_s"][-1] + 10)


@pytest.mark.slow
def test_nobody_looks_and_the_engine_sleeps(fresh) -> None:
    server = fresh(idle_s=1.0)
    sid = server.new(example="star", final_radius_um=150)
    server.until(sid, grown(20))
    time.sleep(3.5)
    assert not server.app.state.sessions.get(sid).awake
    with server.socket(sid) as socket:
        server.events(socket, "frame")
    assert server.session(sid)["state"]["time_s"] > 0


def test_meshes_come_at_most_two_ahead_and_newest_first(served, star) -> None:
    served.until(star, grown(5))
    served.post(f"/api/sessions/{star}/pace", speed=30)
    with served.socket(star) as socket:
        frames, end = [], time.time() + 30
        while time.time() < end:  # no acks: two meshes and then silence
            try:
                message = socket.recv(timeout=0.5)
            except TimeoutError:
                continue
            if isinstance(message, bytes):
                frames.append(message)
                if len(frames) == 2:
                    end = time.time() + 2
        assert len(frames) == 2
        first = protocol.decode(frames[0])
        assert first["index"] is not None
        socket.send(json.dumps({"ack": first["frame"]}))
        newest = protocol.decode(served.events(socket, "frame")[0])
        assert newest["time_s"] > protocol.decode(frames[1])["time_s"]


def test_the_first_mesh_after_a_turn_carries_its_number(served, star) -> None:
    with served.socket(star) as socket:
        served.events(socket, "frame", 3)
        socket.send(json.dumps({"do": "turn", "id": 5, "temperature_c": -14.5}))
        done = served.events(socket, "done")[0]
        assert done["id"] == 5
        for frame in served.events(socket, "frame", 30):
            d = protocol.decode(frame)
            if d["act"] >= done["answer"]["act"]:
                assert d["temperature_k"] == pytest.approx(258.65)
                return
        raise AssertionError("no mesh with the turn's number")


def test_the_timeline_is_edited(served, star) -> None:
    served.until(star, grown(180))
    served.post(f"/api/sessions/{star}/pace", paused=True)
    was = served.until(star, lambda s: s["state"]["worker"] == "paused")
    steps = served.client.get(f"/api/sessions/{star}/recipe").json()["steps"]
    edits = [{k: v for k, v in step.items() if k not in ("from_s", "to_s")} for step in steps]
    edits[1]["humidity"] = {"key": "sigma_percent", "from": 6, "to": 6}
    answer = served.client.put(f"/api/sessions/{star}/recipe", json={"steps": edits})
    assert answer.status_code == 200, answer.text
    now = served.until(
        star,
        lambda s: (
            s["state"]["worker"] in ("paused", "at-rest")
            and s["state"]["time_s"] > was["state"]["time_s"] - 5
        ),
    )
    new = next(b for b in now["tree"]["branches"] if b["number"] == now["tree"]["current"])
    assert new["parent"] == 1 and new["from_s"] == pytest.approx(120, abs=1)
    assert new["steps"][1]["humidity"]["from"] == 6
    assert now["state"]["sizes"]["radius_um"] < was["state"]["sizes"]["radius_um"]  # drier grows less


@pytest.mark.slow
def test_another_pressure_grows_the_same_history_again(served, star) -> None:
    served.until(star, grown(130))
    served.post(f"/api/sessions/{star}/pace", paused=True)
    was = served.until(star, lambda s: s["state"]["worker"] == "paused")
    served.post(f"/api/sessions/{star}/setup", pressure_hpa=200)
    now = served.until(
        star,
        lambda s: s["state"]["worker"] == "paused" and s["state"]["time_s"] > was["state"]["time_s"] - 5,
    )
    assert now["setup"]["pressure_hpa"] == pytest.approx(200)
    # D scales as 1/P: at a fifth of the pressure a diffusion-limited crystal grows faster
    assert now["state"]["sizes"]["radius_um"] > 1.2 * was["state"]["sizes"]["radius_um"]


def test_saving_and_opening_a_recipe(served, star) -> None:
    served.until(star, grown(30))
    path = f"/api/sessions/{star}/recipe/save"
    assert served.post(path, name="evening star")["name"] == "evening star.toml"
    served.post(path, 409, name="evening star")
    served.post(path, 400, name="../evening")
    assert "evening star.toml" in [r["name"] for r in served.client.get("/api/recipes").json()]
    sid = served.new(recipe="evening star.toml", paused=True)
    assert served.session(sid)["title"].startswith("Star")
    served.client.delete(f"/api/sessions/{sid}")


def test_the_clock_and_the_real_one(served, star) -> None:
    served.until(star, grown(200))
    clock = served.post(f"/api/sessions/{star}/clock", start=True)
    assert clock["running"] and "moisten to 12 % over ice" in clock["cue"]["words"]
    columns = rows(served, star, 1)
    middle = len(columns["time_s"]) // 2
    told = served.post(f"/api/sessions/{star}/real", radius_um=columns["radius_um"][middle])
    at = np.interp(told["clock"]["model_s"], columns["time_s"], columns["radius_um"])
    assert at == pytest.approx(columns["radius_um"][middle], rel=0.02)
    served.post(f"/api/sessions/{star}/real", 409, radius_um=1)
    again = served.post(f"/api/sessions/{star}/real", radius_um=40, thickness_um=12, as_prism=True)
    assert "hexagonal prism" in again["words"]
    now = served.until(star, lambda s: s["setup"]["seed"]["radius_um"] == 40 and s["state"]["time_s"] > 0)
    assert now["state"]["sizes"]["radius_um"] == pytest.approx(40, rel=0.15)


def test_section_and_outline(served, star) -> None:
    served.until(star, grown(100))
    served.post(f"/api/sessions/{star}/pace", paused=True)
    served.until(star, lambda s: s["state"]["worker"] == "paused")
    cut = served.client.get(f"/api/sessions/{star}/section?plane=axial").json()
    radius = served.session(star)["state"]["sizes"]["radius_um"]
    assert max(cut["x_um"]) == pytest.approx(radius, rel=0.3)
    assert len(cut["frozen_s"]) == len(cut["y_um"])
    middle = cut["frozen_s"][len(cut["y_um"]) // 2]
    assert middle[len(middle) // 2] == 0  # the seed
    flat = served.client.get(f"/api/sessions/{star}/section?plane=basal").json()
    assert len(flat["frozen_s"]) == len(flat["x_um"])
    outline = served.client.get(f"/api/sessions/{star}/outline").json()["polygons"][0]
    assert outline[0] == pytest.approx(outline[-1], abs=1e-6)


def test_air_that_cannot_be_is_refused_with_the_line_to_type(served, star) -> None:
    for body, kind in (
        ({"temperature_c": 5}, "RecipeError"),
        ({"temperature_c": -60}, "KineticsError"),
        ({"sigma_percent": 900}, "RecipeError"),
        ({}, "BenchError"),
        ({"sigma_percent": 1, "water_fraction": 0.9}, "BenchError"),
    ):
        error = served.post(f"/api/sessions/{star}/turn", 400, **body)["error"]
        assert error["kind"] == kind and error["got"] and error["wanted"]
    refused = served.post(f"/api/sessions/{star}/turn", 422, knob=3)["error"]
    assert "knob" in refused["got"]
