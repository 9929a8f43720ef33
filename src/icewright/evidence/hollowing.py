"""When a column's ends hollow out: with supersaturation, and with size."""

from __future__ import annotations

from icewright.evidence.cells import Cell
from icewright.evidence.model import CANNOT_TELL, Finding, Plan, Row, Verdict
from icewright.shape.habit import HOLLOW

name = "hollowing"
title = "When do columns near -5 degC become hollow?"
source = (
    "common practice, no source: solid columns in drier air, hollow ones and needles near water saturation"
)
states = "near -5 degC columns are solid at about 1 % over ice and hollow near water saturation (5 %)"
TEMPERATURE_C = -5.0
SIGMA = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 4.9)
LENGTHS_UM = (20.0, 40.0, 60.0, 100.0)
EXPECTED = {1.0: False, 4.9: True}


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    sigmas = (1.0, 4.9) if plan.quick else SIGMA
    lengths = LENGTHS_UM[:3] if plan.quick else LENGTHS_UM
    cells = {
        (m.name, d, s): Cell(
            TEMPERATURE_C,
            ("sigma", s),
            tuple(("thickness_um", x) for x in lengths),
            m,
            d,
            voxel_um=2.0 if plan.quick else 1.0,
        )
        for m in plan.members()
        for d in plan.diffusivities
        for s in sigmas
    }
    grown = plan.grow(list(cells.values()))
    onset: dict[tuple[str, str], float] = {}
    rows, table = [], []
    for (kinetics, d, s), cell in cells.items():
        reads = [grown[cell].at(i) for i in range(len(lengths))]
        known = [(x, r) for x, r in zip(lengths, reads, strict=True) if r is not None]
        hollow = [x for x, r in known if r["hollow_share"] >= HOLLOW]
        last = known[-1][1] if known else None
        said = (
            f"hollow from {hollow[0]:g} um long"
            if hollow
            else (f"solid to {known[-1][0]:g} um" if known else "-")
        )
        if last is not None and hollow:
            onset.setdefault((kinetics, d), s)
        table.append([s, kinetics, d, said, *(None if r is None else r["aspect_ratio"] for r in reads)])
        if s in EXPECTED:
            is_hollow = bool(hollow)
            long = last is not None and last["aspect_ratio"] > 1
            verdict: Verdict = CANNOT_TELL if last is None else "agrees"
            if last is not None and (is_hollow is not EXPECTED[s] or not long):
                verdict = "disagrees"
            rows.append(
                Row(
                    f"{s:g} %: {'hollow' if EXPECTED[s] else 'solid'} column",
                    "hollow" if EXPECTED[s] else "solid",
                    "common practice",
                    kinetics,
                    d,
                    None if last is None else last["hollow_share"],
                    "share of the length",
                    None,
                    verdict,
                    said + ("" if last is None else f"; c/a {last['aspect_ratio']:.2f}, {last['habit']}"),
                )
            )
    return Finding(
        tuple(rows),
        (
            f"Hollow is {HOLLOW:.0%} of the length or more, both ends together. Onset, lowest percent over "
            "ice tried: "
            + ("; ".join(f"{k} (D {d}) {s:g} %" for (k, d), s in onset.items()) or "none was hollow")
            + ".",
        ),
        "Hollows begin where the middle of the basal face, worse supplied than its rim, can no longer keep "
        "up. A table with a basal narrow-facet dip lets the rim run ahead early; the voxel, far coarser "
        "than a rim, decides too.",
        (
            {
                "title": f"Hollowing at {TEMPERATURE_C:g} degC; c/a at lengths of "
                f"{', '.join(f'{x:g}' for x in lengths)} um",
                "columns": ["sigma %", "kinetics", "diffusivity", "hollow", *(f"{x:g} um" for x in lengths)],
                "rows": table,
            },
        ),
    )
