"""How far a measured size may be off: scale, threshold and blur, noise, and the pixel, each by itself.

An outline moves as a whole when the threshold does. By how much is seen from the picture: the outline is
drawn at 0.35 and at 0.65 of the edge's height as well as at 0.5. For an edge blurred by a Gaussian these lie
0.77 standard deviations of the blur apart, so the distance holds the blur and, near a tip, the rounding that
blur does there. How much of that distance is one standard uncertainty was set on drawn specimens with known
truth and tested on others (`benchmarks/measure_accuracy.py`); it depends on how ice bends the light at its
edge and holds for the lights that those specimens were drawn in.
"""

from __future__ import annotations

import math

THRESHOLD_SHARE = 0.35  # of the distance between the outlines at 0.35 and 0.65
PIXEL_SHARE = 0.12  # of a pixel: how well a level is found between pixels, on drawn edges
LENGTH_SHARE = 0.50  # the same as THRESHOLD_SHARE, for both ends of a column
WIDTH_SHARE = 0.12  # and for its flanks, which are wide dark bands: half height is where they end
AREA_SHARE = 0.55  # of the outline's length times its uncertainty: it does not move out everywhere
FACET_SHARE = 1.4  # facets lie in hollows, where blur fills
HAND_PX = 0.8  # a whole outline drawn by hand, over a picture shown larger (common practice, no source)
ANGLE_SHARE = 0.55  # of what the scatter of the sixths says: they share what turns them all


def edge_m(spread_m: float, pixel_m: float, noise_over_edge: float, blur_m: float, count: float) -> float:
    """Standard uncertainty of where an outline lies, moving as a whole (m).

    spread_m : distance between the outlines at the two other levels. noise_over_edge : noise of the smoothed
    signal over the height of the edge. count : independent places that were averaged.
    """
    # At the steepest place the height over the slope is sqrt(2 pi) blurs.
    noise = noise_over_edge * math.sqrt(2.0 * math.pi) * blur_m / math.sqrt(max(1.0, count))
    return math.sqrt((THRESHOLD_SHARE * spread_m) ** 2 + (PIXEL_SHARE * pixel_m) ** 2 + noise**2)


def together(*parts: float) -> float:
    """Independent standard uncertainties as one; parts that are not numbers are left out."""
    return math.sqrt(sum(p * p for p in parts if math.isfinite(p)))
