"""A recipe written and read back is the same recipe, to the last bit."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from icewright.ground.errors import IcewrightError
from icewright.recipe.endings import Endings
from icewright.recipe.files import dumps, loads, read
from icewright.recipe.held import Held
from icewright.recipe.model import Gas, Recipe
from icewright.recipe.quantities import CELSIUS, MICROGRAM, MICROMETRE, MINUTE, PERCENT
from icewright.recipe.resolution import Resolution
from icewright.recipe.seed import Seed
from icewright.recipe.step import Humidity, Step

EXAMPLES = sorted(
    path
    for path in (Path(__file__).parents[2] / "examples").rglob("*.toml")
    if 'kind = "icewright.recipe"' in path.read_text(encoding="utf-8")
)


def span(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


def humidities() -> st.SearchStrategy[Humidity]:
    def of(measure: str, value: st.SearchStrategy[float]) -> st.SearchStrategy[Humidity]:
        return st.builds(Humidity, measure=st.just(measure), start=value, end=value)

    return st.one_of(
        of("sigma", span(0, 1)), of("water_fraction", span(0.5, 1.2)), of("excess", span(0, 2e-4))
    )


steps = st.builds(
    Step,
    temperature_k=st.tuples(span(230, 273), span(230, 273)),
    humidity=humidities(),
    endings=st.builds(
        Endings,
        time_s=span(1, 1e5),
        radius_m=st.none() | span(6e-5, 1e-3),
        thickness_m=st.none() | span(6e-5, 1e-3),
        mass_kg=st.none() | span(1e-8, 1e-6),
    ),
    note=st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
)
recipes = st.builds(
    Recipe,
    title=st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
    pressure_pa=span(100, 2e5),
    diffusivity=st.just("1976"),
    gas=st.none() | st.builds(Gas, diffusivity_m2_s=span(1e-6, 1e-2), conductivity_w_mk=span(1e-3, 1)),
    held=st.one_of(
        st.just(Held()),
        st.just(Held(way="plate")),
        st.builds(Held, way=st.just("pedestal"), height_m=span(1e-6, 1e-3), stalk_radius_m=span(1e-7, 1e-6)),
        st.builds(Held, way=st.just("needle"), stalk_radius_m=span(1e-7, 1e-6)),
    ),
    seed=st.builds(Seed, radius_m=span(1e-6, 5e-5), thickness_m=span(1e-6, 5e-5)),
    facets=st.sampled_from(["joined", "collective", "local"]),
    model=st.sampled_from(["3d", "round"]),
    resolution=st.one_of(
        st.builds(Resolution, preset=st.sampled_from(["preview", "standard", "fine"])),
        st.builds(Resolution, voxel_m=span(1e-7, 1e-5)),
    ),
    steps=st.lists(steps, min_size=1, max_size=3).map(tuple),
)


@settings(max_examples=60, deadline=None)
@given(recipes)
def test_written_and_read_back_is_the_same(recipe: Recipe) -> None:
    assert loads(dumps(recipe)) == recipe


@pytest.mark.parametrize("unit", [MICROMETRE, MINUTE, MICROGRAM, PERCENT], ids=lambda u: u.name)
@given(si=st.floats(1e-15, 1e9))
def test_every_si_float_has_a_way_back(unit, si: float) -> None:
    assert unit.to_si(unit.from_si(si)) == si


@given(kelvin=st.floats(1.0, 1000.0))
def test_every_kelvin_has_a_way_back(kelvin: float) -> None:
    assert CELSIUS.to_si(CELSIUS.from_si(kelvin)) == kelvin


@pytest.mark.parametrize(
    ("unit", "lab"), [(CELSIUS, -15.1), (MICROMETRE, 0.3), (MINUTE, 0.1), (PERCENT, 15.7), (MICROGRAM, 0.7)]
)
def test_numbers_come_back_as_they_were_typed(unit, lab: float) -> None:
    assert unit.text(unit.to_si(lab)) == repr(lab)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_read_warn_of_nothing_and_write_back(path: Path) -> None:
    from icewright.recipe.cautions import _BY_WAY, warnings

    recipe = read(path)
    assert "Tern Point" in recipe.title
    assert [words for words in warnings(recipe) if words not in _BY_WAY[recipe.held.way]] == []
    assert loads(dumps(recipe)) == recipe


def test_there_are_examples() -> None:
    assert {p.stem for p in EXAMPLES} >= {"plate", "star", "column", "capped-column", "plate-ends"}


def test_half_a_character_in_a_title_is_refused() -> None:
    recipe = read(EXAMPLES[0]).model_copy(update={"title": "\ud800"})
    with pytest.raises(IcewrightError, match="UTF-8"):
        dumps(recipe)
