"""Offsets of thermometers, or of the supersaturation, from what the ice itself shows.

Each observation says that at certain settings the air had a certain supersaturation (`icewright.apparatus
.witnesses`). The offsets p are those that make the apparatus agree, by weighted least squares with what was
known before: minimise

    sum_i [(sigma_model(settings_i; p) - sigma_witness_i)/u_i]^2 + (p - p0)^T C0^-1 (p - p0),

p0 the offsets in the file and C0 their covariance: each thermometer's own variance on the diagonal and the
shared one everywhere. A single observation ties only the difference of two thermometers, and the answer says
so: their errors come out shared. Covariance of the answer: (J^T U^-2 J + C0^-1)^-1 (JCGM 102:2011, and any
text on least squares with prior knowledge).

u_i holds the witness' own uncertainty, the steps and the stability of the knobs, and for droplets the
distance from the last settings without any (an even distribution over it, JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.apparatus import witnesses
from icewright.apparatus.model import Apparatus
from icewright.apparatus.witnesses import CalibrationError, Witness
from icewright.ground.records import check_kind
from icewright.vapour.saturation import ice_pressure

KIND = "icewright.observations"
SCHEMA = 1
SUPERSATURATION = "supersaturation"
KEYS = {
    "droplets": ("settings", "before", "note"),
    "standstill": ("settings", "radius_um", "noticed_um", "minutes", "alpha", "barrier_percent", "note"),
    "needle": ("settings", "minutes", "radius_um", "error_um", "far_mm", "far_range_mm", "alpha", "note"),
}
EXAMPLES = {
    "droplets": "[[droplets]]\nsettings = { reservoir_c = -13.4, plate_c = -15 }",
    "standstill": "[[standstill]]\nsettings = { reservoir_c = -15.1, plate_c = -15 }\nradius_um = 20\n"
    "noticed_um = 0.5\nminutes = 30",
    "needle": "[[needle]]\nminutes = [0, 10, 20]\nradius_um = [2.5, 4.1, 5.2]\nerror_um = 0.3\nfar_mm = 10",
}


@dataclass(frozen=True)
class Observation:
    """One thing seen: which witness, the settings as read, and what the witness needs (SI).

    ``before`` are the settings at which it was last not yet so (droplets); ``data`` go to the function of the
    witness as keywords.
    """

    what: str
    settings: Mapping[str, float]
    before: Mapping[str, float] | None = None
    data: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""


@dataclass(frozen=True)
class Compared:
    """One observation beside the apparatus, before and after: supersaturations over ice as fractions.

    ``off`` is the distance after calibration in units of ``uncertainty``.
    """

    what: str
    settings: dict[str, float]
    temperature_k: float
    before: float
    after: float
    seen: float
    seen_after: float
    uncertainty: float
    notes: tuple[str, ...]

    @property
    def off(self) -> float:
        """Distance after calibration, in standard uncertainties."""
        return (self.after - self.seen_after) / self.uncertainty


@dataclass(frozen=True)
class Calibration:
    """What came out.

    Attributes:
        names: thermometers, or ("supersaturation",).
        before, offsets, uncertainty: (n,): offset in the file, offset found and its standard uncertainty;
            kelvin for thermometers (reading minus truth), a fraction for the supersaturation.
        covariance: (n, n).
        chi2_per_seen: sum of squared distances over the number of observations.
        compared: each observation beside the apparatus.
        words: sentences on what it means.
    """

    names: tuple[str, ...]
    before: NDArray[np.float64]
    offsets: NDArray[np.float64]
    uncertainty: NDArray[np.float64]
    covariance: NDArray[np.float64]
    chi2_per_seen: float
    compared: tuple[Compared, ...]
    words: tuple[str, ...]

    @property
    def shared(self) -> float:
        """The error that the thermometers share, K: root of the mean covariance between them, 0 for one."""
        n = len(self.names)
        if n < 2:
            return 0.0
        between = (self.covariance.sum() - np.trace(self.covariance)) / (n * (n - 1))
        return math.sqrt(max(0.0, float(between)))

    @property
    def own(self) -> NDArray[np.float64]:
        """The part of each thermometer's uncertainty that it does not share, K, (n,).

        Where one has less variance than it shares (they do not act on sigma with quite the same weight) all
        get the mean, which keeps the uncertainty of their difference.
        """
        rest = np.diag(self.covariance) - self.shared**2
        if (rest < 0).any():
            rest = np.full_like(rest, max(float(rest.mean()), 0.0))
        return np.sqrt(rest)

    def apply(self, apparatus: Apparatus, date: str, evidence: str) -> Apparatus:
        """The apparatus with these offsets, the date and the evidence in it."""
        if self.names == (SUPERSATURATION,):
            return replace(
                apparatus,
                sigma_offset=_digits(self.offsets[0], self.uncertainty[0]),
                sigma_uncertainty=_digits(self.uncertainty[0], self.uncertainty[0]),
                sigma_checked=date,
                sigma_evidence=evidence,
            )
        shared = apparatus.shared_thermometer_uncertainty_k
        if len(self.names) == len(apparatus.thermometers):
            own = self.own
        else:  # what the file already says of all of them is not counted a second time
            own = np.sqrt(np.maximum(np.diag(self.covariance) - (shared or 0.0) ** 2, 0.0))
        changed = dict(apparatus.thermometers)
        for i, name in enumerate(self.names):
            changed[name] = replace(
                changed[name],
                offset=_digits(self.offsets[i], self.uncertainty[i]),
                uncertainty=_digits(own[i], own[i]),
                checked=date,
                evidence=evidence,
            )
        if len(self.names) == len(apparatus.thermometers) > 1 and self.shared > 0.0:
            shared = _digits(self.shared, self.shared)
        return replace(apparatus, thermometers=changed, shared_thermometer_uncertainty_k=shared)


def calibrate(
    apparatus: Apparatus, seen: Sequence[Observation], *, fit: Sequence[str] | str | None = None
) -> Calibration:
    """Offsets that make the apparatus agree with what was seen; see the top of this module.

    ``fit``: names of thermometers, or "supersaturation"; all thermometers if None.

    Raises ``CalibrationError`` for nothing seen, an unknown name, observations that cannot tell the offsets
    apart; ``ApparatusError`` for settings that the apparatus does not have.
    """
    if not seen:
        raise CalibrationError(
            got="no observation", wanted="droplets, a standstill or a needle", do=EXAMPLES["droplets"]
        )
    names = _names(apparatus, fit)
    settings = [apparatus.complete(o.settings) for o in seen]
    earlier = [None if o.before is None else apparatus.complete({**o.settings, **o.before}) for o in seen]
    start = _offsets(apparatus, names)
    prior = _prior(apparatus, names)
    told = [_told(apparatus, o, s, e) for o, s, e in zip(seen, settings, earlier, strict=True)]
    u = np.array([t[1] for t in told])
    if not (u > 0).all():
        place = int(np.flatnonzero(~(u > 0))[0])
        raise CalibrationError(
            got=f"observation {place + 1} ({seen[place].what}) without any uncertainty",
            wanted="how well it was seen: noticed_um and minutes, or the settings before",
            do=EXAMPLES[seen[place].what],
        )

    def misfit(p: NDArray[np.float64]) -> NDArray[np.float64]:
        moved = _moved(apparatus, names, p)
        out = []
        for o, s, e, known in zip(seen, settings, earlier, told, strict=True):
            kelvin, sigma = _met(moved, s, e)
            out.append(sigma - _witness(o, kelvin, apparatus.pressure_pa, known[0]).sigma)
        return np.array(out)

    p = start.copy()
    for _ in range(30):
        J = _slopes(misfit, p)
        left = J.T / u**2
        information = left @ J + prior
        if np.linalg.cond(information) > 1e12:
            raise _cannot_tell(names, seen)
        step = np.linalg.solve(information, -left @ misfit(p) - prior @ (p - start))
        p = p + step
        if np.all(np.abs(step) < 1e-9):
            break
    covariance = np.linalg.inv(information)
    after = _moved(apparatus, names, p)
    compared = []
    for o, s, e, (witness, spread) in zip(seen, settings, earlier, told, strict=True):
        t0, s0 = _met(apparatus, s, e)
        t1, s1 = _met(after, s, e)
        seen_before = _witness(o, t0, apparatus.pressure_pa, witness)
        seen_after = _witness(o, t1, apparatus.pressure_pa, witness)
        compared.append(
            Compared(o.what, s, t1, s0, s1, seen_before.sigma, seen_after.sigma, spread, witness.notes)
        )
    chi2 = float(sum(c.off**2 for c in compared)) / len(compared)
    deviations = np.sqrt(np.diag(covariance))
    words = _words(names, chi2, covariance)
    others = [name for name in apparatus.thermometers if name not in names]
    if others and names != (SUPERSATURATION,):
        words.append(
            f"{' and '.join(others)}: taken as right, as you asked; any error there is in the result"
        )
    return Calibration(names, start, p, deviations, covariance, chi2, tuple(compared), tuple(words))


def _names(apparatus: Apparatus, fit: Sequence[str] | str | None) -> tuple[str, ...]:
    if fit is None:
        wanted = tuple(apparatus.thermometers)
        if not wanted:
            return (SUPERSATURATION,)
    else:
        wanted = (fit,) if isinstance(fit, str) else tuple(fit)
    if wanted == (SUPERSATURATION,):
        return wanted
    unknown = [name for name in wanted if name not in apparatus.thermometers]
    if unknown:
        raise CalibrationError(
            got=f"no thermometer {unknown[0]}",
            wanted=" or ".join([*apparatus.thermometers, SUPERSATURATION]),
            do=f"--fit {next(iter(apparatus.thermometers), SUPERSATURATION)}",
        )
    return wanted


def _offsets(apparatus: Apparatus, names: Sequence[str]) -> NDArray[np.float64]:
    if tuple(names) == (SUPERSATURATION,):
        return np.array([apparatus.sigma_offset])
    return np.array([apparatus.thermometers[name].offset for name in names])


def _prior(apparatus: Apparatus, names: Sequence[str]) -> NDArray[np.float64]:
    """Inverse covariance of what was known before; a thermometer without an uncertainty was not known."""
    if tuple(names) == (SUPERSATURATION,):
        u = apparatus.sigma_uncertainty
        return np.array([[1.0 / u**2 if u else 0.0]])
    own = [apparatus.thermometers[name].uncertainty for name in names]
    shared = apparatus.shared_thermometer_uncertainty_k or 0.0
    out = np.zeros((len(names), len(names)))
    known = [i for i, u in enumerate(own) if u]
    if known:
        block = np.diag([float(own[i] or 0.0) ** 2 for i in known]) + shared**2
        out[np.ix_(known, known)] = np.linalg.inv(block)
    return out


def _moved(apparatus: Apparatus, names: Sequence[str], p: NDArray[np.float64]) -> Apparatus:
    if tuple(names) == (SUPERSATURATION,):
        return replace(apparatus, sigma_offset=float(p[0]))
    changed = dict(apparatus.thermometers)
    for name, offset in zip(names, p, strict=True):
        changed[name] = replace(changed[name], offset=float(offset))
    return replace(apparatus, thermometers=changed)


def _air(apparatus: Apparatus, settings: Mapping[str, float]) -> tuple[float, float]:
    found = apparatus.state(settings)
    T = float(found.temperature_k)
    return T, float(found.vapour_pa) / float(ice_pressure(T)) - 1.0


def _met(
    apparatus: Apparatus, settings: Mapping[str, float], before: Mapping[str, float] | None
) -> tuple[float, float]:
    """Air when it was met: half way between the settings before and those at which it was seen."""
    T, sigma = _air(apparatus, settings)
    if before is None:
        return T, sigma
    T0, sigma0 = _air(apparatus, before)
    return (T + T0) / 2.0, (sigma + sigma0) / 2.0


def _told(
    apparatus: Apparatus,
    o: Observation,
    settings: Mapping[str, float],
    before: Mapping[str, float] | None,
) -> tuple[Witness, float]:
    """The witness and its whole uncertainty in sigma, with knobs and the settings before."""
    T, _ = _met(apparatus, settings, before)
    witness = _witness(o, T, apparatus.pressure_pa, None)
    squares = witness.uncertainty**2
    if before is not None:
        # What counts is the distance from the witness' own curve: water saturation moves with the plate too.
        def excess(s: Mapping[str, float]) -> float:
            kelvin, sigma = _air(apparatus, s)
            return sigma - _witness(o, kelvin, apparatus.pressure_pa, witness).sigma

        squares += (excess(settings) - excess(before)) ** 2 / 12.0
    for name, setting in apparatus.settings.items():
        spread = math.hypot(setting.step / math.sqrt(12.0), setting.stability)
        if spread:
            up, down = ({**settings, name: settings[name] + d * spread} for d in (1.0, -1.0))
            squares += ((_air(apparatus, up)[1] - _air(apparatus, down)[1]) / 2.0) ** 2
    return witness, math.sqrt(squares)


def _witness(o: Observation, kelvin: float, pressure_pa: float, known: Witness | None) -> Witness:
    if o.what == "droplets":
        return witnesses.droplets(kelvin)
    if o.what == "standstill":
        return witnesses.standstill(kelvin, pressure_pa, **o.data)
    if known is not None:
        # The needle's own sigma hardly moves with a tenth of a degree; fitting it again would change nothing
        # but the time it takes.
        return known
    fit = witnesses.needle(**o.data, temperature_k=kelvin, pressure_pa=pressure_pa)
    notes = [
        f"of its uncertainty, {100 * fit.from_reading:.2g} % from the radii, {100 * fit.from_alpha:.2g} % "
        f"from alpha, {100 * fit.from_far:.2g} % from the outer radius"
    ]
    if fit.chi2_per_free == fit.chi2_per_free:
        notes.append(f"misfit of the radii {fit.chi2_per_free:.2g} per degree of freedom")
        if fit.chi2_per_free > 4.0:
            notes.append("the radii do not follow the cylinder law: see whether the needle stands alone")
    return Witness(fit.sigma, fit.uncertainty, "radial growth of a thin needle", tuple(notes))


def _slopes(function: Any, p: NDArray[np.float64]) -> NDArray[np.float64]:
    columns = []
    for j in range(p.size):
        step = np.zeros_like(p)
        step[j] = 1e-4
        columns.append((function(p + step) - function(p - step)) / 2e-4)
    return np.stack(columns, axis=1)


def _cannot_tell(names: Sequence[str], seen: Sequence[Observation]) -> CalibrationError:
    return CalibrationError(
        got=f"{len(seen)} observation{'s' if len(seen) > 1 else ''} for the offsets of "
        f"{' and '.join(names)}, of which at least one has no stated uncertainty",
        wanted="observations that tell the offsets apart, or uncertainty_c for the thermometers",
        do=f"--fit {names[0]}   (takes the others as right)",
    )


def _words(names: Sequence[str], chi2: float, covariance: NDArray[np.float64]) -> list[str]:
    said = []
    if chi2 > 4.0:
        said.append(
            f"the observations do not agree with each other or with the apparatus (misfit {chi2:.2g}, about "
            "1 expected): look for fog, frost on the walls or a draught before writing this back"
        )
    if len(names) > 1:
        deviations = np.sqrt(np.diag(covariance))
        tied = covariance / np.outer(deviations, deviations)
        most = max(float(tied[i, j]) for i in range(len(names)) for j in range(i))
        if most > 0.7:
            said.append(
                f"the thermometers' errors are tied (correlation {most:.2f}): their difference is known far "
                "better than either; what they share is written under [shared]"
            )
    return said


def _digits(value: float, uncertainty: float) -> float:
    """A value to one digit beyond the first two of its uncertainty: what a person would write down."""
    if not uncertainty > 0:
        return float(f"{value:.6g}")
    places = max(0, 2 - math.floor(math.log10(uncertainty)))
    return round(float(value), places) + 0.0


# -- the file of observations -------------------------------------------------------------------------------


def read_observations(path: str | Path) -> tuple[list[Observation], str]:
    """What was seen, and the date of it, from a file.

    Raises ``CalibrationError`` where it is missing or wrong, ``RecordError`` for another kind.
    """
    import tomllib

    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise CalibrationError(
            got=f"no file {path}", wanted="what was seen", do=EXAMPLES["droplets"]
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as cause:
        raise CalibrationError(got=f"{path}: {cause}", wanted="TOML", do=EXAMPLES["droplets"]) from cause
    check_kind(data, KIND, SCHEMA)
    for key in data:
        if key not in ("kind", "schema", "date", "title", *KEYS):
            raise CalibrationError(
                got=f"{path}: unknown key {key}", wanted="date and " + ", ".join(f"[[{k}]]" for k in KEYS)
            )
    seen = []
    for what in KEYS:
        items = data.get(what, [])
        if not isinstance(items, list):
            raise CalibrationError(got=f"[{what}]", wanted="double brackets, one for each", do=EXAMPLES[what])
        seen += [observation(what, item) for item in items]
    return seen, str(data.get("date", ""))


def observation(what: str, item: Mapping[str, Any]) -> Observation:
    """One entry of such a file, laboratory units to SI. Raises ``CalibrationError``."""
    for key in item:
        if key not in KEYS[what]:
            raise CalibrationError(
                got=f"[[{what}]]: unknown key {key}", wanted=", ".join(KEYS[what]), do=EXAMPLES[what]
            )
    given = item.get("settings", {})
    before = item.get("before")
    for table in (given, before or {}):
        if not isinstance(table, Mapping) or not all(_is_number(v) for v in table.values()):
            raise CalibrationError(
                got=f"[[{what}]]: settings = {table}", wanted="names with numbers", do=EXAMPLES[what]
            )
    data: dict[str, Any] = {}
    if what == "standstill":
        for key in ("radius_um", "noticed_um", "minutes"):
            if key not in item:
                raise CalibrationError(
                    got=f"[[standstill]] without {key}",
                    wanted="the radius, the smallest change you would have noticed, and for how long",
                    do=EXAMPLES[what],
                )
        data = {
            "radius_m": _number(item, "radius_um", what) * 1e-6,
            "noticed_m": _number(item, "noticed_um", what) * 1e-6,
            "time_s": _number(item, "minutes", what) * 60.0,
            "alpha": _number(item, "alpha", what, 1.0),
            "barrier": _number(item, "barrier_percent", what, 0.0) / 100.0,
        }
    if what == "needle":
        for key in ("minutes", "radius_um", "error_um", "far_mm"):
            if key not in item:
                raise CalibrationError(got=f"[[needle]] without {key}", wanted=key, do=EXAMPLES[what])
        alpha = item.get("alpha", 1.0)
        ends = tuple(alpha) if isinstance(alpha, list) else (alpha, alpha)
        data = {
            "time_s": np.array([60.0 * v for v in _numbers(item, "minutes", what)]),
            "radius_m": np.array([1e-6 * v for v in _numbers(item, "radius_um", what)]),
            "error_m": _number(item, "error_um", what) * 1e-6,
            "far_m": _number(item, "far_mm", what) * 1e-3,
            "alpha": (float(min(ends)), float(max(ends))),
        }
        if "far_range_mm" in item:
            low, high = _numbers(item, "far_range_mm", what)[:2]
            data["far_range_m"] = (1e-3 * low, 1e-3 * high)
    return Observation(
        what, dict(given), None if before is None else dict(before), data, str(item.get("note", ""))
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(item: Mapping[str, Any], key: str, what: str, default: float | None = None) -> float:
    value: Any = item.get(key, default)
    if not _is_number(value):
        raise CalibrationError(got=f"[[{what}]]: {key} = {value}", wanted="a number", do=EXAMPLES[what])
    return float(value)


def _numbers(item: Mapping[str, Any], key: str, what: str) -> list[float]:
    value = item[key]
    if not isinstance(value, list) or len(value) < 2 or not all(_is_number(v) for v in value):
        raise CalibrationError(
            got=f"[[{what}]]: {key} = {value}", wanted="a list of two numbers or more", do=EXAMPLES[what]
        )
    return [float(v) for v in value]
