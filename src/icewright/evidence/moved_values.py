"""Which conclusions survive when every value from memory is moved by 50 % either way."""

from __future__ import annotations

from icewright.evidence import standard_set
from icewright.evidence.model import (
    AGREES,
    CANNOT_TELL,
    DISAGREES,
    FROM_MEMORY,
    Finding,
    Plan,
    Row,
    Verdict,
)
from icewright.evidence.standard_set import Statement, statements
from icewright.kinetics.family import Member, moves, shaken

name = "moved-values"
title = "Which conclusions survive when every value from memory is moved by 50 % either way?"
source = "the statements: as in the comparisons below. The moves: ours"
states = "what the outside says of each statement is in its row"
SHAKEN = {"quick": 3, "full": 16}
AIR = ("1976 x 0.5", "1976 x 1.5")
AIR_AS_KNOWN = ("1976 x 0.95", "1976 x 1.05")  # the three published formulas lie within 6 %


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    rows: list[Row] = []
    table, counts, overall = [], [], {}
    asked: list[tuple[Member, str]] = []
    groups: dict[str, tuple[list[tuple[Member, str]], list[Member]]] = {}
    for member in plan.members():
        alone = _one_by_one(plan, member)
        at_once = shaken(member.base, SHAKEN[plan.level])
        groups[member.name] = (alone, at_once)
        asked += [(member, "1976"), *alone, *((m, "1976") for m in at_once)]
        asked += [(member, d) for d in AIR_AS_KNOWN]
    grown = {key: standard_set.reads(each) for key, each in standard_set.grow(plan, asked).items()}
    for kinetics, (alone, at_once) in groups.items():
        base, known_air = grown[kinetics, "1976"], 0
        for statement in statements(plan):
            answer = statement.holds(plan, base)
            each = [(m, d, statement.holds(plan, grown[m.name, d])) for m, d in alone]
            flips = [_words(m, d) for m, d, got in each if got is not None and got is not answer]
            lost = [_words(m, d) for m, d, got in each if got is None]
            by_air = [f for f in flips if f.startswith("D ")]
            in_known_air = [statement.holds(plan, grown[kinetics, d]) for d in AIR_AS_KNOWN]
            same = [statement.holds(plan, grown[m.name, "1976"]) for m in at_once]
            told = [s for s in same if s is not None]
            kept = sum(s is answer for s in told)
            firm = answer is not None and not lost and kept == len(same)
            survives = firm and not flips
            but_air = firm and flips == by_air and all(got is answer for got in in_known_air)
            known_air += but_air
            rows.append(
                Row(
                    statement.words,
                    _yes(statement.true_outside),
                    statement.known,
                    kinetics,
                    "1976, and x 0.5, x 1.5",
                    len(flips) / len(alone) if answer is not None else None,
                    "of single moves turn it",
                    None,
                    _verdict(statement, answer, survives),
                    f"model as it stands: {_yes(answer)}; "
                    + ("SURVIVES" if survives else "survives but for D" if but_air else "does not survive"),
                )
            )
            table.append(
                [
                    statement.words,
                    kinetics,
                    _yes(answer),
                    _yes(statement.true_outside),
                    f"{len(flips)} of {len(alone)}"
                    + (f": {', '.join(flips)}" if flips else "")
                    + (f"; cannot tell with {', '.join(lost)}" if lost else ""),
                    f"kept in {kept} of {len(told)}" if told else "nothing to move",
                ]
            )
        own = [r for r in rows if r.kinetics == kinetics]
        counts.append(_count(kinetics, own))
        firm_ones = sum(r.verdict != CANNOT_TELL for r in own)
        overall[kinetics] = (
            f"{firm_ones} of {len(own)} statements survive; {known_air} if D moves by the 5 % to which it is "
            "known"
        )
    return Finding(
        tuple(rows),
        (
            *counts,
            "Moved: every barrier, amplitude (never above 1), dip depth, centre and half-width, the "
            "sub-grid width and the diffusivity, alone; then all of the table's at once, each up or down "
            "by the toss of a coin. The physical width of the rim changes nothing while the sub-grid width "
            "is larger. Not moved: what two independent routes confirm (heat of sublimation to 0.01 %, "
            "saturation pressures). `layer-fits` was read, not remembered; its two barriers are moved all "
            "the same, since no uncertainty was stated for them.",
            "A verdict here is of a statement: agrees or disagrees with the outside whatever is moved, "
            "else cannot tell.",
            "50 % is literal also where nobody doubts so much: the three diffusivities lie within 6 %, and "
            "a dip's centre moves by degrees.",
        ),
        "What does not survive hangs on numbers that nobody here has read: it is no prediction yet, "
        "whichever side it comes down on. Reading the two tables named in "
        "docs/physics/vapour-and-kinetics.md would settle most of it.",
        (
            {
                "title": "Statements, one value moved at a time and all at once",
                "columns": [
                    "statement",
                    "kinetics",
                    "as it stands",
                    "outside",
                    "turned by single moves",
                    "all at once",
                ],
                "rows": table,
            },
        ),
        {"rows": [[r.what, r.kinetics, r.verdict, r.note] for r in rows]},
        overall,
    )


def _one_by_one(plan: Plan, member: Member) -> list[tuple[Member, str]]:
    at = () if plan.quick else (*standard_set.FULL_C, -5.0)
    return [*((m, "1976") for m in moves(member.base, at)), *((member, d) for d in AIR)]


def _words(member: Member, diffusivity: str) -> str:
    return member.name.partition(" (")[2].rstrip(")") or f"D {diffusivity.partition(' ')[2]}"


def _yes(answer: bool | None) -> str:
    return {True: "yes", False: "no", None: "cannot tell"}[answer]


def _verdict(statement: Statement, answer: bool | None, survives: bool) -> Verdict:
    if not survives or statement.known == FROM_MEMORY:
        return CANNOT_TELL
    return AGREES if answer is statement.true_outside else DISAGREES


def _count(kinetics: str, rows: list[Row]) -> str:
    right = [r.what for r in rows if r.verdict == AGREES]
    wrong = [r.what for r in rows if r.verdict == DISAGREES]
    air = [r.what for r in rows if "but for D" in r.note]
    said = f"{kinetics}: {len(right) + len(wrong)} of {len(rows)} statements survive"
    said += f"; right whatever is moved: {'; '.join(right) or 'none'}"
    said += f". Wrong whatever is moved: {'; '.join(wrong) or 'none'}"
    said += f". Turned by D x 0.5 or x 1.5 alone, not within 5 % of D: {'; '.join(air) or 'none'}"
    return said + "."
