"""Measured folders over HTTP: corrections by hand, the numbers measured anew, and what was found left alone.

Outside: plane geometry of hexagons; the photographs are drawn by matplotlib (`tests/measure/drawn.py`).
"""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
import sys
from pathlib import Path

import pytest
from PIL import Image

sys.path.append(str(Path(__file__).parents[1] / "measure"))

from drawn import as_8bit, hexagon_area, hexagon_points, picture, polygon_mask

from icewright.tasks.measure import measure

AT, SHAPE = (120.0, 90.0), (181, 240)


def drawn(radius, seed=0):
    mask = polygon_mask(hexagon_points(radius, 14.0, AT), SHAPE, finer=4)
    return Image.fromarray(as_8bit(picture(mask, seed=seed)))


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """Three photographs and their measured folder, half a micrometre in a pixel."""
    folder = tmp_path_factory.mktemp("tern-point-evening")
    for k in range(3):
        drawn(46 + 4 * k, k).save(folder / f"t{k}min.png")
    measure([folder], "0.5+-0.002", folder / "measured", workers=1, pictures=False)
    return folder


@pytest.fixture
def evening(served, once):
    """The same in the folder of the bench, afresh for each test."""
    place = served.settings.folder / "evening"
    shutil.copytree(once, place)
    yield place
    shutil.rmtree(place)


NAME = "/api/measurements/evening~measured"


def get(served, path="", want=200):
    answer = served.client.get(NAME + path)
    assert answer.status_code == want, answer.text
    return answer.json()


def put(served, path, want=200, **body):
    answer = served.client.put(NAME + path, json=body)
    assert answer.status_code == want, answer.text
    return answer.json()


def values(reading):
    return {v["name"]: v for v in reading["values"]}


def test_a_measured_folder_is_listed_and_shown(served, evening) -> None:
    listed = served.client.get("/api/measurements").json()
    assert [(b["name"], b["pictures"], b["corrections"], b["error"]) for b in listed] == [
        ("evening~measured", 3, 0, "")
    ]
    folder = get(served)
    assert folder["scale_found"]["x_um"] == pytest.approx(0.5)
    assert folder["scale_found"]["u_percent"] == pytest.approx(0.4)
    assert [p["time_s"] for p in folder["pictures"]] == [0, 60, 120]
    assert not folder["stale"] and folder["scale_all"] is None
    shown = get(served, "/pictures/1")
    assert (shown["width"], shown["height"], shown["shown"]) == (240, 181, True)
    (one,) = shown["crystals"]
    assert one["found"] == one["now"] and one["by_hand"]["outline_px"] is None
    assert values(one["now"])["radius_tip_m"]["value"] == pytest.approx(23.0, rel=0.02)
    assert one["now"]["quality"] in ("good", "fair", "poor") and len(one["now"]["axes_px"]) == 6
    assert served.client.post(NAME + "/pictures/1/ready").status_code == 204
    assert served.client.post(NAME + "/pictures/9/ready").status_code == 404
    image = served.client.get(NAME + "/pictures/1/image")
    assert Image.open(io.BytesIO(image.content)).size == (240, 181)


def test_an_outline_by_hand_gives_the_closed_form_and_marks_what_hangs_on_it(served, evening) -> None:
    found = (evening / "measured" / "readings.json").read_bytes()
    loop = hexagon_points(60.0, 30.0, AT).tolist()
    one = put(served, "/pictures/2/crystals/1", outline_px=loop, note="halo taken off")
    now = values(one["now"])
    r = 30.0
    assert now["radius_tip_m"]["value"] == pytest.approx(r, rel=3e-3)
    assert now["radius_facet_m"]["value"] == pytest.approx(r * math.cos(math.pi / 6), rel=3e-3)
    assert now["area_m2"]["value"] == pytest.approx(hexagon_area(r), rel=1e-6)
    assert now["perimeter_m"]["value"] == pytest.approx(6 * r, rel=1e-6)
    assert now["angle_rad"]["value"] % 60 == pytest.approx(30.0, abs=0.05)
    assert all(v["hangs_on"] == ["outline"] for v in now.values())
    assert values(one["found"])["radius_tip_m"]["value"] == pytest.approx(25.0, rel=0.02)
    assert one["by_hand"]["outline_px"] == loop
    assert (evening / "measured" / "readings.json").read_bytes() == found
    kept = json.loads((evening / "measured" / "corrections.json").read_text())
    assert (kept["kind"], kept["schema"]) == ("icewright.corrections", 2)
    # What was said is still there when it is asked for again, and gone when it is taken back.
    assert get(served, "/pictures/2")["crystals"][0] == one
    assert get(served)["stale"] and get(served)["pictures"][1]["corrected"]
    back = put(served, "/pictures/2/crystals/1")
    assert back["now"] == back["found"]
    assert not get(served)["stale"]


