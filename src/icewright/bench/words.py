"""Between the SI of the models and the laboratory units of the page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from icewright.bench.live import HOLD_S, WAIT, Target, is_open
from icewright.bench.security import BenchError
from icewright.bench.shapes import (
    Air,
    AirScales,
    ApparatusShape,
    Chamber,
    HeldShape,
    HumidityShape,
    Knob,
    SeedShape,
    SetStepEdit,
    SetStepView,
    Sizes,
    StepEdit,
    StepView,
    Turn,
)
from icewright.recipe.endings import Endings
from icewright.recipe.held import Held
from icewright.recipe.limits import check_pressure, check_sigma, check_temperature
from icewright.recipe.quantities import (
    CELSIUS,
    HECTOPASCAL,
    MICROGRAM,
    MICROMETRE,
    MINUTE,
    PERCENT,
    Unit,
)
from icewright.recipe.seed import Seed
from icewright.recipe.step import KEYS, Humidity, Measure, Step

if TYPE_CHECKING:
    from icewright.bench.chamber import SetPlan, SetTarget
    from icewright.kinetics.model import Kinetics

_MEASURES: dict[str, tuple[Measure, Unit]] = {key: (m, unit) for m, (key, unit) in KEYS.items()}
ROW_KEYS = ("time_s", "temperature_k", "sigma", "radius_tip_m", "thickness_m", "mass_kg")


def lab(unit: Unit, si: float) -> float:
    """A number in its laboratory unit."""
    return float(unit.from_si(si))


def sizes(row: Mapping[str, float]) -> Sizes:
    """The sizes of a row in SI."""
    return Sizes(
        radius_um=row["radius_tip_m"] * 1e6,
        thickness_um=row["thickness_m"] * 1e6,
        mass_ug=row["mass_kg"] * 1e9,
        aspect_ratio=row["thickness_m"] / (2 * row["radius_tip_m"]),
    )


def row_shown(row: Mapping[str, float]) -> dict[str, float]:
    """A row in laboratory units."""
    return {
        "time_s": row["time_s"],
        "temperature_c": row["temperature_k"] - 273.15,
        "sigma_percent": row["sigma"] * 100.0,
        "radius_um": row["radius_tip_m"] * 1e6,
        "thickness_um": row["thickness_m"] * 1e6,
        "mass_ug": row["mass_kg"] * 1e9,
    }


def step_view(step: Step, from_s: float | None = None, to_s: float | None = None) -> StepView:
    """A step as the timeline shows it; a hold without an end has no minutes."""
    key, unit = KEYS[step.humidity.measure]
    ends = step.endings
    return StepView(
        temperature_c=(lab(CELSIUS, step.temperature_k[0]), lab(CELSIUS, step.temperature_k[1])),
        humidity=HumidityShape.model_validate(
            {"key": key, "from": lab(unit, step.humidity.start), "to": lab(unit, step.humidity.end)}
        ),
        minutes=None if ends.time_s is None or is_open(step) else lab(MINUTE, ends.time_s),
        radius_um=_maybe(MICROMETRE, ends.radius_m),
        thickness_um=_maybe(MICROMETRE, ends.thickness_m),
        mass_ug=_maybe(MICROGRAM, ends.mass_kg),
        wait=step.note.startswith(WAIT),
        note=step.note.removeprefix(WAIT).strip(),
        from_s=from_s,
        to_s=to_s,
    )


def step_views(steps: Sequence[Step], starts: Sequence[float]) -> list[StepView]:
    """All steps, with when each began and ended."""
    out = []
    for i, step in enumerate(steps):
        from_s = starts[i] if i < len(starts) else None
        out.append(step_view(step, from_s, starts[i + 1] if i + 1 < len(starts) else None))
    return out


def set_step_views(plan: SetPlan, starts: Sequence[float], pressure_pa: float) -> list[SetStepView]:
    """What was set, step by step, in the air that it sets; `starts` are those of the engine's steps."""
    from icewright.bench.chamber import as_air

    views = step_views(as_air(plan, pressure_pa), plan.starts(starts))
    return [
        SetStepView(**dict(view), settings=dict(step.settings))
        for view, step in zip(views, plan.steps, strict=True)
    ]


def apparatus_shown(plan: SetPlan, pressure_pa: float) -> ApparatusShape:
    """An apparatus with its knobs."""
    from icewright.apparatus.basis import unit_of
    from icewright.apparatus.response import lag
    from icewright.bench.chamber import spoken

    it = plan.apparatus
    knobs = [
        Knob(
            name=name, label=spoken(name), words=it.physics.settings.get(name, name), unit=unit_of(name),
            low=s.low, high=s.high,
            step=s.step, fastest_per_min=None if math.isinf(s.fastest_ramp) else s.fastest_ramp * 60.0,
            response_s=s.response_s, response_from=s.response_from,
        )
        for name, s in it.settings.items()
    ]  # fmt: skip
    lags = list(lag(it, plan.before, pressure_pa=pressure_pa).words)
    return ApparatusShape(
        name=plan.name, title=it.title or plan.name, kind=it.kind, knobs=knobs, lags=lags,
        cautions=it.cautions(),
    )  # fmt: skip


