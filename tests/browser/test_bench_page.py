"""The bench in the browser: knobs, the crystal, time, paths, the timeline, the recipe.

What is drawn is measured in the pixels of screenshots, what was done in what the server then holds.
"""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from PIL import Image


def picture(seen) -> np.ndarray:
    """The crystal's part of the screen, uint8[h, w, 3]."""
    data = seen.page.locator(".crystal-view").first.screenshot()
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def test_first_visit_shows_a_growing_crystal_and_three_hints(open_page):
    """An example is already growing and three short hints show the way; nothing needs reading first."""
    seen = open_page(hints=True)
    page = seen.page
    seen.grown(3)
    hints = page.get_by_role("complementary", name="Hints")
    for count in ("1 of 3", "2 of 3", "3 of 3"):
        assert count in hints.inner_text()
        assert len(hints.inner_text().split()) < 40
        hints.get_by_role("button").first.click()
    assert hints.count() == 0
    time_before = seen.session()["state"]["time_s"]
    sid = seen.session()["id"]
    page.reload()
    seen.grown()
    assert seen.session()["id"] == sid, "a reloaded page finds its session again"
    assert seen.session()["state"]["time_s"] >= time_before
    assert page.get_by_role("complementary", name="Hints").count() == 0
    shown = picture(seen)
    assert len(np.unique(shown.reshape(-1, 3), axis=0)) > 50, "a crystal is drawn, not a blank ground"
    seen.fine()


def test_knobs_by_mouse_keyboard_number_and_ramp(open_page):
    seen = open_page()
    page = seen.page
    knob = page.get_by_role("slider", name="Temperature", exact=True)
    before = seen.session()["air"]["temperature_c"]

    act = seen.counters["act"]
    knob.press("ArrowRight")
    seen.grown_under(act)
    assert seen.session()["air"]["temperature_c"] == pytest.approx(before + 0.1, abs=1e-6)

    act = seen.counters["act"]
    page.get_by_role("button", name="Temperature down by 0.1 °C").click()
    seen.grown_under(act)
    assert seen.session()["air"]["temperature_c"] == pytest.approx(before, abs=1e-6)

    act = seen.counters["act"]
    field = page.get_by_role("textbox", name="Supersaturation, %")
    field.fill("17,5")  # a decimal comma, and more than water saturation at -15 degC: 15.75 % (tests/vapour)
    field.press("Enter")
    seen.grown_under(act)
    assert seen.session()["air"]["sigma_percent"] == pytest.approx(17.5)
    assert "above water saturation" in page.locator(".standing").inner_text()
    assert "fog" in page.locator(".standing").inner_text()

    field.fill("fog")
    field.press("Enter")
    assert field.get_attribute("aria-invalid") == "true"
    assert seen.session()["air"]["sigma_percent"] == pytest.approx(17.5), "no number, no turn"

    box = knob.bounding_box()
    act = seen.counters["act"]
    page.mouse.click(box["x"] + box["width"] * 0.8, box["y"] + box["height"] / 2)
    seen.grown_under(act)
    assert -10 < seen.session()["air"]["temperature_c"] < -4

    page.get_by_role("combobox", name="Humidity as").select_option("water_fraction")
    fraction = page.get_by_role("textbox", name="Supersaturation, of 1")
    fraction.fill("0.95")
    fraction.press("Enter")
    seen.until(lambda: abs(seen.session()["air"]["water_fraction"] - 0.95) < 1e-3, "the fraction")

    page.get_by_role("radio", name="ramp over").check()
    length = page.get_by_role("textbox", name="Length of a ramp, min")
    length.fill("30")
    length.press("Enter")
    cold = page.get_by_role("textbox", name="Temperature, °C")
    cold.fill("-20")
    cold.press("Enter")
    left = seen.until(lambda: seen.session()["state"]["ramp_left_s"], "the ramp")
    assert 0 < left <= 1800
    page.get_by_text("In the chamber now").wait_for()
    steps = seen.session()["tree"]["branches"][0]["steps"]
    assert any(s["temperature_c"][0] != s["temperature_c"][1] for s in steps), (
        "a ramp is a step of the recipe"
    )

    page.get_by_text("Why", exact=True).click()
    assert len(page.locator(".favours li").all_inner_texts()) >= 1
    seen.fine()


