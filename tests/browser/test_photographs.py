"""Photographs on the page: what was found laid over them, corrected by mouse, keys and number fields.

Outside: plane geometry of the hexagons that the photographs show (drawn by matplotlib); axe-core 4.
"""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect
from test_places_and_themes import PHONE, no_breaches, screen

sys.path.append(str(Path(__file__).parents[1] / "measure"))

from drawn import as_8bit, hexagon_area, hexagon_points, picture, polygon_mask

from icewright.tasks.measure import measure

AT, SHAPE, UM = (120.0, 90.0), (181, 240), 0.5


def drawn(radius, seed=0):
    mask = polygon_mask(hexagon_points(radius, 14.0, AT), SHAPE, finer=4)
    return Image.fromarray(as_8bit(picture(mask, seed=seed)))


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """Hexagons of 46 and 50 pixels, a minute apart, measured at half a micrometre in a pixel."""
    folder = tmp_path_factory.mktemp("tern-point-evening")
    for k in range(2):
        drawn(46 + 4 * k, k).save(folder / f"t{k}min.png")
    measure([folder], str(UM), folder / "measured", workers=1, pictures=False)
    return folder


@pytest.fixture
def evening(bench, once):
    place = bench.folder / "evening"
    shutil.copytree(once, place)
    yield place / "measured"
    shutil.rmtree(place)


@pytest.fixture
def photographs(open_page, evening):
    """The page at the first photograph."""

    def make(**how):
        seen = open_page(**how)
        seen.pause()
        seen.page.get_by_role("button", name="Photographs", exact=True).click()
        seen.page.get_by_role("button", name="evening / measured").click()
        seen.page.locator(".correct-stage").wait_for()
        return seen

    return make


def number(page, name: str) -> float:
    """What the table says now of a number."""
    row = page.locator("table.measured tr").filter(has=page.get_by_role("rowheader", name=name)).first
    return float(row.locator("td").first.inner_text().split("±")[0].replace("−", "-"))


def fixes(evening) -> list[dict]:
    file = evening / "corrections.json"
    return json.loads(file.read_text())["corrections"] if file.exists() else []


def settled(seen) -> None:
    """All that was asked is answered."""
    expect(seen.page.locator("section.numbers")).to_have_attribute("aria-busy", "false", timeout=60000)


def on_screen(page, x: float, y: float) -> tuple[float, float]:
    """Where a pixel of the photograph is on the screen."""
    view = [float(v) for v in page.locator(".correct-stage svg").get_attribute("viewBox").split()]
    box = page.locator(".correct-stage svg").bounding_box()
    unit = max(view[2] / box["width"], view[3] / box["height"])
    return (
        box["x"] + box["width"] / 2 + (x - view[0] - view[2] / 2) / unit,
        box["y"] + box["height"] / 2 + (y - view[1] - view[3] / 2) / unit,
    )


def test_what_was_found_lies_over_the_photograph_with_its_numbers(photographs, evening):
    seen = photographs()
    page = seen.page
    assert number(page, "centre to tips") == pytest.approx(46 * UM, rel=0.02)
    assert page.locator(".quality").inner_text() in ("good", "fair", "poor")
    drawing = page.locator("g.at-hand")
    assert drawing.locator(".axis").count() == 6 and drawing.locator(".tip").count() == 6
    # The outline on the screen encloses the hexagon that was drawn: by the shoelace formula on its path.
    points = np.array(
        [
            [float(v) for v in p.split()]
            for p in drawing.locator("path.line").get_attribute("d")[1:-1].split("L")
        ]
    )
    x, y = points.T
    area = abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2
    assert area == pytest.approx(hexagon_area(46.0), rel=0.02)
    page.get_by_role("button", name="Next", exact=True).click()
    expect(page.get_by_role("combobox", name="Picture")).to_have_value("2")
    assert number(page, "centre to tips") == pytest.approx(50 * UM, rel=0.02)
    assert not (evening / "corrections.json").exists(), "looking corrects nothing"
    seen.fine()


