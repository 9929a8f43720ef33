"""Two crystals laid over each other, each a photograph or a run; and twins in one photograph."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.measure.scale import Scale
    from icewright.measure.signal import FloatArray

KIND, SCHEMA = "icewright.comparison", 1


@dataclass(frozen=True)
class Shape:
    """A crystal's outline, float64[n, 2] in metres, outer loop first, and where it came from.

    ``corrected``: what was corrected by hand, in words; empty where it is as found.
    """

    loops: list[FloatArray]
    name: str
    quality: str
    u_edge_m: float
    corrected: str = ""


def compare(
    first: str | Path,
    second: str | Path | None = None,
    *,
    scale: Scale | str | None = None,
    scale_second: Scale | str | None = None,
    frame: int = -1,
    frame_second: int = -1,
    crystal: int = 1,
    crystal_second: int | None = None,
    same_size: bool = False,
    picture: str | None = None,
    picture_second: str | None = None,
    out: str | Path | None = None,
) -> dict[str, Any]:
    """Compare two crystals. Each place is a run folder, a measured folder or a picture; one picture: twins.

    ``picture``: which of a measured folder, the last if None; its scale and its corrections by hand are in
    the folder, and what was corrected is told in ``corrected``. ``scale``: of pictures, see
    ``tasks.measure.parse_scale``; ``scale_second`` if it differs. ``frame``: of runs. ``crystal``: its number
    in a picture, 1 the largest. ``same_size``: stretch the second to the first's mean reach. ``out``: folder
    for ``compare.json`` and ``compare.png``.

    Gives back a plain record: ``similarity``, ``meaning``, areas, ``arms`` and, for twins, ``lag`` of both.
    Raises ``IcewrightError``.
    """
    if second is None:
        return _twins(Path(first), scale, out)
    from icewright.measure import compare as physics

    a = shape_of(Path(first), scale, frame, crystal, picture)
    b = shape_of(
        Path(second),
        scale_second if scale_second is not None else scale,
        frame_second,
        crystal if crystal_second is None else crystal_second,
        picture_second,
    )
    c = physics.compare(a.loops, b.loops, same_size=same_size)
    total = c.common_m2 + c.only_first_m2 + c.only_second_m2
    reach = math.sqrt((c.common_m2 + c.only_first_m2) / math.pi)
    # An outline moved all round by u changes the areas by its length times u; both err.
    u = _perimeter(c.first_m) * math.hypot(a.u_edge_m, b.u_edge_m) / total
    arms = []
    if c.arms_first_m is not None and c.arms_second_m is not None:
        arms = [
            {"first_m": float(x), "second_m": float(y), "difference_m": float(y - x)}
            for x, y in zip(c.arms_first_m, c.arms_second_m, strict=True)
        ]
    record: dict[str, Any] = {
        "first": a.name,
        "second": b.name,
        "quality": [a.quality, b.quality],
        "corrected": [a.corrected, b.corrected],
        "similarity": c.similarity,
        "u_similarity": min(u, 1.0),
        "meaning": meaning(c.similarity),
        "turned_deg": math.degrees((c.turned_rad + math.pi) % (2 * math.pi) - math.pi),
        "mirrored": c.mirrored,
        "size_ratio": c.sizes,
        "stretched_by": c.stretched,
        "common_m2": c.common_m2,
        "only_first_m2": c.only_first_m2,
        "only_second_m2": c.only_second_m2,
        "difference_m2": c.only_first_m2 + c.only_second_m2,
        "mean_distance_m": (c.only_first_m2 + c.only_second_m2) / _perimeter(c.first_m),
        "radius_m": reach,
        "arms": arms,
    }
    if out is not None:
        from icewright.notebook.files import guard, write_json
        from icewright.pictures.measure_sheet import compare_png

        folder = Path(out)
        with guard(folder):
            folder.mkdir(parents=True, exist_ok=True)
        write_json(folder / "compare.json", KIND, SCHEMA, record)
        caption = f"Similarity {c.similarity:.3f}: common over covered area. {record['meaning']}"
        drawn = compare_png(
            c.first_m,
            c.second_m,
            folder / "compare.png",
            "Two crystals, centre on centre",
            (a.name, b.name),
            caption,
        )
        record["files"] = [str(folder / "compare.json"), str(drawn)]
    return record


def meaning(similarity: float) -> str:
    """The number in words."""
    radius = 100.0 * (1.0 - math.sqrt(similarity))
    return (
        f"Two like hexagons whose radii differ by {radius:.1f} % would have the same number."
        if similarity > 0.4
        else "The two have less than half of their area in common."
    )


def shape_of(
    place: Path,
    scale: Scale | str | None,
    frame: int = -1,
    crystal: int = 1,
    picture: str | None = None,
) -> Shape:
    """The outline of a run's crystal, of one in a picture, or of one in a measured folder, as corrected.

    Raises ``IcewrightError``.
    """
    if place.is_dir() and (place / "readings.json").is_file():
        return _measured(place, picture, crystal)
    if place.is_dir():
        from icewright.shape.outline import outline
        from icewright.tasks.crystals import solid_of

        solid = solid_of(place, frame)
        loops = outline(solid)
        if not loops:
            raise IcewrightError(f"The crystal in {place} has no outline.", got="not one whole cell of ice")
        return Shape([loops[0]], place.name, "grown", 0.2 * solid.spacing_m)
    readings = _readings(place, scale)
    if crystal > len(readings):
        raise IcewrightError(
            got=f"crystal {crystal} of {place.name}", wanted=f"1 to {len(readings)}, the largest is 1"
        )
    one = readings[crystal - 1]
    return Shape([one.outline_m], place.name, one.quality, float(one.details.get("u_edge_m", 0.0)))


def _measured(folder: Path, picture: str | None, crystal: int) -> Shape:
    import numpy as np

    from icewright.measure.reading import to_metres
    from icewright.tasks.corrected import reading_of

    one, scale, words = reading_of(folder, picture, crystal)
    loop = to_metres(np.asarray(one["outline_px"], dtype=float), scale)
    u = float(one["details"].get("u_edge_m") or 0.0)
    return Shape([loop], f"{folder.name}/{one['picture']}", str(one["quality"]), u, words)


def _readings(place: Path, scale: Scale | str | None) -> list[Any]:
    from icewright.measure import images, reading
    from icewright.tasks.measure import parse_scale

    if not place.is_file():
        raise IcewrightError(got=str(place), wanted="a run folder or a picture")
    if scale is None:
        raise IcewrightError(
            f"The scale of {place.name} is needed.",
            got="no --scale",
            wanted="um in a pixel",
            do="--scale 0.65",
        )
    known = parse_scale(scale) if isinstance(scale, str) else scale
    item = images.items(place)[0]
    found = [r for r in reading.read(images.load(item), known) if r.view != "round"]
    if not found:
        raise IcewrightError(f"No crystal stands out in {place.name}.")
    return found


def _perimeter(loop: FloatArray) -> float:
    import numpy as np

    return float(np.hypot(*np.diff(loop, axis=0).T).sum())


def _twins(place: Path, scale: Scale | str | None, out: str | Path | None) -> dict[str, Any]:
    from icewright.measure import compare as physics

    readings = [r for r in _readings(place, scale) if r.quality != "none"]
    if len(readings) < 2:
        raise IcewrightError(
            got=f"one crystal in {place.name}",
            wanted="two crystals in one picture, or two places to compare",
            do=f"icewright compare {place} OTHER --scale 0.65",
        )
    a, b = readings[:2]
    u = max(float(r.details.get("u_edge_m", 0.0)) for r in (a, b))
    found = physics.twins(a.outline_m, b.outline_m, u)
    record: dict[str, Any] = {
        "picture": place.name,
        "distance_m": found.distance_m,
        "gap_m": found.gap_m,
        "quality": [a.quality, b.quality],
        "lag": [_lag(found.first), _lag(found.second)],
    }
    if out is not None:
        from icewright.notebook.files import guard, write_json

        folder = Path(out)
        with guard(folder):
            folder.mkdir(parents=True, exist_ok=True)
        write_json(folder / "twins.json", "icewright.twins", 1, record)
        record["files"] = [str(folder / "twins.json")]
    return record


def _lag(lag: Any) -> Mapping[str, Any]:
    return {
        "facing_m": lag.facing_m,
        "away_m": lag.away_m,
        "lag_m": lag.lag_m,
        "u_lag_m": lag.u_lag_m,
        "share": lag.share,
        "arm_m": lag.arm_m,
        "mean_other_arms_m": lag.mean_arms_m,
    }