def test_holding_pressure_and_their_cautions(open_page):
    seen = open_page()
    page = seen.page
    page.get_by_text("Pressure, holding, seed, kinetics").click()
    page.get_by_role("combobox", name="Held").select_option("needle")
    seen.until(lambda: seen.session()["setup"]["held"]["way"] == "needle", "held on a needle")
    page.locator(".air .caution", has_text="kilovolts").wait_for()
    pressure = page.get_by_role("textbox", name="Pressure, hPa")
    pressure.fill("500")
    pressure.press("Enter")
    seen.until(lambda: seen.session()["setup"]["pressure_hpa"] == 500, "500 hPa")
    pressure.fill("-3")
    pressure.press("Enter")
    alert = page.get_by_role("alert")
    alert.wait_for()
    assert "hPa" in alert.inner_text() or "pressure" in alert.inner_text().lower()
    alert.get_by_role("button", name="Put away").click()
    assert seen.session()["setup"]["pressure_hpa"] == 500, "a refusal loses nothing"
    refused = [e for e in seen.errors if "400" in e]  # the browser itself notes a refused request
    seen.errors = [e for e in seen.errors if e not in refused]
    seen.fine()


def test_the_scale_bar_is_true_and_views_turn_by_keys(open_page):
    """Outside check: the pixels of the screenshot. In plan view the crystal is twice its radius across."""
    seen = open_page()
    page = seen.page
    seen.grown(4)
    seen.pause()
    page.locator(".crystal-view").focus()
    page.keyboard.press("1")
    page.keyboard.press("0")
    for _ in range(2):
        page.wait_for_timeout(300)
        bar = page.locator(".scale-bar")
        per_um = float(bar.get_attribute("data-px")) / float(bar.get_attribute("data-um"))
        shown = picture(seen).astype(int)[8:-8]  # without the ring of the focus
        ground = shown[2, shown.shape[1] // 2]
        ice = np.abs(shown - ground).sum(axis=2) > 60
        left, right = shown.shape[1] // 4, shown.shape[1] * 3 // 4  # words and buttons lie outside
        columns = np.flatnonzero(ice[:, left:right].any(axis=0))
        width_um = (columns[-1] - columns[0] + 1) / per_um
        sizes = seen.session()["state"]["sizes"]
        # Two pixels: the drawing is at three quarters of the screen's resolution (?quality=low).
        assert width_um == pytest.approx(2 * sizes["radius_um"], abs=4 / per_um)
        page.keyboard.press("-")  # and still true after zooming
    drawn = page.locator(".scale-bar i").bounding_box()["width"]
    assert drawn == pytest.approx(float(page.locator(".scale-bar").get_attribute("data-px")), abs=0.6)

    plan = picture(seen)
    page.keyboard.press("2")
    page.wait_for_timeout(250)
    side = picture(seen)
    assert page.get_by_role("radio", name="Side").is_checked()
    assert np.abs(plan.astype(int) - side).mean() > 0.5
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowUp")
    page.wait_for_timeout(250)
    assert np.abs(side.astype(int) - picture(seen)).mean() > 0.05
    page.keyboard.press("t")
    page.keyboard.press("t")
    assert page.get_by_role("radio", name="Age").is_checked()
    assert "froze at" in page.locator(".legend").inner_text()
    page.keyboard.press("c")
    page.keyboard.press("3")
    assert page.get_by_role("radio", name="Cut upright").is_checked()
    with page.expect_response(re.compile("plane=axial&azimuth_deg=5")) as answer:
        page.get_by_role("slider", name="Turn the cut").press("ArrowRight")
    assert answer.value.ok
    with page.expect_response(re.compile("plane=basal&height_um=0")) as answer:
        page.get_by_role("radio", name="Cut level").check()
    assert answer.value.json()["plane"] == "basal", "the face that is drawn is the one that was asked for"
    seen.fine()


def test_time_goes_back_and_another_path_begins(open_page):
    seen = open_page()
    page = seen.page
    seen.until(lambda: seen.session()["state"]["time_s"] > 60, "a minute of growth")
    seen.pause()
    here = seen.session()["state"]["time_s"]
    page.get_by_role("button", name="One step").click()
    seen.until(lambda: seen.session()["state"]["time_s"] > here, "one step")
    page.get_by_role("button", name="30 s back").click()
    back = seen.until(
        lambda: (t := seen.session()["state"]["time_s"]) < here - 10 and t, "half a minute back"
    )
    page.get_by_text("a new path begins").wait_for()

    page.get_by_role("button", name="Temperature up by 0.1 °C").click()
    seen.until(lambda: len(seen.session()["tree"]["branches"]) == 2, "a second path")
    tree = seen.session()["tree"]
    second = next(b for b in tree["branches"] if b["number"] == tree["current"])
    assert second["parent"] is not None
    assert second["from_s"] == pytest.approx(back, abs=15)
    page.get_by_role("button", name="Grow", exact=True).click()
    seen.grown(3)
    seen.pause()

    name = second["name"] or f"Path {second['number']}"
    page.get_by_role("button", name=f"Rename {name}").click()
    page.get_by_role("textbox", name=f"New name of {name}").fill("warmer")
    page.keyboard.press("Enter")
    page.get_by_role("checkbox", name="Keep warmer").check()
    seen.until(
        lambda: any(b["name"] == "warmer" and b["kept"] for b in seen.session()["tree"]["branches"]),
        "named and kept",
    )
    other = next(b for b in seen.session()["tree"]["branches"] if b["name"] != "warmer")
    label = other["name"] or f"Path {other['number']}"
    page.get_by_role("button", name=f"Compare {label} with the current path").click()
    dialog = page.get_by_role("dialog", name="Side by side")
    dialog.locator("canvas").nth(2).wait_for()
    captions = dialog.locator("figcaption").all_inner_texts()
    assert len(captions) == 2
    assert "warmer" in captions[0]
    assert dialog.locator(".u-legend .u-series").count() == 3
    bars = dialog.locator(".scale-bar")
    assert bars.nth(0).get_attribute("data-px") == bars.nth(1).get_attribute("data-px"), "one scale for both"
    dialog.get_by_role("radio", name="Temperature, °C").check()
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Branch off here").click()
    seen.until(lambda: len(seen.session()["tree"]["branches"]) == 3, "a third path")
    page.get_by_role("button", name=f"Compare {label} with the current path").click()
    dialog.get_by_role("group", name="Paths shown").get_by_role("checkbox", name="warmer").check()
    dialog.locator("canvas").nth(3).wait_for()
    assert dialog.locator("figcaption").count() == 3
    assert dialog.locator(".u-legend .u-series").count() == 4
    page.keyboard.press("Escape")

    page.locator(".path-go", has_text=label).click()
    seen.until(lambda: seen.session()["tree"]["current"] == other["number"], "back on the first path")
    seen.fine()


def test_the_timeline_is_dragged_typed_and_grown(open_page):
    seen = open_page()
    page = seen.page
    seen.grown(2)
    seen.pause()
    handle = page.get_by_role("slider", name="Step 1, temperature", exact=True)
    start = float(handle.get_attribute("aria-valuenow"))
    value = lambda: float(handle.get_attribute("aria-valuenow"))  # noqa: E731
    handle.press("PageDown")
    seen.until(lambda: abs(value() - (start - 1)) < 1e-9, "one degree down")
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y + 12, steps=4)
    page.mouse.up()
    seen.until(lambda: value() < start - 1.05, "dragged further down")
    page.get_by_role("button", name="Leave it as it was").click()
    seen.until(lambda: value() == pytest.approx(start), "as it was")

    page.get_by_text("Steps as a table").click()
    minutes = page.get_by_role("textbox", name="Step 1: lasts, min")
    minutes.fill("1.5")
    minutes.press("Enter")
    page.get_by_role("button", name="Add a step").click()
    count = page.locator(".step-list li").count()
    page.get_by_role("button", name="ramp", exact=True).last.click()
    page.get_by_role("checkbox", name="wait for a key").last.check()
    branches = len(seen.session()["tree"]["branches"])
    page.get_by_role("button", name="Grow it so").click()
    seen.until(
        lambda: len(seen.session()["tree"]["branches"]) == branches + 1, "a path of the changed recipe"
    )
    tree = seen.session()["tree"]
    steps = next(b for b in tree["branches"] if b["number"] == tree["current"])["steps"]
    assert len(steps) == count
    assert steps[0]["minutes"] == pytest.approx(1.5)
    assert steps[-1]["wait"]
    assert steps[-1]["temperature_c"][0] != steps[-1]["temperature_c"][1]
    seen.fine()