def test_the_mouse_moves_a_stretch_of_the_outline_and_a_reload_keeps_it(photographs, evening):
    found = (evening / "readings.json").read_bytes()
    seen = photographs()
    page = seen.page
    before = number(page, "area")
    page.get_by_role("radio", name="Outline", exact=True).check()
    page.get_by_role("slider", name="Reach of a drag").fill("30")
    # The corner at 14 degrees, pulled outwards by 12 pixels.
    corner = hexagon_points(46, 14.0, AT)[0]
    out = corner + 12 * np.array([math.cos(math.radians(14)), -math.sin(math.radians(14))])
    page.mouse.move(*on_screen(page, *corner))
    page.mouse.down()
    page.mouse.move(*on_screen(page, *out), steps=4)
    page.mouse.up()
    settled(seen)
    seen.until(lambda: fixes(evening), "kept")
    (one,) = fixes(evening)
    assert (one["picture"], one["number"]) == ("t0min.png", 1) and len(one["outline_px"]) > 100
    far = max(math.dist(p, AT) for p in one["outline_px"])
    assert far == pytest.approx(46 + 12, abs=1.5)
    after = number(page, "area")
    assert after > before * 1.02
    expect(page.get_by_text("All of these numbers hang on the outline by hand.")).to_be_visible()
    assert page.locator("path.as-found").count() == 1
    assert (evening / "readings.json").read_bytes() == found

    page.reload()
    seen.grown(patience_s=90)
    page.get_by_role("button", name="Photographs", exact=True).click()
    page.locator(".correct-stage").wait_for()
    settled(seen)
    assert number(page, "area") == after
    page.get_by_role("button", name="Undo", exact=True).click()
    seen.until(lambda: not fixes(evening), "taken back")
    settled(seen)
    assert number(page, "area") == before
    page.keyboard.press("Control+y")
    seen.until(lambda: fixes(evening), "done again")
    page.get_by_role("button", name="As found", exact=True).click()
    seen.until(lambda: not fixes(evening), "as found")
    seen.fine()


def test_points_are_moved_added_and_taken_away_by_number(photographs, evening):
    seen = photographs()
    page = seen.page
    page.get_by_role("radio", name="Outline", exact=True).check()
    page.get_by_role("button", name="Fewer points").click()
    seen.until(lambda: fixes(evening), "fewer points")
    few = len(fixes(evening)[0]["outline_px"])
    assert 6 <= few < 60
    settled(seen)
    assert number(page, "area") == pytest.approx(hexagon_area(46 * UM), rel=0.02)
    page.get_by_role("button", name="Add a point").click()
    seen.until(lambda: len(fixes(evening)[0]["outline_px"]) == few + 1, "one more")
    page.get_by_role("button", name="Remove it", exact=True).click()
    seen.until(lambda: len(fixes(evening)[0]["outline_px"]) == few, "one less")
    column = page.get_by_role("textbox", name="Its column, px")
    column.fill("200,5")
    column.press("Enter")
    seen.until(lambda: any(p[0] == 200.5 for p in fixes(evening)[0]["outline_px"]), "by number")
    seen.fine()


def test_an_outline_put_where_nothing_was_found_has_the_numbers_of_its_hexagon(photographs, evening):
    seen = photographs()
    page = seen.page
    page.get_by_role("button", name="Add an outline").click()
    settled(seen)
    # It begins as a regular hexagon with an eighth of the picture's height as its radius.
    r = 181 / 8 * UM
    seen.until(lambda: page.get_by_role("rowheader", name="centre to tips").count() == 1, "measured")
    assert number(page, "centre to tips") == pytest.approx(r, rel=0.01)
    assert number(page, "perimeter") == pytest.approx(6 * r, rel=0.01)
    expect(page.get_by_role("combobox", name="Crystal")).to_have_value("2")
    page.get_by_role("button", name="Remove it", exact=True).last.click()
    seen.until(lambda: not fixes(evening), "removed")
    expect(page.get_by_role("combobox", name="Crystal")).to_have_count(0)
    seen.fine()


