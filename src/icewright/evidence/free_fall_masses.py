"""Masses of crystals in free fall at water saturation, with ventilation and without."""

from __future__ import annotations

import math

from icewright.evidence.cells import Cell
from icewright.evidence.model import CANNOT_TELL, Finding, Plan, Row, judged
from icewright.vapour.scales import scales

name = "free-fall-masses"
title = "How heavy is a crystal after minutes of free fall at water saturation?"
source = (
    "J. Meteorol. Soc. Jpn 69, 15, 1991, DOI 10.2151/jmsj1965.69.1_15; fits m = a t^b read in a public "
    "script, the paper itself not read; rows confirmed against diffusion theory (public). Exponent: J. "
    "Meteorol. Soc. Jpn 66, 841, 1988 (public)"
)
states = (
    "m = a t^b, t to 30 min, for -3.7, -10.6, -16.5, -20.1 and -22.0 degC; compact crystals gain mass as "
    "t^1.5"
)
TOLERANCE = 0.30  # habit scatter and chamber pressure are not known (shared/physics.md 4.1)
EXPONENT, EXPONENT_TOLERANCE = 1.5, 0.15  # tolerance ours
# degC: pieces (from minute, a in g, b)
FITS: dict[float, tuple[tuple[float, float, float], ...]] = {
    -3.7: ((0.0, 1.3e-8, 1.40),),
    -10.6: ((0.0, 3.3e-8, 1.51),),
    -16.5: ((0.0, 8.1e-8, 1.36), (5.0, 3.5e-8, 1.91)),
    -20.1: ((0.0, 3.8e-8, 1.44),),
    -22.0: ((0.0, 3.4e-8, 1.42),),
}
COMPACT_C = (-10.6, -20.1)


def published_ug(temperature_c: float, minutes: float) -> float:
    """The fit's mass, ug."""
    _, a, b = [piece for piece in FITS[temperature_c] if minutes >= piece[0]][-1]
    return a * float(minutes**b) * 1e6


def sphere_ug(temperature_c: float, minutes: float, diffusivity: str = "1976") -> float:
    """Mass (ug) of a sphere from 5 um that takes all that diffusion and latent heat allow in still air."""
    s = scales(temperature_c + 273.15, 101325.0, diffusivity=diffusivity)
    squared = 25e-12 + 2 * s.D_m2_s * s.c_ratio * s.sigma_water * minutes * 60 / (1 + s.chi0)
    return 4 / 3 * math.pi * float(squared**1.5) * s.ice_density_kg_m3 * 1e9


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    minutes = (1.5, 3.0) if plan.quick else (3.0, 10.0, 20.0, 30.0)
    at = (-3.7, -10.6, -16.5) if plan.quick else tuple(FITS)
    cells = {
        (t, m.name, d, falling): Cell(
            t,
            ("water", 1.0),
            tuple(("minutes", x) for x in minutes),
            m,
            d,
            falling,
            voxel_um=2.0 if plan.quick else 1.0,
            seed_radius_um=5.0,
            seed_thickness_um=10.0,
        )
        for t in at
        for m in plan.members()
        for d in plan.diffusivities
        for falling in ((False, True) if d == plan.diffusivities[0] else (False,))
    }
    grown = plan.grow(list(cells.values()))
    rows, falls = [], []
    plots: dict[str, dict[str, list[float]]] = {}
    within: dict[bool, list[bool]] = {False: [], True: []}
    for (t, kinetics, d, falling), cell in cells.items():
        how = "ventilated" if falling else "still air"
        for i, m in enumerate(minutes):
            read = grown[cell].at(i)
            want = published_ug(t, m)
            value = None if read is None else float(read["mass_ug"])
            misfit = None if value is None else value / want - 1
            if misfit is not None:
                within[falling].append(abs(misfit) <= TOLERANCE)
            sphere = sphere_ug(t, m, d) / want - 1
            if misfit is not None and m == minutes[-1]:
                line = plots.setdefault(f"{kinetics}|{d}|{how}", {"temperature_c": [], "ratio": []})
                line["temperature_c"].append(t)
                line["ratio"].append(1 + misfit)
            if m < 3.0:
                continue  # the fits were not made for the first minutes
            rows.append(
                Row(
                    f"{t:g} degC, {m:g} min, {how}",
                    f"{want:.3g} ug",
                    "public",
                    kinetics,
                    d,
                    value,
                    "ug",
                    misfit,
                    judged(value, want * (1 - TOLERANCE), want * (1 + TOLERANCE)),
                    f"{grown[cell].failed or (read or {}).get('habit', 'solver not settled')}; diffusion "
                    f"sphere {sphere:+.0%}",
                )
            )
            if falling and read is not None and m == minutes[-1]:
                falls.append(
                    [t, kinetics, d, m, read["ventilation"], read["fall_speed_m_s"], read["fallen_m"]]
                )
        first, last = grown[cell].at(0 if plan.quick else 1), grown[cell].at(len(minutes) - 1)
        if t in COMPACT_C and not falling:
            slope = None
            if first is not None and last is not None:
                slope = math.log(last["mass_ug"] / first["mass_ug"]) / math.log(
                    last["minutes"] / first["minutes"]
                )
            rows.append(
                Row(
                    f"{t:g} degC, exponent b of m ~ t^b, still air (misfit as difference)",
                    f"{EXPONENT:g}",
                    "public",
                    kinetics,
                    d,
                    slope,
                    "",
                    None if slope is None else slope - EXPONENT,
                    judged(slope, EXPONENT - EXPONENT_TOLERANCE, EXPONENT + EXPONENT_TOLERANCE)
                    if not plan.quick
                    else CANNOT_TELL,
                    "" if not plan.quick else "too early: the seed still counts",
                )
            )
    said = [
        f"{'With ventilation' if v else 'In still air'} {sum(hits)} of {len(hits)} masses lie within "
        f"{TOLERANCE:.0%}."
        for v, hits in within.items()
    ]
    return Finding(
        tuple(rows),
        (
            *said,
            "The fits must contain whatever ventilation the tunnel's crystals had. If still air fits "
            "compact crystals better than ventilated air does, then either the correction is too large for "
            "them, or the chamber was drier than water saturation, or two errors cancel: this comparison "
            "cannot say which.",
        ),
        "-16.5 degC: the published crystals are dendrites, thin arms of a millimetre; a model crystal "
        "thicker than that stays near the diffusion sphere however good its diffusion is. The other rows "
        "test diffusion, latent heat and water saturation, and say little about kinetics: the sphere has "
        "none and comes close. -3.7 degC: the fit grows slower (t^1.40) than any crystal limited by "
        "diffusion in still air.",
        (
            {
                "title": "Ventilation and fall at the last reading",
                "columns": ["degC", "kinetics", "diffusivity", "min", "f", "m/s", "m fallen"],
                "rows": falls,
            },
        ),
        {"lines": plots, "minutes": minutes[-1], "tolerance": TOLERANCE},
    )
