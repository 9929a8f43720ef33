"""A quality word and its reasons for each crystal; where a number would mislead there is none.

good : nothing against it. fair : usable, with a remark. poor : look at the overlay before using a number.
none : no number. A crystal that is poor or none is *flagged*.
"""

from __future__ import annotations

from dataclasses import dataclass

WORDS = ("good", "fair", "poor", "none")

BLUR_FAIR, BLUR_POOR, BLUR_NONE = 0.03, 0.06, 0.20  # blur over radius
ASYMMETRY_FAIR, ASYMMETRY_POOR = 0.020, 0.045  # rms of the reach from its sixfold mean
LOCAL_FAIR, LOCAL_POOR = 0.06, 0.12  # the same, worst 5 degrees
GAPS_FAIR, GAPS_POOR = 0.04, 0.15
CONTRAST_FAIR, CONTRAST_POOR = 12.0, 5.0  # edge over noise after smoothing
SMALL_FAIR, SMALL_POOR = 25.0, 10.0  # radius in pixels
HALF_FAIR, HALF_POOR = 0.04, 0.09  # columns: rms of the reach from itself turned half round
UNTOLD_FAIR, UNTOLD_POOR = 0.05, 0.10  # of the area; poor only for outlines that are no plain polygon


@dataclass(frozen=True)
class Seen:
    """What the judgement rests on; None where it was not determined.

    blur_share : blur over radius. departure, worst : of the reach from its sixfold mean. gap_share : of the
    outline without an edge of its own. contrast : edge over noise. radius_px : mean reach. touches : the
    picture's rim. parts : crystals that the outline falls into when its necks are cut. bridged : gaps
    of the edge were bridged. clipped : share of pixels at the ends of the grey scale. untold : share of the
    area that is enclosed by the edge and may be clear ice or a gap. plain : the outline is mostly straight
    facets, as of a plate. half : of columns, from themselves turned half round.
    dark_field : the background is dark and the crystal bright.
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
    dark_field: bool = False


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
    if seen.parts > 1:
        say(2, f"{seen.parts} crystals overlap or touch, or something clings to it")
    if seen.blur_share > BLUR_NONE:
        say(3, "too far out of focus")
    else:
        grade(seen.blur_share, BLUR_FAIR, BLUR_POOR, "out of focus for its size")
    if seen.side:
        grade(seen.half, HALF_FAIR, HALF_POOR, "its two ends or flanks differ")
        if seen.dark_field:
            say(2, "in dark field the outermost flanks of a column stay dark: the width is a least value")
    else:
        if not seen.sixfold:
            say(2, "no sixfold shape: axes, tips and facets cannot be told")
        else:
            grade(seen.departure, ASYMMETRY_FAIR, ASYMMETRY_POOR, "its six sixths differ")
            grade(seen.worst, LOCAL_FAIR, LOCAL_POOR, "one place departs from the sixfold shape")
    grade(seen.gap_share, GAPS_FAIR, GAPS_POOR, "parts of its edge were not seen")
    if seen.untold > UNTOLD_FAIR:
        level = 2 if seen.untold > UNTOLD_POOR and not seen.plain else 1
        say(level, "clear ice inside cannot be told from gaps in this light")
    if seen.bridged:
        say(1, "gaps of its edge were bridged")
    grade(-seen.contrast, -CONTRAST_FAIR, -CONTRAST_POOR, "its edge hardly stands out of the noise")
    grade(-seen.radius_px, -SMALL_FAIR, -SMALL_POOR, "few pixels")
    grade(seen.clipped, 0.75, 2.0, "overexposed: what is beyond white cannot be told")
    if not said:
        return "good", ()
    said.sort(key=lambda s: -s[0])
    return WORDS[said[0][0]], tuple(words for _, words in said)
