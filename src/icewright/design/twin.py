"""A crystal's twin: the same with other size, longer arms or another thickness.

Longer arms: the core, out to where the plan first opens between the arms, keeps its size, and what lies
beyond it is stretched along the radius. Arms keep their angle, so they widen as they lengthen; that is what a
crystal grown on does.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from icewright.design.portrait import PLAN_SHAPE, FloatArray, Portrait

CORE_OPEN = 0.9  # a ring less covered than this is no longer core


def of(crystal: Portrait, *, size: float = 1.0, arms: float = 1.0, thickness: float = 1.0) -> Portrait:
    """The twin with all lengths times ``size``, arms times ``arms``, height times ``thickness``.

    Numbers that the change leaves unknown (perimeter, widths, side branches) are those of the original,
    scaled; mass follows the volume.
    """
    s = crystal.sizes
    plan, section, longer = crystal.plan, crystal.section, 1.0
    if arms != 1.0:
        core = core_share(plan)
        longer = core + (1 - core) * arms
        plan, section = _stretch(plan, core, arms), _stretch(section, core, arms)
    wide, tall = size * longer, size * thickness
    share = _area(plan) / _area(crystal.plan) if _area(crystal.plan) > 0 else 1.0
    area = s.area_m2 * share * wide**2
    hull = hull_share(plan) * wide**2 * s.radius_max_m**2 if arms != 1.0 else s.hull_area_m2 * size**2
    radii = (
        "radius_tip_m",
        "radius_max_m",
        "radius_facet_m",
        "radius_end_m",
        "radius_waist_m",
        "arm_width_m",
    )
    heights = ("thickness_m", "thickness_center_m", "thickness_rim_m", "hollow_depth_m")
    changed = {name: getattr(s, name) * wide for name in radii}
    changed |= {name: getattr(s, name) * tall for name in heights}
    volume = s.volume_m3 * share * wide**2 * tall
    return Portrait(
        replace(
            s,
            **changed,
            volume_m3=volume,
            area_m2=area,
            hull_area_m2=hull,
            perimeter_m=s.perimeter_m * wide,
            facet_dip_m=s.facet_dip_m * wide,
            solidity=min(1.0, area / hull) if hull > 0 else 1.0,
            aspect_ratio=s.aspect_ratio * tall / wide,
        ),
        plan,
        section,
        crystal.mass_kg * (volume / s.volume_m3 if s.volume_m3 > 0 else 1.0),
        crystal.time_s,
    )


def core_share(plan: FloatArray) -> float:
    """Radius of the core over that of the crystal: the first ring that is open between the arms."""
    rings = plan.mean(axis=1)
    # Corners stick out of a hexagon from 0.866 on: that is no arm.
    open_ = np.flatnonzero(rings < CORE_OPEN)
    return float(min((open_[0] if open_.size else PLAN_SHAPE[0]) / PLAN_SHAPE[0], 0.85))


def _stretch(picture: FloatArray, core: float, arms: float) -> FloatArray:
    n = picture.shape[0]
    longer = core + (1 - core) * arms
    new = (np.arange(n) + 0.5) / n * longer
    old = np.where(new <= core, new, core + (new - core) / arms)
    at = (np.arange(n) + 0.5) / n
    return np.stack([np.interp(old, at, column) for column in picture.T], axis=1)


def _area(plan: FloatArray) -> float:
    return float((plan * (np.arange(plan.shape[0]) + 0.5)[:, None]).sum())


def hull_share(plan: FloatArray) -> float:
    """Area of the convex hull of the whole plan, in units of the radius squared."""
    from scipy.spatial import ConvexHull

    n, m = PLAN_SHAPE
    reach = []
    for j in range(m):
        column = np.append(plan[:, j], 0.0)
        ring = np.flatnonzero(column >= 0.5)
        if ring.size:
            i = int(ring[-1])
            # Where the share passes one half, straight between the middles of two rings.
            edge = i + 0.5 + (column[i] - 0.5) / (column[i] - column[i + 1])
            reach.append((min(edge / n, 1.0), (j + 0.5) * math.pi / 6 / m))
    if not reach:
        return 0.0
    if reach[0][1] < math.pi / 6 / m and reach[0][0] > 0.9:
        reach.append((1.0, 0.0))  # the tip itself, which lies on the edge of the first column
    every = [(r, sign * a + k * math.pi / 3) for r, a in reach for sign in (1, -1) for k in range(6)]
    return float(ConvexHull([(r * math.cos(a), r * math.sin(a)) for r, a in every]).volume)