def test_two_points_a_known_distance_apart_scale_every_number(photographs, evening):
    seen = photographs()
    page = seen.page
    before, turned = number(page, "centre to tips"), number(page, "direction of the axes")
    page.get_by_role("radio", name="Scale", exact=True).check()
    page.mouse.move(*on_screen(page, 20, 160))
    page.mouse.down()
    page.mouse.move(*on_screen(page, 120, 160), steps=4)
    page.mouse.up()
    ends = {"First point, column": 20, "First point, row": 160, "Second point, column": 120}
    for field, value in (ends | {"Second point, row": 160}).items():
        box = page.get_by_role("textbox", name=f"{field}, px")
        assert float(box.input_value()) == pytest.approx(value, abs=1.0)
        box.fill(str(value))
        box.press("Enter")
    page.get_by_role("textbox", name="Their distance, µm").fill("80")
    page.get_by_role("textbox", name="Their distance, µm").press("Enter")
    page.get_by_role("button", name="Set the scale from them").click()
    seen.until(lambda: fixes(evening), "kept")
    settled(seen)
    # 80 um over 100 pixels: 0.8 um in a pixel, so all lengths 1.6 times as long and no angle turned.
    assert fixes(evening)[0]["scale_um"] == pytest.approx([0.8, 0.8])
    assert fixes(evening)[0]["picture"] == "*"
    assert number(page, "centre to tips") == pytest.approx(before * 1.6, rel=0.003)
    assert number(page, "centre to tips") == pytest.approx(46 * 0.8, rel=0.02)
    assert number(page, "direction of the axes") == pytest.approx(turned, abs=0.01)
    rows = page.locator("table.measured tr.hangs")
    told = " ".join(rows.all_inner_texts())
    assert "by hand: scale" in told and "solidity" not in told
    page.get_by_role("button", name="Write it anew").click()
    expect(page.get_by_text("Written: 2 rows, 2 of them corrected by hand.").last).to_be_visible(
        timeout=60000
    )
    with (evening / "growth-series.csv").open() as file:
        told = list(csv.DictReader(file))
    assert float(told[0]["radius_tip_m"]) == pytest.approx(46 * 0.8e-6, rel=0.02)
    assert "two points 80 um apart" in told[0]["corrected"]
    page.get_by_role("button", name="Scale as found").click()
    seen.until(lambda: not fixes(evening), "as found")
    expect(page.get_by_text("The files on disk were written under other corrections.")).to_be_visible()
    seen.fine()


def test_the_keyboard_alone_opens_corrects_and_takes_back(open_page, evening):
    seen = open_page()
    page = seen.page
    seen.pause()
    page.locator(".crystal-view").focus()
    page.keyboard.press("p")
    page.get_by_role("button", name="evening / measured").focus()
    page.keyboard.press("Enter")
    page.locator(".correct-stage").wait_for()
    reached = []
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                """() => { const e = document.activeElement;
                const ring = e === document.body || e.closest('.choice') !== null
                  || getComputedStyle(e).outlineStyle !== 'none';
                return [e.getAttribute('aria-label') || e.textContent || e.value || e.tagName, ring]; }"""
            )
        )
    names = " | ".join(name for name, _ in reached)
    for wanted in (
        "Other folders",
        "Next",
        "Picture",
        "Photograph t0min.png",
        "The crystal",
        "Write it anew",
    ):
        assert wanted in names, wanted
    assert all(ring for _, ring in reached), [name for name, ring in reached if not ring]

    page.get_by_role("radio", name="Look", exact=True).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    expect(page.get_by_role("radio", name="Centre", exact=True)).to_be_checked()
    area = number(page, "area")
    page.locator(".correct-stage").focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    seen.until(lambda: fixes(evening) and fixes(evening)[0]["centre_px"][1] < 82, "the centre was moved")
    settled(seen)
    x, y = fixes(evening)[0]["centre_px"]
    assert x == pytest.approx(AT[0] + 3, abs=0.5) and y == pytest.approx(AT[1] - 10, abs=0.5)
    assert number(page, "area") == area
    page.keyboard.press("Control+z")
    seen.until(lambda: not fixes(evening), "nudges that follow each other are one move")
    page.get_by_role("radio", name="Outline", exact=True).check()
    page.locator(".correct-stage").focus()
    page.keyboard.press("]")
    page.keyboard.press("}")
    expect(page.get_by_role("slider", name="Point of the outline")).to_have_value("12")
    page.keyboard.press("Delete")
    seen.until(lambda: fixes(evening), "a point less")
    page.keyboard.press("PageDown")
    expect(page.get_by_role("combobox", name="Picture")).to_have_value("2")
    seen.fine()


