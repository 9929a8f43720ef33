"""Thickness of thin plates from interference between the light thrown back by their two faces.

The optical case decides which fringe is bright, so it is never assumed. For a plate of index n and thickness
d, at an angle theta inside the ice, ``2 n d cos(theta) / wavelength`` counts waves, and bright in reflection
is

* ``free`` in air: a whole number and a half (the upper face alone turns the wave over);
* ``in-contact`` with a plate below of a larger index (glass, sapphire): a whole number (both turn it over);
  of a smaller index: as in air. An index close to that of ice gives hardly any fringes;
* a thin ``gap`` of air between ice and plate: neither; `reflectance` gives it whole, orders are refused.

Physics of one layer, any textbook of optics; the full reflectance is Airy's sum, layer by layer.
Transmitted light shows the same fringes with bright and dark exchanged, and weaker.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from icewright.ground.errors import IcewrightError
from icewright.measure.refractive_index import U_INDEX, U_ROUNDING, index_of_ice

FloatArray = NDArray[np.float64]
FREE, IN_CONTACT = CASES = ("free", "in-contact")


class InterferenceError(IcewrightError):
    """Fringes from which no thickness follows."""


@dataclass(frozen=True)
class Optics:
    """How the plate lies and how it is lit.

    case : "free" (air above and below) or "in-contact" (optical contact with a plate below).
    below_index : index of that plate; 1.52 for common glass, 1.77 for sapphire (common practice, no source).
    gap_m : thickness of air between ice and plate (m); 0 in contact. Only `reflectance` takes it.
    angle_rad : of incidence in the air.
    transmitted : the picture is taken in transmitted light.

    Raises InterferenceError for another case, for indices and angles that cannot be, and for a plate below
    whose index is that of ice.
    """

    case: str
    below_index: float | None = None
    gap_m: float = 0.0
    angle_rad: float = 0.0
    transmitted: bool = False

    def __post_init__(self) -> None:
        if self.case not in CASES:
            raise InterferenceError("The optical case.", got=repr(self.case), wanted=" | ".join(CASES))
        if self.case == IN_CONTACT and self.below_index is None:
            raise InterferenceError(
                "In contact, the index of the plate below decides which fringe is bright.",
                wanted="below_index: 1.52 for common glass, 1.77 for sapphire",
            )
        if self.case == FREE and (self.below_index is not None or self.gap_m):
            raise InterferenceError("A free plate has nothing below it.", do='Optics("in-contact", 1.52)')
        if self.below_index is not None:
            if not 1.0 <= self.below_index <= 4.0:
                raise InterferenceError("The index below.", got=str(self.below_index), wanted="1 to 4")
            if abs(self.below_index - 1.31) < 0.02:
                raise InterferenceError(
                    "A plate below with the index of ice gives no fringes.", got=str(self.below_index)
                )
        if not (math.isfinite(self.gap_m) and self.gap_m >= 0):
            raise InterferenceError("The gap of air.", got=f"{self.gap_m} m", wanted="zero or more")
        if not 0.0 <= self.angle_rad < 0.5 * math.pi:
            raise InterferenceError(
                "The angle.", got=f"{self.angle_rad} rad", wanted="0 to below a right angle"
            )

    @property
    def bright_order(self) -> float:
        """What must be added to a whole number to be a bright fringe: 0 or 0.5.

        Raises InterferenceError where a gap of air lies between ice and plate: there is no such number.
        """
        if self.gap_m > 0:
            raise InterferenceError(
                "With a gap of air below, fringes have no fixed order.",
                got=f"a gap of {self.gap_m * 1e9:g} nm",
                wanted="a free plate, or optical contact",
                do="compare with reflectance(...) instead",
            )
        half = self.case == FREE or float(self.below_index or 0.0) < 1.31
        return 0.5 if half != self.transmitted else 0.0

    def cosine(self, index: FloatArray) -> FloatArray:
        """Cosine of the angle inside ice of this index."""
        return np.asarray(np.sqrt(1.0 - (math.sin(self.angle_rad) / index) ** 2))


def reflectance(thickness_m: ArrayLike, wavelength_m: ArrayLike, optics: Optics) -> FloatArray:
    """Share of unpolarised light thrown back by the plate, shapes broadcast together.

    Airy's sum over the reflections in each layer, from the lowest face up; amplitudes by Fresnel. Lossless,
    so 1 minus it is transmitted (into the plate below, in contact).
    """
    d = np.asarray(thickness_m, dtype=np.float64)
    wavelength = np.asarray(wavelength_m, dtype=np.float64)
    ice = index_of_ice(wavelength)
    sine = math.sin(optics.angle_rad)
    layers: list[tuple[FloatArray, FloatArray]] = [(ice, d)]
    last = np.ones_like(ice)
    if optics.below_index is not None:
        last = np.full_like(ice, optics.below_index)
        if optics.gap_m > 0:
            layers.append((np.ones_like(ice), np.asarray(optics.gap_m)))
    indices = [np.ones_like(ice), *(n for n, _ in layers), last]
    out = np.zeros(np.broadcast_shapes(d.shape, wavelength.shape))
    for p in (False, True):
        # Admittance of each medium for this polarisation; amplitudes are their differences over sums.
        cosines = [np.sqrt(1.0 - (sine / n) ** 2) for n in indices]
        y = [n / c if p else n * c for n, c in zip(indices, cosines, strict=True)]
        r = (y[-2] - y[-1]) / (y[-2] + y[-1]) + 0j
        for k in range(len(layers), 0, -1):
            n, thick = layers[k - 1]
            turn = np.exp(4j * math.pi * n * thick * cosines[k] / wavelength)
            face = (y[k - 1] - y[k]) / (y[k - 1] + y[k])
            r = (face + r * turn) / (1.0 + face * r * turn)
        out = out + 0.5 * np.abs(r) ** 2
    return np.asarray(out)


def fringe_m(wavelength_m: float, angle_rad: float = 0.0) -> float:
    """Change of thickness from one bright fringe to the next (m): half a wave in the ice over the cosine."""
    n = float(index_of_ice(wavelength_m))
    return wavelength_m / (2.0 * n * math.sqrt(1.0 - (math.sin(angle_rad) / n) ** 2))


# --- fringes against time -----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class FringeRecord:
    """Thickness that changes while one colour is watched.

    time_s : moments of the bright and dark fringes, float64[n].
    bright : bool[n].
    change_m : thickness since the first of them (m), rising by half a fringe each; u_change_m : its standard
        uncertainty, from the noise at each turning point and the index.
    rate_m_s, u_rate_m_s : slope of a straight line through all of them.
    steadiness : rms distance from that line over half a fringe; above about 0.5 the rate changed on the way.
    possible_m : thicknesses at the first fringe that the optical case allows, up to the limit asked for.
    warnings : what speaks against the count, in words.
    """

    time_s: FloatArray
    bright: NDArray[np.bool_]
    change_m: FloatArray
    u_change_m: FloatArray
    rate_m_s: float
    u_rate_m_s: float
    steadiness: float
    possible_m: FloatArray
    warnings: tuple[str, ...]


def count_fringes(
    time_s: ArrayLike,
    brightness: ArrayLike,
    wavelength_m: float,
    optics: Optics,
    *,
    thinning: bool = False,
    at_most_m: float = 50e-6,
) -> FringeRecord:
    """Read the growth in thickness from the brightness of one place against time, in one colour.

    One colour cannot tell growing from thinning, nor which fringe is the first: ``thinning`` is the user's
    word, and the first thickness is a list of possibilities. Use `thickness_from_maxima` to choose from it.

    Parameters
    ----------
    time_s, brightness : [n], times rising; any unit of brightness, lamp steady to well below the fringes.
    at_most_m : longest thickness to list.

    Raises
    ------
    InterferenceError : arrays that do not fit, fewer than three turning points, fringes no larger than the
        noise, or an optical case without fixed orders.
    """
    t, y = _record(time_s, brightness)
    fringe = fringe_m(wavelength_m, optics.angle_rad)
    add = optics.bright_order
    at, top, u_at, swing, told = _turning_points(t, y)
    sign = -1.0 if thinning else 1.0
    change = np.asarray(sign * 0.5 * fringe * np.arange(at.size), dtype=np.float64)
    rate, u_rate, off = _line(at, change)
    share = U_INDEX / float(index_of_ice(wavelength_m))
    u_change: FloatArray = np.hypot(abs(rate) * np.hypot(u_at, u_at[0]), np.abs(change) * share)
    steady = float(np.sqrt(np.mean(off**2)) / (0.5 * fringe))
    # A reversal mirrors the record about itself: two like gaps much shorter than those around them, with a
    # turning point between them that does not reach as far as the others.
    short = swing < 0.6 * np.median(swing)
    if short.any():
        when = ", ".join(f"{v:.4g}" for v in at[short][:4])
        told.append(f"fringes at {when} s stop half-way: growth may have turned round there; count by parts")
    gaps = np.diff(at)
    if gaps.size >= 4:
        padded = np.pad(gaps, 2, mode="edge")
        usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
        odd = np.abs(gaps / usual - 1.0) > 0.35
        # Turned round just short of a fringe: both gaps beside it a little short, and it a little low.
        quick = gaps / usual < 0.85
        low = swing[1:-1] < 0.93 * np.median(swing)
        odd[:-1] |= quick[:-1] & quick[1:] & low
        if odd.any():
            when = ", ".join(f"{v:.4g}" for v in (0.5 * (at[1:] + at[:-1]))[odd][:4])
            told.append(
                f"the rhythm breaks at {when} s: the rate changed at once, or growth turned round there"
            )
    first = add if top[0] else (add + 0.5) % 1.0
    most = max(int(at_most_m / fringe) + 2, 1)
    possible = np.asarray((np.arange(most) + first) * fringe, dtype=np.float64)
    possible = possible[(possible > 0) & (possible <= at_most_m)]
    # Thinning can go no farther than to nothing.
    possible = possible[possible + min(float(change.min()), 0.0) >= -1e-12]
    return FringeRecord(
        at, top, change, u_change, rate, math.hypot(u_rate, abs(rate) * share), steady, possible, tuple(told)
    )


def _record(time_s: ArrayLike, brightness: ArrayLike) -> tuple[FloatArray, FloatArray]:
    t, y = np.asarray(time_s, dtype=np.float64), np.asarray(brightness, dtype=np.float64)
    if t.ndim != 1 or t.shape != y.shape or t.size < 8:
        raise InterferenceError(
            "A record of brightness.",
            got=f"{t.shape} times and {y.shape} values",
            wanted="two equally long rows of at least eight numbers",
        )
    if not (np.isfinite(t).all() and np.isfinite(y).all() and (np.diff(t) > 0).all()):
        raise InterferenceError("Times must rise and all numbers be finite.", got="a gap or a step back")
    return t, y


def _turning_points(
    t: FloatArray, y: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_], FloatArray, FloatArray, list[str]]:
    """Moments of fringes, whether bright, their errors, the swing at each, and remarks."""
    from scipy.signal import find_peaks

    # Noise from third differences, which a smooth fringe hardly has (their variance is 20 times it).
    third = np.diff(y, 3)
    noise = 1.4826 * float(np.median(np.abs(third - np.median(third)))) / math.sqrt(20.0)
    span = float(np.percentile(y, 98) - np.percentile(y, 2))
    if not span > 6.0 * noise or span == 0.0:
        raise InterferenceError(
            "No fringes stand out of the noise.",
            got=f"a range of {span:.3g} with noise {noise:.3g}",
            wanted="a range of more than six times the noise",
            do="average over a larger part of the facet, or more frames",
        )
    # A turning point must fall and rise by a third of the whole range.
    need = 0.33 * span
    marks = [(int(k), True) for k in find_peaks(y, prominence=need)[0]]
    marks += [(int(k), False) for k in find_peaks(-y, prominence=need)[0]]
    marks.sort()
    # Noise can split one turning point in two; of neighbours of one kind keep the farther out.
    kept: list[tuple[int, bool]] = []
    for k, top in marks:
        if kept and kept[-1][1] == top:
            if (y[k] > y[kept[-1][0]]) == top:
                kept[-1] = (k, top)
        else:
            kept.append((k, top))
    if len(kept) < 3:
        raise InterferenceError(
            "Too few fringes to count.",
            got=f"{len(kept)} bright or dark fringes",
            wanted="at least three",
            do="watch for longer, or use the maxima of two wavelengths",
        )
    where = np.array([k for k, _ in kept])
    gap = np.diff(where)
    at, u_at = np.empty(where.size), np.empty(where.size)
    for i, k in enumerate(where):
        reach = max(2, int(0.35 * min(gap[max(i - 1, 0)], gap[min(i, gap.size - 1)])))
        a, b = max(k - reach, 0), min(k + reach + 1, t.size)
        at[i], u_at[i] = _vertex(t[a:b], y[a:b], t[k], noise)
    tops = np.array([top for _, top in kept])
    value = y[where]
    swing = np.abs(np.diff(value))
    swing = np.minimum(np.append(swing, swing[-1]), np.append(swing[0], swing))
    told = []
    if float(np.min(gap)) < 6:
        told.append("fewer than six frames between fringes: some may have been missed")
    return at, tops, u_at, swing, told


def _vertex(t: FloatArray, y: FloatArray, near: float, noise: float) -> tuple[float, float]:
    """Top or bottom of a parabola through a few points, and its standard error."""
    if t.size < 4:
        return near, 0.3 * float(np.ptp(t))
    scale = 0.5 * float(np.ptp(t))
    u = (t - near) / scale
    design = np.column_stack([np.ones_like(u), u, u * u])
    fit, *_ = np.linalg.lstsq(design, y, rcond=None)
    if fit[2] == 0.0:
        return near, scale
    top = -fit[1] / (2.0 * fit[2])
    if abs(top) > 1.0:
        return near, scale
    spread = max(noise, float(np.sqrt(np.sum((y - design @ fit) ** 2) / max(y.size - 3, 1))))
    cov = np.linalg.inv(design.T @ design) * spread**2
    slope = np.array([0.0, -0.5 / fit[2], fit[1] / (2.0 * fit[2] ** 2)])
    return near + top * scale, scale * math.sqrt(float(slope @ cov @ slope))


def _line(t: FloatArray, y: FloatArray) -> tuple[float, float, FloatArray]:
    """Slope of a straight line, its standard error from the scatter, and distances from it."""
    middle = t - t.mean()
    slope = float(middle @ y / (middle @ middle))
    off = y - y.mean() - slope * middle
    spread = math.sqrt(float(off @ off) / max(t.size - 2, 1))
    return slope, spread / math.sqrt(float(middle @ middle)), off


# --- maxima of two or more wavelengths ----------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class SpectralThickness:
    """Thickness from the wavelengths of neighbouring bright fringes.

    thickness_m, u_thickness_m : the result. With a certain order this is far better than by spacing alone.
    order : of the longest wavelength, whole or whole and a half as the optical case asks; NaN if uncertain.
    by_spacing_m, u_by_spacing_m : 1 / [2 (n1/l1 - n2/l2)], which needs no order.
    order_found, u_order_found : what the spacing says, before it is put on the next allowed order.
    warning : why the order is not trusted, or empty.
    """

    thickness_m: float
    u_thickness_m: float
    order: float
    by_spacing_m: float
    u_by_spacing_m: float
    order_found: float
    u_order_found: float
    warning: str


def thickness_from_maxima(
    wavelengths_m: Sequence[float], optics: Optics, *, u_wavelength_m: float = 1e-9, dark: bool = False
) -> SpectralThickness:
    """Thickness from two or more neighbouring bright fringes of a spectrum (or colours of a tunable lamp).

    Neighbouring maxima differ by one order, so ``2 n d cos(theta) / l`` falls by one from each to the next:
    two of them give ``d = 1 / [2 (n1 cos1 / l1 - n2 cos2 / l2)]`` and the order itself, which must come out
    near one that the optical case allows. It is put there where that is certain.

    Parameters
    ----------
    wavelengths_m : [n >= 2], in vacuum, each next to the other, in any sequence.
    u_wavelength_m : standard uncertainty of each.
    dark : they are minima.

    Raises
    ------
    InterferenceError : fewer than two, two alike, or an optical case without fixed orders.
    """
    l = np.sort(np.asarray(wavelengths_m, dtype=np.float64))  # noqa: E741
    if l.size < 2 or (np.diff(l) <= 0).any():
        raise InterferenceError("Two different wavelengths or more.", got=str(list(wavelengths_m)))
    if not (math.isfinite(u_wavelength_m) and u_wavelength_m > 0):
        raise InterferenceError("The uncertainty.", got=f"{u_wavelength_m} m", wanted="a positive length")
    add = (optics.bright_order + (0.5 if dark else 0.0)) % 1.0
    n = index_of_ice(l)
    wave = 2.0 * n * optics.cosine(n) / l  # waves per metre of thickness
    # Order of fringe k: m_last + (count - 1 - k) = d wave[k]. A straight line through (wave, whole numbers).
    step = np.arange(l.size - 1, -1, -1, dtype=np.float64)
    spacing, u_spacing = _slope(wave, step, np.hypot(u_wavelength_m / l, U_ROUNDING / n), float(n.mean()))
    found = float(spacing * wave[-1])
    # The error of the order is that of the spacing; the other fringe's own error is in it already.
    u_found = found * u_spacing / spacing
    order = round(found - add) + add
    warning = ""
    miss = abs(found - order)
    if u_found > 0.2:
        warning = f"the order {found:.2f} +- {u_found:.2f} is not certain; the spacing alone is used"
    elif miss > 3.0 * max(u_found, 0.02):
        warning = (
            f"the order comes out as {found:.2f} +- {u_found:.2f}, not near one that this optical case "
            "allows: fringes are not neighbours, or the case is another"
        )
    if warning or order <= 0:
        return SpectralThickness(
            spacing, u_spacing, math.nan, spacing, u_spacing, found, u_found, warning or "no order fits"
        )
    each = (order + step) / wave
    share = np.hypot(u_wavelength_m / l, U_INDEX / n)
    u = float(each.mean()) * math.hypot(
        float(np.sqrt(np.sum((u_wavelength_m / l) ** 2))) / l.size, U_INDEX / float(n.mean())
    )
    weight = 1.0 / (each * share) ** 2
    best = float((each * weight).sum() / weight.sum())
    return SpectralThickness(best, u, order, spacing, u_spacing, found, u_found, "")


def _slope(wave: FloatArray, step: FloatArray, share: FloatArray, index: float) -> tuple[float, float]:
    """Least-squares slope of order against waves, and its error from errors of the waves."""
    w, s = wave - wave.mean(), step - step.mean()
    # Errors are in the waves, so waves are regressed on orders, which have none.
    per_order = float(s @ w / (s @ s))
    u_wave = wave * share
    u = math.sqrt(float(((s / (s @ s)) ** 2) @ u_wave**2))
    slope = 1.0 / per_order
    return slope, slope * math.hypot(u / per_order, U_INDEX / index)
