"""Settings of an apparatus as knobs; a page that finds its session after server or laptop were away."""

from __future__ import annotations

import re
import signal
import sys
from pathlib import Path

import pytest

from icewright.recipe import files

ROOT = Path(__file__).parents[2]
RESERVOIR = ROOT / "examples" / "apparatus-reservoir.toml"  # invented, a pattern to follow


def test_settings_of_an_apparatus_are_the_knobs(open_page, bench):
    """The knobs do what the file says; the saved recipe is read by the library, which knows no page."""
    (bench.folder / RESERVOIR.name).write_text(RESERVOIR.read_text())
    seen = open_page()
    page = seen.page
    page.get_by_text("Pressure, holding, seed, kinetics").click()
    knobs = page.get_by_role("combobox", name="Knobs", exact=True)
    seen.until(lambda: RESERVOIR.name in knobs.inner_text(), "the file is offered")
    knobs.select_option(RESERVOIR.name)
    plate = page.get_by_role("slider", name="Plate", exact=True)
    plate.wait_for()
    # Limits and smallest step as in the file.
    assert [plate.get_attribute(a) for a in ("min", "max", "step")] == ["-40", "-0.5", "0.1"]
    assert page.get_by_role("slider", name="Temperature", exact=True).count() == 0
    cautions = page.locator(".air .cautions").inner_text()
    assert "Laser of class 2" in cautions and "local rules" in cautions

    seen.until(lambda: seen.session()["state"]["time_s"] > 5, "the seed grows under it")
    act = seen.counters["act"]
    field = page.get_by_role("textbox", name="Reservoir, °C")
    field.fill("-14,1")
    field.press("Enter")
    seen.grown_under(act)
    now = seen.session()["state"]["chamber"]
    assert now["settings"]["reservoir_c"] == pytest.approx(-14.1)
    # Set at once, the air behind it: its lag is a minute (the file), and less than that has gone by.
    gap = page.get_by_role("table", name="Set air, and the air in the chamber")
    assert abs(now["off_sigma_percent"]) > 0.1
    assert re.search(r"\d", gap.inner_text()) and "still off" in gap.inner_text()
    page.get_by_text("The air settles in about").wait_for()
    act = seen.counters["act"]
    plate.press("ArrowLeft")
    seen.grown_under(act)
    field.fill("7")
    field.press("Enter")
    alert = page.get_by_role("alert")
    alert.wait_for()
    assert "-35 to -0.1" in alert.inner_text(), "the range, in the words of the apparatus"
    alert.get_by_role("button", name="Put away").click()
    seen.pause()
    steps = seen.session()["tree"]["branches"][-1]["set_steps"]
    assert len(steps) == 3

    timeline = page.locator(".timeline")
    for kind in (
        ".curve.warm.asked",
        ".curve.warm.actual-air",
        ".curve.moist.asked",
        ".curve.moist.actual-air",
    ):
        assert len(timeline.locator(kind).get_attribute("d")) > 20, kind
    dragged = [h.get_attribute("aria-label") for h in timeline.get_by_role("slider").all()]
    assert not [name for name in dragged if "temperature" in name], "set air is not dragged as air"
    assert "Step 2, reservoir" in dragged, "but the settings are"
    timeline.get_by_text("Steps as a table").click()
    assert timeline.get_by_role("textbox", name="Step 2: reservoir, °C").input_value() == "−14.1"

    page.get_by_role("button", name="Save…").click()
    page.get_by_role("textbox", name="File name").fill("in settings.toml")
    page.get_by_role("dialog").get_by_role("button", name="Save", exact=True).click()
    page.get_by_role("dialog", name="Save the recipe").wait_for(state="hidden")
    planned = files.read_planned(bench.folder / "in settings.toml")
    assert planned.lags
    assert [s.settings["reservoir_c"][0] for s in planned.set_steps][:2] == [
        steps[0]["settings"]["reservoir_c"][0],
        -14.1,
    ]
    refused = [e for e in seen.errors if "400" in e]  # the browser itself notes a refused request
    seen.errors = [e for e in seen.errors if e not in refused]
    seen.fine()


@pytest.mark.skipif(sys.platform == "win32", reason="SIGSTOP")
def test_the_session_is_found_again_after_sleep_and_a_restart(own_bench, look_at):
    """A laptop that sleeps stops everything for a while; a server that was ended comes back where it was."""
    made = own_bench()
    seen = look_at(made.url)
    page = seen.page
    page.goto(f"{made.url}/?quality=low")
    seen.grown(2, 90)
    before = seen.session()
    made.process.send_signal(signal.SIGSTOP)
    page.wait_for_timeout(1200)
    made.process.send_signal(signal.SIGCONT)
    seen.grown(1)
    assert seen.session()["id"] == before["id"]
    end = seen.session()["tree"]["branches"][0]["end_s"]

    made.stop()
    page.get_by_text("no link to the bench").wait_for()
    assert page.locator(".crystal-view canvas").count() == 1, "the crystal stays on the screen"
    port = int(made.url.rsplit(":", 1)[1])
    own_bench(port)
    page.get_by_text("no link to the bench").wait_for(state="detached", timeout=30_000)
    found = seen.until(lambda: (s := seen.session())["state"]["worker"] == "paused" and s, "found again", 90)
    assert found["id"] == before["id"]
    assert found["tree"]["branches"][0]["end_s"] >= end - 1e-6, "nothing recorded is lost"
    page.get_by_role("button", name="Grow", exact=True).click()
    seen.until(
        lambda: seen.session()["tree"]["branches"][0]["end_s"] > found["state"]["time_s"] + 5,
        "it grows on",
    )
    # The end of the moment slider is the end of what is grown (a coarse step would stop short of it).
    seen.pause()
    moment = page.locator(".time input[type=range]")
    moment.press("Home")
    seen.until(lambda: seen.session()["state"]["time_s"] < 5, "back at the seed")
    moment.press("End")
    last = seen.session()["tree"]["branches"][0]["end_s"]
    seen.until(
        lambda: seen.session()["state"]["time_s"] == pytest.approx(last, abs=1e-3), "at the present end"
    )
    wrong = [e for e in seen.errors if "WebSocket connection" not in e and "ERR_CONNECTION_REFUSED" not in e]
    assert wrong == []