TINY = "[[step]]\ntemperature_c = -15\nsigma_percent = 5\nradius_um = 12\nminutes = 3\n"


def test_recipe_saved_changed_as_text_refused_and_opened(open_page, bench):
    """The file on the disk is read by the recipe reader."""
    from icewright import read_recipe

    seen = open_page()
    page = seen.page
    seen.pause()
    page.get_by_role("button", name="Save…").click()
    page.get_by_role("textbox", name="File name").fill("tern-evening.toml")
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_role("dialog", name="Save the recipe").wait_for(state="hidden")
    assert read_recipe(bench.folder / "tern-evening.toml").steps

    page.get_by_role("button", name="Save…").click()
    page.get_by_role("textbox", name="File name").fill("tern-evening.toml")
    page.get_by_role("button", name="Save", exact=True).click()
    page.get_by_role("dialog").get_by_role("alert").wait_for()  # it is there already, and stays
    page.get_by_role("button", name="Close").click()

    page.get_by_role("button", name="As text…").click()
    area = page.get_by_role("textbox", name="Recipe", exact=True)
    head = area.input_value().split("[[step]]")[0]
    area.fill(head + TINY.replace("-15", "15"))
    grow_so = page.get_by_role("dialog").get_by_role("button", name="Grow it so")
    grow_so.click()
    told = page.get_by_role("dialog").get_by_role("alert")
    told.wait_for()
    assert "temperature_c" in told.inner_text()
    assert "15" in area.input_value(), "a refusal loses nothing that was typed"
    area.fill(head + TINY)
    grow_so.click()
    page.get_by_role("dialog", name="The recipe as text").wait_for(state="hidden")
    current = seen.session()["tree"]
    steps = next(b for b in current["branches"] if b["number"] == current["current"])["steps"]
    assert [s["radius_um"] for s in steps] == [12]

    old = seen.session()["id"]
    page.get_by_role("button", name="Open…").click()
    page.get_by_role("button", name=re.compile("tern-evening.toml")).click()
    seen.until(lambda: seen.session()["id"] != old, "a session of the opened recipe")
    seen.grown(1)
    page.request.delete(f"{seen.url}/api/sessions/{old}")
    seen.errors = [e for e in seen.errors if "400" not in e and "409" not in e]  # both were asked for
    seen.fine()


