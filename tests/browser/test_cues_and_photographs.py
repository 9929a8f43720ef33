"""Beside the microscope: the tone for cues, and photographs taken from the side.

Outside: the page's own AudioContext is replaced by one that counts; pixels and geometry of what is drawn.
"""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageDraw

# Counts what is started and when, and makes no sound. Classes as the Web Audio API names them.
STUB = """
window.__sound = { contexts: 0, resumed: 0, started: [], stopped: 0, hertz: [] };
class Param { set value(v) { this.v = v; } get value() { return this.v; }
  setValueAtTime() {} linearRampToValueAtTime() {} exponentialRampToValueAtTime() {} }
class AudioNodeStub { connect(other) { return other; } }
class Oscillator extends AudioNodeStub { constructor() { super(); this.frequency = new Param(); }
  start(at) { window.__sound.started.push(at); window.__sound.hertz.push(this.frequency.value); }
  stop() { window.__sound.stopped += 1; } }
class Gain extends AudioNodeStub { constructor() { super(); this.gain = new Param(); } }
window.AudioContext = class { constructor() { window.__sound.contexts += 1; this.currentTime = 0;
    this.destination = new AudioNodeStub(); }
  resume() { window.__sound.resumed += 1; return Promise.resolve(); }
  createOscillator() { return new Oscillator(); } createGain() { return new Gain(); } };
"""
STEPS = (
    "[[step]]\ntemperature_c = -15\nsigma_percent = 4\nminutes = 0.05\n"
    "[[step]]\ntemperature_c = -14\nsigma_percent = 6\nminutes = 0.1\n"
    "[[step]]\ntemperature_c = -13\nsigma_percent = 6\nminutes = 20\n"
)


def two_cues(seen) -> None:
    """A recipe whose cues fall due after 3 s and after 9 s."""
    page = seen.page
    seen.pause()
    page.get_by_role("button", name="As text…").click()
    area = page.get_by_role("textbox", name="Recipe", exact=True)
    area.fill(area.input_value().split("[[step]]")[0] + STEPS)
    page.get_by_role("dialog").get_by_role("button", name="Grow it so").click()
    page.get_by_role("dialog", name="The recipe as text").wait_for(state="hidden")
    seen.pause()
    page.get_by_role("button", name="Beside the microscope", exact=True).click()


def sound(seen) -> dict:
    return seen.page.evaluate("() => ({...window.__sound})")


def test_the_tone_is_silent_until_asked_for_and_then_starts_at_a_cue(open_page, browser):
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    context.add_init_script("localStorage.setItem('icewright.hints', 'seen')")
    context.add_init_script(STUB)
    seen = open_page(context=context)
    page = seen.page
    try:
        two_cues(seen)
        tone = page.get_by_role("checkbox", name="a tone when a cue falls due")
        assert not tone.is_checked(), "off until it is asked for"
        page.get_by_role("button", name="Start the clock").click()
        seen.until(lambda: seen.session()["clock"]["step"] >= 2, "both cues have fallen due", 90)
        page.wait_for_timeout(1200)
        assert sound(seen) == {"contexts": 0, "resumed": 0, "started": [], "stopped": 0, "hertz": []}
        page.get_by_role("button", name="Stop", exact=True).click()

        tone.focus()
        page.keyboard.press("Space")  # its control, by keyboard
        assert tone.is_checked()
        assert sound(seen)["contexts"] == 1 and sound(seen)["resumed"] >= 1, "awake from the click on"
        assert sound(seen)["started"] == [], "but no tone before a cue"
        page.get_by_role("button", name="Start the clock").click()
        first = seen.until(lambda: (s := sound(seen))["started"] and s, "a tone at the first cue", 90)
        assert all(200 <= h <= 2000 for h in first["hertz"]), "where hearing is good"
        per_cue = len(first["started"])
        seen.until(lambda: seen.session()["clock"]["step"] >= 2, "the second cue", 90)
        last = seen.until(lambda: (s := sound(seen))["started"][per_cue:] and s, "a tone at the second")
        page.wait_for_timeout(1500)
        last = sound(seen)
        assert len(last["started"]) == 2 * per_cue, "once a cue"
        assert last["stopped"] == len(last["started"]), "every tone ends"
        assert last["contexts"] == 1
        page.reload()
        seen.until(lambda: seen.counters["meshes"] > 0, "the page again", 90)
        page.get_by_role("button", name="Beside the microscope", exact=True).click()
        assert tone.is_checked(), "the choice is kept in this browser"
        tone.uncheck()
        seen.fine()
    finally:
        sid = seen.session()["id"]
        page.request.delete(f"{seen.url}/api/sessions/{sid}")
        context.close()


