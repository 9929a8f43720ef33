"""The paths of the page by keyboard alone, and the accessibility checker in every dialog and state.

No mouse here: Tab until the wanted control has the focus, then keys. Outside: the rules of axe-core 4
(WCAG 2.1 A and AA), Chromium's accessibility tree, what the server then holds.

Minutes long, so run by `make test-slow`; test_bench_page and test_places_and_themes keep keys and the checker
in the default suite.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect
from test_places_and_themes import PHONE, no_breaches

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[2]
RESERVOIR = ROOT / "examples" / "apparatus-reservoir.toml"  # invented, a pattern to follow
NAME = """() => { const e = document.activeElement;
  const name = e.getAttribute('aria-label') || (e.labels && e.labels[0] && e.labels[0].textContent)
    || e.textContent || e.tagName;
  return name.trim(); }"""


def tab_to(page, name: str, most: int = 90, back: bool = False) -> None:
    """Press Tab until a control whose name begins so has the focus."""
    seen = []
    for _ in range(most):
        page.keyboard.press("Shift+Tab" if back else "Tab")
        seen.append(page.evaluate(NAME))
        if seen[-1].startswith(name):
            return
    raise AssertionError(f"{name!r} is not reached by Tab; reached were {seen}")


def test_time_paths_and_comparing(open_page):
    seen = open_page()
    page = seen.page
    seen.until(lambda: seen.session()["state"]["time_s"] > 60, "a minute of growth")
    page.keyboard.press("Space")
    page.get_by_role("button", name="Grow", exact=True).wait_for()
    end = seen.until(
        lambda: (s := seen.session()["state"])["worker"] == "paused" and s["time_s"], "held by the space bar"
    )
    page.keyboard.press("ArrowLeft")
    seen.until(lambda: seen.session()["state"]["time_s"] < end - 10, "half a minute back by a key")
    page.keyboard.press(".")
    tab_to(page, "Temperature up by 0.1")
    page.keyboard.press("Enter")
    seen.until(lambda: len(seen.session()["tree"]["branches"]) == 2, "another path from there")
    page.keyboard.press("b")
    tab_to(page, "30 s back")
    tab_to(page, "Speed")
    tab_to(page, "Moment")
    tab_to(page, "Branch off here")
    tab_to(page, "Rename path 2")
    page.keyboard.press("Enter")
    expect(page.get_by_role("textbox", name="New name of path 2")).to_be_focused()
    page.keyboard.type("by keys")  # in place of the old name, which is chosen
    page.keyboard.press("Enter")
    seen.until(lambda: any(b["name"] == "by keys" for b in seen.session()["tree"]["branches"]), "named")
    expect(page.get_by_role("button", name="Rename by keys")).to_be_focused()
    tab_to(page, "Compare first with the current path")
    page.keyboard.press("Enter")
    dialog = page.get_by_role("dialog", name="Side by side")
    dialog.locator("canvas").nth(2).wait_for()
    page.wait_for_timeout(400)
    no_breaches(seen, "side by side")
    page.keyboard.press("Escape")
    dialog.wait_for(state="hidden")
    tab_to(page, "Keep by keys")
    page.keyboard.press("Space")
    seen.until(
        lambda: any(b["kept"] and b["name"] == "by keys" for b in seen.session()["tree"]["branches"]), "kept"
    )
    page.locator(".crystal-view").focus()
    before = (
        page.locator(".scale-bar").get_attribute("data-um"),
        page.locator(".scale-bar").get_attribute("data-px"),
    )
    for key in ("+", "+", "+", "2", "c", "t"):
        page.keyboard.press(key)
    page.wait_for_timeout(300)
    after = (
        page.locator(".scale-bar").get_attribute("data-um"),
        page.locator(".scale-bar").get_attribute("data-px"),
    )
    assert before != after, "nearer"
    assert page.get_by_role("radio", name="Side", exact=True).is_checked()
    assert page.get_by_role("radio", name="Cut upright").is_checked()
    assert page.get_by_role("radio", name="Thickness", exact=True).is_checked()
    seen.fine()


def test_recipe_dialogs(open_page, bench):
    seen = open_page()
    page = seen.page
    seen.pause()
    for button, title in (
        ("Save…", "Save the recipe"),
        ("Open…", "Open a recipe"),
        ("As text…", "The recipe as text"),
        ("Grow at full resolution…", "Grow at full resolution"),
    ):
        tab_to(page, button, back=False)
        page.keyboard.press("Enter")
        dialog = page.get_by_role("dialog", name=title)
        dialog.wait_for()
        page.wait_for_timeout(300)
        inside = page.evaluate("() => document.activeElement.closest('dialog') !== null")
        assert inside, f"the focus goes into {title}"
        no_breaches(seen, title)
        page.keyboard.press("Escape")
        dialog.wait_for(state="hidden")
        assert page.evaluate(NAME).startswith(button), "and back to where it came from"
    tab_to(page, "Save…", back=True)
    page.keyboard.press("Enter")
    page.get_by_role("dialog", name="Save the recipe").wait_for()
    page.wait_for_timeout(300)
    tab_to(page, "File name", most=6)
    page.keyboard.press("Control+A")
    page.keyboard.type("by keys alone.toml")
    page.keyboard.press("Enter")
    page.get_by_role("dialog", name="Save the recipe").wait_for(state="hidden")
    assert (bench.folder / "by keys alone.toml").is_file()
    seen.fine()


@pytest.mark.parametrize("size", [{"width": 1280, "height": 800}, PHONE])
def test_beside_the_microscope(open_page, size, tmp_path):
    from PIL import Image

    seen = open_page(size=size)
    page = seen.page
    seen.until(lambda: seen.session()["state"]["sizes"]["radius_um"] > 12, "it has grown")
    seen.pause()
    page.locator("body").press("m")
    tab_to(page, "Start the clock")
    page.keyboard.press("Enter")
    seen.until(lambda: seen.session()["clock"]["running"], "the clock runs")
    page.get_by_role("button", name="Hold the clock").focus()  # in place of the button that has gone
    page.keyboard.press("Enter")
    seen.until(lambda: seen.session()["clock"]["held"], "held")
    tab_to(page, "a tone when a cue falls due")
    tab_to(page, "Its radius, centre to tip")
    page.keyboard.type("10")
    tab_to(page, "Predict from there")
    page.keyboard.press("Enter")
    seen.until(lambda: page.locator(".told").inner_text(), "what that changed, in words", 90)
    seen.pause()
    path = tmp_path / "grey.png"
    Image.new("L", (60, 40), 150).save(path)
    tab_to(page, "Lay a photograph")
    page.locator(".photo input[type=file]").set_input_files(path)  # the system's own dialog has no page
    page.locator(".photos img").wait_for()
    page.locator(".outline-lines").wait_for()
    tab_to(page, "Taken")
    page.keyboard.press("ArrowDown")
    seen.until(lambda: seen.session()["photos"][0]["along"] == "y", "from the side, by a key")
    tab_to(page, "Opacity")
    page.keyboard.press("End")
    seen.until(lambda: seen.session()["photos"][0]["opacity"] == 1, "opaque")
    for theme in ("Light", "Dark", "Red"):
        page.get_by_role("radio", name=theme, exact=True).check()
        page.wait_for_timeout(150)
        no_breaches(seen, f"clock, photograph, {theme}")
    expect(page.locator("section.cue")).to_match_aria_snapshot("""
        - region "Next":
          - heading "Next" [level=2]
          - button "Let the clock go on" [pressed]
          - button "Stop"
          - checkbox "a tone when a cue falls due"
        """)
    expect(page.locator("section.photo")).to_match_aria_snapshot("""
        - region "Photograph over the prediction":
          - heading "Photograph over the prediction" [level=2]
          - group "The pointer moves":
            - radio "crystal" [checked]
            - radio "photograph"
          - checkbox "draw the predicted outline" [checked]
          - group "Photograph grey.png":
            - combobox "Taken"
            - slider "Opacity"
            - slider "Rotation"
            - textbox "Scale, µm per pixel"
            - button "Take it away"
        """)
    expect(page.locator("section.real")).to_match_aria_snapshot("""
        - region "The real one now":
          - textbox "Its radius, centre to tip, µm"
          - textbox "Its thickness, if known, µm"
          - checkbox "begin again from a plain prism of that size"
          - button "Predict from there"
        """)
    seen.fine()


def test_runs(open_page, bench):
    """Two runs of the fast round model, grown by the library."""
    import icewright

    recipe = bench.folder / "by-keys.toml"
    recipe.write_text(
        'kind = "icewright.recipe"\nschema = 1\ntitle = "Tern Point"\nmodel = "round"\n'
        'kinetics = "layer-fits"\n[seed]\nradius_um = 3\nthickness_um = 3\n[resolution]\nvoxel_um = 1\n'
        "[[step]]\ntemperature_c = -15\nsigma_percent = 5\nradius_um = 12\nminutes = 3\n",
        encoding="utf-8",
    )
    for name in ("keys-one", "keys-two"):
        icewright.grow(recipe, bench.folder / name, pictures=False, threads=1)
    seen = open_page()
    page = seen.page
    seen.pause()
    page.locator("body").press("r")
    page.locator(".cards li", has_text="keys-two").wait_for()
    page.locator(".cards li", has_text="keys-one").get_by_role("button").focus()
    page.keyboard.press("Enter")
    page.get_by_role("dialog", name="Run").locator(".exports a").first.wait_for()
    no_breaches(seen, "one run")
    tab_to(page, "the whole run")
    page.keyboard.press("Escape")
    for name in ("keys-one", "keys-two"):
        box = page.locator(".cards li", has_text=name).get_by_role("checkbox")
        box.focus()
        page.keyboard.press("Space")
        assert box.is_checked()
    tab_to(page, "Side by side", back=True)
    page.keyboard.press("Enter")
    page.get_by_role("dialog", name="Side by side").locator(".u-legend").wait_for()
    page.wait_for_timeout(400)
    no_breaches(seen, "runs side by side")
    seen.fine()


@pytest.mark.parametrize("size", [{"width": 1280, "height": 800}, PHONE])
def test_first_visit_and_settings_of_an_apparatus(open_page, bench, size):
    (bench.folder / RESERVOIR.name).write_text(RESERVOIR.read_text())
    seen = open_page(size=size, hints=True)
    page = seen.page
    no_breaches(seen, "hints")
    tab_to(page, "Enough")
    page.keyboard.press("Enter")
    seen.pause()
    sid = seen.session()["id"]
    page.request.post(f"{bench.url}/api/sessions/{sid}/setup", data={"apparatus": RESERVOIR.name})
    page.get_by_role("slider", name="Plate", exact=True).wait_for()
    seen.pause()
    tab_to(page, "Add a step", most=120)
    page.keyboard.press("Enter")
    page.get_by_text("Steps as a table").click()
    for theme in ("Light", "Dark", "Red"):
        page.get_by_role("radio", name=theme, exact=True).check()
        page.wait_for_timeout(150)
        no_breaches(seen, f"settings being dragged, {theme}")
    expect(page.locator("section.timeline")).to_match_aria_snapshot("""
        - region "What was set, and the air that came of it":
          - heading "What was set, and the air that came of it" [level=2]
          - button "Add a step"
          - group "Changed recipe":
            - button "Grow it so"
            - button "Leave it as it was"
          - group "Settings, air and size over time":
            - slider "Step 1, reservoir"
            - slider "Step 1, plate"
            - slider "Step 1, its end"
            - slider "Step 2, reservoir"
            - slider "Step 2, plate"
            - slider "Step 2, its end"
        """)
    expect(page.locator("section.time")).to_match_aria_snapshot("""
        - region "Time":
          - button "Grow"
          - button "30 s back"
          - button "One step"
          - button "10 s on"
          - combobox "Speed"
          - slider "Moment"
        """)
    seen.fine()
