"""Designs over HTTP: targets in, a search that is watched, stopped, killed and gone on with, recipes out.

Outside: the trade's words (common practice, no source), the regular hexagon and star polygons of plane
geometry, and what a decoder of PNG is told in its header. Every target is invented.
"""

from __future__ import annotations

import io
import math
import os
import signal
import time

import pytest
from PIL import Image, ImageDraw

from icewright.bench import outlines, targets
from icewright.bench.design_shapes import TargetDraft
from icewright.ground.errors import IcewrightError
from icewright.recipe.files import loads

PLATE = (
    'kind = "icewright.target"\nschema = 1\ntitle = "Tern Point plate (invented)"\nkinetics = "layer-fits"\n'
    '[limits]\nsteps = 1\n[[stage]]\nhabit = "plate"\nradius_um = 12\n'
)
W3 = "http://www.w3.org/2000/svg"
OPEN = f'<svg xmlns="{W3}">'.encode()
SMALL = PLATE.replace("= 12", "= 9")
GOING = ("waiting", "searching", "stopping")


def hexagon(reach: float = 100.0, fold: int = 6) -> list[tuple[float, float]]:
    return [
        (150 + reach * math.cos(2 * math.pi * k / fold), 150 - reach * math.sin(2 * math.pi * k / fold))
        for k in range(fold)
    ]


def png(points, ground="white", ink="black", mode="RGB") -> bytes:
    made = Image.new(mode, (300, 300), ground)
    ImageDraw.Draw(made).polygon(points, fill=ink)
    out = io.BytesIO()
    made.save(out, "PNG")
    return out.getvalue()


def svg(points, extra="") -> bytes:
    at = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
    return f'<?xml version="1.0"?>{extra}<svg xmlns="{W3}"><polygon points="{at}"/></svg>'.encode()


def wait(served, name, is_so, patience_s=600.0):
    end = time.time() + patience_s
    while time.time() < end:
        told = served.client.get(f"/api/designs/{name}").json()
        if is_so(told):
            return told
        time.sleep(0.1)
    raise AssertionError(told)


# -- targets ----------------------------------------------------------------------------------------------


def test_rows_and_text_are_the_same_target(served) -> None:
    text = PLATE.replace(
        "[limits]", '[held]\nway = "plate"\n\n[limits]\nminutes = 40\ntemperature_c = [-20, -5]'
    ) + (
        'thickness_um = [2, 6]\nnote = "a \\"thin\\" one"\n\n[[stage]]\nhabit = "branches"\nradius_um = 30\n'
        'side_branches_at_um = [20, 25]\nset_off_by = "pulse"\n\n[wanted]\nsolidity = [0.4, 0.7]\n'
    )
    first = served.post("/api/targets/read", toml=text)
    again = served.client.post("/api/targets/write", json=first["draft"]).json()
    assert again["draft"] == first["draft"] and again["asks"] == first["asks"]
    assert 'way = "plate"' in again["toml"], "what rows do not show is carried along"
    assert any("Stage 2, branches" in line for line in again["asks"])
    assert any("pulse" in line and "20, 25" in line for line in again["asks"])
    words = served.client.get("/api/targets/words").json()
    # The trade's word is a range of numbers: a plate is flat and whole (common practice, no source).
    assert any("solidity" in m for m in next(h for h in words["habits"] if h["word"] == "plate")["means"])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('habit = "plate"', 'habit = "snowman"'), "snowman"),
        (("radius_um = 12", "radius_um = 0.00001"), "metres"),
        (("kind =", "kind"), "not TOML"),
        (("[limits]", "[limits]\nwarmth = 3"), "warmth"),
        (("radius_um = 12", "radius_um = inf"), "a number"),
        (('"layer-fits"', '"../secret.toml"'), "no name"),
        (("[[stage]]", '[outline]\nfile = "../../etc/passwd"\nradius_um = 5\n[[stage]]'), "no name"),
        (("[[stage]]", '[crystal]\nrun = "/etc"\n[[stage]]'), "no name"),
        (("[[stage]]", '[crystal]\nrun = "nowhere"\n[[stage]]'), "no such run"),
        (("[limits]", 'apparatus = "none.toml"\n[limits]'), "no such file"),
    ],
)
def test_slips_in_a_target_are_said_in_words(served, change, says) -> None:
    answer = served.client.post("/api/targets/read", json={"toml": PLATE.replace(*change)})
    assert 400 <= answer.status_code < 500, answer.text
    error = answer.json()["error"]
    assert says in " ".join(error.values()), error
    assert str(served.settings.folder) not in answer.text


