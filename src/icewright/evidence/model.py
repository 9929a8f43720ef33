"""What a comparison with the outside is: what a source states, what the model gives, and the verdict.

Rules that every comparison keeps. Nothing is tuned to it. An outside value that nobody here has confirmed
("from memory") never makes a verdict: its misfit is printed and the verdict is "cannot tell". The same where
a crystal could not be grown, or the solver had not settled.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, Protocol

from icewright.evidence.cells import Cell, Grown, Shelf, Spread, grow, one_by_one
from icewright.kinetics.family import Member

Verdict = Literal["agrees", "disagrees", "cannot tell"]
AGREES: Verdict = "agrees"
DISAGREES: Verdict = "disagrees"
CANNOT_TELL: Verdict = "cannot tell"
Level = Literal["quick", "full"]
FROM_MEMORY = "from memory"


@dataclass(frozen=True)
class Row:
    """One value of the model beside one of the outside.

    ``misfit`` is relative (model over outside, less 1) unless ``what`` says otherwise; ``known`` says how the
    outside value is known: "public" (confirmed enough to judge by), "read", "common practice", "from memory".
    """

    what: str
    outside: str
    known: str
    kinetics: str
    diffusivity: str
    value: float | None
    unit: str
    misfit: float | None
    verdict: Verdict
    note: str = ""


@dataclass(frozen=True)
class Finding:
    """All rows of a comparison, with the words that go with them.

    ``said``: what was found, a few plain sentences; ``cause``: the likely physical cause of what does not
    fit; ``tables``: further tables, each {"title", "columns", "rows"}; ``plots``: numbers for its picture.
    """

    rows: tuple[Row, ...]
    said: tuple[str, ...] = ()
    cause: str = ""
    tables: tuple[Mapping[str, Any], ...] = ()
    plots: Mapping[str, Any] = field(default_factory=dict)
    overall: Mapping[str, str] = field(default_factory=dict)  # words instead of a verdict, by kinetics

    def verdicts(self) -> dict[str, Verdict]:
        """One verdict for each kinetics: the strictest of its rows, "cannot tell" counting least."""
        names = list(dict.fromkeys(row.kinetics for row in self.rows))
        return {name: together([r.verdict for r in self.rows if r.kinetics == name]) for name in names}

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {**asdict(self), "verdicts": self.verdicts()}


@dataclass
class Plan:
    """What to compare, how thoroughly and how to grow it.

    ``tables``: kinetics by name or file; ``diffusivities``: published formulas; ``used``: keys of all cells
    asked for; ``told``: called with (cells done, cells in all, words) while cells grow.
    """

    level: Level = "quick"
    tables: tuple[str, ...] = ("layer-fits", "broad-narrow")
    diffusivities: tuple[str, ...] = ("1976",)
    shelf: Shelf = field(default_factory=Shelf)
    spread: Spread = one_by_one
    told: Callable[[int, int, str], None] = lambda done, of, words: None
    used: set[str] = field(default_factory=set)

    @property
    def quick(self) -> bool:
        """True for the version that runs in the default tests."""
        return self.level == "quick"

    def members(self) -> list[Member]:
        """The tables as they stand."""
        return [Member(name) for name in self.tables]

    def grow(self, cells: Sequence[Cell]) -> dict[Cell, Grown]:
        """Every cell's result; those on the shelf are taken from it, the others grown and put there."""
        each = list(dict.fromkeys(cells))
        self.used |= {cell.key() for cell in each}
        missing = [cell for cell in each if self.shelf.get(cell) is None]
        done = len(each) - len(missing)
        self.told(done, len(each), "")

        def landed(i: int, result: dict[str, Any]) -> None:
            nonlocal done
            cell = missing[i]
            self.shelf.put(cell, result)
            done += 1
            where = f"{cell.temperature_c:g} degC, {cell.kinetics.name[:40]}"
            self.told(done, len(each), result["failed"] or where)

        self.spread(grow, missing, landed)
        out: dict[Cell, Grown] = {}
        for cell in each:
            held = self.shelf.get(cell)
            assert held is not None
            out[cell] = held
        return out


class Comparison(Protocol):
    """One comparison with the outside; a module of this package holds one."""

    @property
    def name(self) -> str:
        """Short, as in file names."""

    @property
    def title(self) -> str:
        """The question, in words."""

    @property
    def source(self) -> str:
        """Journal, volume, page, year, DOI, and how it is known here."""

    @property
    def states(self) -> str:
        """What the source states."""

    def run(self, plan: Plan) -> Finding:
        """Grow what is needed and judge it."""


def together(verdicts: Sequence[Verdict]) -> Verdict:
    """One disagreement makes it "disagrees"; else one agreement makes it "agrees"."""
    if DISAGREES in verdicts:
        return DISAGREES
    return AGREES if AGREES in verdicts else CANNOT_TELL


def judged(value: float | None, low: float, high: float, known: str = "public") -> Verdict:
    """Agrees within low..high and disagrees outside; cannot tell without a value, or from memory."""
    if value is None or known == FROM_MEMORY:
        return CANNOT_TELL
    return AGREES if low <= value <= high else DISAGREES
