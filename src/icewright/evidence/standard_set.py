"""One small set of crystals by which kinetics are told apart, and the statements that it can bear out.

At water saturation over temperature, and two in drier air. A kinetics whose alpha is the same at a
temperature as that of another one is not grown again there.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from icewright.evidence.cells import Cell, Grown
from icewright.evidence.free_fall_masses import TOLERANCE, published_ug
from icewright.evidence.model import Plan
from icewright.ground.errors import IcewrightError
from icewright.ground.units import celsius_to_kelvin
from icewright.kinetics.family import Member
from icewright.shape.habit import HOLLOW, THICK

QUICK_C = (-2.0, -5.5, -10.6, -15.0)
FULL_C = (-2.0, -3.7, -5.5, -8.0, -10.6, -12.5, -15.0, -16.5, -20.1)
DRY_PLATE, DRY_COLUMN = "dry plate", "dry column"
MINUTES = {"quick": 3.0, "full": 10.0}

Reads = Mapping[Any, Mapping[str, Any] | None]  # temperature in degC, or the name of a dry crystal -> reading


def cells(plan: Plan, member: Member, diffusivity: str = "1976", voxel_um: float = 2.0) -> dict[Any, Cell]:
    """The set for one kinetics and one diffusivity."""
    at = QUICK_C if plan.quick else FULL_C
    until = (("minutes", MINUTES[plan.level]),)
    out: dict[Any, Cell] = {
        t: Cell(t, ("water", 1.0), until, member, diffusivity, voxel_um=voxel_um) for t in at
    }
    fine = voxel_um if plan.quick else 1.0
    out[DRY_PLATE] = Cell(-15.0, ("sigma", 2.0), (("radius_um", 30.0),), member, diffusivity, voxel_um=fine)
    out[DRY_COLUMN] = Cell(
        -5.0, ("sigma", 1.2), (("thickness_um", 60.0),), member, diffusivity, voxel_um=fine
    )
    return out


def grow(
    plan: Plan, asked: Sequence[tuple[Member, str]], voxel_um: float = 2.0
) -> dict[tuple[str, str], dict[Any, Grown]]:
    """The set for each (kinetics, diffusivity); crystals that cannot differ are grown once."""
    sets = {(m.name, d): cells(plan, m, d, voxel_um) for m, d in asked}
    first: dict[tuple[str, Cell], Cell] = {}
    stands: dict[tuple[str, str, Any], Cell] = {}
    for (name, d), each in sets.items():
        for label, cell in each.items():
            sign = _signature(cell.kinetics, cell.temperature_c)
            blank = Cell(**{**cell.__dict__, "kinetics": Member("")})
            stands[name, d, label] = first.setdefault((sign, blank), cell)
    grown = plan.grow(list(first.values()))
    return {
        (name, d): {label: grown[stands[name, d, label]] for label in each}
        for (name, d), each in sets.items()
    }


def reads(grown: Mapping[Any, Grown]) -> dict[Any, Mapping[str, Any] | None]:
    """The last reading of each crystal."""
    return {label: g.at() for label, g in grown.items()}


def _signature(member: Member, temperature_c: float) -> str:
    from icewright.kinetics.sampled import sample

    try:
        table = sample(member.build(), celsius_to_kelvin(temperature_c))
    except IcewrightError as error:
        return f"{member.name}: {error}"
    return hashlib.sha256(table.ln_alpha.tobytes()).hexdigest()[:16]


@dataclass(frozen=True)
class Statement:
    """Something that can be said of the set: ``holds`` answers True, False, or None where it cannot be told.

    ``true_outside``: what the outside says; ``known`` how that is known.
    """

    words: str
    known: str
    holds: Callable[[Plan, Reads], bool | None]
    true_outside: bool = True


def _ratio(label: Any, low: float, high: float) -> Callable[[Plan, Reads], bool | None]:
    def holds(_: Plan, got: Reads) -> bool | None:
        read = got.get(label)
        return None if read is None else bool(low <= read["aspect_ratio"] < high)

    return holds


def _both(*parts: Callable[[Plan, Reads], bool | None]) -> Callable[[Plan, Reads], bool | None]:
    def holds(plan: Plan, got: Reads) -> bool | None:
        answers = [part(plan, got) for part in parts]
        if False in answers:
            return False
        return None if None in answers else True

    return holds


def _hollow(label: Any, wanted: bool) -> Callable[[Plan, Reads], bool | None]:
    def holds(_: Plan, got: Reads) -> bool | None:
        read = got.get(label)
        return None if read is None else (read["hollow_share"] >= HOLLOW) is wanted

    return holds


def _longest(key: str, at: float) -> Callable[[Plan, Reads], bool | None]:
    def holds(_: Plan, got: Reads) -> bool | None:
        wet = {t: r for t, r in got.items() if not isinstance(t, str)}
        if any(r is None for r in wet.values()):
            return None
        return bool(max(wet, key=lambda t: (wet[t] or {})[key]) == at)

    return holds


def _mass(at: float) -> Callable[[Plan, Reads], bool | None]:
    def holds(plan: Plan, got: Reads) -> bool | None:
        read = got.get(at)
        if read is None:
            return None
        return bool(abs(read["mass_ug"] / published_ug(at, MINUTES[plan.level]) - 1) <= TOLERANCE)

    return holds


_PLATE_WARM, _COLUMN, _PLATE = _ratio(-2.0, 0, 1), _ratio(-5.5, 1, 1e9), _ratio(-15.0, 0, 1)

STATEMENTS = (
    Statement("plate (c/a < 1) at -2 degC", "public", _PLATE_WARM),
    Statement("column (c/a > 1) at -5.5 degC", "public", _COLUMN),
    Statement("plate (c/a < 1) at -15 degC", "public", _PLATE),
    Statement(
        "order plate, column, plate at -2, -5.5, -15 degC", "public", _both(_PLATE_WARM, _COLUMN, _PLATE)
    ),
    Statement(
        "longest a axis at -15 degC, of the temperatures grown", "public", _longest("radius_um", -15.0)
    ),
    Statement(
        "longest c axis at -5.5 degC, of the temperatures grown", "public", _longest("thickness_um", -5.5)
    ),
    Statement(f"mass at -10.6 degC within {TOLERANCE:.0%} of the free-fall fit", "public", _mass(-10.6)),
    Statement(f"mass at -20.1 degC within {TOLERANCE:.0%} of the free-fall fit", "public", _mass(-20.1)),
    Statement(f"mass at -16.5 degC within {TOLERANCE:.0%} of the free-fall fit", "public", _mass(-16.5)),
    Statement(
        f"thin plate (c/a < {THICK:g}) at -15 degC and 2 %", "common practice", _ratio(DRY_PLATE, 0, THICK)
    ),
    Statement(
        "solid column at -5 degC and 1.2 %",
        "common practice",
        _both(_ratio(DRY_COLUMN, 1, 1e9), _hollow(DRY_COLUMN, False)),
    ),
    Statement(
        "hollow column at -5.5 degC at water saturation",
        "common practice",
        _both(_COLUMN, _hollow(-5.5, True)),
    ),
)


def statements(plan: Plan) -> list[Statement]:
    """Those that the crystals of this level can bear out."""
    return [s for s in STATEMENTS if not plan.quick or not any(t in s.words for t in ("-16.5", "-20.1"))]
