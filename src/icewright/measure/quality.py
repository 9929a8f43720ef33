"""A quality word and its reasons for each crystal; where a number would mislead there is none.

good : nothing against it. fair : usable, with a remark. poor : look at the overlay before using a number.
none : no number. A crystal that is poor or none is *flagged*.
"""

from __future__ import annotations

from dataclasses import dataclass

FACETS = ("radius_facet_m", *(f"facet_{k}_m" for k in range(1, 7)))
WORDS = ("good", "fair", "poor", "none")

BLUR_FAIR, BLUR_POOR, BLUR_NONE = 0.025, 0.035, 0.15  # blur over radius
ASYMMETRY_FAIR, ASYMMETRY_POOR = 0.020, 0.045  # rms of the reach from its sixfold mean
LOCAL_FAIR, LOCAL_POOR = 0.06, 0.12  # the same, worst 5 degrees
GAPS_FAIR, GAPS_POOR = 0.04, 0.15
CONTRAST_FAIR, CONTRAST_POOR = 8.0, 3.0  # edge over noise after smoothing
SMALL_FAIR, SMALL_POOR = 25.0, 10.0  # radius in pixels
BEYOND_POOR = 1.0  # length of faint lines outside of the outline, over its reach
CUT_OFF_POOR = 0.04  # area of what lies against the outline and is as strong as its edge, over its own
BUMP_POOR = 0.015  # of the length: what stands out of an end over less than two fifths of it
UNEQUAL_NONE = 0.02  # of the area, between the gaps of its sixths
HALF_FAIR, HALF_POOR = 0.08, 0.16  # columns: area not shared with itself turned half round
UNTOLD_FAIR, UNTOLD_NONE = 0.05, 0.03  # of the area; no numbers only for outlines that are no plain polygon


@dataclass(frozen=True)
class Seen:
    """What the judgement rests on; None where it was not determined.

    blur_share : blur over radius. departure, worst : of the reach from its sixfold mean. gap_share : of the
    outline without an edge of its own. contrast : edge over noise. radius_px : mean reach. touches : the
    picture's rim. parts : crystals that the outline falls into when its necks are cut. bridged : gaps
    of the edge were bridged. clipped : share of pixels at the ends of the grey scale. untold : share of the
    area that is enclosed by the edge and may be clear ice or a gap. plain : the outline is mostly straight
    facets, as of a plate. half : of columns, area not
    shared with themselves turned half round.
    unlit : ends of a column whose rim sends no light of its own into the objective.
    dark_field : the background is dark and the crystal bright. torn : parts were found apart. crossed : an
    outline drawn by hand crosses itself. beyond : length of faint lines outside of the outline, over its
    reach. unequal : by how much the gaps inside differ between the sixths, over the area. cut_off : area of
    what lies against the outline and is as strong as its edge, over the area. bump : how far a narrow part
    of an end stands out, over the length.
    """

    blur_share: float
    departure: float | None
    worst: float | None
    gap_share: float
    contrast: float
    radius_px: float
    touches: bool
    parts: int
    bridged: bool
    clipped: float
    sixfold: bool
    side: bool
    untold: float = 0.0
    plain: bool = True
    half: float | None = None
    torn: bool = False
    dark_field: bool = False
    crossed: bool = False
    unlit: int = 0
    beyond: float = 0.0
    unequal: float = 0.0
    cut_off: float = 0.0
    bump: float = 0.0


