"""How thick a plate is for its diameter."""

from __future__ import annotations

from icewright.evidence.cells import Cell
from icewright.evidence.model import CANNOT_TELL, FROM_MEMORY, Finding, Plan, Row

name = "plate-thickness"
title = "How thick is a plate for its diameter?"
source = "J. Atmos. Sci. 27, 919, 1970, DOI 10.1175/1520-0469(1970)027<0919:TDOICI>2.0.CO;2; FROM MEMORY"
states = "hexagonal plates collected in nature: thickness h = 2.020 d^0.449, d the diameter, both in um"
TEMPERATURE_C = -15.0
AIR = (("2 %", ("sigma", 2.0)), ("8 %", ("sigma", 8.0)), ("water saturation", ("water", 1.0)))


def published_um(diameter_um: float) -> float:
    """h in um for d in um."""
    return 2.020 * float(diameter_um**0.449)


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    diameters = (40.0, 80.0) if plan.quick else (50.0, 100.0, 150.0, 200.0)
    cells = {
        (words, m.name, d): Cell(
            TEMPERATURE_C,
            air,
            tuple(("radius_um", x / 2) for x in diameters),
            m,
            d,
            voxel_um=2.0 if plan.quick else 1.0,
            seed_thickness_um=4.0,
        )
        for words, air in AIR
        for m in plan.members()
        for d in plan.diffusivities
    }
    grown = plan.grow(list(cells.values()))
    rows = []
    for (words, kinetics, d), cell in cells.items():
        for i, diameter in enumerate(diameters):
            read, want = grown[cell].at(i), published_um(diameter)
            value = None if read is None else float(read["thickness_um"])
            rows.append(
                Row(
                    f"{TEMPERATURE_C:g} degC, {words}, diameter {diameter:g} um",
                    f"{want:.1f} um",
                    FROM_MEMORY,
                    kinetics,
                    d,
                    value,
                    "um",
                    None if value is None else value / want - 1,
                    CANNOT_TELL,
                    "not reached" if read is None else f"{read['habit']} after {read['minutes']:.1f} min",
                )
            )
    return Finding(
        tuple(rows),
        (
            "Not judged, because the relation is from memory; the misfits stand all the same. Natural "
            "plates saw air that nobody recorded, so even the confirmed relation could only be a band.",
        ),
        "A plate far too thick at water saturation has a basal face that grows: in both tables alpha of "
        "the basal face is of order one at the surface supersaturation of several percent that the model "
        "finds there.",
    )
