"""The JSON shapes of the protocol, in laboratory units. Unknown keys and NaN are refused."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from icewright.recipe.held import Way
from icewright.recipe.limits import MINUTES_MAX

HumidityKey = Literal["sigma_percent", "water_fraction", "excess_g_m3"]
Axis = Literal["c", "x", "y"]  # what is looked along
Preset = Literal["preview", "standard", "fine"]
WorkerWord = Literal[
    "starting", "growing", "paused", "at-rest", "going", "outgrown", "lost", "asleep", "failed"
]
Um = Annotated[float, Field(gt=0, le=20000)]
Seconds = Annotated[float, Field(ge=0, le=14 * 86400)]
Minutes = Annotated[float, Field(gt=0, le=MINUTES_MAX)]  # far more would be infinite in seconds
ShortText = Annotated[str, Field(max_length=200)]


class Shape(BaseModel):
    """Everything sent and answered: no unknown keys, no NaN."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Error(Shape):
    """What went wrong, in up to four parts."""

    kind: str
    message: str
    got: str
    wanted: str
    do: str


class ErrorBody(Shape):
    """The one shape of every error."""

    error: Error


class Sizes(Shape):
    """Of the whole crystal; the aspect ratio is thickness over tip-to-tip width."""

    radius_um: float
    thickness_um: float
    mass_ug: float
    aspect_ratio: float


class Rates(Shape):
    """Over the last few per cent of growth; None at the start."""

    radius_um_min: float | None
    thickness_um_min: float | None
    mass_ug_min: float | None


class Favours(Shape):
    """What the air favours, in plain words, and why; `from_memory` marks values nobody here confirmed."""

    habit: str
    words: str
    why: list[str]
    from_memory: bool
    marks: list[str]


class AirScales(Shape):
    """The scales that rule growth in this air."""

    v_kin_um_s: float
    X0_um: float
    capillary_nm: float
    chi0: float
    D_cm2_s: float


class Air(Shape):
    """The air far from the crystal, every way to say it."""

    temperature_c: float
    sigma_percent: float
    water_fraction: float
    excess_g_m3: float
    pressure_hpa: float
    frost_point_c: float | None
    dew_point_c: float | None
    sigma_water_percent: float
    margin_percent: float
    above_water: bool
    favours: Favours
    scales: AirScales


class HeldShape(Shape):
    """How the crystal is held; lengths only where the way needs them."""

    way: Way = "free"
    height_um: Um | None = None
    stalk_radius_um: Um | None = None


class SeedShape(Shape):
    """The hexagonal prism that it starts from; both None for a saved crystal."""

    radius_um: Um | None = None
    thickness_um: Um | None = None


class Knob(Shape):
    """A setting of an apparatus, in the unit of its name; `fastest_per_min` None: no limit is given."""

    name: str
    label: str
    words: str
    unit: str
    low: float
    high: float
    step: float
    fastest_per_min: float | None
    response_s: float
    response_from: str


class ApparatusShape(Shape):
    """The apparatus whose settings are the knobs; `lags` say how long all takes, and how that is known."""

    name: str
    title: str
    kind: str
    knobs: list[Knob]
    lags: list[str]
    cautions: list[str]


class Chamber(Shape):
    """What is set now, the air that it would make, how far the air still is from it, and for how long."""

    settings: dict[str, float]
    set_temperature_c: float
    set_sigma_percent: float
    set_above_water: bool
    off_temperature_k: float
    off_sigma_percent: float
    settles_in_s: float | None


class Setup(Shape):
    """What a whole recipe has one of; `apparatus` None: the knobs are temperature and humidity themselves."""

    pressure_hpa: float
    held: HeldShape
    seed: SeedShape
    kinetics: str
    voxel_um: float
    final_radius_um: float
    cautions: list[str]
    apparatus: ApparatusShape | None


class NewSetup(Shape):
    """What is to change; None stays."""

    pressure_hpa: float | None = None
    held: HeldShape | None = None
    seed: SeedShape | None = None
    kinetics: Annotated[str, Field(max_length=100)] | None = None
    final_radius_um: Annotated[float, Field(ge=2, le=5000)] | None = None
    apparatus: Annotated[str, Field(max_length=100)] | None = None
    replay: bool = True


class HumidityShape(Shape):
    """A humidity at the start and at the end of a step; equal for a hold."""

    model_config = ConfigDict(
        extra="forbid", allow_inf_nan=False, populate_by_name=True, serialize_by_alias=True
    )

    key: HumidityKey
    start: float = Field(alias="from")
    end: float = Field(alias="to")


