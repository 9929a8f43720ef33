"""Mesh frames: the sector that is sent, drawn as PROTOCOL.md says, is the closed surface of the crystal."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from icewright.bench import protocol
from icewright.bench.sector import sector
from icewright.ground.errors import RecordError
from icewright.pictures import mesh
from icewright.shape.solid import Solid, hexagon, wedge

UM = 1e-6
ROW = {
    "time_s": 60.0, "temperature_k": 258.15, "sigma": 0.02, "radius_tip_m": 30 * UM, "thickness_m": 10 * UM,
    "mass_kg": 1e-9,
}  # fmt: skip


def drawn(frame: bytes) -> trimesh.Trimesh:
    """What a page draws: all copies, their seams welded within the rounding of the positions."""
    d = protocol.decode(frame)
    v, t = d["positions_m"], d["index"]
    parts = []
    for k in range(d["copies"]):
        a = k * 2 * math.pi / 6
        turn = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
        parts.append((v @ turn.T, t))
        if d["mirrored"]:
            parts.append((v @ turn.T * [1, 1, -1], t[:, ::-1]))
    at, vertices, triangles = 0, [], []
    for v_, t_ in parts:
        vertices.append(v_)
        triangles.append(t_ + at)
        at += len(v_)
    made = trimesh.Trimesh(np.concatenate(vertices) / d["voxel_m"], np.concatenate(triangles), process=False)
    made.merge_vertices(digits_vertex=2)
    made.update_faces(made.nondegenerate_faces())
    return made


def star(mirrored: bool) -> Solid:
    """A six-armed solid with a ragged edge, made by hand: no growth in it."""
    q, r = wedge(24)
    arm = (r <= 3) | (q + r < 10) | ((q % 5 == 0) & (r <= 6) & (q < 20))
    fill = np.zeros((q.size, 6), np.float32)
    fill[arm, :3] = 1
    fill[(q + r < 8), 3] = 1
    fill[arm & (r == 3) & (q + r >= 8), 2] = 0.7
    edges = np.arange(7) * UM + (0 if mirrored else 4 * UM)
    frozen = np.where(fill >= 1, (q + r)[:, None] * 2.0, np.nan).astype(np.float32)
    return Solid("sixfold", q, r, UM, edges, fill, frozen, mirrored)


def encode(solid: Solid, **more) -> bytes:
    return protocol.encode(sector(solid, 60.0), ROW, voxel_m=solid.spacing_m, topology=1, **more)


@pytest.mark.parametrize("mirrored", [True, False])
def test_drawn_copies_close_into_the_crystal(mirrored) -> None:
    # trimesh's own watertightness and volume are the outside check.
    solid = star(mirrored)
    made = drawn(encode(solid))
    assert made.is_watertight
    assert made.is_winding_consistent
    whole = trimesh.Trimesh(*mesh.surface(solid), process=True)
    assert made.volume > 0
    assert made.volume == pytest.approx(whole.volume / UM**3, rel=0.01)
    assert made.bounds == pytest.approx(whole.bounds / UM, abs=0.02)


def test_prism_has_the_volume_of_the_closed_form_and_flat_facets() -> None:
    # V = 3 sqrt3/2 a^2 h for a hexagonal prism; the surface passes half a voxel outside the last centres.
    solid = hexagon(40 * UM, 20 * UM, UM)
    made = drawn(encode(solid))
    a = made.bounds[1][0]
    h = made.bounds[1][2] - made.bounds[0][2]
    assert made.volume == pytest.approx(1.5 * math.sqrt(3) * a * a * h, rel=0.01)
    side = made.vertices[np.abs(made.vertices[:, 2]) < h / 2 - 1]
    normal = np.array([math.cos(math.pi / 6), math.sin(math.pi / 6)])
    azimuth = np.degrees(np.arctan2(side[:, 1], side[:, 0]))
    facet = side[(azimuth > 2) & (azimuth < 58)]
    assert len(facet) > 100
    assert np.ptp(facet[:, :2] @ normal) < 0.01  # voxels


def test_a_twelfth_is_sent() -> None:
    solid = hexagon(40 * UM, 20 * UM, UM)
    d = protocol.decode(encode(solid))
    whole = len(mesh.surface(solid)[1])
    assert d["copies"] == 6 and d["mirrored"]
    # A twelfth of the surface; facets on the lattice's diagonal have somewhat more triangles to the area.
    assert whole / 12 <= d["indices"] / 3 <= 1.3 * whole / 12


def test_thickness_and_rings_are_those_of_the_columns() -> None:
    solid = star(True)
    d = protocol.decode(encode(solid))
    top = np.abs(d["positions_m"][:, 2] - d["positions_m"][:, 2].max()) < 0.1 * UM
    assert np.allclose(d["thickness"][top], 8 * UM, atol=0.05 * UM)  # 4 layers, both halves
    # on the broad upper face a column froze at 2 s per lattice step from the centre
    face = (np.abs(d["positions_m"][:, 2] - 3 * UM) < 0.1 * UM) & (d["thickness"] > 5.9 * UM)
    x, y = d["positions_m"][face, :2].T / UM
    r = y / (math.sqrt(3) / 2)
    assert np.allclose(d["frozen_s"][face], 2 * (x - r / 2 + r), atol=0.6)


def test_frame_without_index_keeps_everything_else() -> None:
    data = encode(star(True), act=7, branch=3, frame=9)
    bare = protocol.without_index(data)
    a, b = protocol.decode(data), protocol.decode(bare)
    assert b["index"] is None and len(bare) < len(data)
    assert (b["act"], b["branch"], b["frame"], b["topology"], b["indices"]) == (7, 3, 9, 1, a["indices"])
    assert np.array_equal(a["positions_m"], b["positions_m"])


def test_positions_are_kept_to_a_65000th_of_the_radius() -> None:
    surface = sector(star(True), 60.0)
    d = protocol.decode(encode(star(True)))
    assert np.abs(d["positions_m"] - surface.vertices).max() <= np.abs(surface.vertices).max() / 65000


def test_round_crystals_come_whole() -> None:
    n = 12
    fill = np.zeros((n, 6), np.float32)
    fill[:8, :4] = 1
    frozen = np.where(fill >= 1, 1.0, np.nan).astype(np.float32)
    solid = Solid("round", np.arange(n), np.zeros(n, int), UM, np.arange(7) * UM, fill, frozen, True)
    made = drawn(encode(solid))
    assert protocol.decode(encode(solid))["copies"] == 1
    # a disc of radius 8 and height 8 voxels (closed form; polygonised, so a few per cent)
    assert made.volume == pytest.approx(math.pi * 8**2 * 8, rel=0.05)


@pytest.mark.parametrize("cut", [0, 3, 100, -1])
def test_torn_frames_are_refused(cut) -> None:
    with pytest.raises(RecordError):
        protocol.decode(encode(star(True))[:cut])


def test_newer_frames_are_refused() -> None:
    data = bytearray(encode(star(True)))
    data[4] = 2
    with pytest.raises(RecordError, match="newer"):
        protocol.decode(bytes(data))
