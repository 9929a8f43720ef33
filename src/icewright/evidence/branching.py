"""When a plate grows branches: with supersaturation, and with size. The one comparison that needs the 3D
model.
"""

from __future__ import annotations

from icewright.evidence.cells import Cell
from icewright.evidence.model import CANNOT_TELL, Finding, Plan, Row, Verdict, judged
from icewright.shape.habit import WHOLE
from icewright.vapour.supersaturation import sigma_at_water_saturation

name = "branching"
title = "When do plates near -15 degC grow branches?"
source = (
    "meeting abstract of the American Meteorological Society, 2024: branched growth only at relative "
    "humidities over water of 100 % and more; abstract read (public, as a band). Slightly below in "
    "chambers: from memory"
)
states = "branches near -15 degC appear at water saturation (15.7 % over ice), not far below"
TEMPERATURE_C = -15.0
SIGMA = (2.0, 5.0, 8.0, 11.0, 13.0, 15.7)
RADII_UM = (20.0, 30.0, 40.0, 50.0, 65.0, 80.0)
BAND = (0.75, 1.05)  # of the supersaturation at water saturation: ours


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    water = 100 * float(sigma_at_water_saturation(TEMPERATURE_C + 273.15))
    sigmas = (5.0, 15.7) if plan.quick else SIGMA
    radii = RADII_UM[:3] if plan.quick else RADII_UM
    cells = {
        (m.name, d, s): Cell(
            TEMPERATURE_C,
            ("sigma", s),
            tuple(("radius_um", x) for x in radii),
            m,
            d,
            model="3d",
            voxel_um=2.0,
            seed_thickness_um=4.0,
        )
        for m in plan.members()
        for d in plan.diffusivities
        for s in sigmas
    }
    grown = plan.grow(list(cells.values()))
    rows, table = [], []
    for m in plan.members():
        for d in plan.diffusivities:
            onset, unknown = None, False
            for s in sigmas:
                reads = [grown[cells[m.name, d, s]].at(i) for i in range(len(radii))]
                known = [(x, r) for x, r in zip(radii, reads, strict=True) if r is not None]
                open_ = [x for x, r in known if r["solidity"] < WHOLE]
                unknown = unknown or len(known) < len(radii)
                if open_ and onset is None:
                    onset = s
                said = (
                    f"from radius {open_[0]:g} um"
                    if open_
                    else f"whole to {known[-1][0] if known else 0:g} um"
                )
                table.append([s, m.name, d, said, *(None if r is None else r["solidity"] for r in reads)])
            share = None if onset is None else onset / water
            top = [
                r
                for r in (grown[cells[m.name, d, sigmas[-1]]].at(i) for i in range(len(radii)))
                if r is not None
            ]
            verdict: Verdict = judged(share, *BAND)
            if onset is None:
                verdict = CANNOT_TELL if unknown else "disagrees"
            rows.append(
                Row(
                    "lowest supersaturation tried that branches, over that of water saturation",
                    f"{BAND[0]:g} to {BAND[1]:g}",
                    "public",
                    m.name,
                    d,
                    share,
                    "of water saturation",
                    None if share is None else share - 1,
                    verdict,
                    (f"{onset:g} %" if onset else f"none to a radius of {radii[-1]:g} um")
                    + (
                        f"; at {sigmas[-1]:g} %: {top[-1]['habit']}, c/a {top[-1]['aspect_ratio']:.2f}"
                        if top
                        else ""
                    ),
                )
            )
    return Finding(
        tuple(rows),
        (
            f"Branched is a solidity below {WHOLE:g}. The band {BAND[0]:g} to {BAND[1]:g} of water "
            "saturation is ours. 3D on voxels of 2 um: a finer voxel branches earlier "
            "(docs/physics/limits.md).",
        ),
        "The onset moves with size (a larger facet starves earlier), with the voxel, and with the two "
        "thresholds of the facet rule, which are our choice. A thick edge branches later than a thin one "
        "at the same humidity.",
        (
            {
                "title": f"Branching at {TEMPERATURE_C:g} degC; solidity at radii of "
                f"{', '.join(f'{x:g}' for x in radii)} um",
                "columns": ["sigma %", "kinetics", "diffusivity", "branched", *(f"{x:g} um" for x in radii)],
                "rows": table,
            },
        ),
    )
