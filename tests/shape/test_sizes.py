"""Rulers against closed forms of plane and solid geometry (elementary; any table of polygons).

Tolerances come from the lattice: lengths move with the part-filled cell, so they are exact to rounding. An
area counted in hexagonal cells differs from the ideal one by at most 6 * dx^2 (corner cells).
The perimeter of a hexagon loses a quarter of a cell at each of six corners, at most 1.5 dx in all.
"""

import math

import numpy as np
import pytest

from icewright.shape import outline, specimens
from icewright.shape.sizes import measure
from icewright.shape.solid import Solid, hexagon, round_disc

UM = 1e-6
DX = 1 * UM
AREA = 1.5 * math.sqrt(3)


@pytest.mark.parametrize("mirrored", [True, False])
@pytest.mark.parametrize("cells", [12.0, 30.25, 50.7, 100.5])
def test_hexagonal_prism(cells, mirrored):
    r, t = cells * UM, 10.3 * UM
    m = measure(hexagon(r, t, DX, mirrored=mirrored))
    assert m.radius_tip_m == pytest.approx(r, rel=1e-6)
    assert m.radius_max_m == pytest.approx(r, rel=1e-6)
    assert m.radius_facet_m == pytest.approx(r * math.cos(math.pi / 6), rel=1e-6)
    assert m.thickness_m == pytest.approx(t, rel=1e-6)
    assert m.thickness_center_m == m.thickness_rim_m == pytest.approx(t, rel=1e-6)
    assert m.area_m2 == pytest.approx(AREA * r * r, abs=6 * DX * DX)
    assert m.volume_m3 == pytest.approx(AREA * r * r * t, abs=6 * DX * DX * t)
    assert m.perimeter_m == pytest.approx(6 * r, abs=1.5 * DX)
    assert m.solidity == pytest.approx(1.0, abs=6 * DX * DX / (AREA * r * r))
    assert m.aspect_ratio == pytest.approx(t / (2 * r), rel=1e-6)
    assert m.facet_dip_m == pytest.approx(0.0, abs=1e-6 * r)
    assert m.hollow_depth_m == pytest.approx(0.0, abs=1e-6 * t)
    assert m.arms == 0 and m.side_branches == 0


@pytest.mark.parametrize("cells", [40, 80, 160])
def test_hexagram_of_two_triangles(cells):
    # Area sqrt(3) R^2, edge 4 sqrt(3) R, hull the hexagon of radius R, hence solidity 2/3. Its edges run
    # square to lattice rows, the worst case for an outline. It has twelve corners at 60 or 240 degrees; the
    # averaging rounds more than those of a hexagon: half a cell is allowed at each of their two flanks.
    r = (cells + 0.5) * UM
    m = measure(specimens.hexagram(cells * UM, 6 * UM, DX))
    assert m.area_m2 == pytest.approx(math.sqrt(3) * r * r, rel=2.0 / cells**1.5)
    assert m.hull_area_m2 == pytest.approx(AREA * r * r, rel=1.0 / cells)
    assert m.solidity == pytest.approx(2 / 3, rel=1.0 / cells)
    assert m.perimeter_m == pytest.approx(4 * math.sqrt(3) * r, abs=12 * DX)
    assert m.arms == 6 and m.side_branches == 0
    # Inner corners of the hexagram stand at R / sqrt(3) along 30 degrees.
    assert m.radius_facet_m == pytest.approx(r / math.sqrt(3), abs=DX)


def test_an_oblique_edge_is_not_a_zigzag():
    # Without averaging every edge of the hexagram is 2/sqrt(3) = 1.155 times too long, at any resolution.
    errors = [
        abs(
            measure(specimens.hexagram(n * UM, 6 * UM, DX)).perimeter_m / (4 * math.sqrt(3) * (n + 0.5) * UM)
            - 1
        )
        for n in (50, 100, 200)
    ]
    assert errors[0] < 0.05 and errors[2] < errors[1] < errors[0]


def test_circular_cylinder():
    r, t = 40.4 * UM, 7.0 * UM
    m = measure(round_disc(r, t, DX))
    assert m.radius_tip_m == m.radius_facet_m == pytest.approx(r, rel=1e-6)
    assert m.perimeter_m == pytest.approx(2 * math.pi * r, rel=1e-6)
    # A ring filled to f holds f of its area, not of its width: at most a quarter of dx^2 * pi off.
    assert m.area_m2 == pytest.approx(math.pi * r * r, abs=math.pi * DX * DX / 4 + 1e-6 * r * r)
    assert m.solidity == pytest.approx(1.0, abs=1e-3)


