"""How far a measured size may be off: scale, threshold and blur, noise, and the pixel, each by itself.

Where half height stands is found to a few hundredths of a pixel. What is less certain is how far from it the
true edge lies (``measure.edge``), the same way all along an outline, so it does not average out: that part is
most of the uncertainty of a size. Places that err for themselves (noise, the lattice of pixels) average out
over the outline, and count for directions. Shares below that say "drawn specimens" were set on drawn
specimens of known truth, of seeds 7, 11, 2026, 4711 and 90210, and judged on another seed
(`benchmarks/measure_accuracy.py`); they hold for the lights that those were drawn in.
"""

from __future__ import annotations

import math

THRESHOLD_SHARE = 0.35  # of the distance between the outlines at 0.35 and 0.65 that blur does not explain
PIXEL_SHARE = 0.021  # of a pixel: how well a level is found between pixels, on drawn edges
HAND_PX = 0.8  # a whole outline drawn by hand, over a picture shown larger (common practice, no source)
# Of an end of a column without a line of its own (drawn specimens): in dark field its rim sends no light; in
# two colours the light from behind the rim is stronger than what the rim takes away.
UNLIT_PX, UNLIT_COLOUR_PX = 1.2, 0.5
END_PX = 0.08  # of a column: rounded by less than can be seen (drawn specimens)
ANGLE_SHARE = 0.41  # of what the scatter of the sixths says: they share what turns them all
UNTOLD_SHARE = 0.15  # of what may be ice or a gap counts as the area's standard uncertainty
LOCAL_SHARE = 0.25  # of the blur: how far the edge errs from place to place (drawn specimens)


def edge_m(
    place_m: float, spread_m: float, pixel_m: float, noise_over_edge: float, blur_m: float, count: float
) -> float:
    """Standard uncertainty of where an outline lies, moving as a whole (m).

    place_m : of the way from half height to the edge. spread_m : distance between the outlines at the two
    other levels. noise_over_edge : noise of the smoothed signal over the height of the edge. count :
    independent places that were averaged.
    """
    # At the steepest place the height over the slope is sqrt(2 pi) blurs.
    noise = noise_over_edge * math.sqrt(2.0 * math.pi) * blur_m / math.sqrt(max(1.0, count))
    # Levels further apart than blur explains: an edge that is no edge everywhere.
    loose = max(0.0, spread_m - 1.2 * 0.77 * blur_m)
    return math.sqrt(place_m**2 + (PIXEL_SHARE * pixel_m) ** 2 + noise**2 + (THRESHOLD_SHARE * loose) ** 2)


def together(*parts: float) -> float:
    """Independent standard uncertainties as one; parts that are not numbers are left out."""
    return math.sqrt(sum(p * p for p in parts if math.isfinite(p)))
