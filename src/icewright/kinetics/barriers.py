"""Nucleation barriers on broad facets, with dips on narrow ones: the form shared by tables of that kind.

alpha = A(T) exp(-f(T, w) sigma0(T)/sigma). sigma0 and A are given at a few temperatures for each facet;
between them ln sigma0 and A are interpolated linearly, beyond them the end value is held. f is the
narrow-facet factor::

    d(T)    = 1 - (1 - depth) exp(-ln2 ((T - centre)/half_width)^2)
    f(T, w) = [(d^4 + r^4)/(1 + r^4)]^(1/4),  r = w/W

so f -> d on a facet much narrower than d W, f is about w/W between, and f -> 1 on a broad facet; f = 1 at
all widths where the dip is not felt. W is the larger of the physical width of the rim effect and the sub-grid
width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from icewright.ground.errors import KineticsError
from icewright.ground.units import kelvin_to_celsius, um
from icewright.kinetics.model import FACETS, FloatArray, check_facet, layer_nucleation

Standing = Literal["measured", "fitted", "abstract", "from memory"]

# Fourth powers keep the law within 20 % of clip(w/W, d, 1) at its two corners, and smooth.
_SHARPNESS = 4


@dataclass(frozen=True)
class Point:
    """Barrier of one facet at one temperature, with where it comes from.

    ``sigma0`` and ``amplitude`` are fractions; ``uncertainty`` is relative and belongs to sigma0 (None: not
    stated where we read it); ``standing``: measured, fitted, read in an abstract, or from memory.
    """

    temperature_k: float
    sigma0: float
    amplitude: float
    uncertainty: float | None
    source_key: str
    standing: Standing


@dataclass(frozen=True)
class Dip:
    """Narrow-facet dip of the barrier: ``depth`` is the factor left on the narrowest facet at ``centre_k``.

    ``half_width_k`` is half the width at half the depth; ``uncertainty`` is relative, of the depth.
    """

    centre_k: float
    depth: float
    half_width_k: float
    uncertainty: float | None
    source_key: str
    standing: Standing

    def factor(self, temperature_k: float) -> float:
        """Factor on sigma0 of the narrowest facet at ``temperature_k``: ``depth`` at the centre."""
        x = (temperature_k - self.centre_k) / self.half_width_k
        return 1.0 - (1.0 - self.depth) * math.exp(-math.log(2.0) * x * x)


@dataclass(frozen=True)
class WidthLaw:
    """Over what facet width the dip fades.

    ``physical_width_m`` is the width of the real rim effect. ``subgrid_width_m``, if larger, takes its place:
    a sub-grid device for lattices whose voxels are far larger than the rim. Set it to 0 for the physical law.
    """

    physical_width_m: float
    subgrid_width_m: float
    source_key: str
    standing: Standing

    @property
    def width_m(self) -> float:
        """The width in force, m."""
        return max(self.physical_width_m, self.subgrid_width_m)

    @property
    def is_subgrid(self) -> bool:
        """True if the sub-grid width, not the physical one, is in force."""
        return self.subgrid_width_m > self.physical_width_m

    def factor(self, width_m: FloatArray, dip: float) -> FloatArray:
        """Factor on sigma0 at facet width ``width_m`` (m, any shape) where the dip is ``dip``; same shape."""
        # Beyond 1e6 widths f is 1 to the last digit; the limit keeps r^4 finite for an infinite width.
        r = np.clip(np.asarray(width_m, dtype=np.float64) / self.width_m, 0.0, 1e6) ** _SHARPNESS
        return np.asarray(((dip**_SHARPNESS + r) / (1.0 + r)) ** (1.0 / _SHARPNESS), dtype=np.float64)


@dataclass(frozen=True)
class BarrierKinetics:
    """Attachment by layer nucleation from a table of barriers; satisfies ``kinetics.model.Kinetics``.

    ``points[facet]`` are sorted here by temperature; ``dips[facet]`` is a ``Dip`` or None. Raises
    ``KineticsError`` for a value that cannot be (sigma0 not above 0, amplitude outside 0..1, and so on).
    """

    name: str
    points: tuple[tuple[Point, ...], tuple[Point, ...]]
    dips: tuple[Dip | None, Dip | None]
    width_law: WidthLaw
    valid_range_k: tuple[float, float]
    remark: str = ""
    extra_sources: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        ordered = tuple(tuple(sorted(rows, key=lambda p: p.temperature_k)) for rows in self.points)
        object.__setattr__(self, "points", ordered)
        for facet, rows in zip(FACETS, ordered, strict=True):
            _check_rows(facet, rows)
        for facet, dip in zip(FACETS, self.dips, strict=True):
            if dip is not None:
                _check_dip(facet, dip)
        if not (self.width_law.width_m > 0 and math.isfinite(self.width_law.width_m)):
            raise KineticsError(
                "The width law needs a width.", got=f"{self.width_law.width_m} m", wanted="metres above zero"
            )

    def barrier(self, temperature_k: float, facet: int) -> tuple[float, float]:
        """(sigma0, A) of a broad facet, fractions, at ``temperature_k``."""
        rows = self.points[check_facet(facet)]
        T = [p.temperature_k for p in rows]
        ln_sigma0 = np.interp(temperature_k, T, [math.log(p.sigma0) for p in rows])
        return math.exp(ln_sigma0), float(np.interp(temperature_k, T, [p.amplitude for p in rows]))

    def narrow_factor(self, temperature_k: float, facet: int, width_m: FloatArray) -> FloatArray:
        """Factor f(T, w) on sigma0, in the shape of ``width_m`` (m)."""
        dip = self.dips[check_facet(facet)]
        return self.width_law.factor(width_m, 1.0 if dip is None else dip.factor(temperature_k))

    def alpha(self, temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """Attachment coefficient; see ``kinetics.model.Kinetics.alpha`` and the top of this module."""
        sigma0, amplitude = self.barrier(temperature_k, facet)
        return layer_nucleation(sigma, sigma0 * self.narrow_factor(temperature_k, facet, width_m), amplitude)

    def sources(self) -> tuple[str, ...]:
        """Source keys of every point, dip and width law, each once."""
        keys = [p.source_key for rows in self.points for p in rows]
        if any(self.dips):
            keys += [dip.source_key for dip in self.dips if dip is not None]
            keys += [self.width_law.source_key]
        return tuple(dict.fromkeys([*keys, *self.extra_sources]))

    def from_memory(self, temperature_k: float) -> bool:
        """True if a barrier next to this temperature, or a dip felt there, is from memory."""
        near = [p.standing for facet in (0, 1) for p in self._neighbours(temperature_k, facet)]
        felt = self._felt(temperature_k)
        near += [dip.standing for _, dip in felt]
        near += [self.width_law.standing] if felt else []
        return "from memory" in near

    def notes(self, temperature_k: float) -> str:
        """Barriers, their uncertainty and standing, dips felt here and the width law, one a line."""
        lines = [self._barrier_note(temperature_k, facet) for facet in (0, 1)]
        felt = self._felt(temperature_k)
        lines += [self._dip_note(temperature_k, name, dip) for name, dip in felt]
        if felt:
            lines.append(self._width_note())
        return "\n".join([*lines, self.remark] if self.remark else lines)

    def with_(
        self,
        *,
        basal_dip: Dip | None = None,
        prism_dip: Dip | None = None,
        subgrid_width_m: float | None = None,
    ) -> BarrierKinetics:
        """The same table with another dip or sub-grid width; what is None stays as it is."""
        law = self.width_law
        if subgrid_width_m is not None:
            law = replace(law, subgrid_width_m=subgrid_width_m)
        return replace(self, dips=(basal_dip or self.dips[0], prism_dip or self.dips[1]), width_law=law)

    def _neighbours(self, temperature_k: float, facet: int) -> tuple[Point, ...]:
        rows = self.points[facet]
        above = next((i for i, p in enumerate(rows) if p.temperature_k >= temperature_k), len(rows))
        if above < len(rows) and rows[above].temperature_k == temperature_k:
            return (rows[above],)
        return rows[max(above - 1, 0) : above + 1]

    def _felt(self, temperature_k: float) -> list[tuple[str, Dip]]:
        # A dip that lowers the barrier by under 1 % changes nothing next to the barrier's own uncertainty.
        pairs = zip(FACETS, self.dips, strict=True)
        return [(name, dip) for name, dip in pairs if dip and dip.factor(temperature_k) < 0.99]

    def _barrier_note(self, temperature_k: float, facet: int) -> str:
        sigma0, amplitude = self.barrier(temperature_k, facet)
        near = self._neighbours(temperature_k, facet)
        standing = ", ".join(dict.fromkeys(p.standing for p in near))
        rows = self.points[facet]
        held = not rows[0].temperature_k <= temperature_k <= rows[-1].temperature_k
        return (
            f"{FACETS[facet]}: sigma0 {100 * sigma0:.3g} % {_spread([p.uncertainty for p in near])}, "
            f"A {amplitude:.2g} ({standing}{'; end value of the table held' if held else ''})"
        )

    def _dip_note(self, temperature_k: float, name: str, dip: Dip) -> str:
        return (
            f"{name} narrow-facet dip: sigma0 x {dip.factor(temperature_k):.2g} on the narrowest facets "
            f"(x {dip.depth:g} at {kelvin_to_celsius(dip.centre_k):.1f} degC, "
            f"half-width {dip.half_width_k:g} K; {dip.standing} {_spread([dip.uncertainty])})"
        )

    def _width_note(self) -> str:
        law = self.width_law
        physical = f"{um(law.physical_width_m):g} um (physical rim, {law.standing})"
        if not law.is_subgrid:
            return f"width law: the dip fades over {physical}"
        return (
            f"width law: the dip fades over {um(law.subgrid_width_m):g} um, a sub-grid device standing for "
            f"{physical}, far below the voxel size"
        )


def _spread(values: list[float | None]) -> str:
    known = [value for value in values if value is not None]
    return f"+-{100 * max(known):.0f} %" if known else "(uncertainty not stated)"


def _check_rows(facet: str, rows: tuple[Point, ...]) -> None:
    if not rows:
        raise KineticsError(f"The {facet} facet has no barriers.", wanted="at least one temperature")
    for p in rows:
        if not (0.0 < p.sigma0 < 10.0 and 0.0 < p.amplitude <= 1.0 and 0.0 < p.temperature_k < 274.0):
            raise KineticsError(
                f"A {facet} barrier that cannot be.",
                got=f"T = {p.temperature_k} K, sigma0 = {p.sigma0}, A = {p.amplitude}",
                wanted="T in K below 274, sigma0 above 0 (a fraction below 10), A above 0 and at most 1",
            )
    T = [p.temperature_k for p in rows]
    if len(set(T)) < len(T):
        raise KineticsError(f"The {facet} table gives one temperature twice.", got=str(T), wanted="each once")


def _check_dip(facet: str, dip: Dip) -> None:
    if not (0.0 < dip.depth <= 1.0 and dip.half_width_k > 0.0):
        raise KineticsError(
            f"A {facet} dip that cannot be.",
            got=f"depth = {dip.depth}, half-width = {dip.half_width_k} K",
            wanted="depth above 0 and at most 1 (the factor left on sigma0), half-width above 0",
        )
