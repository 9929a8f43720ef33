"""Thickness of a column from the width of its shadow, with the depth of field beside it.

A hexagonal column that lies on a prism facet shows its width from corner to corner; lying on an edge, from
facet to facet, cos 30 degrees of that. Which one is the user's word; "unknown" spreads the error over both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from icewright.ground.errors import IcewrightError

ON_FACET, ON_EDGE, UNKNOWN = LYING = ("on-facet", "on-edge", "unknown")
COS30 = math.sqrt(3.0) / 2.0
EDGE_SHARE = 0.1  # of the resolution, to which an edge can be placed; common practice, no source


@dataclass(frozen=True)
class ColumnThickness:
    """A column's size across, from its shadow.

    radius_m, u_radius_m : from the axis to a corner.
    thickness_m, u_thickness_m : from facet to opposite facet.
    resolution_m : 0.61 wavelengths over NA. depth_of_field_m : wavelength over NA squared.
    in_depth : whether the column's widest line lies within the depth of field about the sharp plane.
    blur_m : width of the blur of its edges if not; part of the uncertainty.
    """

    radius_m: float
    u_radius_m: float
    thickness_m: float
    u_thickness_m: float
    resolution_m: float
    depth_of_field_m: float
    in_depth: bool
    blur_m: float


def column_from_shadow(
    width_m: float,
    *,
    u_width_m: float,
    objective_na: float,
    wavelength_m: float = 550e-9,
    lying: str = UNKNOWN,
    off_focus_m: float = 0.0,
) -> ColumnThickness:
    """Size of a hexagonal column from the width of its shadow.

    Parameters
    ----------
    width_m, u_width_m : width of the shadow and its standard uncertainty, from the measured outline (m).
    objective_na : aperture of the objective.
    lying : "on-facet", "on-edge" or "unknown".
    off_focus_m : how far the column's axis lies from the plane that is sharp, as far as known.

    Returns
    -------
    ColumnThickness. Edges are placed to a tenth of the resolution (common practice, no source) plus a quarter
    of the blur that a column outside the depth of field has.

    Raises
    ------
    IcewrightError : lengths or aperture that cannot be, or another word for lying.
    """
    for name, value in (("width_m", width_m), ("wavelength_m", wavelength_m)):
        if not (math.isfinite(value) and value > 0):
            raise IcewrightError(got=f"{name} = {value}", wanted="a positive length in metres")
    for name, value in (("u_width_m", u_width_m), ("off_focus_m", abs(off_focus_m))):
        if not (math.isfinite(value) and value >= 0):
            raise IcewrightError(got=f"{name} = {value}", wanted="a length in metres")
    if not 0.0 < objective_na <= 0.95:
        raise IcewrightError("The aperture.", got=str(objective_na), wanted="0 to 0.95, in air")
    if lying not in LYING:
        raise IcewrightError("How the column lies.", got=repr(lying), wanted=" | ".join(LYING))
    resolution = 0.61 * wavelength_m / objective_na
    depth = wavelength_m / objective_na**2
    # On a facet or an edge the widest line is at the height of the axis.
    inside = abs(off_focus_m) <= 0.5 * depth
    blur = 0.0
    if not inside:
        blur = 2.0 * abs(off_focus_m) * objective_na / math.sqrt(1.0 - objective_na**2)
    # Two edges, each with its own error.
    u_width = math.hypot(u_width_m, math.sqrt(2.0) * (EDGE_SHARE * resolution + 0.25 * blur))
    if lying == ON_FACET:
        radius, u_radius = 0.5 * width_m, 0.5 * u_width
    elif lying == ON_EDGE:
        radius, u_radius = 0.5 * width_m / COS30, 0.5 * u_width / COS30
    else:
        # Turned by an angle r from "on-facet" the width is 2 R cos(r), r even over -30..30 degrees: the mean
        # of 1 / cos and its spread.
        half = math.pi / 6.0
        mean = math.log(math.tan(half / 2.0 + math.pi / 4.0)) / half
        spread = math.sqrt(math.tan(half) / half - mean**2)
        radius = 0.5 * width_m * mean
        u_radius = math.hypot(0.5 * u_width * mean, 0.5 * width_m * spread)
    return ColumnThickness(
        radius,
        u_radius,
        2.0 * COS30 * radius,
        2.0 * COS30 * u_radius,
        resolution,
        depth,
        inside,
        blur,
    )
