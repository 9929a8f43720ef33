"""At what temperature the a axis and the c axis grow fastest."""

from __future__ import annotations

from icewright.evidence.model import Finding, Plan, Row, judged
from icewright.evidence.temperature_scan import peak, scan, temperatures

name = "growth-peaks"
title = "At what temperature do the two axes grow fastest?"
source = (
    "J. Meteorol. Soc. Jpn 66, 841, 1988, DOI 10.2151/jmsj1965.66.6_841; abstract read, confirmed (public)"
)
states = (
    "crystals in free fall at water saturation: the a axis grows fastest at -15 degC (dendrites), the c "
    "axis at -5.5 degC (needles)"
)
TOLERANCE_K = 1.0  # ours: the abstract gives no uncertainty, and the scan is a kelvin apart
_AXES = (("a axis", "radius_um", -15.0, 2.0), ("c axis", "thickness_um", -5.5, 1.0))


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    at, rows, plots = temperatures(plan), [], {}
    for (kinetics, diffusivity), grown in scan(plan).items():
        for axis, key, wanted, factor in _AXES:
            reads = {t: grown[t].at() for t in at}
            sizes = [None if (r := reads[t]) is None else r[key] * factor for t in at]
            where = peak(at, sizes)
            plots[f"{axis}|{kinetics}|{diffusivity}"] = {"temperature_c": list(at), "size_um": sizes}
            largest = max((s for s in sizes if s is not None), default=0.0)
            low = min((s for s in sizes if s is not None), default=0.0)
            rows.append(
                Row(
                    f"{axis}: temperature of the longest crystal (misfit in K)",
                    f"{wanted:g} degC",
                    "public",
                    kinetics,
                    diffusivity,
                    where,
                    "degC",
                    None if where is None else where - wanted,
                    judged(where, wanted - TOLERANCE_K, wanted + TOLERANCE_K),
                    f"longest {largest:.0f} um, shortest of the scan {low:.0f} um",
                )
            )
    return Finding(
        tuple(rows),
        (
            f"Tolerance {TOLERANCE_K:g} K (ours). Length reached after a fixed time from one seed, in still "
            "air; the tunnel's crystals were ventilated.",
        ),
        "A missing or misplaced c peak means that the basal face does not run ahead near -5.5 degC (no "
        "needles: the tips that make them are finer than a voxel). The a peak hangs on how thin the "
        "plate's edge stays.",
        plots=plots,
    )