class StepEdit(Shape):
    """One step as the timeline holds it."""

    temperature_c: tuple[float, float]
    humidity: HumidityShape
    minutes: Minutes | None = None
    radius_um: Um | None = None
    thickness_um: Um | None = None
    mass_ug: Annotated[float, Field(gt=0, le=1e9)] | None = None
    wait: bool = False
    note: ShortText = ""


class StepView(StepEdit):
    """A step with when it ran; `from_s` None: planned; `to_s` None: it lasts, or is planned."""

    from_s: float | None = None
    to_s: float | None = None


class SetStepView(StepView):
    """A step of the knobs of an apparatus: each setting from and to, and the air that this sets."""

    settings: dict[str, tuple[float, float]]


class SetStepEdit(Shape):
    """One step in settings as the timeline holds it; a setting left out stays as the step before left it."""

    settings: dict[Annotated[str, Field(max_length=100)], tuple[float, float]]
    minutes: Minutes | None = None
    radius_um: Um | None = None
    thickness_um: Um | None = None
    mass_ug: Annotated[float, Field(gt=0, le=1e9)] | None = None
    wait: bool = False
    note: ShortText = ""


class State(Shape):
    """Where the growing stands."""

    branch: int
    time_s: float
    act: int
    paused: bool
    speed: float | None
    pace: float | None
    worker: WorkerWord
    status: str
    sizes: Sizes
    rates: Rates
    habit: str
    step: int
    replaying: bool
    outgrown: bool
    going_to_s: float | None
    temperature_c: float
    sigma_percent: float
    ramp_left_s: float
    flux_ratio: float | None
    mass_balance_error: float | None
    chamber: Chamber | None


class Moment(Shape):
    """A stored state of the crystal."""

    number: int
    time_s: float
    radius_um: float
    thickness_um: float


class Branch(Shape):
    """One path that was taken; `parent` None: from the seed."""

    number: int
    name: str
    kept: bool
    parent: int | None
    from_s: float
    end_s: float
    steps: list[StepView]
    set_steps: list[SetStepView] | None
    moments: list[Moment]
    last: Sizes | None
    habit: str


class Tree(Shape):
    """All paths of a session."""

    branches: list[Branch]
    current: int


class Cue(Shape):
    """What to do next, and when."""

    step: int
    words: str
    at_um: float | None
    at_thickness_um: float | None
    in_s: float | None
    waiting: bool
    sound: bool
    air: dict[str, float]


class Clock(Shape):
    """A recipe run against the clock on the wall."""

    running: bool
    held: bool
    elapsed_s: float
    model_s: float
    step: int
    steps: int
    cue: Cue | None
    offset_s: float
    done: bool


class Photo(Shape):
    """A photograph and how it lies over the crystal (centre of the picture, from the crystal's middle).

    `along`: the axis that it was taken along: c from above, y or x from the side.
    """

    number: int
    name: str
    width: int
    height: int
    um_per_pixel: float
    x_um: float
    y_um: float
    rotation_deg: float
    opacity: float
    along: Axis = "c"


class PhotoPlace(Shape):
    """How to lay it; None stays."""

    um_per_pixel: Annotated[float, Field(gt=0, le=1000)] | None = None
    x_um: Annotated[float, Field(ge=-20000, le=20000)] | None = None
    y_um: Annotated[float, Field(ge=-20000, le=20000)] | None = None
    rotation_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    opacity: Annotated[float, Field(ge=0, le=1)] | None = None
    along: Axis | None = None


class Session(Shape):
    """All that a page needs to draw itself anew."""

    id: str
    title: str
    state: State
    air: Air
    setup: Setup
    tree: Tree
    clock: Clock
    notes: list[str]
    photos: list[Photo]


class SessionBrief(Shape):
    """One line of a list of sessions."""

    id: str
    title: str
    changed: float
    branches: int


class NewSession(Shape):
    """What to begin with; nothing: the example of a first visit."""

    toml: Annotated[str, Field(max_length=200_000)] | None = None
    recipe: Annotated[str, Field(max_length=100)] | None = None
    example: Annotated[str, Field(max_length=40)] | None = None
    apparatus: Annotated[str, Field(max_length=100)] | None = None
    final_radius_um: Annotated[float, Field(ge=2, le=5000)] | None = None
    paused: bool = False


class Turn(Shape):
    """Knobs that are turned now; `over_s` 0 is a jump."""

    temperature_c: float | None = None
    sigma_percent: float | None = None
    water_fraction: float | None = None
    excess_g_m3: float | None = None
    settings: Annotated[dict[str, float], Field(max_length=20)] | None = None
    over_s: Seconds = 0.0
    note: ShortText = ""


class Turned(Shape):
    """The number of the command and the air that it leads to."""

    act: int
    air: Air


class Pace(Shape):
    """Pause and speed; a key that is not sent stays as it is."""

    paused: bool | None = None
    speed: Annotated[float, Field(ge=0.1, le=1e6)] | None = None
    beyond: bool | None = None