def test_lengths_move_smoothly_while_a_cell_fills():
    radii = np.linspace(20.0, 22.0, 21) * UM
    read = [measure(hexagon(r, 10 * UM, DX)) for r in radii]
    assert np.allclose([m.radius_tip_m for m in read], radii, rtol=1e-6)
    assert (np.diff([m.volume_m3 for m in read]) > 0).all()


def test_hollow_depth_and_ends_are_read():
    m = measure(specimens.hollow_column(20 * UM, 100 * UM, DX, depth=0.3))
    assert m.hollow_depth_m == pytest.approx(30 * UM, abs=DX)
    assert m.hollow_share == pytest.approx(0.6, abs=0.02)
    m = measure(specimens.capped_column(20 * UM, 100 * UM, 60 * UM, 8 * UM, DX))
    assert m.radius_waist_m == pytest.approx(20.5 * UM, rel=1e-6)
    assert m.radius_end_m == pytest.approx(60.5 * UM, rel=1e-6)
    assert m.cap_share == pytest.approx(0.16, abs=0.02)


def test_branches_of_a_drawn_star_are_counted():
    # Branches stand half an arm's width or more apart and reach past the first line at 0.04 radii.
    at = (0.4, 0.55, 0.7, 0.85)
    m = measure(specimens.star(200 * UM, 10 * UM, DX, branches=at))
    assert m.arms == 6
    assert m.side_branches == len(at)
    m = measure(specimens.star(200 * UM, 10 * UM, DX, branches=(), arm=0.05))
    assert m.side_branches == 0
    # Half-width of the drawn trunk: arm * (1.15 - x / 2) radii, mean over the stations read (0.35 to 0.9).
    assert m.arm_width_m == pytest.approx(2 * 0.05 * (1.15 - 0.3125) * 200 * UM, abs=1.5 * DX)


def test_one_sided_crystal_reads_both_ends():
    half = hexagon(20 * UM, 30 * UM, DX, mirrored=False)
    fill = half.fill.copy()
    top = int(np.flatnonzero(fill.max(axis=0) > 0).max())
    fill[half.q + half.r < 10, top - 4 : top + 1] = 0.0  # a pit five layers deep in the upper end alone
    pitted = Solid(half.symmetry, half.q, half.r, DX, half.z_edges_m, fill, half.frozen_s, False)
    m = measure(pitted)
    assert m.thickness_m == pytest.approx(30 * UM)
    assert m.thickness_center_m == pytest.approx(25 * UM)
    assert m.hollow_depth_m == pytest.approx(5 * UM)
    assert m.hollow_share == pytest.approx(5 / 30)


def test_no_ice_reads_zero():
    s = hexagon(5 * UM, 5 * UM, DX)
    empty = Solid(s.symmetry, s.q, s.r, DX, s.z_edges_m, 0 * s.fill, s.frozen_s, True)
    m = measure(empty)
    assert m.volume_m3 == 0.0 and m.radius_tip_m == 0.0


def test_outline_loops_close_and_turn_the_right_way():
    loops = outline.outline(specimens.hexagram(60 * UM, 6 * UM, DX))
    assert len(loops) == 1
    assert np.array_equal(loops[0][0], loops[0][-1])
    assert outline.loop_area(loops[0]) == pytest.approx(math.sqrt(3) * (60.5 * UM) ** 2, rel=0.01)
    assert outline.loop_length(loops[0]) == pytest.approx(
        outline.perimeter(specimens.hexagram(60 * UM, 6 * UM, DX)), rel=0.01
    )
    # A ring of ice has a hole, and the hole runs the other way.
    s = hexagon(40 * UM, 6 * UM, DX)
    fill = np.where((s.q + s.r < 20)[:, None], 0.0, s.fill).astype(np.float32)
    loops = outline.outline(Solid(s.symmetry, s.q, s.r, DX, s.z_edges_m, fill, s.frozen_s, True))
    assert [outline.loop_area(loop) > 0 for loop in loops] == [True, False]