def test_text_of_rows_is_quoted() -> None:
    """Whatever a person types as a title stays a title (TOML 1.0, strings)."""
    import tomllib

    for title in ('say "hello"', "back\\slash", "two\nlines", "\x7f", "[[stage]]", "κρύσταλλος"):
        assert tomllib.loads(targets.written(TargetDraft(title=title)))["title"] == title


# -- outlines ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["dark", "light", "clear", "svg"])
def test_an_outline_is_kept_plain_and_read(served, kind) -> None:
    # A regular hexagon is all of its convex hull: solidity 1 (plane geometry).
    data = {
        "dark": lambda: png(hexagon()),
        "light": lambda: png(hexagon(), "black", "white"),
        "clear": lambda: png(hexagon(), (0, 0, 0, 0), (0, 0, 0, 255), "RGBA"),
        "svg": lambda: svg(hexagon(), '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "svg11.dtd">'),
    }[kind]()
    name = "../my hex.svg" if kind == "svg" else "..\\my hex.png"
    answer = served.client.post("/api/outlines", files={"file": (name, data)}, data={"radius_um": "40"})
    assert answer.status_code == 201, answer.text
    kept = answer.json()
    assert kept["fold"] == 6 and kept["portrait"]["solidity"] == pytest.approx(1.0, abs=0.03)
    assert kept["portrait"]["radius_um"] == pytest.approx(40)
    assert kept["file"].startswith("outlines/my-hex")
    path = served.settings.folder / kept["file"]
    assert path.is_file() and path.read_bytes() != data
    view = served.post(
        "/api/targets/read",
        toml=PLATE.split("[[stage]]")[0] + f'[outline]\nfile = "{kept["file"]}"\nradius_um = 40\n',
    )
    assert view["portrait"]["plan"] == kept["portrait"]["plan"] and view["portrait"]["section"] is None
    again = served.client.post("/api/outlines", files={"file": (name, data)}, data={"radius_um": "40"}).json()
    assert again["file"] == kept["file"], "the same drawing is kept once"


def test_five_arms_are_said(served) -> None:
    points = [
        p
        for k in range(5)
        for p in (
            hexagon(120, 5)[k],
            (
                150 + 30 * math.cos(2 * math.pi * (k + 0.5) / 5),
                150 - 30 * math.sin(2 * math.pi * (k + 0.5) / 5),
            ),
        )
    ]
    kept = served.client.post("/api/outlines", files={"file": ("five.png", png(points))}).json()
    assert kept["fold"] == 5 and "six" in kept["notes"][0]


@pytest.mark.parametrize(
    ("data", "status"),
    [
        (b"", 415),
        (b"GIF89a" + b"\0" * 50, 415),
        (b"<svg", 400),
        (svg([]), 400),
        (svg(hexagon(), '<!DOCTYPE svg [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'), 415),
        (OPEN + b'<circle r="5px"/></svg>', 415),
        (OPEN + b'<polygon points="1e400 0 0 1e400 5 5"/></svg>', 415),
        (OPEN + b'<path d="M0 0' + b" L5 9 L9 1" * 9000 + b'Z"/></svg>', 413),
        (OPEN + b" " * 3_000_000 + b"</svg>", 413),
        (png(hexagon(), "white", "white"), 400),
    ],
    ids=["empty", "gif", "torn", "no-shape", "entities", "pixels", "infinite", "hatched", "long", "blank"],
)  # fmt: skip
def test_what_is_no_outline_is_refused_and_not_kept(served, data, status) -> None:
    before = sorted((served.settings.folder / "outlines").glob("*"))
    answer = served.client.post("/api/outlines", files={"file": ("x.png", data)})
    assert answer.status_code == status, answer.text
    assert answer.json()["error"]["message"] or answer.json()["error"]["got"]
    assert sorted((served.settings.folder / "outlines").glob("*")) == before


