"""The lattice layout, checked as running code, and the refusals of a Solid that is none."""

import math

import numpy as np
import pytest

from icewright.shape import specimens
from icewright.shape.solid import (
    Solid,
    SolidError,
    fold,
    hexagon,
    plan_image,
    round_disc,
    unfold,
    wedge,
)

UM = 1e-6


def test_fill_is_column_first_then_layer_on_unequal_axes():
    solid = hexagon(30 * UM, 8 * UM, 1 * UM, dz_m=0.5 * UM)
    assert solid.fill.shape == (solid.q.size, solid.z_edges_m.size - 1)
    assert solid.fill.shape[0] != solid.fill.shape[1]
    assert solid.z_edges_m[0] == 0.0
    assert np.allclose(solid.x_m, UM * (solid.q + solid.r / 2))
    assert np.allclose(solid.y_m, UM * solid.r * math.sqrt(3) / 2)


def test_wedge_and_its_images_tile_the_hexagon_once():
    # Centred hexagonal numbers: a hexagon of N rows has 3 N (N + 1) + 1 cells (elementary counting).
    n = 17
    q, r = wedge(n)
    one = np.ones((q.size, 1), np.float32)
    solid = Solid("sixfold", q, r, 1.0, np.array([0.0, 1.0]), one, 0 * one, False)
    assert solid.multiplicity.sum() == 3 * n * (n + 1) + 1
    _, _, plan = unfold(solid)
    assert plan.sum() == 3 * n * (n + 1) + 1


@pytest.mark.parametrize("turn", range(6))
@pytest.mark.parametrize("mirror", [False, True])
def test_folding_undoes_every_rotation_and_mirror(turn, mirror):
    q, r = wedge(9)
    a, b = (r, q) if mirror else (q, r)  # mirror in the 30-degree line swaps the axial coordinates
    for _ in range(turn):
        a, b = -b, a + b  # 60 degrees against the clock
    fq, fr = fold(a, b)
    assert np.array_equal(fq, q) and np.array_equal(fr, r)


def test_plan_image_has_the_symmetry_of_the_lattice():
    image, at = plan_image(specimens.star(60 * UM, 8 * UM, UM), pixel_m=0.7 * UM)
    assert np.array_equal(image, image[::-1]) and np.array_equal(image, image[:, ::-1])
    assert at[at.size // 2] == 0.0


def test_plan_image_keeps_the_volume():
    # At a quarter of a cell: the mean of a linear interpolant over lattice triangles is its lattice sum.
    solid = hexagon(50 * UM, 10 * UM, UM)
    image, at = plan_image(solid, pixel_m=0.25 * UM)
    volume = float((solid.column_area_m2 * solid.column_ice_m).sum()) * solid.halves
    assert image.sum() * (at[1] - at[0]) ** 2 == pytest.approx(volume, rel=1e-3)


def test_round_ring_areas_sum_to_a_disc():
    solid = round_disc(20 * UM, 4 * UM, UM)
    ice = solid.coverage > 0.5
    assert solid.column_area_m2[ice].sum() == pytest.approx(math.pi * (20 * UM) ** 2, rel=1e-6)


def _parts(**changes):
    base = {
        "symmetry": "sixfold",
        "q": np.array([0, 1, 1]),
        "r": np.array([0, 0, 1]),
        "spacing_m": UM,
        "z_edges_m": np.array([0.0, UM, 2 * UM]),
        "fill": np.ones((3, 2), np.float32),
        "frozen_s": np.zeros((3, 2), np.float32),
        "mirrored": True,
    }
    return base | changes


@pytest.mark.parametrize(
    "changes",
    [
        {"symmetry": "cubic"},
        {"spacing_m": 0.0},
        {"r": np.array([0, 0, 2])},
        {"r": np.array([0, 0, 0])},
        {"z_edges_m": np.array([0.0, 2 * UM, UM])},
        {"z_edges_m": np.array([UM, 2 * UM, 3 * UM])},
        {"fill": np.ones((2, 3), np.float32)},
        {"fill": np.full((3, 2), 1.5, np.float32)},
        {"fill": np.full((3, 2), np.nan, np.float32)},
        {"frozen_s": np.zeros((3, 3), np.float32)},
        {"symmetry": "round"},
    ],
)
def test_what_is_no_crystal_is_refused_with_what_was_wanted(changes):
    Solid(**_parts())
    with pytest.raises(SolidError) as caught:
        Solid(**_parts(**changes))
    assert caught.value.got and caught.value.wanted
