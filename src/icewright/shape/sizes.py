"""The numbers that are read off a crystal: how far it reaches, how thick, how branched, how hollow.

One reading costs a few milliseconds, because a growing crystal is read at every per cent of its growth. All
lengths move smoothly while a boundary cell fills, so that a step can end on a size and a tip velocity can be
taken by difference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.shape import facets, outline
from icewright.shape.solid import FULL, SIXFOLD, FloatArray, Solid, sample_columns

Mask = NDArray[np.bool_]

END_SHARE = 0.2  # the outer fifth of the length at each end is "the end"
WAIST_SHARE = 0.2  # the middle fifth is "the waist"
RIM_SHARE = 0.85  # columns beyond this share of the outermost row are "the rim"
ARM_FROM, ARM_TO = 0.35, 0.9  # stations along an arm, in tip radii


@dataclass(frozen=True)
class Sizes:
    """One reading of a crystal, of the whole of it, also where only a wedge or half is held. SI units.

    radius_tip_m : farthest ice along a corner direction (angle 0).
    radius_max_m : farthest ice in any direction.
    radius_facet_m : farthest ice along a facet direction (30 degrees).
    thickness_m : from the lowest ice to the highest, along c.
    thickness_center_m : the same on the axis alone.
    thickness_rim_m : the same among the columns near the tips.
    volume_m3, area_m2 : ice, and its shadow along c.
    perimeter_m : length of that shadow's edge; hull_area_m2 : area of its convex hull.
    solidity : area over hull area, 1 for a whole hexagon.
    aspect_ratio : c/a, thickness over tip-to-tip diameter.
    facet_dip_m : how far the middle of a prism facet lies behind the line between its corners.
    hollow_depth_m : how far the axis lies behind the end's highest ice; the deeper of the two ends.
    hollow_share : both ends' depths over the thickness.
    radius_end_m, radius_waist_m : largest corner radius near the ends, and at mid-height.
    cap_share : share of the length that is wider than half-way from waist to end.
    arms : 6 where the outline is cut in between corners, else 0.
    arm_width_m : mean width of an arm's trunk with whatever has grown together with it; 0 without arms.
    side_branches : separate branches on one flank of one arm.
    """

    radius_tip_m: float
    radius_max_m: float
    radius_facet_m: float
    thickness_m: float
    thickness_center_m: float
    thickness_rim_m: float
    volume_m3: float
    area_m2: float
    perimeter_m: float
    hull_area_m2: float
    solidity: float
    aspect_ratio: float
    facet_dip_m: float
    hollow_depth_m: float
    hollow_share: float
    radius_end_m: float
    radius_waist_m: float
    cap_share: float
    arms: int
    arm_width_m: float
    side_branches: int


NOTHING = Sizes(
    radius_tip_m=0.0,
    radius_max_m=0.0,
    radius_facet_m=0.0,
    thickness_m=0.0,
    thickness_center_m=0.0,
    thickness_rim_m=0.0,
    volume_m3=0.0,
    area_m2=0.0,
    perimeter_m=0.0,
    hull_area_m2=0.0,
    solidity=0.0,
    aspect_ratio=0.0,
    facet_dip_m=0.0,
    hollow_depth_m=0.0,
    hollow_share=0.0,
    radius_end_m=0.0,
    radius_waist_m=0.0,
    cap_share=0.0,
    arm_width_m=0.0,
    arms=0,
    side_branches=0,
)


def measure(solid: Solid) -> Sizes:
    """Read all sizes of a crystal. A solid without one whole ice cell reads zero throughout."""
    ice = solid.ice
    has: Mask = np.asarray(ice.any(axis=1))
    if not has.any():
        return NOTHING

    tips = facets.tip_profile(solid)
    tip = float(tips.max())
    facet = float(facets.facet_profile(solid).max())
    profile = facets.radius_profile(solid)
    far = float(np.hypot(solid.x_m[has], solid.y_m[has]).max()) + 0.5 * solid.spacing_m

    top, bottom = _tops_and_bottoms(solid, has)
    highest, lowest = float(top[has].max()), float(bottom[has].min())
    thickness = highest - lowest
    axis = int(np.flatnonzero((solid.q == 0) & (solid.r == 0))[0]) if (solid.q == 0).any() else -1
    on_axis = axis >= 0 and bool(has[axis])
    center = float(top[axis] - bottom[axis]) if on_axis else 0.0
    rim = _rim(solid, has, top, bottom)
    end, waist, caps = _ends(solid, profile, lowest, highest)
    up = highest - float(top[axis]) if on_axis else thickness / 2.0
    down = float(bottom[axis]) - lowest if on_axis else thickness / 2.0

    # Plain sums: a threaded dot product waits for its threads longer than it works.
    area = float((solid.column_area_m2 * solid.coverage).sum())
    hull = outline.hull_area(solid)
    solidity = min(1.0, area / hull) if hull > 0 else 1.0
    arms, width, branches = _arms(solid, tip, solidity)
    return Sizes(
        radius_tip_m=tip,
        radius_max_m=max(tip, facet, far),
        radius_facet_m=facet,
        thickness_m=thickness,
        thickness_center_m=center,
        thickness_rim_m=rim,
        volume_m3=float((solid.column_area_m2 * solid.column_ice_m).sum()) * solid.halves,
        area_m2=area,
        perimeter_m=outline.perimeter(solid),
        hull_area_m2=hull,
        solidity=solidity,
        aspect_ratio=thickness / (2.0 * tip) if tip > 0 else math.inf,
        facet_dip_m=max(0.0, tip * facets.COS30 - facet) if solid.symmetry == SIXFOLD else 0.0,
        hollow_depth_m=max(up, down),
        hollow_share=(up + down) / thickness,
        radius_end_m=end,
        radius_waist_m=waist,
        cap_share=caps,
        arms=arms,
        arm_width_m=width,
        side_branches=branches,
    )


def _tops_and_bottoms(solid: Solid, has: Mask) -> tuple[FloatArray, FloatArray]:
    """Highest and lowest ice of each column (m), part-filled end cells in part; shapes [ncol]."""
    ice, nz, dz = solid.ice, solid.fill.shape[1], solid.dz_m
    each = np.arange(solid.fill.shape[0])
    last = nz - 1 - np.argmax(ice[:, ::-1], axis=1)
    above = np.minimum(last + 1, nz - 1)
    part = np.where(last + 1 < nz, solid.fill[each, above], 0.0)
    top = solid.z_edges_m[last + 1] + part * dz[above]
    if solid.mirrored:
        bottom = -top
    else:
        first = np.argmax(ice, axis=1)
        below = np.maximum(first - 1, 0)
        part = np.where(first > 0, solid.fill[each, below], 0.0)
        bottom = solid.z_edges_m[first] - part * dz[below]
    return np.where(has, top, 0.0), np.where(has, bottom, 0.0)


def _rim(solid: Solid, has: Mask, top: FloatArray, bottom: FloatArray) -> float:
    row = (solid.q + solid.r).astype(np.float64)
    rim = has & (row >= RIM_SHARE * row[has].max())
    return float((top[rim] - bottom[rim]).max())


def _ends(solid: Solid, profile: FloatArray, lowest: float, highest: float) -> tuple[float, float, float]:
    """Largest radius near the ends, the waist's radius, and the share of the length that is wide."""
    middle = 0.5 * (solid.z_edges_m[:-1] + solid.z_edges_m[1:])
    half = 0.5 * (highest - lowest)
    height = np.abs(middle - 0.5 * (highest + lowest)) / half  # 0 at mid-height, 1 at the ends
    filled = profile > 0
    near_end = filled & (height >= 1.0 - 2.0 * END_SHARE)
    near_waist = filled & (height <= WAIST_SHARE)
    whole = float(profile.max())
    end = float(profile[near_end].max()) if near_end.any() else whole
    waist = float(profile[near_waist].min()) if near_waist.any() else whole
    wide = filled & (profile > 0.5 * (end + waist))
    dz = solid.dz_m
    caps = float(dz[wide].sum() / dz[filled].sum()) if end > waist else 1.0
    return end, waist, caps


