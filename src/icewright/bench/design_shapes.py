"""The JSON shapes of designs: what is wanted, how a search stands, what it came to. Laboratory units."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from icewright.bench.shapes import Error, Shape, ShortText

Length = Annotated[float, Field(ge=0.1, le=20000)]
Span = tuple[float, float]  # least and most; equal for one value
LongText = Annotated[str, Field(max_length=100_000)]
DesignWord = Literal["waiting", "searching", "stopping", "done", "stopped", "failed"]


class StageDraft(Shape):
    """One stage in the trade's words; None: not asked for."""

    habit: ShortText
    radius_um: Span | None = None
    thickness_um: Span | None = None
    minutes: Span | None = None
    side_branches_at_um: Annotated[list[float], Field(max_length=20, default_factory=list)]
    set_off_by: Literal["dip", "pulse"] = "dip"
    note: ShortText = ""


class WantedDraft(Shape):
    """A number wanted at the end, between two."""

    name: ShortText
    low: float
    high: float


class LimitsDraft(Shape):
    """What no recipe may pass; None: as where nothing is said."""

    minutes: float | None = None
    thickness_um: float | None = None
    radius_um: float | None = None
    temperature_c: Span | None = None
    water_fraction: float | None = None
    steps: int | None = None


class OutlineDraft(Shape):
    """A drawing or photograph in the chosen folder, and how large its crystal is."""

    file: ShortText
    radius_um: float
    thickness_um: float | None = None


class CrystalDraft(Shape):
    """The crystal of a run in the chosen folder, and factors for a twin of it."""

    run: ShortText
    size: float = 1.0
    arms: float = 1.0
    thickness: float = 1.0


class TargetDraft(Shape):
    """A target as rows; `rest` is the TOML of what rows do not show (air, held, seed)."""

    title: ShortText = ""
    kinetics: ShortText = ""
    apparatus: ShortText = ""
    limits: LimitsDraft = LimitsDraft()
    stages: Annotated[list[StageDraft], Field(max_length=12, default_factory=list)]
    habit: ShortText = ""
    wanted: Annotated[list[WantedDraft], Field(max_length=20, default_factory=list)]
    outline: OutlineDraft | None = None
    crystal: CrystalDraft | None = None
    rest: LongText = ""


class TargetText(Shape):
    """A target as TOML."""

    toml: LongText


class PortraitShape(Shape):
    """A crystal small enough to be drawn in a list: shares of ice in percent.

    `plan[radius][angle]`: from the axis to the farthest tip, and from a corner (0) to the middle of a facet
    (30 degrees); the rest are its images. `section[radius][height]`: rings round the axis, lowest ice to
    highest; None where only an outline is known.
    """

    radius_um: float
    thickness_um: float
    solidity: float
    habit: str
    plan: list[list[int]]
    section: list[list[int]] | None


class TargetView(Shape):
    """A target that makes sense: rows and text of the same, what it asks, its crystal if it has one."""

    draft: TargetDraft
    toml: str
    asks: list[str]
    cautions: list[str]
    portrait: PortraitShape | None


class HabitWord(Shape):
    """A word of the trade, and the ranges that it is turned into."""

    word: str
    means: list[str]
    along_c: bool


class TargetWords(Shape):
    """What may be asked for."""

    habits: list[HabitWord]
    numbers: list[str]
    outlines: list[str]


class OutlineKept(Shape):
    """An outline that was dropped, as it is kept in the folder: `file` goes into the target."""

    file: str
    fold: int
    notes: list[str]
    portrait: PortraitShape


class NewDesign(Shape):
    """Search for a target; `name` is the folder of the design."""

    name: ShortText
    toml: LongText
    trials: Annotated[float, Field(ge=10, le=5000)] = 320.0
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = 1
    robust: bool = False
    spread: Annotated[int, Field(ge=0, le=200)] = 20
    kelvin: Annotated[float, Field(ge=0, le=5)] = 0.1
    sigma_percent: Annotated[float, Field(ge=0, le=50)] = 5.0


class DesignBest(Shape):
    """The best crystal so far; `number` counts the betterings, `confirmed`: grown on fine voxels."""

    number: int
    distance: float
    confirmed: bool
    terms: dict[str, float]
    minutes: float
    portrait: PortraitShape
    stages: list[PortraitShape | None]
    toml: str


class DesignRecipe(Shape):
    """A recipe that was written into the design's folder."""

    file: str
    distance: float | None
    habit: str
    radius_um: float
    thickness_um: float
    minutes: float
    words: str


class DesignReason(Shape):
    """What cannot be had and why; `certain` if a bound says so and not the search."""

    what: str
    why: str
    certain: bool


class DesignSpread(Shape):
    """How far outcomes stray: name to (low, median, high) of the middle `level` of them."""

    level: float
    draws: int
    numbers: dict[str, tuple[float, float, float]]
    distance: tuple[float, float, float]
    same: float
    step_most_at_risk: int
    words: str


class DesignBrief(Shape):
    """One line of the list of designs."""

    name: str
    title: str
    state: DesignWord
    words: str
    distance: float | None
    changed: float


class Design(DesignBrief):
    """How a design stands. `level` counts as the same crystal; `same` None while it is not known.

    `toml` is its target as it can be asked for again from here, `draft` the same as rows (None: text only).
    """

    phase: str
    fraction: float
    trials: int
    wall_s: float
    eta_s: float | None
    level: float
    same: bool | None
    target: PortraitShape | None
    best: DesignBest | None
    history: list[tuple[float, float]]
    recipes: list[DesignRecipe]
    reasons: list[DesignReason]
    notes: list[str]
    spread: DesignSpread | None
    toml: str
    draft: TargetDraft | None
    error: Error | None