def test_scale_and_centre_mark_only_what_changes_with_them(served, evening) -> None:
    before = values(get(served, "/pictures/1")["crystals"][0]["found"])
    one = put(served, "/pictures/1/crystals/1", centre_px=[AT[0] + 5, AT[1]])
    now = values(one["now"])
    assert now["area_m2"]["hangs_on"] == [] and now["area_m2"]["value"] == before["area_m2"]["value"]
    assert now["arm_1_m"]["hangs_on"] == ["centre"]
    assert one["now"]["centre_px"] == pytest.approx([AT[0] + 5, AT[1]])
    shown = put(served, "/pictures/1/scale", x_um=1.0, u_percent=1.0, note="other objective")
    assert shown["scale_by_hand"] == "picture" and shown["scale_note"] == "other objective"
    now = values(shown["crystals"][0]["now"])
    assert now["area_m2"]["value"] == pytest.approx(4 * before["area_m2"]["value"], rel=1e-6)
    assert now["area_m2"]["hangs_on"] == ["scale"]
    assert set(now["arm_1_m"]["hangs_on"]) == {"scale", "centre"}
    assert now["solidity"]["hangs_on"] == [], "a shape has no scale"
    assert get(served, "/pictures/2")["scale_by_hand"] == ""


def test_two_points_a_known_distance_apart_set_the_scale(served, evening) -> None:
    # 100 px along x that are 80 um: 0.8 um in a pixel; a pixel at each end is 1.41 % of it, 2 um are 2.5 %.
    shown = put(
        served, "/pictures/3/scale", points_px=[[20, 30], [120, 30]], distance_um=80, u_distance_um=2,
        for_all=True,
    )  # fmt: skip
    assert shown["scale_by_hand"] == "all"
    assert shown["scale_now"]["x_um"] == pytest.approx(0.8) == shown["scale_now"]["y_um"]
    assert shown["scale_now"]["u_percent"] == pytest.approx(100 * math.hypot(2**0.5 / 100, 0.025))
    assert get(served, "/pictures/1")["scale_by_hand"] == "all"
    tip = values(shown["crystals"][0]["now"])["radius_tip_m"]
    assert tip["value"] == pytest.approx(54 * 0.8, rel=0.01)
    assert tip["u"] > 0.028 * tip["value"]
    assert put(served, "/pictures/3/scale", for_all=True)["scale_by_hand"] == ""


def test_the_series_is_written_anew_with_corrections_marked(served, evening) -> None:
    loop = hexagon_points(60.0, 30.0, AT).tolist()
    put(served, "/pictures/2/crystals/1", outline_px=loop)
    put(served, "/pictures/3/crystals/1", leave_out=True, note="dust")
    answer = served.client.post(NAME + "/series")
    assert answer.status_code == 200, answer.text
    assert (answer.json()["rows"], answer.json()["corrected"], answer.json()["left_out"]) == (2, 1, 1)
    assert not get(served)["stale"]
    told = served.client.get(NAME + "/files/growth-series.csv").text
    first, second = list(csv.DictReader(io.StringIO(told)))
    assert float(second["radius_tip_m"]) == pytest.approx(30e-6, rel=3e-3)
    assert (first["corrected"], second["corrected"]) == ("", "outline by hand")
    assert get(served, "/pictures/3")["crystals"][0]["by_hand"]["leave_out"] is True
    # Beside the curves of runs the same series says that a hand was in it.
    (listed,) = served.client.get("/api/measured").json()
    assert (listed["name"], listed["corrected"]) == ("evening~measured~growth-series.csv", 1)
    curve = served.client.get(f"/api/measured/{listed['name']}").json()
    assert curve["corrected"] == 1
    assert curve["columns"]["radius_um"] == pytest.approx([23.0, 30.0], rel=0.02)
    assert served.client.get("/api/measured/evening~..~x.csv").status_code in (400, 403, 404)


