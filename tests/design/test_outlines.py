"""Outlines from drawings: shapes of known area, turned by any angle."""

import math

import numpy as np
import pytest

from icewright.design import outlines
from icewright.design.distance import unlike
from icewright.design.portrait import DesignError, portrait
from icewright.design.twin import hull_share
from icewright.shape.solid import hexagon

WEIGHT = (np.arange(48) + 0.5)[:, None] * np.ones((48, 16))


def polygon(corners, turn=0.0, inner=None, scale=100.0):
    angles = np.arange(corners * (2 if inner else 1)) * 2 * math.pi / (corners * (2 if inner else 1)) + turn
    radii = np.where(np.arange(angles.size) % 2 == 0, 1.0, inner) if inner else np.ones(angles.size)
    points = " ".join(
        f"{300 + scale * r * math.cos(a):.3f},{300 - scale * r * math.sin(a):.3f}"
        for r, a in zip(radii, angles, strict=True)
    )
    return f'<svg xmlns="http://www.w3.org/2000/svg"><polygon points="{points}"/></svg>'


def read(tmp_path, text, radius=50e-6):
    path = tmp_path / "drawn.svg"
    path.write_text(text)
    return outlines.read(path, radius)


@pytest.mark.parametrize("turn", [0.0, 0.21, 0.4, 1.3])
def test_a_drawn_hexagon_is_the_hexagon_whatever_its_turn_and_scale(tmp_path, turn):
    found = read(tmp_path, polygon(6, turn, scale=40 + 60 * turn))
    exact = portrait(hexagon(50e-6, 10e-6, 0.5e-6))
    assert unlike(found.portrait.plan, exact.plan, WEIGHT) < 0.02
    assert found.portrait.sizes.solidity == pytest.approx(1.0, abs=0.02)
    assert found.fold == 6 and not found.notes


def test_a_star_of_six_points_keeps_its_area(tmp_path):
    # A star polygon of n points with radii R, r has the area n R r sin(pi/n): 1.2 R^2 for r = 0.4 R, n = 6;
    # its hull is the hexagon of 1.5 sqrt(3) R^2.
    found = read(tmp_path, polygon(6, 0.7, inner=0.4))
    assert found.portrait.sizes.area_m2 == pytest.approx(1.2 * 50e-6**2, rel=0.03)
    assert found.portrait.sizes.solidity == pytest.approx(1.2 / (1.5 * math.sqrt(3)), rel=0.03)


@pytest.mark.parametrize("points", [4, 5, 7, 8])
def test_another_number_of_arms_is_seen_and_said(tmp_path, points):
    found = read(tmp_path, polygon(points, 0.3, inner=0.4))
    assert found.fold == points
    assert "six-fold" in found.notes[0]


def test_a_circle_by_arcs_has_the_area_of_a_circle():
    # W3C SVG: two half-circle arcs; pi r^2.
    (loop,) = outlines.path_loops("M 10 60 A 50 50 0 1 1 110 60 A 50 50 0 1 1 10 60 Z")
    x, y = loop.T
    area = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    assert area == pytest.approx(math.pi * 2500, rel=0.01)


def test_relative_and_curved_path_commands_close_where_they_should():
    # The same unit square by every way of writing a line, and a cubic whose control points lie on the line.
    ways = [
        "M0 0H1V1H0Z",
        "m0 0 1 0 0 1 -1 0z",
        "M0,0 L1,0 1,1 0,1 Z",
        "M0 0C.3 0 .6 0 1 0Q1 .5 1 1T0 1Z",
        "m0 0h1v1h-1z",
    ]
    for d in ways[:3] + ways[4:]:
        (loop,) = outlines.path_loops(d)
        assert loop.min() == 0 and loop.max() == 1 and len(loop) >= 4
    (loop,) = outlines.path_loops(ways[3])
    assert loop[-1].tolist() == [0, 1]


def test_a_photograph_bright_or_dark_gives_the_same(tmp_path):
    from skimage.draw import polygon2mask
    from skimage.io import imsave

    a = np.arange(6) * math.pi / 3 + 0.3
    mask = polygon2mask((300, 340), np.column_stack([150 - 110 * np.sin(a), 170 + 110 * np.cos(a)]))
    found = []
    for name, picture in (("bright", mask), ("dark", ~mask)):
        path = tmp_path / f"{name}.png"
        imsave(path, (40 + 170 * picture).astype(np.uint8), check_contrast=False)
        found.append(outlines.read(path, 30e-6).portrait)
    assert unlike(found[0].plan, found[1].plan, WEIGHT) < 1e-9
    assert hull_share(found[0].plan) == pytest.approx(1.5 * math.sqrt(3), rel=0.03)


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("a.svg", "<svg></svg>", "no shape"),
        ("b.svg", "not xml", "not SVG"),
        ("c.dxf", "0", "outline as .svg"),
        ("d.png", "no picture", "cannot be read"),
    ],
)
def test_what_holds_no_outline_is_refused(tmp_path, name, content, word):
    path = tmp_path / name
    path.write_text(content)
    with pytest.raises(DesignError, match=word):
        outlines.read(path, 1e-5)


def test_five_arms_become_six_of_the_same_arm(tmp_path):
    # The star of five points with r = 0.4 R has the area 5 * 0.4 R^2 sin 36 deg; closed from 72 to 60 degrees
    # per arm, each ring keeps its share of ice, and so the whole keeps its area.
    found = read(tmp_path, polygon(5, 0.3, inner=0.4))
    assert found.portrait.sizes.area_m2 == pytest.approx(5 * 0.4 * math.sin(math.pi / 5) * 50e-6**2, rel=0.03)
    assert found.portrait.plan[30, 0] > 0.9 and found.portrait.plan[30, -1] < 0.1
