"""Rival kinetics put to the test: which reproduces what, and which measurement would tell them apart best."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from icewright.evidence import standard_set
from icewright.evidence.cells import Cell
from icewright.evidence.free_fall_masses import FITS, published_ug
from icewright.evidence.model import AGREES, CANNOT_TELL, DISAGREES, Finding, Plan, Row, Verdict
from icewright.evidence.plate_thickness import published_um
from icewright.evidence.standard_set import DRY_PLATE, MINUTES, Reads, statements
from icewright.ground.units import celsius_to_kelvin
from icewright.kinetics.family import FAMILIES, Member, family
from icewright.vapour.supersaturation import sigma_at_water_saturation

name = "rival-kinetics"
title = (
    "Which kinetics reproduce habits, masses, thin plates and hollow columns, and what would tell them apart?"
)
source = "as in the comparisons of habit, mass, thickness and hollowing"
states = (
    "plate, column, plate with falling temperature; free-fall masses; thin plates near -15; hollow columns "
    "near -5"
)
QUICK_FAMILIES = ("prism_depth", "blend")
# what a careful bench reads (ours): lengths to 3 % and no better than 1 um, a mass to 10 % and no better than
# the lengths allow, the hollow part of a length to 5 %
LENGTH_ERROR, LEAST_UM, MASS_ERROR, HOLLOW_ERROR = 0.03, 1.0, 0.10, 0.05
NAMES = {
    "radius_um": "radius",
    "thickness_um": "thickness",
    "mass_ug": "mass",
    "aspect_ratio": "c/a",
    "hollow_share": "hollow share",
}
UNITS = {"radius": " um", "thickness": " um", "mass": " ug"}
GRID_C = (-2.0, -4.0, -5.5, -8.0, -10.0, -12.0, -15.0, -18.0, -22.0)
GRID_WATER = (0.1, 0.3, 1.0)  # of the supersaturation at water saturation
OTHER_WAYS = ("sigma0 basal", "sigma0 prism")


def candidates(plan: Plan) -> list[Member]:
    """The tables as they stand, then every member of every family."""
    named = QUICK_FAMILIES if plan.quick else tuple(FAMILIES)
    found = [*plan.members(), *(m for what in named for m in family(what))]
    return list({m.name: m for m in found}.values())


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    all_of_them = candidates(plan)
    grown = standard_set.grow(plan, [(m, "1976") for m in all_of_them], 2.0 if plan.quick else 1.0)
    rows: list[Row] = []
    scores: list[_Score] = []
    matrix: list[list[str]] = []
    asked = statements(plan)
    for m in all_of_them:
        got = standard_set.reads(grown[m.name, "1976"])
        answers = [s.holds(plan, got) for s in asked]
        marks = [_mark(a, s.true_outside) for a, s in zip(answers, asked, strict=True)]
        matrix.append([str(mark) for mark in marks])
        told = len(asked) - marks.count(CANNOT_TELL)
        wet, dry = _thickness(got)
        scores.append(_Score(m.name, marks.count(AGREES), told, _mass_misfit(plan, got), wet, dry))
        if m in plan.members():
            rows += [
                Row(s.words, "yes" if s.true_outside else "no", s.known, m.name, "1976", None, "", None, mark)
                for s, mark in zip(asked, marks, strict=True)
            ]
    # the two built-in tables, then each table of the user's own against both
    names = [m.name for m in plan.members()]
    pairs = [(0, 1)][: len(names) - 1] + [(i, j) for j in range(2, len(names)) for i in (0, 1)]
    found = [_tell_apart(plan, (plan.tables[i], plan.tables[j])) for i, j in pairs]
    apart, grid = found[0] if found else ([], {})
    first, second = (names * 2)[:2]
    standing = {score.name: score for score in scores}
    own = [standing[m.name] for m in plan.members()]
    said = [
        f"{s.name}: {s.right} of {s.told} statements as outside; masses off by a factor of {_factor(s.mass)} "
        "(rms)."
        for s in own
    ]
    most = max(score.right for score in scores)
    best = [score.name for score in scores if score.right == most]
    more = f" and {len(best) - 6} more" if len(best) > 6 else ""
    said.append(
        f"Most right of {len(scores)} candidates: {most} of {len(asked)}, by {', '.join(best[:6])}{more}. "
        "They were looked for, so this proves none of them."
    )
    said += [
        _best_reading(plan, names[i], names[j], each) for (i, j), (each, _) in zip(pairs, found, strict=True)
    ]
    return Finding(
        tuple(rows),
        tuple(said),
        "No candidate is truth: one that gets every statement right may do so for a wrong reason (the "
        "sub-grid width, the facet rule, the voxel). A statement that all of them get wrong points at the "
        "engine, not at the kinetics.",
        (
            {
                "title": "Candidates: statements as outside; rms misfit of ln mass; plate thickness "
                "over the collected plates' (from memory), wet and dry",
                "columns": ["kinetics", "statements", "mass misfit", "h wet / relation", "h dry / relation"],
                "rows": [[s.name, f"{s.right} of {s.told}", s.mass, s.wet, s.dry] for s in scores],
            },
            {
                "title": f"Measurements that part {first} and {second}, best first",
                "columns": [
                    "measure",
                    "degC",
                    "share of water-saturation sigma",
                    first,
                    second,
                    "deviations",
                ],
                "rows": apart[:12],
            },
        ),
        {
            "statements": [s.words for s in asked],
            "candidates": [m.name for m in all_of_them],
            "matrix": matrix,
            "grid": grid,
            "tables": [first, second],
        },
        {s.name: f"{s.right} of {s.told} statements as outside" for s in own},
    )


def _best_reading(plan: Plan, first: str, second: str, apart: list[list[Any]]) -> str:
    """The measurement that parts two tables best, in words."""
    if not apart:
        return (
            f"What would tell {first} from {second} cannot be told: no crystal of the grid could be compared."
        )
    measure, t, w, one, other, z = apart[0]
    said = (
        f"To tell {first} from {second}: measure the {measure} at {t:g} degC and {w:.0%} of the "
        f"supersaturation at water saturation after {MINUTES[plan.level]:g} min: {one:.3g} against "
        f"{other:.3g}, {z:.1f} standard deviations of the reading and of what each table allows when its "
        "barriers move by 50 %."
    )
    if z < 2:
        said += (
            " Below 2 deviations no measurement of this grid tells them apart: what each table allows "
            "within its own uncertainty is as wide as the gap between them."
        )
    return said


@dataclass(frozen=True)
class _Score:
    """How a candidate did; misfit of ln mass, thickness over the relation's wet and dry."""

    name: str
    right: int
    told: int
    mass: float | None
    wet: float | None
    dry: float | None


