"""The page that documents the recipe names every key, and its example is a recipe."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from icewright.recipe import keys
from icewright.recipe.files import loads
from icewright.recipe.held import WAYS
from icewright.recipe.resolution import VOXELS_IN_RADIUS

PAGE = (Path(__file__).parents[2] / "docs" / "recipe.md").read_text(encoding="utf-8")
KEYS = sorted({*keys.TOP, *keys.AIR, *keys.GAS, *keys.HELD, *keys.SEED, *keys.RESOLUTION, *keys.STEP})


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_explained(key: str) -> None:
    outside_code = re.sub(r"```.*?```", "", PAGE, flags=re.DOTALL)
    assert re.search(rf"`(\[\[|\[)?{key}(\]\]|\])?`", outside_code)


def test_every_choice_is_named() -> None:
    for word in (
        *WAYS,
        *VOXELS_IN_RADIUS,
        "3d",
        "round",
        "joined",
        "collective",
        "local",
        "1976",
        "1998",
        "1972",
    ):
        assert f'`"{word}"`' in PAGE


def test_the_example_of_the_page_is_a_recipe() -> None:
    (example,) = re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)
    assert len(loads(example).steps) == 2
