"""JSON shapes of measured folders and their corrections by hand; pixels are columns and rows."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from icewright.bench.shapes import Shape, ShortText

Kind = Literal["scale", "centre", "outline"]
Pixel = Annotated[float, Field(ge=-50_000, le=50_000)]
Point = tuple[Pixel, Pixel]
MOST_POINTS = 8000


class MeasurementBrief(Shape):
    """A measured folder; `error` says why it cannot be read, else it is empty."""

    name: str
    pictures: int
    corrections: int
    changed: float
    error: str


class ScaleView(Shape):
    """Micrometres in a pixel along columns and rows, and how well they are known."""

    x_um: float
    y_um: float
    u_percent: float
    source: str


class PictureBrief(Shape):
    """A picture of a measured folder; `problem` says why it was not measured."""

    number: int
    name: str
    time_s: float | None
    crystals: int
    quality: str
    problem: str
    corrected: bool


class Measurement(Shape):
    """A measured folder. `stale`: the series on disk was written under other corrections."""

    name: str
    scale_found: ScaleView
    scale_all: ScaleView | None
    pictures: list[PictureBrief]
    corrections: int
    stale: bool
    files: list[str]


class MeasuredValue(Shape):
    """One number in laboratory units; `hangs_on` says which corrections it would change without."""

    name: str
    words: str
    unit: str
    value: float
    u: float
    hangs_on: list[Kind]


class MeasuredReading(Shape):
    """One crystal in one picture; `axes_px` are the ends of the six axes, from `centre_px`.

    `left_out`: numbers that this picture does not tell, in words.
    """

    view: str
    quality: str
    reasons: list[str]
    values: list[MeasuredValue]
    left_out: list[str]
    outline_px: list[tuple[float, float]]
    holes_px: list[list[tuple[float, float]]]
    centre_px: tuple[float, float] | None
    tips_px: list[tuple[float, float]]
    axes_px: list[tuple[float, float]]


class ByHand(Shape):
    """All that holds by hand for one crystal; null where it is as found."""

    centre_px: Point | None = None
    outline_px: Annotated[list[Point], Field(min_length=3, max_length=MOST_POINTS)] | None = None
    leave_out: bool = False
    note: ShortText = ""


class CrystalView(Shape):
    """`found` is null for a crystal that only a hand drew, `now` where the picture cannot be opened."""

    number: int
    found: MeasuredReading | None
    now: MeasuredReading | None
    by_hand: ByHand


class PictureView(Shape):
    """A picture with its crystals. `shown` false: `why` says why the photograph cannot be opened here."""

    number: int
    name: str
    time_s: float | None
    width: int
    height: int
    shown: bool
    why: str
    scale_found: ScaleView
    scale_now: ScaleView
    scale_by_hand: Literal["", "picture", "all"]
    scale_note: str
    crystals: list[CrystalView]


class CorrectScale(Shape):
    """A scale by hand: a number, or two points a known distance apart; neither: as found.

    `for_all`: for every picture of the folder. `u_percent` null: of two points what a pixel at each end and
    `u_distance_um` leave open, of a number that of the measurement.
    """

    x_um: Annotated[float, Field(gt=0, le=1000)] | None = None
    y_um: Annotated[float, Field(gt=0, le=1000)] | None = None
    u_percent: Annotated[float, Field(ge=0, lt=50)] | None = None
    points_px: tuple[Point, Point] | None = None
    distance_um: Annotated[float, Field(gt=0, le=100_000)] | None = None
    u_distance_um: Annotated[float, Field(ge=0, le=100_000)] = 0.0
    for_all: bool = False
    note: ShortText = ""


class SeriesWritten(Shape):
    """What was written, in words, and the names of the files in the folder."""

    rows: int
    corrected: int
    left_out: int
    words: list[str]
    files: list[str]