def test_a_picture_too_large_is_refused_by_its_header() -> None:
    # 60,000 x 60,000 said in the header, a few bytes behind it (PNG specification, IHDR).
    import struct
    import zlib

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", 60000, 60000, 8, 6, 0, 0, 0)
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(b"\0" * 50))
    with pytest.raises(IcewrightError) as refused:
        outlines.picture(bomb, 40_000_000)
    assert refused.value.status == 413


# -- searches ---------------------------------------------------------------------------------------------


def test_a_search_is_watched_to_its_end_and_its_recipe_carried(served) -> None:
    begun = served.post("/api/designs", 202, name="plate", toml=SMALL, trials=10, spread=3)
    assert begun["state"] in GOING and begun["title"] == "Tern Point plate (invented)"
    served.post("/api/designs", 409, name="plate", toml=PLATE)
    seen, live, end = [], [], time.time() + 600
    while time.time() < end:
        told = served.client.get("/api/designs/plate").json()
        began = time.perf_counter()
        assert served.client.get("/api/about").status_code == 200
        live.append(time.perf_counter() - began)
        if told["best"] is not None:
            seen.append((told["best"]["number"], told["best"]["distance"]))
        if told["state"] not in GOING:
            break
        time.sleep(0.05)
    assert told["state"] == "done", told
    numbers = [n for n, _ in seen]
    assert numbers == sorted(numbers) and len(set(numbers)) >= 2, "it is seen to improve"
    assert told["same"] and told["best"]["distance"] <= told["level"]
    assert told["best"]["portrait"]["radius_um"] == pytest.approx(9, rel=0.05)
    assert len(told["best"]["portrait"]["plan"]) == 48 and len(told["best"]["portrait"]["section"][0]) == 24
    assert told["spread"]["draws"] == 3 and told["spread"]["step_most_at_risk"] == 1
    view = served.client.get(f"/api/designs/plate/recipes/{told['recipes'][0]['file']}").json()
    assert loads(view["toml"]).steps[0].endings.radius_m == pytest.approx(9e-6)
    sid = served.new(toml=view["toml"], paused=True)
    assert served.session(sid)["title"] == "Tern Point plate (invented)"
    served.client.delete(f"/api/sessions/{sid}")
    assert any(
        d["name"] == "plate" and d["state"] == "done" for d in served.client.get("/api/designs").json()
    )
    served.post("/api/designs/plate/resume", 409)
    served.post("/api/designs/plate/stop", 409)
    aside = served.settings.own / "targets"
    while list(aside.glob("*")) and time.time() < end:
        time.sleep(0.1)
    assert not list(aside.glob("*")), "what was set aside for the process is gone"


def test_good_enough_stops_it_and_a_killed_search_loses_nothing(served) -> None:
    served.post("/api/designs", 202, name="often", toml=SMALL, trials=400, spread=0)
    told = wait(served, "often", lambda d: d["best"] is not None and d["trials"] >= 8)
    os.kill(served.app.state.designs._running.link.process.pid, signal.SIGKILL)
    dead = wait(served, "often", lambda d: d["state"] not in GOING)
    assert dead["state"] == "failed" and "trials are kept" in dead["words"]
    assert dead["best"]["distance"] <= told["best"]["distance"] and loads(dead["best"]["toml"])
    kept = len(list((served.settings.folder / "often" / "trials").rglob("*.json")))
    assert kept >= told["trials"] > 0

    again = served.post("/api/designs/often/resume", 202)
    assert again["best"] is not None, "the best so far stays in sight"
    on = wait(served, "often", lambda d: d["state"] != "waiting" and d["trials"] >= told["trials"])
    served.post("/api/designs/often/stop")
    told = wait(served, "often", lambda d: d["state"] not in GOING)
    assert told["state"] == "stopped" and told["distance"] <= on["best"]["distance"] + 1e-9
    assert served.client.get(f"/api/designs/often/recipes/{told['recipes'][0]['file']}").status_code == 200


