"""The settings of an apparatus dragged on the timeline, by mouse and by keys; set and actual air beside them.

Outside: the limits and steps in the apparatus file (invented), and the closed form of a settled lag: after
many lags the air is where it was set.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
RESERVOIR = ROOT / "examples" / "apparatus-reservoir.toml"  # invented, a pattern to follow


def numbers(path: str) -> list[float]:
    return [float(v) for v in re.findall(r"-?\d+\.?\d*", path)]


@pytest.mark.parametrize("size", [{"width": 1280, "height": 900}, {"width": 390, "height": 844}])
def test_settings_are_dragged_by_mouse_and_keyboard(open_page, bench, size):
    (bench.folder / RESERVOIR.name).write_text(RESERVOIR.read_text())
    seen = open_page(size=size)
    page = seen.page
    sid = seen.session()["id"]
    answer = page.request.post(f"{bench.url}/api/sessions/{sid}/setup", data={"apparatus": RESERVOIR.name})
    assert answer.ok, answer.text()
    page.get_by_role("slider", name="Plate", exact=True).wait_for()
    seen.until(lambda: seen.session()["state"]["time_s"] > 60, "a minute")
    page.request.post(f"{bench.url}/api/sessions/{sid}/turn", data={"settings": {"plate_c": -15.6}})
    seen.until(lambda: seen.session()["state"]["time_s"] > 130, "two minutes")
    seen.pause()
    timeline = page.locator(".timeline")
    timeline.scroll_into_view_if_needed()
    first = timeline.get_by_role("slider", name="Step 1, plate", exact=True)
    assert [first.get_attribute(f"aria-value{a}") for a in ("min", "max", "now")] == ["-40", "-0.5", "-15"]
    assert timeline.get_by_role("slider", name=re.compile("temperature")).count() == 0

    # By keyboard: a step of the knob each; nothing is grown before it is asked for.
    before = seen.session()["tree"]
    air_before = timeline.locator(".curve.warm.asked").get_attribute("d")
    first.focus()
    with page.expect_response(lambda r: r.url.endswith("/recipe/air")) as told:
        page.keyboard.press("ArrowUp")
    assert told.value.ok
    assert first.get_attribute("aria-valuenow") == "-14.9"
    assert first.get_attribute("aria-valuetext") == "−14.9 °C"
    seen.until(
        lambda: timeline.locator(".curve.warm.asked").get_attribute("d") != air_before, "the air it would set"
    )
    assert len(timeline.locator(".curve.warm.foreseen").get_attribute("d")) > 20, "the air that would come"
    assert len(seen.session()["tree"]["branches"]) == len(before["branches"])

    # By mouse: what lies under the pointer is what is set, on the steps of the knob.
    second = timeline.get_by_role("slider", name="Step 2, plate", exact=True)
    box = second.locator("circle").last.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 10, steps=4)
    page.mouse.up()
    value = float(second.get_attribute("aria-valuenow"))
    assert value > -15.6
    assert value * 10 == pytest.approx(round(value * 10), abs=1e-9), "on a step of the knob"

    # A hold becomes a ramp in the table; one too fast for the knob is refused in words, and nothing is lost.
    timeline.get_by_text("Steps as a table").click()
    timeline.get_by_role("button", name="Step 2: ramp reservoir").click()
    end = timeline.get_by_role("slider", name="Step 2, reservoir at its end", exact=True)
    end.wait_for()
    to = timeline.get_by_role("textbox", name="Step 2: reservoir to, °C")
    to.fill("-30")
    to.press("Enter")
    refusal = timeline.get_by_role("status")
    refusal.wait_for()
    assert "1 degC a minute" in refusal.inner_text() or "1 °C a minute" in refusal.inner_text()
    to.fill("-14.5")
    to.press("Enter")
    lasts = timeline.get_by_role("textbox", name="Step 2: lasts, min")
    lasts.fill("6")
    lasts.press("Enter")
    refusal.wait_for(state="detached")

    timeline.get_by_role("button", name="Grow it so").click()
    page.get_by_role("group", name="Changed recipe").wait_for(state="detached")
    tree = seen.until(
        lambda: (t := seen.session()["tree"])["current"] != before["current"] and t, "a path of its own"
    )
    new = next(b for b in tree["branches"] if b["number"] == tree["current"])
    assert new["set_steps"][0]["settings"]["plate_c"] == [-14.9, -14.9]
    assert new["set_steps"][1]["settings"]["plate_c"] == [value, value]
    assert new["set_steps"][1]["settings"]["reservoir_c"][1] == -14.5
    page.get_by_role("button", name="Grow", exact=True).click()
    page.get_by_role("combobox", name="Speed").select_option("null")
    # 6 min of step 2: many lags of the plate (25 s) after its jump the air is as warm as the plate.
    seen.until(
        lambda: seen.session()["state"]["time_s"] > 60 * new["set_steps"][0]["minutes"] + 330, "grown on", 120
    )
    seen.pause()
    assert seen.session()["state"]["temperature_c"] == pytest.approx(value, abs=0.05)
    set_air = numbers(timeline.locator(".curve.warm.asked").get_attribute("d"))
    actual = numbers(timeline.locator(".curve.warm.actual-air").get_attribute("d"))
    assert len(set_air) >= 8 and len(actual) > 20
    assert page.evaluate("() => document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    seen.errors = [e for e in seen.errors if "400" not in e]  # the browser itself notes a refused request
    seen.fine()


def test_settings_by_keyboard_alone(open_page, bench):
    """From the head of the timeline with the Tab key to the grown path, no mouse."""
    (bench.folder / RESERVOIR.name).write_text(RESERVOIR.read_text())
    seen = open_page()
    page = seen.page
    sid = seen.session()["id"]
    page.request.post(f"{bench.url}/api/sessions/{sid}/setup", data={"apparatus": RESERVOIR.name})
    page.get_by_role("slider", name="Reservoir", exact=True).wait_for()
    seen.until(lambda: seen.session()["state"]["time_s"] > 30, "half a minute")
    seen.pause()
    page.get_by_role("button", name="Add a step").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    names = []
    for _ in range(12):
        names.append(
            page.evaluate(
                """() => document.activeElement.getAttribute('aria-label')
                || document.activeElement.textContent"""
            )
        )
        if names[-1] == "Step 2, reservoir":
            break
        page.keyboard.press("Tab")
    assert names[:2] == ["Grow it so", "Leave it as it was"]
    assert names[-1] == "Step 2, reservoir", names
    page.keyboard.press("PageUp")  # ten steps of the knob
    for _ in range(len(names) - 1):
        page.keyboard.press("Shift+Tab")
    page.keyboard.press("Enter")
    steps = seen.until(
        lambda: (
            (b := seen.session()["tree"])["branches"][-1]["set_steps"][-1:]
            and len(b["branches"][-1]["set_steps"]) == 2
            and b["branches"][-1]["set_steps"]
        ),
        "two steps",
    )
    assert steps[1]["settings"]["reservoir_c"][0] == pytest.approx(
        steps[0]["settings"]["reservoir_c"][0] + 1.0
    )
    assert steps[1]["minutes"] == pytest.approx(10)
    seen.fine()