def test_runs_of_the_folder_opened_exported_and_side_by_side(open_page, bench):
    """Two runs of the fast round model, grown by the library; every export is an attachment."""
    import icewright

    recipe = bench.folder / "round.toml"
    recipe.write_text(
        'kind = "icewright.recipe"\nschema = 1\ntitle = "Tern Point"\nmodel = "round"\n'
        'kinetics = "layer-fits"\n'
        "[seed]\nradius_um = 3\nthickness_um = 3\n[resolution]\nvoxel_um = 1\n" + TINY,
        encoding="utf-8",
    )
    for name in ("morning", "noon"):
        icewright.grow(recipe, bench.folder / name, pictures=False, threads=1)
    seen = open_page()
    page = seen.page
    seen.pause()
    page.get_by_role("button", name="Runs", exact=True).click()
    page.locator(".cards li", has_text="morning").get_by_role("button").click()
    links = page.get_by_role("dialog", name="Run").locator(".exports a")
    links.first.wait_for()
    assert links.count() >= 5
    for i in range(links.count()):
        answer = page.request.get(seen.url + links.nth(i).get_attribute("href"))
        assert answer.ok, links.nth(i).inner_text()
        assert "attachment" in answer.headers["content-disposition"]
    page.keyboard.press("Escape")
    both = page.get_by_role("button", name=re.compile("^Side by side"))
    assert both.is_disabled()
    for name in ("morning", "noon"):
        page.locator(".cards li", has_text=name).get_by_role("checkbox").check()
    both.click()
    dialog = page.get_by_role("dialog", name="Side by side")
    dialog.locator(".u-legend").wait_for()
    seen.until(
        lambda: all("at " in c for c in dialog.locator("figcaption").all_inner_texts()), "two stored crystals"
    )
    dialog.get_by_role("radio", name="Plan").check()
    seen.fine()


@pytest.mark.slow
def test_a_recipe_grows_at_full_resolution_behind_the_page(open_page):
    """All the way to a thumbnail; minutes where the cores are busy, because all its pictures are drawn."""
    seen = open_page()
    page = seen.page
    seen.pause()
    page.get_by_role("button", name="As text…").click()
    area = page.get_by_role("textbox", name="Recipe", exact=True)
    area.fill(area.input_value().split("[[step]]")[0] + TINY)
    page.get_by_role("dialog").get_by_role("button", name="Grow it so").click()
    page.get_by_role("dialog", name="The recipe as text").wait_for(state="hidden")
    page.get_by_role("button", name="Grow at full resolution…").click()
    page.get_by_role("textbox", name="Name of the run").fill("tern-night")
    page.get_by_role("combobox", name="Resolution").select_option("preview")
    page.get_by_role("dialog").get_by_role("button", name="Grow", exact=True).click()
    page.get_by_role("list", name="Runs growing in the background").get_by_text("tern-night").wait_for()
    mine = lambda: next(  # noqa: E731
        j for j in page.request.get(f"{seen.url}/api/jobs").json() if j["name"] == "tern-night"
    )
    seen.until(lambda: mine()["state"] not in ("waiting", "growing", "drawing"), "the run", 300)
    assert mine()["state"] == "done", mine()
    page.get_by_role("button", name="Runs", exact=True).click()
    image = page.locator(".cards li", has_text="tern-night").locator("img")
    seen.until(lambda: image.evaluate("e => e.complete && e.naturalWidth > 0"), "a thumbnail", 60)
    seen.fine()


def test_two_browsers_do_not_disturb_each_other(open_page):
    one, two = open_page(), open_page()
    assert one.session()["id"] != two.session()["id"]
    two.pause()
    before = two.session()["air"]["temperature_c"]
    act = one.counters["act"]
    one.page.get_by_role("button", name="Temperature up by 0.1 °C").click()
    one.grown_under(act)
    assert two.session()["air"]["temperature_c"] == before
    assert two.session()["state"]["paused"]
    one.fine()
    two.fine()
