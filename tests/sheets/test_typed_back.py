"""Who has only the printed sheet can type the recipe in and get the same crystal."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from icewright.ground.errors import IcewrightError
from icewright.recipe.endings import Endings
from icewright.recipe.files import dumps, loads, read
from icewright.recipe.held import Held
from icewright.recipe.model import Gas, Recipe
from icewright.recipe.resolution import Resolution
from icewright.recipe.seed import Seed
from icewright.recipe.step import Humidity, Step
from icewright.sheets import reading_back, type_in


def _text_of(path: Path) -> str:
    import pypdf

    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def test_the_printed_page_grows_the_same_crystal_to_the_bit(turn_run, turn_sheet, tmp_path) -> None:
    from icewright.tasks.crystals import Frames
    from icewright.tasks.grow import grow

    typed = reading_back.lines_of(_text_of(turn_sheet))
    (tmp_path / "again.toml").write_text(typed, encoding="utf-8")
    grow(tmp_path / "again.toml", tmp_path / "again", pictures=False)
    assert (tmp_path / "again" / "series.csv").read_bytes() == (turn_run / "series.csv").read_bytes()
    first, second = Frames(turn_run), Frames(tmp_path / "again")
    assert len(first) == len(second) > 3
    for (t, a), (u, b) in zip(first, second, strict=True):
        assert t == u
        for name in ("q", "r", "z_edges_m", "fill", "frozen_s"):
            assert np.array_equal(getattr(a, name), getattr(b, name), equal_nan=name == "frozen_s"), name


def test_the_recipe_on_the_page_is_that_of_the_run(turn_run, turn_sheet) -> None:
    found = reading_back.recipe(_text_of(turn_sheet))
    assert found == type_in.bare(read(turn_run / "recipe.toml"))


def test_another_grain_is_another_crystal(turn_run) -> None:
    # The comparison above could not fail if the crystal did not hang on what is typed.
    recipe = read(turn_run / "recipe.toml")
    other = recipe.model_copy(update={"seed": Seed(radius_m=4e-6, thickness_m=4.0001e-6)})
    assert type_in.mark(other) != type_in.mark(recipe)


def test_every_number_of_the_block_is_plain_toml(turn_run) -> None:
    # tomllib, the standard library's reader, knows nothing of ours.
    data = tomllib.loads(type_in.block(read(turn_run / "recipe.toml")))
    assert data["seed"] == {"radius_um": 4, "thickness_um": 4}
    assert data["step"][1] == {"temperature_c": [-15, -13.25], "sigma_percent": [12, 2.5], "minutes": 0.3}


def test_words_do_not_change_the_mark(turn_run) -> None:
    recipe = read(turn_run / "recipe.toml")
    assert type_in.mark(recipe) == type_in.mark(type_in.bare(recipe))
    assert loads(dumps(recipe)) == recipe


def test_signs_of_a_pdf_reader_are_mended_and_feet_skipped(turn_run) -> None:
    recipe = read(turn_run / "recipe.toml")
    lines = type_in.block(recipe).splitlines()
    lines.insert(6, f"{reading_back.FOOT} · Turn · mark 0000 0000   page 2 of 3")
    text = "\n".join(["What this is worth", *lines, "Sources", "kind of ice"])
    text = text.replace("-13.25", "\N{MINUS SIGN}13.25").replace(" = ", "\N{NO-BREAK SPACE}= ")
    text = text.replace(
        '"layer-fits"', "\N{LEFT DOUBLE QUOTATION MARK}layer-fits\N{RIGHT DOUBLE QUOTATION MARK}"
    )
    assert text.count("\N{MINUS SIGN}") == 2
    assert reading_back.recipe(text) == type_in.bare(recipe)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("minutes = 0.3", "minutes = 0.8"),
        ("[12, 2.5]", "[12, 25]"),
        ("-13.25", "-13.52"),
        ('"3d"', '"round"'),
    ],
)
def test_a_slip_of_the_fingers_is_found(turn_run, right, wrong) -> None:
    typed = type_in.block(read(turn_run / "recipe.toml"))
    assert right in typed
    with pytest.raises(IcewrightError, match="line by line"):
        reading_back.recipe(typed.replace(right, wrong))


def test_what_holds_no_recipe_is_refused() -> None:
    with pytest.raises(IcewrightError, match="no recipe to type in"):
        reading_back.recipe("a page about something else")
    with pytest.raises(IcewrightError, match="cut off"):
        reading_back.recipe(type_in.FIRST + "\nschema = 1\n")


def _span(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


_steps = st.builds(
    Step,
    temperature_k=st.tuples(_span(230, 273), _span(230, 273)),
    humidity=st.one_of(
        st.builds(Humidity, measure=st.just("sigma"), start=_span(0, 1), end=_span(0, 1)),
        st.builds(Humidity, measure=st.just("water_fraction"), start=_span(0.5, 1.2), end=_span(0.5, 1.2)),
        st.builds(Humidity, measure=st.just("excess"), start=_span(0, 2e-4), end=_span(0, 2e-4)),
    ),
    endings=st.builds(
        Endings,
        time_s=_span(1, 1e5),
        radius_m=st.none() | _span(6e-5, 1e-3),
        thickness_m=st.none() | _span(1.2e-4, 1e-3),
        mass_kg=st.none() | _span(1e-8, 1e-6),
    ),
    note=st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
)
_recipes = st.builds(
    Recipe,
    title=st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    pressure_pa=_span(100, 2e5),
    gas=st.none() | st.builds(Gas, diffusivity_m2_s=_span(1e-6, 1e-2), conductivity_w_mk=_span(1e-3, 1)),
    held=st.one_of(
        st.just(Held()),
        st.builds(
            Held, way=st.just("pedestal"), height_m=_span(1e-6, 1e-3), stalk_radius_m=_span(1e-7, 1e-6)
        ),
    ),
    seed=st.builds(Seed, radius_m=_span(1e-6, 5e-5), thickness_m=_span(1e-6, 5e-5)),
    facets=st.sampled_from(["joined", "collective", "local"]),
    resolution=st.one_of(
        st.builds(Resolution, preset=st.sampled_from(["preview", "standard", "fine"])),
        st.builds(Resolution, voxel_m=_span(1e-7, 1e-5)),
    ),
    steps=st.lists(_steps, min_size=1, max_size=4).map(tuple),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(_recipes)
def test_any_recipe_comes_back_from_its_lines(recipe: Recipe) -> None:
    lines = type_in.block(recipe)
    assert reading_back.recipe(lines) == type_in.bare(recipe)
    assert max(len(line) for line in lines.splitlines()) <= type_in.WIDEST
