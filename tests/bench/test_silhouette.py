"""Outlines from the side, against elementary geometry of solids whose shape is known (no source needed)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from icewright.bench.silhouette import side_outline
from icewright.shape.solid import SIXFOLD, Solid, hexagon, round_disc, wedge


def extent(line) -> tuple[float, float, float, float]:
    across, up = np.array(line).T
    return across.min(), across.max(), up.min(), up.max()


def area(line) -> float:
    u, v = np.array(line).T
    return abs(0.5 * float(np.sum(u[:-1] * v[1:] - u[1:] * v[:-1])))


@pytest.mark.parametrize("mirrored", [True, False])
def test_a_hexagonal_plate_is_wider_across_corners_than_across_faces(mirrored) -> None:
    """2 R across corners, R sqrt(3) across faces, and as high as it is thick."""
    radius, thick, voxel = 60e-6, 14e-6, 1e-6
    solid = hexagon(radius, thick, spacing_m=voxel, dz_m=voxel, mirrored=mirrored)
    for along, width in (("y", 2 * radius), ("x", math.sqrt(3) * radius)):
        (line,) = side_outline(solid, along)
        assert line[0] == line[-1]
        left, right, low, high = extent(line)
        assert right == pytest.approx(-left, abs=1e-3)
        assert right - left == pytest.approx(1e6 * width, abs=1.6), along  # a voxel, and its corner
        assert high - low == pytest.approx(1e6 * thick, abs=1.01)
        # A prism seen square on is a rectangle.
        assert area(line) == pytest.approx((right - left) * (high - low), rel=0.03)


def test_a_round_disc_is_as_wide_as_it_is() -> None:
    solid = round_disc(30e-6, 8e-6, spacing_m=0.5e-6, dz_m=0.5e-6, mirrored=True)
    for along in ("x", "y"):
        left, right, low, high = extent(side_outline(solid, along)[0])
        assert (left, right) == pytest.approx((-30, 30), abs=0.51)
        assert (low, high) == pytest.approx((-4, 4), abs=0.51)


def test_plates_on_the_ends_of_a_column_stand_out_and_single_rows_are_no_gap() -> None:
    q, r = wedge(40)
    x = q + r / 2
    fill = np.zeros((q.size, 30), np.float32)
    fill[q + r <= 12] = 1.0  # the column, 12 cells to its corner
    cap = (q + r <= 40)[:, None] & (np.arange(30) >= 26)[None]
    fill[cap] = 1.0
    frozen = np.where(fill > 0, 1.0, np.nan).astype(np.float32)
    solid = Solid(SIXFOLD, q, r, 1e-6, np.arange(31) * 1e-6, fill, frozen, True)
    (line,) = side_outline(solid, "y")
    across, up = np.abs(np.array(line).T)
    assert across.max() == pytest.approx(40, abs=1.1)
    assert across[up < 20].max() == pytest.approx(12, abs=1.1)
    assert up.max() == pytest.approx(30, abs=0.1)
    # Six arms of one row of cells each: the sight along y falls between no two cells of one arm.
    fill = np.zeros((q.size, 3), np.float32)
    fill[r == 0] = 1.0
    arms = Solid(SIXFOLD, q, r, 1e-6, np.arange(4) * 1e-6, fill, np.where(fill > 0, 1, np.nan), True)
    lines = side_outline(arms, "y")
    assert len(lines) == 1
    assert extent(lines[0])[1] == pytest.approx(float(x[r == 0].max()), abs=0.6)


def test_the_bench_gives_it_and_a_photograph_remembers_whence_it_was_taken(served, star) -> None:
    import io

    from PIL import Image

    served.until(star, lambda s: s["state"]["sizes"]["radius_um"] > 30)
    served.post(f"/api/sessions/{star}/pace", paused=True)
    session = served.until(star, lambda s: s["state"]["worker"] == "paused")
    sizes, voxel = session["state"]["sizes"], session["setup"]["voxel_um"]
    line = served.client.get(f"/api/sessions/{star}/outline?along=y").json()["polygons"][0]
    left, right, low, high = extent(line)
    assert right - left == pytest.approx(2 * sizes["radius_um"], abs=2 * voxel)
    assert high - low == pytest.approx(sizes["thickness_um"], abs=2 * voxel)
    assert served.client.get(f"/api/sessions/{star}/outline?along=up").status_code == 422
    data = io.BytesIO()
    Image.new("L", (40, 20)).save(data, "PNG")
    photo = served.client.post(
        f"/api/sessions/{star}/photos", files={"file": ("a.png", data.getvalue())}
    ).json()
    assert photo["along"] == "c"
    path = f"/api/sessions/{star}/photos/{photo['number']}"
    assert served.client.patch(path, json={"along": "x"}).json()["along"] == "x"
    assert served.session(star)["photos"][0]["along"] == "x"