def _arms(solid: Solid, tip: float, solidity: float) -> tuple[int, float, int]:
    """Count of arms, their mean width (m), and separate side branches on one flank."""
    if solid.symmetry != SIXFOLD or solidity > 0.98 or tip < 8.0 * solid.spacing_m:
        return 0, 0.0, 0
    whole = np.where(solid.coverage >= FULL, 1.0, 0.0)
    step = 0.5 * solid.spacing_m
    # Across the arm at stations along it, out to the mirror line at 30 degrees.
    x = np.linspace(ARM_FROM, ARM_TO, 23) * tip
    y = np.arange(0.0, ARM_TO * tip * math.tan(math.pi / 6), step)
    inside = sample_columns(solid, whole, x[:, None] + 0.0 * y, y + 0.0 * x[:, None]) > 0.5
    wedge = y[None, :] <= x[:, None] * math.tan(math.pi / 6) + step
    run = np.where(inside.all(axis=1), y.size, np.argmin(inside, axis=1))
    open_between = (~inside & wedge).any(axis=1)
    if not open_between.any():
        return 0, 0.0, 0
    width = 2.0 * float(np.mean(run[open_between])) * step
    # Along the arm on lines beside the trunk: each run of ice that begins in vapour is a branch.
    aside = np.linspace(0.04, 0.4, 19) * tip
    along = np.arange(0.0, 1.02 * tip, step)
    inside = sample_columns(solid, whole, along + 0.0 * aside[:, None], aside[:, None] + 0.0 * along) > 0.5
    held = along[None, :] >= aside[:, None] / math.tan(math.pi / 6)
    begins = inside[:, 1:] & ~inside[:, :-1] & held[:, :-1]
    return 6, width, int(begins.sum(axis=1).max())