def judge(seen: Seen) -> tuple[str, tuple[str, ...]]:
    """The word and the reasons, worst first."""
    said: list[tuple[int, str]] = []

    def say(level: int, words: str) -> None:
        said.append((level, words))

    def grade(value: float | None, fair: float, poor: float, words: str) -> None:
        if value is not None and value > fair:
            say(2 if value > poor else 1, words)

    if seen.touches:
        say(3, "touches the edge of the picture")
    if seen.crossed:
        say(3, "the outline drawn by hand crosses itself")
    if seen.parts > 1:
        say(2, f"{seen.parts} crystals overlap or touch, or something clings to it")
    if seen.torn:
        say(2, "parts of it were found apart")
    if seen.cut_off > CUT_OFF_POOR:
        say(2, "something as strong as its edge lies against it: a part of it may be cut off")
    wide = 2.0 if seen.side else 1.0  # of a column, blur over half its width
    if seen.blur_share > wide * BLUR_NONE:
        say(3, "too far out of focus")
    else:
        grade(seen.blur_share, wide * BLUR_FAIR, wide * BLUR_POOR, "out of focus for its size")
    if seen.side:
        if seen.bump > BUMP_POOR:
            say(2, "something narrow stands out of an end")
        grade(seen.half, HALF_FAIR, HALF_POOR, "its two ends or flanks differ")
        if seen.dark_field:
            say(1, "in dark field the outermost flanks of a column stay dark: no width, no area")
        if seen.unlit:
            say(1, "the rim of a hollow end does not show by itself here: it may end farther out")
            if seen.bridged and seen.gap_share > GAPS_FAIR and not seen.dark_field:
                say(2, "its ends were bridged where neither rim nor edge shows: it may end farther out")
    else:
        if not seen.sixfold:
            say(2, "no sixfold shape: axes, tips and facets cannot be told")
        else:
            grade(seen.departure, ASYMMETRY_FAIR, ASYMMETRY_POOR, "its six sixths differ")
            grade(seen.worst, LOCAL_FAIR, LOCAL_POOR, "one place departs from the sixfold shape")
        if seen.beyond > BEYOND_POOR:
            say(2, "fainter lines lie outside of this outline: the crystal may be larger")
        if _uneven_gaps(seen):
            say(1, "the gaps inside differ from sixth to sixth: no area, no facets")
    if seen.gap_share > GAPS_POOR:
        say(1 if _whole(seen) else 2, "much of its edge was not seen: no area, no facets")
    else:
        grade(seen.gap_share, GAPS_FAIR, GAPS_POOR, "parts of its edge were not seen")
    if _untold(seen):
        say(1, "clear ice inside cannot be told from gaps in this light: no area, no facets")
    elif seen.untold > UNTOLD_FAIR:
        say(1, "clear ice inside cannot be told from gaps in this light")
    if seen.bridged and not seen.plain and not seen.side:
        say(1, "gaps of its edge or between its branches were bridged: no area, no facets")
    elif seen.bridged:
        say(1, "gaps of its edge were bridged")
    grade(-seen.contrast, -CONTRAST_FAIR, -CONTRAST_POOR, "its edge hardly stands out of the noise")
    grade(-seen.radius_px, -SMALL_FAIR, -SMALL_POOR, "few pixels")
    grade(seen.clipped, 0.75, 2.0, "overexposed: what is beyond white cannot be told")
    if not said:
        return "good", ()
    said.sort(key=lambda s: -s[0])
    return WORDS[said[0][0]], tuple(words for _, words in said)


def _whole(seen: Seen) -> bool:
    """Whether the outline is alike on all sides, so that its tips or ends are where they seem."""
    if seen.side:
        return seen.half is not None and seen.half < HALF_FAIR
    return seen.departure is not None and seen.departure < ASYMMETRY_POOR


def _untold(seen: Seen) -> bool:
    return not seen.side and seen.untold > UNTOLD_NONE and not seen.plain


def _uneven_gaps(seen: Seen) -> bool:
    """Whether a gap was taken for ice, or ice for a gap, in some of the sixths; a plate has no gaps."""
    return not seen.side and not seen.plain and seen.unequal > UNEQUAL_NONE


def not_known(seen: Seen) -> tuple[str, ...]:
    """Names of values that this picture does not tell, though others of the same crystal are good."""
    inside = ("area_m2", "perimeter_m", "solidity")
    if seen.side:
        return (*inside, "width_m") if seen.dark_field or seen.gap_share > GAPS_POOR else ()
    if _untold(seen) or _uneven_gaps(seen) or seen.gap_share > GAPS_POOR or (seen.bridged and not seen.plain):
        return (*inside, *FACETS)
    return ()