def test_a_crystal_that_only_a_hand_drew(served, evening) -> None:
    put(served, "/pictures/1/crystals/2", 404, centre_px=[10, 10])
    loop = hexagon_points(24.0, 0.0, (30.0, 30.0)).tolist()
    one = put(served, "/pictures/1/crystals/2", outline_px=loop)
    assert one["found"] is None
    assert values(one["now"])["area_m2"]["value"] == pytest.approx(hexagon_area(12.0), rel=1e-6)
    assert [c["number"] for c in get(served, "/pictures/1")["crystals"]] == [1, 2]
    gone = put(served, "/pictures/1/crystals/2")
    assert gone["now"] is None
    assert len(get(served, "/pictures/1")["crystals"]) == 1


def test_a_photograph_that_is_sent_is_measured(served) -> None:
    for mode, name in (("png", "evening star.png"), ("tiff16", "deep.tif")):
        image, data = drawn(50), io.BytesIO()
        if mode == "png":
            image.save(data, "PNG")
        else:
            Image.fromarray(__import__("numpy").asarray(image).astype("uint16") * 200).save(data, "TIFF")
        answer = served.client.post(
            "/api/measurements/photos",
            files={"file": (f"../../{name}", data.getvalue())},
            data={"x_um": 0.4, "u_percent": 0.5},
        )
        assert answer.status_code == 201, answer.text
        folder = answer.json()
        place = served.settings.folder / folder["name"]
        assert place.is_dir() and folder["name"].endswith(" measured")
        shown = served.client.get(f"/api/measurements/{folder['name']}/pictures/1").json()
        tip = values(shown["crystals"][0]["now"])["radius_tip_m"]
        assert tip["value"] == pytest.approx(20.0, rel=0.01)
        shutil.rmtree(place)


def test_what_is_no_photograph_or_too_large_is_refused(served) -> None:
    def send(data, file="a.png", **form):
        return served.client.post(
            "/api/measurements/photos", files={"file": (file, data)}, data={"x_um": 1, **form}
        )

    before = set(served.settings.folder.iterdir())
    assert send(b"no picture").status_code == 415
    tiny = io.BytesIO()
    Image.new("L", (3, 3)).save(tiny, "PNG")
    assert send(tiny.getvalue()).status_code == 415
    # A header that says 30,000 x 30,000 is refused before anything is unpacked.
    bomb = bytearray(io.BytesIO(tiny.getvalue()).getvalue())
    bomb[16:24] = (30000).to_bytes(4, "big") * 2
    import zlib

    bomb[29:33] = zlib.crc32(bytes(bomb[12:29])).to_bytes(4, "big")
    assert send(bytes(bomb)).status_code == 413
    assert send(tiny.getvalue(), file="x" * 400).status_code == 415
    assert send(b"x" * (served.settings.photo_bytes + 20_000)).status_code == 413
    good = io.BytesIO()
    drawn(40).save(good, "PNG")
    assert send(good.getvalue(), x_um="nan").status_code in (400, 422)
    assert send(good.getvalue(), x_um=-1).status_code == 422
    assert send(good.getvalue(), name="../up").status_code == 400
    assert set(served.settings.folder.iterdir()) == before


def test_nothing_outside_the_folder_is_opened(served, evening, tmp_path) -> None:
    outside = tmp_path / "secret.png"
    drawn(40).save(outside)
    file = evening / "measured" / "readings.json"
    data = json.loads(file.read_text())
    for path in (str(outside), "../../../../../../../../etc/passwd"):
        data["pictures"][0] |= {"path": path, "beside": path, "name": outside.name}
        file.write_text(json.dumps(data))
        assert served.client.get(NAME + "/pictures/1/image").status_code in (403, 404)
    data["pictures"][0] |= {"path": str(outside), "beside": None}
    file.write_text(json.dumps(data))
    shown = get(served, "/pictures/1")
    assert shown["shown"] is False and "outside" in shown["why"]
    assert values(shown["crystals"][0]["now"]), "what was found is still told"
    assert put(served, "/pictures/1/crystals/1", 403, centre_px=[100, 90])["error"]["do"]
    (evening / "t0min.png").unlink()
    (evening / "t0min.png").symlink_to(outside)
    data["pictures"][0] |= {"path": "t0min.png", "beside": "../t0min.png"}
    file.write_text(json.dumps(data))
    assert served.client.get(NAME + "/pictures/1/image").status_code == 403
    for name in ("..", "evening~..", ".icewright-bench", "absent"):
        assert served.client.get(f"/api/measurements/{name}").status_code in (400, 403, 404)
    for wanted in ("measure.json", "..%2Ft1min.png", "kept"):
        assert served.client.get(f"{NAME}/files/{wanted}").status_code == 404


