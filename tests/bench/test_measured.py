"""Measured growth series beside the curves: what the file says, in micrometres, and nothing besides."""

from __future__ import annotations

import pytest

from icewright.measure.format import GrowthSeries, Row, write_csv


@pytest.fixture
def series(served):
    """Two invented crystals: one from above, one from the side; one size is not known."""
    rows = (
        Row(1, 0.0, "a.png", "plan", "good", {"radius_tip_m": (20e-6, 0.5e-6)}),
        Row(1, 60.0, "b.png", "plan", "good", {"radius_tip_m": (31e-6, 0.6e-6), "length_m": (9e-6, 1e-6)}),
        Row(1, 120.0, "c.png", "plan", "poor", {}),
        Row(2, 0.0, "a.png", "side", "good", {"length_m": (44e-6, 0.5e-6)}),
        Row(3, None, "d.png", "plan", "good", {"radius_tip_m": (20e-6, 0.5e-6)}),
    )
    path = write_csv(GrowthSeries(rows), served.settings.folder / "night measured.csv")
    (served.settings.folder / "other.csv").write_text("a,b\n1,2\n")
    yield path
    path.unlink()


def test_a_series_is_listed_and_read_as_it_was_measured(served, series) -> None:
    listed = served.client.get("/api/measured").json()
    assert [(b["name"], b["crystals"], b["error"]) for b in listed] == [("night measured.csv", [1, 2, 3], "")]
    one = served.client.get("/api/measured/night measured.csv", params={"crystal": 1}).json()["columns"]
    assert one["time_s"] == [0, 60, 120]
    assert one["radius_um"] == pytest.approx([20, 31, None])
    assert one["u_radius_um"] == pytest.approx([0.5, 0.6, None])
    assert one["thickness_um"] == [None, None, None], "from above nothing is known of the thickness"
    two = served.client.get("/api/measured/night measured.csv", params={"crystal": 2}).json()["columns"]
    assert two["thickness_um"] == pytest.approx([44]) and two["radius_um"] == [None]


def test_what_is_no_series_or_lies_elsewhere_is_refused(served, series) -> None:
    for name, crystal, status in (
        ("night measured.csv", 3, 404),  # no time
        ("night measured.csv", 9, 404),
        ("absent.csv", 1, 404),
        ("other.csv", 1, 400),
        ("..%2Fnight measured.csv", 1, 404),
        ("evening.toml", 1, 404),
    ):
        answer = served.client.get(f"/api/measured/{name}", params={"crystal": crystal})
        assert answer.status_code == status, (name, crystal, answer.text)
    series.write_text(series.read_text().replace("2e-05", "wide"))
    assert "number" in served.client.get("/api/measured").json()[0]["error"]