def chamber_now(
    plan: SetPlan, steps: Sequence[Step], index: int, since_s: float, set_since_s: float,
    row: Mapping[str, float], pressure_pa: float,
) -> Chamber:  # fmt: skip
    """What is set now, and how far the air (`row`, SI) still is from it.

    Args:
        plan: of the path.
        steps: the engine's.
        index, since_s: the engine's step that is on, and for how long.
        set_since_s: how long the step of the plan is on that it comes from.
        row: the air now.
        pressure_pa: of the recipe.
    """
    from icewright.bench.chamber import set_air
    from icewright.vapour.saturation import ice_pressure, water_pressure

    number = plan.origin[index]
    stands = plan.at(number, set_since_s)
    t_k, sigma = (float(v) for v in set_air(plan, stands, pressure_pa))
    tail = [i for i in range(index, len(plan.origin)) if plan.origin[i] == number]
    last = steps[tail[-1]]
    settles = None
    if not last.ramps and (is_open(last) or last.endings.time_s is None):
        ramps = [steps[i].endings.time_s or 0.0 for i in tail[:-1]]
        settles = max(sum(ramps) - since_s, 0.0) if ramps else 0.0
    return Chamber(
        settings=stands,
        set_temperature_c=t_k - 273.15,
        set_sigma_percent=100 * sigma,
        set_above_water=sigma > float(water_pressure(t_k) / ice_pressure(t_k)) - 1.0 + 1e-6,
        off_temperature_k=row["temperature_k"] - t_k,
        off_sigma_percent=100 * (row["sigma"] - sigma),
        settles_in_s=settles,
    )


def ending_of(edit: StepEdit | SetStepEdit) -> tuple[Endings, str]:
    """How a step from the timeline ends, and its note; without any ending it holds with no end in sight."""
    ends = Endings(
        time_s=None if edit.minutes is None else MINUTE.to_si(edit.minutes),
        radius_m=None if edit.radius_um is None else MICROMETRE.to_si(edit.radius_um),
        thickness_m=None if edit.thickness_um is None else MICROMETRE.to_si(edit.thickness_um),
        mass_kg=None if edit.mass_ug is None else MICROGRAM.to_si(edit.mass_ug),
    )
    if ends.time_s is None and not ends.names_size:
        ends = Endings(time_s=HOLD_S)
    note = f"{WAIT} {edit.note}".strip() if edit.wait else edit.note
    return ends, note


def step_of(edit: StepEdit) -> Step:
    """A step from the timeline.

    Raises:
        RecipeError: for what no step may have.
    """
    measure, unit = _MEASURES[edit.humidity.key]
    ends, note = ending_of(edit)
    return Step(
        temperature_k=(CELSIUS.to_si(edit.temperature_c[0]), CELSIUS.to_si(edit.temperature_c[1])),
        humidity=Humidity(
            measure=measure, start=unit.to_si(edit.humidity.start), end=unit.to_si(edit.humidity.end)
        ),
        endings=ends,
        note=note,
    )


def target_of(turn: Turn) -> Target:
    """A turn of the knobs in SI.

    Raises:
        BenchError: for two humidities, or nothing at all.
    """
    if turn.settings is not None:
        raise BenchError(
            400, "This path has no apparatus.", got="settings", wanted="temperature_c and a humidity",
            do="POST .../setup with apparatus, first",
        )  # fmt: skip
    given = [(key, value) for key in _MEASURES if (value := getattr(turn, key)) is not None]
    if len(given) > 1:
        raise BenchError(
            400,
            got=" and ".join(key for key, _ in given),
            wanted="one humidity: sigma_percent, water_fraction or excess_g_m3",
            do=f"send {given[0][0]} alone",
        )
    if not given and turn.temperature_c is None:
        raise BenchError(400, got="a turn of nothing", wanted="temperature_c or a humidity")
    measure, value = None, None
    if given:
        measure, unit = _MEASURES[given[0][0]]
        value = unit.to_si(given[0][1])
    t_k = None if turn.temperature_c is None else CELSIUS.to_si(turn.temperature_c)
    return Target(t_k, measure, value, turn.over_s, turn.note)


