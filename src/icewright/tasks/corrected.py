"""Corrections by hand laid over what was found: pictures measured anew, the series written anew."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError
from icewright.measure.scale import Scale
from icewright.notebook.files import read_json
from icewright.tasks import measure as task

Locate = Callable[[Mapping[str, Any]], Path]


def lay_over(
    found: Sequence[Any],
    outcomes: Sequence[Any],
    fixes: Sequence[Any],
    scale: Scale,
    options: Mapping[str, Any],
    folder: Path,
    tiles: bool,
    workers: int | None,
) -> dict[int, Any]:
    """What the pictures with corrections hold when those are laid over, by the place of the picture."""
    where, records = [], []
    for k, item in enumerate(found):
        mine = [
            c for c in fixes if c.picture in ("*", item.name) and (c.scale_um or c.centre_px or c.outline_px)
        ]
        if not mine or outcomes[k] is None or outcomes[k].get("problem"):
            continue
        where.append(k)
        records.append(
            task._record(item, scale, options["view"], options["least_um"], folder if tiles else None, mine)
        )
    results, _ = task._read_all(records, folder, workers, None, None)
    return {k: r for k, r in zip(where, results, strict=True) if r is not None}


def read_found(folder: Path) -> dict[str, Any]:
    """``readings.json`` of a measured folder. Raises ``StoreError``, ``RecordError``."""
    data = read_json(folder / task.READINGS, task.READINGS_KIND, task.READINGS_SCHEMA)
    if not isinstance(data.get("pictures"), list) or not isinstance(data.get("scale"), dict):
        raise IcewrightError(f"{folder / task.READINGS} holds no pictures.", do="measure them again")
    data.setdefault("options", {"view": "auto", "least_um": None, "stack": "auto"})
    return data


def scale_found(found: Mapping[str, Any]) -> Scale:
    """The scale that a folder was measured with."""
    s = found["scale"]
    return Scale(float(s["x_m"]), float(s["y_m"]), float(s["u_share"]), str(s.get("source", "")))


def located(folder: Path) -> Locate:
    """Finds the pictures of a folder where they were, or as they lie to it now if both were moved."""

    def locate(picture: Mapping[str, Any]) -> Path:
        for path in places(folder, picture):
            if path.is_file():
                return path
        raise IcewrightError(
            f"The picture {picture['name']} is gone.", got=str(picture.get("path")), wanted="it where it was"
        )

    return locate


def places(folder: Path, picture: Mapping[str, Any]) -> list[Path]:
    """Where a picture may lie, the likeliest first."""
    beside, path = picture.get("beside"), Path(str(picture.get("path", "")))
    out = [folder / str(beside)] if beside else []
    return [*out, path, folder / path.name, folder.parent / path.name, folder.parent / path]


def item_of(picture: Mapping[str, Any], path: Path, stack: str = "auto") -> Any:
    """The picture as ``measure.images`` knows it, with its page. Raises ``ImageError``."""
    from icewright.measure import images

    name = str(picture["name"])
    for way in dict.fromkeys((stack, "auto", "time", "focus")):
        for item in images.items(path, way):
            if item.name == name or path.name == name:
                return replace(item, name=name, time_s=picture.get("time_s"))
    raise images.ImageError(f"{path.name} no longer holds the page {name}.")


def rewrite(
    out: str | Path, *, locate: Locate | None = None, pictures: bool = True, workers: int | None = None
) -> dict[str, Any]:
    """Write the series of a measured folder anew with its corrections; what was found is not touched.

    ``locate``: finds a picture's file from its record in ``readings.json``; only those with corrections are
    opened. Gives back what :func:`icewright.tasks.measure.measure` does. Raises ``IcewrightError``.
    """
    began = time.monotonic()
    folder = Path(out)
    from icewright.measure import corrections, images

    data = read_found(folder)
    scale, options = scale_found(data), data["options"]
    fixes = corrections.read(folder)
    find = locate or located(folder)
    touched = {c.picture for c in fixes if c.scale_um or c.centre_px or c.outline_px}
    found, outcomes = [], []
    for one in data["pictures"]:
        name = str(one["name"])
        outcomes.append(one if "readings" in one else None)
        if ("*" in touched or name in touched) and one.get("readings") is not None and not one.get("problem"):
            found.append(item_of(one, find(one), options["stack"]))
        else:
            found.append(images.Item(Path(name), name, time_s=one.get("time_s")))
    hand = lay_over(found, outcomes, fixes, scale, options, folder, pictures, workers)
    rows = task._rows(found, outcomes, hand, fixes)
    before = _before(folder)
    problems = [images.Problem(p["name"], p["reason"]) for p in before.get("problems", [])]
    said = [str(before["times"])] if before.get("times") else []
    return task._written(
        folder, scale, found, outcomes, hand, rows, problems, said, fixes, pictures, False, began
    )


def _before(folder: Path) -> dict[str, Any]:
    try:
        return read_json(folder / task.SUMMARY, task.KIND, task.SCHEMA)
    except IcewrightError:
        return {}


def reading_of(folder: Path, picture: str | None, crystal: int) -> tuple[dict[str, Any], Scale, str]:
    """(a crystal of a measured folder with its corrections, its scale, what was corrected in words).

    ``picture``: its name; the last one with a crystal if None. The crystal is a plain record as in
    ``readings.json``. Raises ``IcewrightError``.
    """
    from icewright.measure import corrections

    data = read_found(folder)
    scale, fixes = scale_found(data), corrections.read(folder)
    held = [p for p in data["pictures"] if p.get("readings") or any(c.picture == p["name"] for c in fixes)]
    names = [str(p["name"]) for p in held]
    if not held or (picture is not None and picture not in names):
        raise IcewrightError(
            got=f"picture {picture} in {folder}", wanted=", ".join(names[:12]) or "a folder with crystals"
        )
    one = held[names.index(picture)] if picture is not None else held[-1]
    readings = one.get("readings", [])
    if any(c.picture in ("*", one["name"]) and not c.leave_out for c in fixes):
        options = data["options"]
        item = item_of(one, located(folder)(one), options["stack"])
        readings = task._work(task._record(item, scale, options["view"], options["least_um"], None, fixes))[
            "readings"
        ]
    mine = [
        (k, r)
        for k, r in ((task.number_of(r, place), r) for place, r in enumerate(readings, start=1))
        if r["view"] != "round" and not corrections.for_crystal(fixes, str(one["name"]), k).get("leave_out")
    ]
    if not 1 <= crystal <= len(mine):
        raise IcewrightError(got=f"crystal {crystal} of {one['name']}", wanted=f"1 to {len(mine)}")
    number, reading = mine[crystal - 1]
    words = corrections.for_crystal(fixes, str(one["name"]), number).get("words", "")
    return (
        {**reading, "picture": str(one["name"])},
        corrections.scale_of(fixes, str(one["name"]), scale),
        words,
    )
