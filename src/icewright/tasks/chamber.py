"""Everything an apparatus says about the air: from settings, or towards the air that is wanted.

The library form of ``icewright chamber``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from icewright.apparatus import budget as budget_rules
from icewright.apparatus import depletion as sinks
from icewright.apparatus import file as apparatus_file
from icewright.apparatus import fog, response
from icewright.apparatus.basis import Air, ApparatusError, Profile
from icewright.apparatus.budget import Budget
from icewright.apparatus.model import Apparatus, nearest_step
from icewright.ground.records import stamp
from icewright.ground.sources import source
from icewright.vapour.scales import scales

KIND = "icewright.chamber"
SCHEMA = 1
_STEPS = 10  # of the knob, in the step response
_SETTLED = 0.05


@dataclass(frozen=True)
class Wanted:
    """The air that was asked for, and the settings for it: exact, and as the knobs can show them."""

    temperature_k: float
    sigma: float
    exact: Mapping[str, float]
    on_steps: Mapping[str, float]


@dataclass(frozen=True)
class Step:
    """Response to a jump of one knob: from, to (unit of its name), time (s) until 95 % of the change."""

    setting: str
    start: float
    to: float
    settled_s: float
    d_temperature_k: float
    d_sigma: float


@dataclass(frozen=True)
class ChamberReport:
    """What ``chamber`` found; SI but for settings, which are in the unit of their names."""

    apparatus: Apparatus
    path: str
    settings: Mapping[str, float]
    air: Air
    budget: Budget
    profile: Profile
    fog_zones: tuple[tuple[float, float], ...]
    ceiling: fog.Ceiling
    lag: response.Lag
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]
    wanted: Wanted | None = None
    depletion: sinks.Depletion | None = None
    picture: str = ""
    notes: Mapping[str, Any] = field(default_factory=dict)

    @property
    def source_keys(self) -> tuple[str, ...]:
        """Everything the numbers rest on, each key once."""
        keys = ("iapws-r14-08", "review-2005", *self.apparatus.physics.source_keys, *budget_rules.SOURCE_KEYS)
        return tuple(dict.fromkeys((*keys, *(sinks.SOURCE_KEYS if self.depletion else ()))))

    def to_dict(self) -> dict[str, Any]:
        """Plain dictionary of kind ``icewright.chamber``."""
        data: dict[str, Any] = {
            "apparatus": self.apparatus.kind,
            "title": self.apparatus.title,
            "path": self.path,
            "settings": dict(self.settings),
            "air": asdict(self.air)
            | {
                "vapour_pa": self.air.vapour_pa,
                "sigma_water": self.air.sigma_water,
                "sigma_with_fog": self.air.sigma_with_fog,
                "fog": self.air.fog,
            },
            "budget": self.budget.to_dict(),
            "fog": {"axis": self.profile.axis, "zones": self.fog_zones, "ceiling": asdict(self.ceiling)},
            "response": {"lag": asdict(self.lag), "steps": [asdict(step) for step in self.steps]},
            "depletion": self.depletion.to_dict() if self.depletion else None,
            "wanted": asdict(self.wanted) if self.wanted else None,
            "cautions": self.cautions,
            "notes": dict(self.notes),
            "sources": [asdict(source(key)) for key in self.source_keys],
            "picture": self.picture or None,
        }
        return stamp(KIND, SCHEMA, data)


@dataclass(frozen=True)
class Crystal:
    """A crystal that drinks: centre to corner and extent along c (m), attachment coefficient, company.

    ``neighbours`` equal crystals at ``distance_m``; ``per_m3`` crystals share the air of a cloud.
    """

    radius_m: float
    length_m: float
    alpha: float = 1.0
    neighbours: int = 0
    distance_m: float | None = None
    per_m3: float = 0.0


def chamber(
    path: str | Path,
    settings: Mapping[str, float] | None = None,
    *,
    temperature_k: float | None = None,
    sigma: float | None = None,
    pressure_pa: float | None = None,
    crystal: Crystal | None = None,
    picture: str | Path | None = None,
) -> ChamberReport:
    """The air that ``settings`` make (unit of their names), or the settings for a wanted air.

    With ``temperature_k`` (K) and ``sigma`` (fraction) two settings are solved for, rounded to the knobs'
    steps, and everything else is told at the rounded ones; ``settings`` then hold the others. ``picture``:
    a PNG to write. Raises ``ApparatusError`` or ``RecordError`` with the line to type.
    """
    apparatus = apparatus_file.read(path)
    if (temperature_k is None) != (sigma is None):
        raise ApparatusError(
            "A wanted air needs both temperature and supersaturation.",
            got="temperature alone" if sigma is None else "supersaturation alone",
            wanted="both",
            do="--temperature -12.5 --sigma 8",
        )
    P = apparatus.pressure_pa if pressure_pa is None else pressure_pa
    wanted = None
    whole = dict(settings or {})
    if temperature_k is not None and sigma is not None:
        exact = apparatus.settings_for(temperature_k, sigma, pressure_pa=P, held=settings)
        rounded = {name: nearest_step(value, apparatus.settings[name]) for name, value in exact.items()}
        wanted = Wanted(temperature_k, sigma, exact, rounded)
        whole = rounded
    whole = apparatus.complete(whole)
    air = apparatus.conditions(whole, pressure_pa=P)
    profile = apparatus.profile(whole, pressure_pa=P)
    report = ChamberReport(
        apparatus=apparatus,
        path=str(path),
        settings=whole,
        air=air,
        budget=apparatus.uncertainty(whole, pressure_pa=P),
        profile=profile,
        fog_zones=tuple(fog.zones(profile)),
        ceiling=fog.ceiling(apparatus, air.temperature_k, pressure_pa=P, held=whole),
        lag=response.lag(apparatus, whole, pressure_pa=P),
        steps=tuple(_steps(apparatus, whole, P)),
        cautions=tuple(apparatus.cautions()),
        wanted=wanted,
        depletion=_depletion(apparatus, air, crystal, whole, P) if crystal else None,
        picture=str(picture) if picture else "",
        notes=apparatus.notes,
    )
    if picture:
        from icewright.pictures.chamber_figures import chamber_png

        chamber_png(
            profile,
            Path(picture),
            title=apparatus.title or apparatus.physics.words,
            caption=_caption(report),
            crystal=(air.temperature_k, air.vapour_pa),
            u_temperature_k=report.budget.u_temperature_k,
            u_sigma=report.budget.u_sigma,
        )
    return report


def _steps(apparatus: Apparatus, settings: Mapping[str, float], pressure_pa: float) -> list[Step]:
    found = []
    for name, setting in apparatus.settings.items():
        start = settings[name]
        jump = _STEPS * setting.step
        # Towards the middle of its range, so that the jump stays inside it and the plates unswapped.
        for sign in (1.0, -1.0) if start < (setting.low + setting.high) / 2.0 else (-1.0, 1.0):
            to = start + sign * jump
            try:
                went = response.step(apparatus, name, to, settings, pressure_pa=pressure_pa)
            except ApparatusError:
                continue
            found.append(
                Step(
                    name,
                    start,
                    to,
                    response.settled_after_s(went, _SETTLED),
                    float(went.temperature_k[-1] - went.temperature_k[0]),
                    float(went.sigma[-1] - went.sigma[0]),
                )
            )
            break
    return found


def _depletion(
    apparatus: Apparatus, air: Air, crystal: Crystal, settings: Mapping[str, float], pressure_pa: float
) -> sinks.Depletion:
    on_plate = apparatus.kind == "reservoir"
    length = 2.0 * crystal.length_m if on_plate else crystal.length_m
    capacitance = sinks.prism_capacitance_m(crystal.radius_m, length)
    factors: dict[str, float] = {}
    if crystal.neighbours:
        if crystal.distance_m is None:
            raise ApparatusError("How far are the neighbours?", wanted="a distance", do="--distance-mm 1")
        name = f"{crystal.neighbours} equal neighbour{'s' if crystal.neighbours > 1 else ''}"
        factors[name] = sinks.neighbours_factor(capacitance, crystal.distance_m, crystal.neighbours)
    gap = apparatus.dimensions.get("gap_mm")
    if gap is not None:
        factors["plates that hold their vapour"] = sinks.plates_factor(
            capacitance, gap.value * 1e-3, "under" if on_plate else "between"
        )
    if crystal.per_m3:
        s = scales(air.temperature_k, air.pressure_pa)
        supply = response.lag(apparatus, settings, pressure_pa=pressure_pa).vapour_s
        if not supply > 0:
            raise ApparatusError(
                "How fast the air is renewed is not known, so a cloud's thirst cannot be told.",
                wanted="[air] response_s in the apparatus file",
            )
        factors[f"{crystal.per_m3 * 1e-3:g} crystals a litre"] = sinks.cloud_factor(
            capacitance, crystal.per_m3, supply, s.D_m2_s, s.chi0
        )
    return sinks.deplete(
        air, crystal.radius_m, crystal.length_m, alpha=crystal.alpha, on_plate=on_plate, factors=factors
    )


def _caption(report: ChamberReport) -> str:
    set_words = ", ".join(f"{name} = {value:g}" for name, value in report.settings.items())
    b = report.budget
    words = (
        f"{set_words}. At the crystal {report.air.temperature_k - 273.15:.2f} ± {b.u_temperature_k:.2g} °C, "
        f"sigma {100 * report.air.sigma:.2f} ± {100 * b.u_sigma:.2g} % over ice (one standard deviation)."
    )
    if report.apparatus.kind == "needle":
        words += " The crystal has the temperature of its needle's tip, the curves that of the air."
    if report.air.fog:
        words += f" Fog holds it near {100 * report.air.sigma_water:.2f} %."
    return words
