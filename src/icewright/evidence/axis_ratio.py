"""How much faster one axis grows than the other, against temperature."""

from __future__ import annotations

import math

from icewright.evidence.model import CANNOT_TELL, Finding, Plan, Row, judged
from icewright.evidence.temperature_scan import crossings, scan, temperatures

name = "axis-ratio"
title = "What is the ratio of axis growth, d ln c / d ln a, against temperature?"
source = (
    "J. Atmos. Sci. 51, 1206, 1994, DOI 10.1175/1520-0469(1994)051<1206:TTBFTP>2.0.CO;2; table read in a "
    "public weather model; its crossing of 1 is confirmed (public)"
)
states = "the ratio passes 1 at -4.4 degC going colder, is 2.3 at -6 and back near 1.2 at -9 degC"
CROSSING_C, TOLERANCE_K = -4.4, 1.0  # tolerance ours
PUBLISHED = {
    -1: 0.911,
    -2: 0.818,
    -3: 0.687,
    -4: 0.601,
    -5: 1.598,
    -6: 2.324,
    -7: 2.088,
    -8: 1.619,
    -9: 1.159,
}


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    at, rows, plots = temperatures(plan), [], {}
    for (kinetics, diffusivity), grown in scan(plan).items():
        ratios: list[float | None] = []
        for t in at:
            first, last = grown[t].at(0), grown[t].at(1)
            ratio = None
            if first is not None and last is not None:
                a = math.log(last["radius_um"] / first["radius_um"])
                ratio = math.log(last["thickness_um"] / first["thickness_um"]) / a if a > 0 else None
            ratios.append(ratio)
            published = PUBLISHED.get(int(t)) if t == int(t) else None
            if published is not None:
                rows.append(
                    Row(
                        f"d ln c/d ln a at {t:g} degC",
                        f"{published:g}",
                        "read",
                        kinetics,
                        diffusivity,
                        ratio,
                        "",
                        None if ratio is None else ratio / published - 1,
                        CANNOT_TELL,
                        "shown, not judged: the table's own uncertainty was not read",
                    )
                )
        up = [t for t, rises in crossings(at, ratios) if rises and t > -9]
        where = min(up, key=lambda t: abs(t - CROSSING_C)) if up else None
        sides = [r for t, r in zip(at, ratios, strict=True) if r is not None and -9 <= t <= -1]
        rows.append(
            Row(
                "ratio rises through 1 (misfit in K)",
                f"{CROSSING_C:g} degC",
                "public",
                kinetics,
                diffusivity,
                where,
                "degC",
                None if where is None else where - CROSSING_C,
                judged(where, CROSSING_C - TOLERANCE_K, CROSSING_C + TOLERANCE_K)
                if where is not None
                else ("disagrees" if sides else CANNOT_TELL),
                "" if where is not None else "never rises through 1 between -1 and -9 degC",
            )
        )
        plots[f"{kinetics}|{diffusivity}"] = {"temperature_c": list(at), "ratio": ratios}
    plots["published"] = {"temperature_c": list(PUBLISHED), "ratio": list(PUBLISHED.values())}
    return Finding(
        tuple(rows),
        (
            f"Tolerance of the crossing {TOLERANCE_K:g} K (ours). The ratio is taken between two readings "
            "of one growing crystal at water saturation.",
        ),
        "Ratios that stay near 1 where the source has 2 say that diffusion evens the axes out: the surface "
        "supersaturation on voxels coarser than a rim is too even for the kinetics to tell the faces "
        "apart.",
        plots=plots,
    )
