"""A crystal cut by a plane, and its outline in plan, as plain lists for the page."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.shape.solid import SIXFOLD, Solid, plan_image, sample_columns

MOST = 320  # pixels a side; JSON is for looking at, not for measuring


def section(solid: Solid, plane: str, at: float, now_s: float) -> dict[str, Any]:
    """When the ice on a plane froze.

    Args:
        solid: the crystal.
        plane: "basal" (horizontal, z = `at` metres) or "axial" (through the axis, azimuth `at` radians).
        now_s: what not yet frozen boundary cells count as.

    Raises:
        IcewrightError: for another plane.
    """
    when = np.where(np.isfinite(solid.frozen_s), solid.frozen_s, np.float32(now_s)).astype(np.float64)
    ice = solid.fill >= 0.5
    if plane == "basal":
        return _basal(solid, when, ice, at)
    if plane == "axial":
        return _axial(solid, when, ice, at)
    raise IcewrightError(got=f"plane {plane}", wanted="basal or axial")


def _basal(solid: Solid, when: Any, ice: Any, z_m: float) -> dict[str, Any]:
    z = abs(z_m) if solid.mirrored else z_m
    k = int(np.searchsorted(solid.z_edges_m, z, side="right")) - 1
    if not 0 <= k < ice.shape[1]:
        return {"plane": "basal", "x_um": [], "y_um": [], "frozen_s": []}
    values = np.where(ice[:, k], when[:, k], np.nan)
    reach = max(float(solid.x_m[ice.any(axis=1)].max(initial=0.0)), solid.spacing_m) + 1.5 * solid.spacing_m
    pixel = max(solid.spacing_m, 2 * reach / MOST)
    image, x = plan_image(solid, values, pixel_m=pixel, half_width_m=reach, outside=np.nan, sharp=True)
    return {"plane": "basal", "x_um": _um(x), "y_um": _um(x), "frozen_s": _rows(image)}


def _axial(solid: Solid, when: Any, ice: Any, azimuth: float) -> dict[str, Any]:
    reach = float(solid.x_m[ice.any(axis=1)].max(initial=solid.spacing_m)) + 1.5 * solid.spacing_m
    n = min(int(reach / solid.spacing_m) + 1, MOST // 2)
    s = np.arange(-n, n + 1) * (reach / n)
    layers = np.flatnonzero(ice.any(axis=0))
    layers = layers[:: max(1, math.ceil(layers.size * (2 if solid.mirrored else 1) / MOST))]
    rows = []
    for k in layers:
        values = np.where(ice[:, k], when[:, k], np.nan)
        if solid.symmetry == SIXFOLD:
            row = sample_columns(
                solid, values, s * math.cos(azimuth), s * math.sin(azimuth), outside=np.nan, sharp=True
            )
        else:
            ring = np.append(values[np.argsort(solid.q)], np.nan)
            row = ring[np.minimum((np.abs(s) / solid.spacing_m).astype(np.int64), ring.size - 1)]
        rows.append(row)
    z = 0.5 * (solid.z_edges_m[:-1] + solid.z_edges_m[1:])[layers]
    image = np.array(rows)
    if solid.mirrored:
        image, z = np.concatenate([image[::-1], image]), np.concatenate([-z[::-1], z])
    return {"plane": "axial", "x_um": _um(s), "y_um": _um(z), "frozen_s": _rows(image)}


def outline(solid: Solid) -> list[list[tuple[float, float]]]:
    """The outline seen along c, closed polygons in micrometres, longest first."""
    from skimage.measure import find_contours

    reach = float(solid.x_m[solid.fill.max(axis=1) > 0].max(initial=0.0)) + 2.5 * solid.spacing_m
    pixel = max(solid.spacing_m / 2, 2 * reach / 600)
    image, x = plan_image(solid, solid.coverage, pixel_m=pixel, half_width_m=reach)
    found = sorted(find_contours(image, 0.5), key=len, reverse=True)  # type: ignore[no-untyped-call]
    return [
        [(round(1e6 * (c * pixel + x[0]), 3), round(1e6 * (r * pixel + x[0]), 3)) for r, c in line]
        for line in found[:50]
    ]


def _um(x: Any) -> list[float]:
    return [round(float(v) * 1e6, 4) for v in x]


def _rows(image: Any) -> list[list[float | None]]:
    return [[None if v != v else round(float(v), 2) for v in row] for row in np.atleast_2d(image)]
