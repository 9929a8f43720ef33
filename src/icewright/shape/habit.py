"""The word for a crystal's habit, from its measured sizes by a rule that is written down.

The words are those of the meteorological classifications (J. Fac. Sci. Ser. VII 2, 321, 1966;
Atmos. Res. 132-133, 460, 2013, DOI 10.1016/j.atmosres.2013.06.006; both from memory), which give pictures and
no numbers. The numbers below are common practice, no source. They are checked in this order:

1. capped column: the ends are at least CAP_RATIO as wide as the waist, the crystal is at least as long as the
   waist is wide, and no more than CAP_SHARE of the length belongs to the caps.
2. needle: c/a (thickness over tip-to-tip diameter) at least NEEDLE.
3. column: c/a at least COLUMN; "hollow column" if its two ends are hollow for HOLLOW of the length together.
4. compact: c/a between THICK_TO and COLUMN, about as thick as wide.
5. by the outline's solidity (area over the area of its convex hull):
   below STELLAR "stellar plate", or "dendritic plate" if each flank of an arm carries at least SIDE_BRANCHES
   separate branches; from STELLAR to WHOLE "sectored plate".
6. else "thick plate" if c/a is at least THICK, and "plate" if it is not.

A branched outline counts for more than thickness, so a thick crystal with arms is named for its arms;
thickness speaks first only beyond THICK_TO. A crystal with no ice is "none".
"""

from __future__ import annotations

from icewright.ground.sources import Source, register
from icewright.shape.sizes import Sizes

CAP_RATIO = 1.3
CAP_SHARE = 0.6
NEEDLE = 5.0
COLUMN = 1.25
HOLLOW = 0.10
THICK_TO = 0.8
THICK = 0.2
WHOLE = 0.95
STELLAR = 0.75
SIDE_BRANCHES = 2

WORDS = (
    "none",
    "plate",
    "thick plate",
    "sectored plate",
    "stellar plate",
    "dendritic plate",
    "compact",
    "column",
    "hollow column",
    "needle",
    "capped column",
)

SOURCES = tuple(
    register(item).key
    for item in (
        Source(
            "habit-words-1966",
            "J. Fac. Sci., Ser. VII (Geophysics), vol. 2, p. 321, 1966: meteorological classification of "
            "natural snow crystals",
            how="from memory",
            note="words only; the thresholds are common practice, no source",
        ),
        Source(
            "habit-words-2013",
            "Atmospheric Research, vol. 132-133, p. 460, 2013: a global classification of snow crystals",
            doi="10.1016/j.atmosres.2013.06.006",
            how="from memory",
            note="words only; the thresholds are common practice, no source",
        ),
    )
)


def word(sizes: Sizes) -> str:
    """The habit word of one reading, one of `WORDS`, by the rule in the module text."""
    if sizes.volume_m3 <= 0:
        return "none"
    if (
        sizes.radius_end_m >= CAP_RATIO * sizes.radius_waist_m
        and sizes.thickness_m >= 2.0 * sizes.radius_waist_m
        and sizes.cap_share <= CAP_SHARE
    ):
        return "capped column"
    if sizes.aspect_ratio >= NEEDLE:
        return "needle"
    if sizes.aspect_ratio >= COLUMN:
        return "hollow column" if sizes.hollow_share >= HOLLOW else "column"
    if sizes.aspect_ratio >= THICK_TO:
        return "compact"
    if sizes.solidity < STELLAR:
        return "dendritic plate" if sizes.side_branches >= SIDE_BRANCHES else "stellar plate"
    if sizes.solidity < WHOLE:
        return "sectored plate"
    return "thick plate" if sizes.aspect_ratio >= THICK else "plate"
