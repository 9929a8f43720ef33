"""The picture of what was found on a stage micrometer, and a crystal that is not taken for one."""

import numpy as np
import pytest
from PIL import Image

from icewright.measure.micrometer import MicrometerError, find_ruling, scale_of
from icewright.pictures.micrometer_figure import micrometer_png
from icewright.pictures.specimen_set import specimen


def test_found_lines_are_drawn_over_the_picture(tmp_path):
    x = np.arange(360.0)[None, :] + np.zeros((240, 1))
    picture = 120.0 + 80.0 * np.cos(2 * np.pi * x / 24.0) ** 9
    found = find_ruling(picture)
    path = micrometer_png(picture, found, tmp_path / "found.png", scale_of(found, 10e-6))
    with Image.open(path) as held:
        assert held.text["kind"] == "icewright.micrometer"
        colours = np.asarray(held.convert("RGB")).astype(int)
    orange = (colours[..., 0] > 180) & (colours[..., 1] < 130) & (colours[..., 2] < 90)
    assert orange.sum() > 500


@pytest.mark.parametrize("habit", ["plate", "plain star"])
def test_a_crystal_is_no_stage_micrometer(habit):
    with pytest.raises(MicrometerError):
        find_ruling(specimen(1, habit=habit, light="bright-field", grade="good").image)
