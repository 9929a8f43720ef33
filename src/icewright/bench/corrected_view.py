"""What was measured, in the shapes of the page: laboratory units, words, and lines to draw over a picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.bench import corrected_shapes as shapes
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.measure.scale import Scale

_UNITS = {"m": (1e6, "um"), "m2": (1e12, "um2"), "rad": (180.0 / math.pi, "deg"), "1": (1.0, "")}

_LEFT_OUT = {
    "area_m2": "area",
    "perimeter_m": "perimeter",
    "solidity": "solidity",
    "radius_facet_m": "centre to facets",
    "width_m": "width",
}


def scale_view(scale: Scale) -> shapes.ScaleView:
    """In micrometres and percent."""
    return shapes.ScaleView(
        x_um=scale.x_m * 1e6, y_um=scale.y_m * 1e6, u_percent=scale.u_share * 100, source=scale.source
    )


def reading(
    plain: Mapping[str, Any], scale: Scale, hangs: Mapping[str, list[shapes.Kind]]
) -> shapes.MeasuredReading:
    """A plain record of `readings.json`. ``hangs``: the corrections that each number hangs on."""
    from icewright.measure.format import QUANTITIES

    values = []
    for q in QUANTITIES:
        pair = plain["values"].get(q.name)
        if pair is None or q.unit not in _UNITS:
            continue
        by, unit = _UNITS[q.unit]
        values.append(
            shapes.MeasuredValue(
                name=q.name,
                words=q.meaning,
                unit=unit,
                value=float(pair[0]) * by,
                u=float(pair[1]) * by,
                hangs_on=list(hangs.get(q.name, ())),
            )
        )
    centre = plain.get("centre_px") if plain["values"] else None
    return shapes.MeasuredReading(
        view=str(plain["view"]),
        quality=str(plain["quality"]),
        reasons=[str(r) for r in plain["reasons"]],
        values=values,
        left_out=[_LEFT_OUT.get(name, name) for name in plain.get("details", {}).get("left_out") or ()],
        outline_px=_points(plain["outline_px"]),
        holes_px=[_points(h) for h in plain.get("holes_px") or ()],
        centre_px=(float(centre[0]), float(centre[1])) if centre else None,
        tips_px=_points(plain.get("tips_px") or ()),
        axes_px=_axes(plain, scale, centre),
    )


def _points(loop: Any) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in loop]


def _axes(plain: Mapping[str, Any], scale: Scale, centre: Any) -> list[tuple[float, float]]:
    """Ends of the six axes, a little beyond the tips; none where no axes are known."""
    values = plain["values"]
    if plain["view"] != "plan" or centre is None or "angle_rad" not in values:
        return []
    far = 1.15 * float(values.get("radius_tip_m", values["radius_max_m"])[0])
    out = []
    for k in range(6):
        a = float(values["angle_rad"][0]) + k * math.pi / 3.0
        out.append(
            (
                float(centre[0]) + far * math.cos(a) / scale.x_m,
                float(centre[1]) - far * math.sin(a) / scale.y_m,
            )
        )
    return out


def brief(name: str, folder: Path) -> shapes.MeasurementBrief:
    """One line of the list; a damaged folder is named with why."""
    from icewright.measure import corrections
    from icewright.tasks import corrected

    files = [folder / "readings.json", folder / corrections.FILE]
    try:
        changed = max(p.stat().st_mtime for p in files if p.is_file())
    except (OSError, ValueError):
        changed = 0.0
    try:
        pictures = len(corrected.read_found(folder)["pictures"])
        fixes, said = len(corrections.read(folder)), ""
    except IcewrightError as error:
        pictures, fixes, said = 0, 0, error.message or str(error)
    return shapes.MeasurementBrief(
        name=name, pictures=pictures, corrections=fixes, changed=changed, error=said
    )


def refused(name: str, error: IcewrightError) -> shapes.MeasurementBrief:
    """A line for a folder that is not opened, with why."""
    return shapes.MeasurementBrief(
        name=name, pictures=0, corrections=0, changed=0.0, error=error.message or str(error)
    )


def written_under(folder: Path) -> str:
    """The corrections under which the series on disk was written, as their digest; empty for none."""
    from icewright.tasks.corrected import _before

    return str(_before(folder).get("corrections_digest") or "")