def test_what_cannot_be_is_said_before_the_search_is_done(served) -> None:
    text = PLATE.replace("[limits]", "[limits]\nminutes = 2").replace("= 12", "= 1000")
    served.post("/api/designs", 202, name="fast", toml=text, trials=400, spread=0)
    told = wait(served, "fast", lambda d: bool(d["reasons"]))
    assert (
        told["state"] in GOING and told["reasons"][0]["certain"] and "diffusion" in told["reasons"][0]["why"]
    )
    served.post("/api/designs/fast/stop")
    wait(served, "fast", lambda d: d["state"] not in GOING)


def test_a_server_that_ends_leaves_a_design_to_go_on_with(fresh) -> None:
    server = fresh()
    server.post("/api/designs", 202, name="evening", toml=SMALL, trials=400, spread=0)
    wait(server, "evening", lambda d: d["best"] is not None)
    process = server.app.state.designs._running.link.process
    server.stop()
    assert not process.is_alive()
    later = fresh()
    told = later.client.get("/api/designs/evening").json()
    assert told["state"] == "stopped" and "[[stage]]" in told["toml"]
    # Tidily, with its best written; or cut because the machine was too busy, and then said so.
    assert told["best"] is not None or "gone on with" in told["words"]


@pytest.mark.parametrize("name", ["..x", "nowhere", ".icewright-bench", "a~b"])
def test_names_that_are_no_design(served, name) -> None:
    for path in ("", "/recipes/recipe.toml"):
        assert served.client.get(f"/api/designs/{name}{path}").status_code in (400, 403, 404)
    for word in ("stop", "resume"):
        assert served.client.post(f"/api/designs/{name}/{word}").status_code in (400, 403, 404)


def test_a_recipe_in_settings_brings_its_apparatus_to_the_bench(served) -> None:
    """As `icewright design` writes it: the apparatus by its whole path, in the design's own folder."""
    from pathlib import Path

    examples = Path(__file__).parents[2] / "examples"
    design = served.settings.folder / "with-kit"
    design.mkdir()
    (design / "design.json").write_text('{"kind": "icewright.design", "schema": 1, "state": "searching"}')
    (design / "apparatus-kit.toml").write_text((examples / "apparatus-reservoir.toml").read_text())
    text = (examples / "reservoir-recipe.toml").read_text()
    whole = text.replace('"apparatus-reservoir.toml"', f'"{design.resolve() / "apparatus-kit.toml"}"')
    assert whole != text
    (design / "settings.toml").write_text(whole)
    answer = served.client.get("/api/designs/with-kit/recipes/settings.toml")
    assert answer.status_code == 200, answer.text
    assert str(served.settings.folder) not in answer.text
    sid = served.new(toml=answer.json()["toml"], paused=True)
    assert served.session(sid)["setup"]["apparatus"]["knobs"], "its settings are the knobs"
    served.client.delete(f"/api/sessions/{sid}")


def test_a_design_of_the_folder_is_asked_for_again(served) -> None:
    """By the same files: an outline that the design took along, a run in the folder."""
    from icewright.bench.targets import asked_again

    kept = served.client.post("/api/outlines", files={"file": ("again.png", png(hexagon(80)))}).json()
    design = served.settings.folder / "earlier"
    design.mkdir()
    (design / "file-again.png").write_bytes((served.settings.folder / kept["file"]).read_bytes())
    head = PLATE.split("[limits]")[0]
    (design / "target.toml").write_text(head + '[outline]\nfile = "file-again.png"\nradius_um = 30\n')
    view = served.post("/api/targets/read", toml=asked_again(design))
    assert view["draft"]["outline"]["file"] == "earlier/file-again.png"
    (design / "target.toml").write_text(head + f'[crystal]\nrun = "{served.settings.folder / "star"}"\n')
    assert 'run = "star"' in asked_again(design)