class StepOn(Shape):
    """Go on by time steps, or by model seconds, then pause."""

    steps: Annotated[int, Field(ge=1, le=10000)] | None = None
    seconds: Annotated[float, Field(gt=0, le=86400)] | None = None


class Go(Shape):
    """To a recorded time of a branch (None: the current one)."""

    branch: int | None = None
    time_s: Seconds


class Fork(Shape):
    """A new branch without a turn."""

    branch: int | None = None
    time_s: Seconds | None = None
    name: Annotated[str, Field(max_length=60)] | None = None


class BranchEdit(Shape):
    """Name it, keep it."""

    name: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    kept: bool | None = None


class Series(Shape):
    """Columns of numbers over time; None where not known."""

    branch: int | None
    columns: dict[str, list[float | None]]


class Section(Shape):
    """When the cut ice froze, rows along y; None where there is no ice."""

    plane: Literal["basal", "axial"]
    x_um: list[float]
    y_um: list[float]
    frozen_s: list[list[float | None]]


class Outline(Shape):
    """The outline seen along an axis, closed polygons in micrometres."""

    polygons: list[list[tuple[float, float]]]


class RecipeView(Shape):
    """A recipe in the words of its file, and as steps."""

    title: str
    toml: str
    steps: list[StepView]
    warnings: list[str]
    from_memory: list[str]


class RecipeEdit(Shape):
    """A whole recipe, or only its steps."""

    toml: Annotated[str, Field(max_length=200_000)] | None = None
    steps: Annotated[list[StepEdit], Field(max_length=1000)] | None = None
    set_steps: Annotated[list[SetStepEdit], Field(max_length=1000)] | None = None
    title: ShortText | None = None


class SetDraft(Shape):
    """Steps in settings that are being thought of."""

    set_steps: Annotated[list[SetStepEdit], Field(min_length=1, max_length=1000)]


class SetAir(Shape):
    """What steps in settings would be: in the air that they set, and as ramps of the air that comes of it."""

    set_steps: list[SetStepView]
    steps: list[StepView]


class Save(Shape):
    """A file name in the chosen folder."""

    name: Annotated[str, Field(max_length=100)]
    replace: bool = False


class Saved(Shape):
    """The name it has now."""

    name: str


class RecipeBrief(Shape):
    """One line of a list of recipes."""

    name: str
    title: str
    changed: float


class GrowNow(Shape):
    """Grow the recipe of the current branch at a resolution, into a run of that name."""

    name: Annotated[str, Field(max_length=100)]
    preset: Preset = "standard"


class Job(Shape):
    """A run that grows in the background."""

    number: int
    name: str
    session: str
    state: Literal["waiting", "growing", "drawing", "done", "stopped", "failed"]
    fraction: float
    eta_s: float | None
    time_min: float
    radius_um: float
    thickness_um: float
    status: str
    error: Error | None


class Run(Shape):
    """One line of the list of runs."""

    name: str
    title: str
    state: str
    status: str
    changed: float
    habit: str
    radius_um: float | None
    thickness_um: float | None
    time_min: float | None
    thumbnail: bool


class RunFrame(Shape):
    """A stored crystal of a run."""

    number: int
    time_s: float


class RunView(Run):
    """All that a run holds, in words and small tables."""

    words: list[str]
    tables: list[dict[str, Any]]
    warnings: list[str]
    pictures: list[str]
    frames: list[RunFrame]
    exports: list[str]


class MeasuredBrief(Shape):
    """A growth series in the folder; `error` says why it cannot be read, `corrected` counts rows by hand."""

    name: str
    crystals: list[int]
    changed: float
    error: str
    corrected: int


class Measured(Shape):
    """One crystal as measured: `radius_um`, `thickness_um`, and with `u_` before their uncertainties.

    `corrected`: how many of its rows were corrected by hand.
    """

    name: str
    crystal: int
    columns: dict[str, list[float | None]]
    corrected: int


class ClockDo(Shape):
    """Start (true) or stop (false); the awaited key; hold the clock or let it go."""

    start: bool | None = None
    key: bool | None = None
    hold: bool | None = None


class Real(Shape):
    """The real crystal's size now."""

    radius_um: Um
    thickness_um: Um | None = None
    as_prism: bool = False


class RealTold(Shape):
    """What that changed."""

    clock: Clock
    words: str


class About(Shape):
    """What this server is and may be asked."""

    version: str
    protocol: int
    folder: str
    kinetics: list[str]
    ways: list[str]
    limits: dict[str, tuple[float, float]]
    recipes: list[str]
    apparatus: list[str]
    examples: list[str]
    hints: list[str]
    data_note: str
