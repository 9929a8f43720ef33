"""What stands on the pages, read by a general PDF library (pypdf) and looked at as pictures."""

from __future__ import annotations

import csv
import io

import numpy as np
import pypdf
import pytest

from icewright.sheets import layout, pdf
from icewright.tasks.sheet import _planned_of, gather, sheet


def _joined(path) -> str:
    """All text, its line breaks as spaces."""
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())


@pytest.fixture(scope="module")
def held(turn_run):
    from icewright.notebook.store import RunFolder

    run = RunFolder(turn_run)
    return gather(run, _planned_of(run), None)[0]


def test_one_or_two_pages_with_a_picture_for_every_step(turn_sheet) -> None:
    reader = pypdf.PdfReader(turn_sheet)
    assert 1 <= len(reader.pages) <= 2
    assert pdf.page_count(turn_sheet.read_bytes()) == len(reader.pages)
    # Seed and three steps; the curves are drawn as lines and not as an image.
    assert sum(len(page.images) for page in reader.pages) == 4
    for page in reader.pages:  # A4 is 210 mm x 297 mm, ISO 216
        assert float(page.mediabox.width) * 25.4 / 72 == pytest.approx(210, abs=0.2)
        assert float(page.mediabox.height) * 25.4 / 72 == pytest.approx(297, abs=0.2)


def test_it_says_what_to_set_and_until_when(turn_sheet) -> None:
    text = _joined(turn_sheet)
    for words in (
        "12 % over ice",
        "radius 14 µm",
        "= 28 µm tip to tip",
        "at the latest after 10:00 min",
        "−15 → −13.25 °C",
        "12 → 2.5 % over ice",
        "evenly within 0:18 min",
        "0:42 min are over",
        "dry gloves",
        "follow your local rules",
        "IAPWS R14-08(2011)",
        "Icewright 0.1.0",
    ):
        assert words in text, words


def test_what_a_user_wrote_means_nothing_to_the_typesetter(turn_sheet) -> None:
    text = _joined(turn_sheet)
    assert "Turn #1 *at* $Tern$ Point @noon — [x]" in text
    assert "moist, #strong[loud]" in text
    assert pypdf.PdfReader(turn_sheet).metadata["/Title"] == "Turn #1 *at* $Tern$ Point @noon — [x]"


def test_the_file_says_what_it_is(turn_sheet) -> None:
    words = pypdf.PdfReader(turn_sheet).metadata["/Keywords"]
    assert layout.KIND in words and f"schema {layout.SCHEMA}" in words
    assert "/Author" not in pypdf.PdfReader(turn_sheet).metadata


def test_all_fonts_are_in_the_file_and_nothing_is_fetched(turn_sheet) -> None:
    fonts = set()
    for page in pypdf.PdfReader(turn_sheet).pages:
        for font in page["/Resources"]["/Font"].values():
            below = font.get_object()["/DescendantFonts"][0].get_object()
            fonts.add(below["/BaseFont"].split("+")[-1])
            assert any(key.startswith("/FontFile") for key in below["/FontDescriptor"].get_object())
    assert fonts and all(name.startswith("DejaVuSans") for name in fonts), fonts


def test_the_same_run_gives_the_same_file(turn_run, turn_sheet, tmp_path) -> None:
    sheet(turn_run, tmp_path / "other.pdf")
    assert (tmp_path / "other.pdf").read_bytes() == turn_sheet.read_bytes()


def test_legible_without_colour(held) -> None:
    from PIL import Image

    from icewright.sheets.drawings import crystal_png

    rgb = np.asarray(Image.open(io.BytesIO(crystal_png(held.stations[0].end.solid))).convert("RGB")) / 255.0
    # Relative luminance and contrast ratio of WCAG 2.1 (W3C, 2018), where 3:1 is asked of parts of a picture.
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    light = linear @ np.array([0.2126, 0.7152, 0.0722])
    ice = light[light < 0.9]
    assert ice.size > 0.05 * light.size
    assert (1.0 + 0.05) / (np.median(ice) + 0.05) > 3.0
    shots = pdf.pngs(layout.files(held), ppi=40)
    assert len(shots) >= 1 and Image.open(io.BytesIO(shots[0])).size == pytest.approx((331, 468), abs=1)


def test_predicted_numbers_are_those_of_the_series(turn_run, held) -> None:
    with (turn_run / "series.csv").open() as file:
        rows = list(csv.DictReader(file))
    for place, station in enumerate(held.stations):
        after = [row for row in rows if int(row["step"]) > place] or [rows[-1]]
        assert station.end.time_s == float(after[0]["time_s"])
        # The picture beside it is that moment's: a frame is kept at the end of each step.
        assert station.end.sizes.radius_tip_m == pytest.approx(float(after[0]["radius_tip_m"]), rel=0.02)
    assert [station.ended_on_size for station in held.stations] == [True, False, False]


def test_recipe_in_settings_prints_the_knobs(tmp_path) -> None:
    from pathlib import Path
    from shutil import copy

    examples = Path(__file__).parents[2] / "examples"
    copy(examples / "apparatus-reservoir.toml", tmp_path)
    text = (examples / "reservoir-recipe.toml").read_text(encoding="utf-8")
    text = text.replace('preset = "preview"', "voxel_um = 2").replace("minutes = ", "minutes = 0.")
    text = text.replace("reservoir_c = [-14.0, -14.7]", "reservoir_c = [-14.0, -14.2]")
    (tmp_path / "cell.toml").write_text(text, encoding="utf-8")
    done = sheet(tmp_path / "cell.toml", tmp_path / "cell.pdf", csv=tmp_path / "cell.csv")
    words = _joined(tmp_path / "cell.pdf")
    assert "reservoir −14.6 °C" in words and "plate −15.0 °C" in words
    assert "reservoir −14.0 → −14.2 °C" in words
    assert "Laser of class 2" in words and "Lag: reservoir_c: 60 s" in words
    assert done.steps > 3  # ramps of the lag, in three rows
    # What is typed in the recipe is what the controller gets: a hold, a jump, a ramp.
    with (tmp_path / "cell.csv").open() as file:
        rows = [
            (row["step"], float(row["reservoir_c"]), float(row["plate_c"])) for row in csv.DictReader(file)
        ]
    assert {row for row in rows if row[0] == "1"} == {("1", -14.6, -15.0)}
    assert {row for row in rows if row[0] == "2"} == {("2", -14.0, -15.0)}
    ramp = [row[1] for row in rows if row[0] == "3"]
    assert (ramp[0], ramp[-1]) == pytest.approx((-14.0, -14.2)) and ramp == sorted(ramp, reverse=True)
    from icewright.recipe.files import read
    from icewright.sheets import reading_back, type_in

    typed = reading_back.recipe("\n".join(p.extract_text() for p in pypdf.PdfReader(done.path).pages))
    assert typed == type_in.bare(read(done.run / "recipe.toml"))
