"""Kinetics by a short spec: a table, and what was changed in it; so that rivals and doubts can be enumerated.

A ``Member`` is plain text and numbers (it travels to worker processes and into file names); ``build`` makes
the attachment model. Three kinds of change:

* the dips of "broad-narrow": ``basal_depth``, ``basal_centre_c``, ``basal_half_width_k``, the same for
  ``prism``, and ``subgrid_um``, each set to a value;
* a factor on a barrier: ``sigma0 basal``, ``sigma0 prism`` at all temperatures, or ``sigma0 prism -15`` at
  one point of a table of barriers; ``A basal``, ``A prism`` likewise (never above 1);
* ``blend``: ln alpha = (1 - x) ln alpha(this table) + x ln alpha(the other built-in one).

The first and the third make the one-parameter families between the two built-in tables: "broad-narrow" loses
a dip as its depth goes to 1 ("layer-fits" has none), and a blend goes all the way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from icewright import kinetics
from icewright.ground.errors import KineticsError
from icewright.ground.units import celsius_to_kelvin, kelvin_to_celsius
from icewright.kinetics.barriers import BarrierKinetics, Dip, Point
from icewright.kinetics.model import ALPHA_MIN, FACETS, FloatArray, Kinetics, check_facet

DIP_KEYS = tuple(f"{facet}_{key}" for facet in FACETS for key in ("depth", "centre_c", "half_width_k"))
SUBGRID = "subgrid_um"
BLEND = "blend"
FACTOR_MOVED = 0.5  # "50 % either way"

# The families: what is varied over which values. The member that equals the table as it stands is among them.
FAMILIES: dict[str, tuple[float, ...]] = {
    "basal_depth": (0.05, 0.1, 0.3, 1.0),
    "basal_centre_c": (-6.0, -4.5, -3.0),
    "basal_half_width_k": (1.0, 2.0, 4.0),
    "prism_depth": (0.05, 0.1, 0.3, 1.0),
    "prism_centre_c": (-17.0, -14.5, -12.0),
    "prism_half_width_k": (1.0, 2.0, 4.0),
    BLEND: (0.0, 0.25, 0.5, 0.75, 1.0),
}


@dataclass(frozen=True)
class Member:
    """A table by name or file, and the changes made in it: pairs of (what, value), in order."""

    base: str
    changes: tuple[tuple[str, float], ...] = ()

    @property
    def name(self) -> str:
        """`broad-narrow`, or `broad-narrow (prism_depth 0.3)`; of a file its name without folder and
        ending.
        """
        base = Path(self.base).stem if self.base.endswith(".toml") else self.base
        if not self.changes:
            return base
        said = ", ".join(
            f"{what} {'x ' if _is_factor(what) else ''}{value:g}" for what, value in self.changes
        )
        return f"{base} ({said})"

    def changed(self, what: str, value: float) -> Member:
        """The same with one change more."""
        return Member(self.base, (*self.changes, (what, value)))

    def build(self) -> Kinetics:
        """The attachment model. Raises ``KineticsError`` for a table or change that cannot be."""
        made = kinetics.load(self.base)
        for what, value in self.changes:
            made = _apply(made, what, value)
        return made

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {"base": self.base, "changes": [list(pair) for pair in self.changes]}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Member:
        """Back from ``to_dict``."""
        return cls(str(data["base"]), tuple((str(w), float(v)) for w, v in data["changes"]))


def family(what: str, base: str = "broad-narrow") -> list[Member]:
    """The members of one family, in the order of its parameter; see ``FAMILIES``.

    Raises ``KineticsError`` for a family that does not exist.
    """
    if what not in FAMILIES:
        raise KineticsError("No such family.", got=what, wanted="one of " + ", ".join(FAMILIES))
    return [Member(base, ((what, value),)) for value in FAMILIES[what]]


def moves(base: str, temperatures_c: tuple[float, ...] = ()) -> list[Member]:
    """The table with each value moved by 50 % either way, one at a time.

    Whole columns of barriers and amplitudes first, then (for a table of barriers) each point that is felt at
    one of ``temperatures_c``, each dip's depth, centre (in degC) and half-width, and the sub-grid width. For
    a table of another form only the two barriers are moved as a whole. Centres move by half their degC,
    which is far more than anybody doubts them; taken literally all the same.
    """
    table = kinetics.load(base)
    out: list[Member] = []

    def both(what: str, value: float = 1.0) -> None:
        out.extend(Member(base, ((what, value * f),)) for f in (1 - FACTOR_MOVED, 1 + FACTOR_MOVED))

    for facet in FACETS:
        both(f"sigma0 {facet}")
    if not isinstance(table, BarrierKinetics):
        return out
    for facet in FACETS:
        both(f"A {facet}")
    for i, facet in enumerate(FACETS):
        for t in sorted({kelvin_to_celsius(p.temperature_k) for p in _felt(table, i, temperatures_c)}):
            both(f"sigma0 {facet} {t:g}")
            both(f"A {facet} {t:g}")
        dip = table.dips[i]
        if dip is not None:
            both(f"{facet}_depth", dip.depth)
            both(f"{facet}_centre_c", kelvin_to_celsius(dip.centre_k))
            both(f"{facet}_half_width_k", dip.half_width_k)
    if table.width_law.is_subgrid:
        both(SUBGRID, table.width_law.subgrid_width_m * 1e6)
    return out


def shaken(base: str, count: int, seed: int = 1) -> list[Member]:
    """``count`` members with every value moved at once, each by +50 or -50 % by the toss of a coin
    (``seed``).
    """
    table = kinetics.load(base)
    temperatures: tuple[float, ...] = ()
    if isinstance(table, BarrierKinetics):
        temperatures = tuple(kelvin_to_celsius(p.temperature_k) for rows in table.points for p in rows)
    each: dict[str, list[float]] = {}
    for member in moves(base, temperatures):
        what, value = member.changes[0]
        if not (isinstance(table, BarrierKinetics) and what in _COLUMNS):  # points move on their own
            each.setdefault(what, []).append(value)
    rng = np.random.default_rng(seed)
    return [
        Member(base, tuple((what, ends[int(rng.integers(2))]) for what, ends in each.items()))
        for _ in range(count)
    ]


@dataclass(frozen=True)
class Blend:
    """ln alpha mixed from two models; satisfies ``kinetics.model.Kinetics``. ``share`` of the second,
    0..1.
    """

    first: Kinetics
    second: Kinetics
    share: float

    def __post_init__(self) -> None:
        if not 0 <= self.share <= 1:
            raise KineticsError("A blend needs a share.", got=str(self.share), wanted="0 to 1")

    @property
    def name(self) -> str:
        """Both names and the share."""
        return f"{self.first.name} to {self.second.name}, {self.share:g} of the way"

    @property
    def valid_range_k(self) -> tuple[float, float]:
        """Where both are valid, K."""
        a, b = self.first.valid_range_k, self.second.valid_range_k
        return max(a[0], b[0]), min(a[1], b[1])

    def alpha(self, temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """Attachment coefficient; see ``kinetics.model.Kinetics.alpha``."""
        logs = [np.log(k.alpha(temperature_k, sigma, facet, width_m)) for k in (self.first, self.second)]
        return np.asarray(np.exp((1 - self.share) * logs[0] + self.share * logs[1]), dtype=np.float64)

    def sources(self) -> tuple[str, ...]:
        """Sources of both."""
        return tuple(dict.fromkeys((*self.first.sources(), *self.second.sources())))

    def from_memory(self, temperature_k: float) -> bool:
        """True if either hangs on values from memory here."""
        return self.first.from_memory(temperature_k) or self.second.from_memory(temperature_k)

    def notes(self, temperature_k: float) -> str:
        """What this is, then the notes of both."""
        said = (
            f"a blend for comparison, {self.share:g} of the way from {self.first.name} to {self.second.name}"
        )
        return "\n".join([said, self.first.notes(temperature_k), self.second.notes(temperature_k)])


@dataclass(frozen=True)
class Rescaled:
    """A model whose barriers are multiplied by ``factors`` (basal, prism); satisfies ``Kinetics``.

    Both forms of layer nucleation here depend on sigma over the barrier alone, so the barrier is raised by
    asking at a sigma lower by the same factor.
    """

    inner: Kinetics
    factors: tuple[float, float]

    @property
    def name(self) -> str:
        """The inner name, marked."""
        return f"{self.inner.name}, barriers x {self.factors[0]:g} (basal), {self.factors[1]:g} (prism)"

    @property
    def valid_range_k(self) -> tuple[float, float]:
        """As the inner model, K."""
        return self.inner.valid_range_k

    def alpha(self, temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """Attachment coefficient; see ``kinetics.model.Kinetics.alpha``."""
        scaled = np.asarray(sigma, dtype=np.float64) / self.factors[check_facet(facet)]
        return np.maximum(self.inner.alpha(temperature_k, scaled, facet, width_m), ALPHA_MIN)

    def sources(self) -> tuple[str, ...]:
        """As the inner model."""
        return self.inner.sources()

    def from_memory(self, temperature_k: float) -> bool:
        """As the inner model."""
        return self.inner.from_memory(temperature_k)

    def notes(self, temperature_k: float) -> str:
        """That barriers were moved, then the notes of the inner model."""
        basal, prism = self.factors
        said = f"barriers multiplied by {basal:g} (basal) and {prism:g} (prism), to see what hangs on them"
        return f"{said}\n{self.inner.notes(temperature_k)}"


_COLUMNS = tuple(f"{kind} {facet}" for kind in ("sigma0", "A") for facet in FACETS)


def _is_factor(what: str) -> bool:
    return what.startswith(("sigma0 ", "A "))


def _apply(table: Kinetics, what: str, value: float) -> Kinetics:
    if what == BLEND:
        other = next((n for n in kinetics.names() if n != table.name), kinetics.names()[0])
        return Blend(table, kinetics.load(other), value)
    if _is_factor(what):
        return _scaled(table, what, value)
    if not isinstance(table, BarrierKinetics):
        raise KineticsError(
            f"The kinetics {table.name!r} have no {what}.", got=what, wanted="a table of barriers with dips"
        )
    if what == SUBGRID:
        return table.with_(subgrid_width_m=value * 1e-6)
    if what in DIP_KEYS:
        facet, key = what.split("_", 1)
        dip = table.dips[FACETS.index(facet)]
        if dip is None:
            raise KineticsError(
                f"The table {table.name!r} has no {facet} dip.", got=what, wanted="a table with it"
            )
        moved = _dip(dip, key, value)
        return table.with_(basal_dip=moved) if facet == "basal" else table.with_(prism_dip=moved)
    raise KineticsError("No such change.", got=what, wanted=", ".join((*DIP_KEYS, SUBGRID, BLEND, *_COLUMNS)))


def _dip(dip: Dip, key: str, value: float) -> Dip:
    if key == "depth":
        return replace(dip, depth=value)
    if key == "centre_c":
        return replace(dip, centre_k=celsius_to_kelvin(value))
    return replace(dip, half_width_k=value)


def _scaled(table: Kinetics, what: str, by: float) -> Kinetics:
    kind, facet, *at = what.split()
    i = FACETS.index(facet)
    if not isinstance(table, BarrierKinetics):
        if kind != "sigma0" or at:
            raise KineticsError(
                f"The kinetics {table.name!r} are no table of barriers.", got=what, wanted=f"sigma0 {facet}"
            )
        return Rescaled(table, (by, 1.0) if i == 0 else (1.0, by))
    chosen = [
        not at or abs(kelvin_to_celsius(p.temperature_k) - float(at[0])) < 1e-6 for p in table.points[i]
    ]
    if not any(chosen):
        raise KineticsError(
            f"The table {table.name!r} has no point there.", got=what, wanted="one of its points"
        )
    rows = tuple(_moved(p, kind, by) if c else p for p, c in zip(table.points[i], chosen, strict=True))
    points = (rows, table.points[1]) if i == 0 else (table.points[0], rows)
    return replace(table, points=points)


def _moved(p: Point, kind: str, by: float) -> Point:
    if kind == "sigma0":
        return replace(p, sigma0=p.sigma0 * by)
    return replace(p, amplitude=min(p.amplitude * by, 1.0))


def _felt(table: BarrierKinetics, facet: int, temperatures_c: tuple[float, ...]) -> list[Point]:
    """Points between which one of the temperatures lies."""
    rows = table.points[facet]
    felt: list[Point] = []
    for t in temperatures_c:
        k = celsius_to_kelvin(t)
        above = [p for p in rows if p.temperature_k >= k - 1e-9]
        below = [p for p in rows if p.temperature_k <= k + 1e-9]
        felt += above[:1] + below[-1:]
    return list(dict.fromkeys(felt))


__all__ = ["FAMILIES", "Blend", "Member", "Rescaled", "family", "moves", "shaken"]