def test_a_photograph_is_sent_and_measured(open_page, bench):
    seen = open_page()
    page = seen.page
    seen.pause()
    page.get_by_role("button", name="Photographs", exact=True).click()
    data = io.BytesIO()
    drawn(44).save(data, "PNG")
    page.get_by_label("Photograph to be measured").set_input_files(
        {"name": "night plate.png", "mimeType": "image/png", "buffer": data.getvalue()}
    )
    scale = page.get_by_role("textbox", name="Scale, in a pixel, µm")
    scale.fill("0,25")
    scale.press("Tab")
    page.get_by_role("button", name="Measure it").click()
    page.locator(".correct-stage").wait_for(timeout=60000)
    assert number(page, "centre to tips") == pytest.approx(11.0, rel=0.02)
    assert page.get_by_role("heading", name="night plate measured").is_visible()
    page.get_by_role("button", name="Other folders").click()
    expect(page.get_by_role("button", name="night plate measured")).to_be_visible()
    shutil.rmtree(bench.folder / "night plate measured")
    seen.fine()


def test_accessible_and_dim_with_every_tool_and_theme(photographs):
    seen = photographs()
    page = seen.page
    page.get_by_text("Each arm and each facet").click()
    page.get_by_role("radio", name="Centre", exact=True).check()
    page.locator(".correct-stage").focus()
    page.keyboard.press("ArrowRight")
    settled(seen)
    for theme in ("Light", "Dark", "Red"):
        page.get_by_role("radio", name=theme, exact=True).check()
        for tool in ("Look", "Outline", "Centre", "Scale"):
            page.get_by_role("radio", name=tool, exact=True).check()
            page.wait_for_timeout(100)
            no_breaches(seen, f"{tool}, {theme}")
            if theme == "Red":
                # A dark-adapted eye is spared by red light alone; one step of 255 is rounding.
                assert screen(seen)[..., 1:].max() <= 1, tool
    page.get_by_role("button", name="Other folders").click()
    page.get_by_role("heading", name="Measure a photograph").wait_for()
    no_breaches(seen, "the list")
    seen.fine()


def test_what_assistive_technology_is_told(photographs):
    seen = photographs()
    expect(seen.page.locator("main.photographs")).to_match_aria_snapshot("""
        - main "evening / measured":
          - heading "evening / measured" [level=2]
          - button "Previous" [disabled]
          - button "Next"
          - combobox "Picture"
          - group "The hand":
            - radio "Look" [checked]
            - radio "Outline"
            - radio "Centre"
            - radio "Scale"
          - button "Undo" [disabled]
          - button "Redo" [disabled]
          - group /Photograph t0min.png. arrow keys move the view/
          - button "Zoom out"
          - region "Crystal 1, measured":
            - table "Numbers with their standard uncertainties"
          - region "By hand":
            - checkbox "leave this crystal out of the series"
          - region "The series":
            - button "Write it anew"
        """)


def test_a_phone_holds_it_in_one_column_under_a_finger(photographs, evening):
    seen = photographs(size=PHONE)
    page = seen.page
    assert page.evaluate("() => document.documentElement.scrollWidth") <= PHONE["width"]
    page.get_by_role("radio", name="Centre", exact=True).check()
    page.locator(".correct-stage").scroll_into_view_if_needed()
    page.touchscreen.tap(*on_screen(page, AT[0] + 15, AT[1] + 6))
    seen.until(lambda: fixes(evening), "a tap puts the centre there")
    x, y = fixes(evening)[0]["centre_px"]
    assert x == pytest.approx(AT[0] + 15, abs=1.0) and y == pytest.approx(AT[1] + 6, abs=1.0)
    settled(seen)
    for tool in ("Outline", "Scale"):
        page.get_by_role("radio", name=tool, exact=True).check()
        assert page.evaluate("() => document.documentElement.scrollWidth") <= PHONE["width"], tool
    no_breaches(seen, "phone")
    seen.fine()