def test_nothing_is_written_through_a_link(served, evening, tmp_path) -> None:
    victim = tmp_path / "victim.json"
    victim.write_text("untouched")
    link = evening / "measured" / ".corrections.json.part"
    link.symlink_to(victim)
    put(served, "/pictures/1/crystals/1", 403, centre_px=[100, 90])
    link.unlink()
    tiles = evening / "measured" / "tiles"
    tiles.mkdir()
    (tiles / "t0min.png.png").symlink_to(victim)
    assert served.client.post(NAME + "/series").status_code == 403
    assert victim.read_text() == "untouched"


def test_outlines_that_are_none_are_refused(served, evening) -> None:
    far = [[0, 0], [40000, 0], [0, 40000]]
    for loop, status in (
        ([[1, 1], [2, 2]], 422),
        ([[1, 1]] * 3, 400),
        (far, 400),
        ([[0, 0], [200, 150]] * 500, 400),
        ([[0, 0], [1e300, 0], [0, 1]], 422),
        ([[i % 7, i % 5] for i in range(9000)], 422),
    ):
        told = put(served, "/pictures/1/crystals/1", status, outline_px=loop)
        assert set(told["error"]) == {"kind", "message", "got", "wanted", "do"}
    crossed = put(
        served, "/pictures/1/crystals/1", outline_px=[[80, 60], [160, 120], [160, 60], [80, 125], [60, 90]]
    )
    assert crossed["now"]["quality"] == "none" and not crossed["now"]["values"]
    put(served, "/pictures/1/crystals/1")
    for body in ({"distance_um": 3}, {"points_px": [[1, 1], [1, 1]], "distance_um": 5}):
        put(served, "/pictures/1/scale", 400, **body)
    put(served, "/pictures/9/scale", 404, x_um=1)
    assert (
        not (evening / "measured" / "corrections.json").exists()
        or not json.loads((evening / "measured" / "corrections.json").read_text())["corrections"]
    )


def test_a_damaged_folder_is_named_with_why(served, evening) -> None:
    (evening / "measured" / "readings.json").write_text('{"kind": "icewright.readings", "schema": 99}')
    (brief,) = served.client.get("/api/measurements").json()
    assert "newer" in brief["error"]
    assert served.client.get(NAME).status_code == 400


def test_nonsense_about_a_folder_that_is_there_ends_in_no_fault(served, evening) -> None:
    # Cases from the server's own OpenAPI description, as in test_fuzz.py, but about a real picture.
    import schemathesis
    from hypothesis import HealthCheck, given, settings

    from icewright.bench.shapes import ErrorBody

    schema = schemathesis.openapi.from_dict(served.client.get("/api/openapi.json").json())
    here = {"name": "evening~measured", "n": 1, "crystal": 1, "file": "growth-series.csv"}
    operations = [r.ok() for r in schema.get_all_operations()]
    tried = 0
    for operation in operations:
        if not operation.path.startswith("/api/measurements/{name}"):
            continue

        @settings(
            max_examples=3, deadline=None, database=None, derandomize=True,
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=operation.as_strategy())
        def one(case):
            case.path_parameters.update({k: v for k, v in here.items() if k in case.path_parameters})
            response = case.call(base_url=served.url, timeout=60)
            assert response.status_code < 500, (case, response.text)
            if response.status_code >= 400:
                ErrorBody.model_validate_json(response.text)

        one()
        tried += 1
    assert tried == 8
    assert get(served, "/pictures/1")["crystals"]
