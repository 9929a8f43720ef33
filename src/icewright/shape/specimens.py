"""Crystals drawn by rule, whose truth is known: for tests of rulers and pictures, and for showing both.

None of them was grown; times of freezing are the distance from the seed over a steady speed, so that age
rings can be drawn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from icewright.shape.solid import SIXFOLD, FloatArray, Solid, SolidError, wedge

SPEED = 0.2e-6  # m/s, for the drawn times of freezing


def from_heights(
    spacing_m: float,
    dz_m: float,
    rows: int,
    top_m: ArrayLike,
    bottom_m: ArrayLike = 0.0,
    mirrored: bool = True,
) -> Solid:
    """A sixfold solid between two heights given for each column of ``wedge(rows)``; part cells in part."""
    q, r = wedge(rows)
    top = np.broadcast_to(np.asarray(top_m, dtype=np.float64), q.shape)
    bottom = np.broadcast_to(np.asarray(bottom_m, dtype=np.float64), q.shape)
    if not top.max() > 0:
        raise SolidError(got="no ice", wanted="a column whose top is above zero")
    nz = math.ceil(top.max() / dz_m - 1e-9) + 2
    low = np.arange(nz) * dz_m
    up = np.minimum(top[:, None], low + dz_m) - np.maximum(bottom[:, None], low)
    return _finish(spacing_m, dz_m, q, r, np.clip(up / dz_m, 0.0, 1.0), mirrored)


def _finish(dx: float, dz: float, q: np.ndarray, r: np.ndarray, fill: FloatArray, mirrored: bool) -> Solid:
    part = np.where(fill > 1.0 - 1e-6, 1.0, np.where(fill < 1e-6, 0.0, fill)).astype(np.float32)
    out = dx * (q + r)[:, None] + 0.8 * (np.arange(part.shape[1]) * dz)[None, :]
    frozen = np.where(part >= 1.0, out / SPEED, np.nan).astype(np.float32)
    edges = np.arange(part.shape[1] + 1, dtype=np.float64) * dz
    return Solid(SIXFOLD, q, r, dx, edges, part, frozen, mirrored)


def hexagram(radius_m: float, thickness_m: float, spacing_m: float) -> Solid:
    """Two crossed triangles: area sqrt(3) R^2, edge 4 sqrt(3) R, hull the hexagon of radius R."""
    n = round(radius_m / spacing_m)
    q, r = wedge(n + 2)
    return from_heights(spacing_m, spacing_m, n + 2, np.where(q + 2 * r <= n, thickness_m / 2.0, 0.0))


def sectored(radius_m: float, thickness_m: float, spacing_m: float, notch: float = 0.45) -> Solid:
    """A plate with a notch in each prism facet, ``notch`` radii deep."""
    n = round(radius_m / spacing_m)
    q, r = wedge(n + 2)
    cut = (q - r) < 0.5 * ((q + r) - (1.0 - notch) * n)
    ridge = 1.0 + 0.6 * np.exp(-((r / (0.03 * n)) ** 2))
    keep = (q + r <= n) & ~cut
    return from_heights(spacing_m, spacing_m / 2, n + 2, np.where(keep, 0.5 * thickness_m * ridge, 0.0))


def star(
    radius_m: float,
    thickness_m: float,
    spacing_m: float,
    *,
    branches: Sequence[float] = (0.34, 0.44, 0.53, 0.61, 0.69, 0.76, 0.83, 0.89),
    arm: float = 0.035,
    core: float = 0.22,
) -> Solid:
    """A star: a hexagonal core, six ridged arms, and side branches 60 degrees off them.

    branches : where side branches leave the arm, in radii; none for a plain star.
    arm, core : half-width of an arm and corner radius of the core, in radii.
    """
    n = round(radius_m / spacing_m)
    q, r = wedge(n + 2)
    x, y = (q + 0.5 * r) / n, r * (math.sqrt(3.0) / 2.0) / n
    height = np.where(q + r <= core * n, 0.55 + 0.3 * (q + r) / (core * n), 0.0)
    # The arm tapers, ends in two prism facets, and carries a ridge along its middle.
    trunk = (y <= arm * (1.15 - 0.5 * x)) & (q + r <= n)
    height = np.maximum(height, np.where(trunk, 0.55 + 0.45 * np.exp(-((y / (0.4 * arm)) ** 2)), 0.0))
    for k, at in enumerate(branches):
        # A branch runs along 60 degrees from (at, 0); u is the way along it, v the way across.
        u = (x - at) * 0.5 + y * (math.sqrt(3.0) / 2.0)
        v = np.abs((x - at) * (math.sqrt(3.0) / 2.0) - y * 0.5)
        length = min(0.9 * (1.0 - at) * (1.0 - 0.25 * (k % 2)), 0.92 * at)
        half = 0.55 * arm * (1.2 - 0.6 * u / max(length, 1e-9))
        tip_row = u + v / math.sqrt(3.0)
        on = (u >= 0) & (tip_row <= length) & (v <= half)
        height = np.maximum(
            height, np.where(on, 0.45 + 0.35 * np.exp(-((v / (0.35 * half + 1e-9)) ** 2)), 0.0)
        )
    return from_heights(spacing_m, spacing_m / 2, n + 2, 0.5 * thickness_m * height)


def hollow_column(
    radius_m: float, length_m: float, spacing_m: float, *, depth: float = 0.3, rim: float = 0.15
) -> Solid:
    """A column with a hexagonal funnel in each end, as deep as the share ``depth`` of the length."""
    n = round(radius_m / spacing_m)
    q, r = wedge(n + 2)
    half = length_m / 2.0
    row = (q + r) / n
    top = half - depth * length_m * np.clip(1.0 - row / (1.0 - rim), 0.0, 1.0)
    return from_heights(spacing_m, spacing_m, n + 2, np.where(q + r <= n, top, 0.0))


def capped_column(
    waist_m: float, length_m: float, cap_radius_m: float, cap_thickness_m: float, spacing_m: float
) -> Solid:
    """A column with a hexagonal plate on each end."""
    n, w = round(cap_radius_m / spacing_m), round(waist_m / spacing_m)
    q, r = wedge(n + 2)
    half = length_m / 2.0
    bottom = np.where(q + r <= w, 0.0, half - cap_thickness_m)
    return from_heights(spacing_m, spacing_m, n + 2, np.where(q + r <= n, half, 0.0), bottom)