def set_target_of(turn: Turn) -> SetTarget:
    """A turn of the settings of an apparatus.

    Raises:
        BenchError: for anything else.
    """
    from icewright.bench.chamber import SetTarget

    aside = [k for k in ("temperature_c", *_MEASURES) if getattr(turn, k) is not None]
    if aside or not turn.settings:
        raise BenchError(
            400, "The knobs of this path are the settings of its apparatus.",
            got=" and ".join(aside) or "a turn of nothing", wanted="settings",
            do='"settings": {"plate_c": -15}, by the names in setup.apparatus',
        )  # fmt: skip
    return SetTarget(turn.settings, turn.over_s, turn.note)


def held_of(shape: HeldShape) -> Held:
    """How it is held, in SI. Raises RecipeError."""
    return Held(
        way=shape.way,
        height_m=None if shape.height_um is None else MICROMETRE.to_si(shape.height_um),
        stalk_radius_m=None if shape.stalk_radius_um is None else MICROMETRE.to_si(shape.stalk_radius_um),
    )


def held_shown(held: Held) -> HeldShape:
    """How it is held, in micrometres."""
    return HeldShape(
        way=held.way,
        height_um=_maybe(MICROMETRE, held.height_m),
        stalk_radius_um=_maybe(MICROMETRE, held.stalk_radius_m),
    )


def seed_of(shape: SeedShape) -> Seed:
    """A prism as a seed. Raises RecipeError where a size is missing."""
    return Seed(
        radius_m=None if shape.radius_um is None else MICROMETRE.to_si(shape.radius_um),
        thickness_m=None if shape.thickness_um is None else MICROMETRE.to_si(shape.thickness_um),
    )


def seed_shown(seed: Seed) -> SeedShape:
    """A seed in micrometres."""
    return SeedShape(
        radius_um=_maybe(MICROMETRE, seed.radius_m), thickness_um=_maybe(MICROMETRE, seed.thickness_m)
    )


def pressure_of(hpa: float) -> float:
    """Pascals. Raises RecipeError outside what a recipe may have."""
    pa = HECTOPASCAL.to_si(hpa)
    check_pressure(pa)
    return pa


def sigma_of(key: str, value: float, t_k: float) -> float:
    """Supersaturation over ice, a fraction, from any of the three humidities. Raises RecipeError."""
    measure, unit = _MEASURES[key]
    h = Humidity(measure=measure, start=unit.to_si(value), end=unit.to_si(value))
    sigma = h.sigma(t_k)
    check_sigma(sigma, "the air", h.line())
    return sigma


def air(temperature_k: float, sigma: float, pressure_pa: float, kinetics: Kinetics, *,
        diffusivity: str = "1976",
        gas: Any = None, free: bool = True) -> Air:  # fmt: skip
    """Everything about an air: all humidities, the margin to fog, what it favours, the scales.

    Raises:
        RecipeError, ConditionsError: for air that cannot be.
    """
    from icewright.bench.favours import favours
    from icewright.ground.errors import ConditionsError
    from icewright.ground.sources import source
    from icewright.vapour import supersaturation as humid
    from icewright.vapour.scales import scales

    check_temperature(temperature_k, "the air")
    check_sigma(sigma, "the air", f"sigma_percent = {lab(PERCENT, sigma):g}")
    sc = scales(temperature_k, pressure_pa, diffusivity=diffusivity, gas=gas)
    vapour = (1 + sigma) * float(humid.vapour_pressure(temperature_k, 0.0))
    points: list[float | None] = []
    for of in (humid.frost_point, humid.dew_point):
        try:
            points.append(float(of(vapour)) - 273.15)
        except ConditionsError:
            points.append(None)
    marks = tuple(
        f"from memory: {source(key).citation}" for key in sc.source_keys if source(key).how == "from memory"
    )
    return Air(
        temperature_c=temperature_k - 273.15,
        sigma_percent=sigma * 100,
        water_fraction=float(humid.relative_humidity(temperature_k, sigma)),
        excess_g_m3=1e3 * float(humid.excess_density(temperature_k, sigma)),
        pressure_hpa=pressure_pa / 100,
        frost_point_c=points[0],
        dew_point_c=points[1],
        sigma_water_percent=100 * sc.sigma_water,
        margin_percent=100 * (sc.sigma_water - sigma),
        above_water=sigma > sc.sigma_water + 1e-6,
        favours=favours(sc, sigma, kinetics, marks=marks),
        scales=AirScales(
            v_kin_um_s=sc.v_kin_m_s * 1e6,
            X0_um=sc.X0_m * 1e6,
            capillary_nm=sc.capillary_m * 1e9,
            chi0=sc.chi0 if free else 0.0,
            D_cm2_s=sc.D_m2_s * 1e4,
        ),
    )


def _maybe(unit: Unit, value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else lab(unit, value)
