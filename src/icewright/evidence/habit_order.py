"""The order plate, column, plate as it gets colder, and where one passes into the other."""

from __future__ import annotations

from icewright.evidence.model import CANNOT_TELL, DISAGREES, Finding, Plan, Row, judged
from icewright.evidence.temperature_scan import crossings, scan, temperatures

name = "habit-order"
title = "Does the habit go plate, column, plate as it gets colder, and where does it turn?"
source = (
    "the morphology diagram, as in standard lists; order and crossings confirmed (public); finer limits "
    "common practice"
)
states = (
    "plates above about -3.5 degC, columns to about -9.5 degC, plates below; crossings at -3/-4 and -9/-10 "
    "degC"
)
# a kelvin beyond either side of the published pair: ours
TO_COLUMNS_C, TO_PLATES_C = (-5.0, -2.0), (-11.0, -8.0)
COLD_C = -20.0


def run(plan: Plan) -> Finding:
    """Compare; see the module text."""
    at, rows, plots = temperatures(plan), [], {}
    for (kinetics, diffusivity), grown in scan(plan).items():
        reads = {t: grown[t].at() for t in at}
        ratios = [None if (r := reads[t]) is None else r["aspect_ratio"] for t in at]
        found = [(t, rises) for t, rises in crossings(at, ratios) if t > COLD_C]
        known = [r for r in ratios if r is not None]
        turns = ", ".join(f"{'to columns' if rises else 'to plates'} at {t:.1f}" for t, rises in found)
        order = [rises for _, rises in found] == [True, False] if known else None
        rows.append(
            Row(
                "order of habits from 0 to -20 degC",
                "plate, column, plate",
                "public",
                kinetics,
                diffusivity,
                None,
                "",
                None,
                CANNOT_TELL if order is None else ("agrees" if order else DISAGREES),
                turns or "c/a never passes 1",
            )
        )
        for words, rises, (low, high) in (
            ("plates turn to columns", True, TO_COLUMNS_C),
            ("columns turn to plates", False, TO_PLATES_C),
        ):
            middle = (low + high) / 2
            here = [t for t, r in found if r is rises]
            where = min(here, key=lambda t: abs(t - middle)) if here else None
            rows.append(
                Row(
                    f"{words}: c/a = 1 (misfit in K)",
                    f"{middle:g} degC +- {(high - low) / 2:g} K",
                    "public",
                    kinetics,
                    diffusivity,
                    where,
                    "degC",
                    None if where is None else where - middle,
                    judged(where, low, high) if where is not None else (DISAGREES if known else CANNOT_TELL),
                    "" if where is not None else "no such crossing",
                )
            )
        cold = reads[at[-1]]
        if cold is not None:
            rows.append(
                Row(
                    f"habit at {at[-1]:g} degC",
                    "older lists columns, newer data plates (J. Atmos. Sci. 66, 2888, 2009, abstract): "
                    "disputed",
                    "read",
                    kinetics,
                    diffusivity,
                    cold["aspect_ratio"],
                    "c/a",
                    None,
                    CANNOT_TELL,
                    cold["habit"],
                )
            )
        plots[f"{kinetics}|{diffusivity}"] = {"temperature_c": list(at), "aspect_ratio": ratios}
    return Finding(
        tuple(rows),
        ("c/a after a fixed time at water saturation from a seed with c/a 1; a plate is c/a below 1 here.",),
        "Where a column or a plate does not form, look at its kinetics in the first place: the section on "
        "rival kinetics shows which change of a table would put it right. The crossings are where both "
        "facets' alpha are equal at the surface's own supersaturation, which no free air at water "
        "saturation gives directly.",
        plots=plots,
    )