@pytest.fixture
def from_the_side(tmp_path):
    """A drawn column, seen from the side: 200 x 80 pixels on 320 x 160."""
    image = Image.new("L", (320, 160), 220)
    ImageDraw.Draw(image).rectangle((60, 40, 260, 120), outline=0, width=5)
    path = tmp_path / "side.png"
    image.save(path)
    return path


@pytest.mark.parametrize("size", [{"width": 1280, "height": 800}, {"width": 390, "height": 844}])
def test_a_photograph_from_the_side_lies_over_the_outline_from_there(open_page, from_the_side, size):
    seen = open_page(size=size)
    page = seen.page
    seen.until(lambda: seen.session()["state"]["sizes"]["radius_um"] > 15, "it has grown", 90)
    seen.pause()
    page.get_by_role("button", name="Beside the microscope", exact=True).click()
    page.locator(".photo input[type=file]").set_input_files(from_the_side)
    page.locator(".photos img").wait_for()
    lines = page.locator(".outline-lines")
    lines.wait_for()
    assert "from above" in lines.get_attribute("aria-label")
    sizes, voxel = seen.session()["state"]["sizes"], seen.session()["setup"]["voxel_um"]
    taken = page.get_by_role("combobox", name="Taken")
    widths = {}
    for along, words in (("y", "across corners"), ("x", "across faces")):
        taken.focus()
        taken.select_option(along)
        page.locator(f".outline-lines[aria-label*='{words}']").wait_for()
        seen.until(lambda a=along: seen.session()["photos"][0]["along"] == a, "kept on the server")
        page.wait_for_timeout(400)
        bar = page.locator(".scale-bar")
        per_um = float(bar.get_attribute("data-px")) / float(bar.get_attribute("data-um"))
        box = lines.locator("path").last.evaluate(
            "e => { const b = e.getBoundingClientRect(); return [b.width, b.height]; }"
        )
        widths[along] = box[0] / per_um
        assert box[1] / per_um == pytest.approx(sizes["thickness_um"], abs=2 * voxel + 2 / per_um)
        # The outline lies on the drawn ice: at its upper and lower edge the picture changes.
        at = lines.locator("path").last.bounding_box()
        view = page.locator(".crystal-view").bounding_box()
        assert at["x"] + at["width"] / 2 == pytest.approx(view["x"] + view["width"] / 2, abs=3)
    # Geometry of a hexagon: corner to corner 2 R; across the faces less, but not below sqrt(3) R.
    assert widths["y"] == pytest.approx(2 * sizes["radius_um"], abs=2 * voxel + 2 / per_um)
    assert np.sqrt(3) * sizes["radius_um"] - 3 * voxel < widths["x"] < widths["y"]

    # Scale, rotation and opacity, as for those from above.
    scale = page.get_by_role("textbox", name="Scale, µm per pixel")
    scale.fill("0.2")
    scale.press("Enter")
    page.get_by_role("slider", name="Opacity").press("End")
    page.get_by_role("slider", name="Rotation").press("ArrowRight")
    photo = seen.until(lambda: (p := seen.session()["photos"][0])["rotation_deg"] == 0.5 and p, "turned")
    assert photo["um_per_pixel"] == 0.2 and photo["opacity"] == 1 and photo["along"] == "x"
    drawn = page.locator(".photos img").evaluate("e => [e.offsetWidth, e.offsetHeight]")
    per_um = float(bar.get_attribute("data-px")) / float(bar.get_attribute("data-um"))
    assert drawn == pytest.approx([320 * 0.2 * per_um, 160 * 0.2 * per_um], abs=1.01)
    # Seen aslant the outline would say nothing, and is left out.
    page.get_by_role("radio", name="Tilted").check()
    lines.wait_for(state="detached")
    page.get_by_role(
        "radio", name="photograph", exact=True
    ).check()  # to move it, it is looked at from its side
    page.locator(".outline-lines[aria-label*='across faces']").wait_for()
    page.get_by_role("button", name="Take it away").click()
    seen.fine()