def _mark(answer: bool | None, wanted: bool) -> Verdict:
    return CANNOT_TELL if answer is None else (AGREES if answer is wanted else DISAGREES)


def _mass_misfit(plan: Plan, got: Reads) -> float | None:
    """Root mean square of ln(model/published) over the temperatures of the free-fall fits."""
    minutes = MINUTES[plan.level]
    logs = [math.log(r["mass_ug"] / published_ug(t, minutes)) for t in FITS if (r := got.get(t)) is not None]
    return math.sqrt(sum(x * x for x in logs) / len(logs)) if logs else None


def _thickness(got: Reads) -> tuple[float | None, float | None]:
    """Thickness over the relation's at the crystal's own diameter, at -15 degC wet and dry."""

    def ratio(r: Mapping[str, Any] | None) -> float | None:
        return None if r is None else r["thickness_um"] / published_um(2 * r["radius_um"])

    return ratio(got.get(-15.0)), ratio(got.get(DRY_PLATE))


def _factor(rms: float | None) -> str:
    return "?" if rms is None else f"{math.exp(rms):.2f}"


def _tell_apart(plan: Plan, pair: tuple[str, str]) -> tuple[list[list[Any]], dict[str, Any]]:
    """Readings that part two tables, best first: [measure, degC, share of sigma, first, second,
    deviations].
    """
    at = (-5.5, -15.0, -22.0) if plan.quick else GRID_C
    water = (0.25, 1.0) if plan.quick else GRID_WATER
    sides = [_with_moves(Member(t)) for t in pair]
    until = (("minutes", MINUTES[plan.level]),)

    def cell(t: float, w: float, m: Member) -> Cell:
        # a share of the supersaturation over ice at water saturation, not of the vapour pressure
        sigma = 100 * w * float(sigma_at_water_saturation(celsius_to_kelvin(t)))
        return Cell(t, ("sigma", round(sigma, 3)), until, m, voxel_um=2.0 if plan.quick else 1.0)

    grown = plan.grow([cell(t, w, m) for t in at for w in water for side in sides for m in side])
    found: list[list[Any]] = []
    best: dict[str, list[list[float | None]]] = {key: [] for key in NAMES}
    for t in at:
        line: dict[str, list[float | None]] = {key: [] for key in NAMES}
        for w in water:
            got = [[grown[cell(t, w, m)].at() for m in side] for side in sides]
            reads = [[r for r in side if r is not None] for side in got]
            whole = all(len(r) == len(side) for r, side in zip(reads, sides, strict=True))
            for key in NAMES:
                # a spread with a crystal missing would be too small
                z = _deviations(reads, key) if whole else None
                line[key].append(z)
                if z is not None:
                    found.append([NAMES[key], t, w, reads[0][0][key], reads[1][0][key], z])
        for key in NAMES:
            best[key].append(line[key])
    found.sort(key=lambda row: -row[5])
    return found, {"temperature_c": list(at), "water_fraction": list(water), "deviations": best}


def _with_moves(member: Member) -> list[Member]:
    return [member, *(member.changed(what, f) for what in OTHER_WAYS for f in (0.5, 1.5))]


def _deviations(sides: list[list[Mapping[str, Any]]], key: str) -> float | None:
    """|difference| over the root of reading error and both tables' own spread, squared and added.

    Each side: the reading by the table as it stands first, then those by its moved forms. By logarithms,
    except for the hollow share, which may be 0.
    """

    def scale(r: Mapping[str, Any]) -> float:
        return float(r[key]) if key == "hollow_share" else math.log(max(float(r[key]), 1e-12))

    gap = abs(scale(sides[0][0]) - scale(sides[1][0]))
    error = max(_reading_error(side[0], key) for side in sides)
    spreads = [_half_range([scale(r) for r in side]) for side in sides]
    return gap / math.sqrt(error**2 + sum(x * x for x in spreads))


def _reading_error(read: Mapping[str, Any], key: str) -> float:
    """Standard error of one reading, relative (of the hollow share: absolute)."""
    a, c = (max(LENGTH_ERROR, LEAST_UM / float(read[size])) for size in ("radius_um", "thickness_um"))
    return {
        "radius_um": a,
        "thickness_um": c,
        "mass_ug": max(MASS_ERROR, math.hypot(2 * a, c)),
        "aspect_ratio": math.hypot(a, c),
        "hollow_share": max(HOLLOW_ERROR, LEAST_UM / float(read["thickness_um"])),
    }[key]


def _half_range(values: list[float]) -> float:
    return (max(values) - min(values)) / 2
