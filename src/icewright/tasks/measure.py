"""Photographs in, sizes, growth curves and velocities out, as a growth series with its contact sheet."""

from __future__ import annotations

import math
import os
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError
from icewright.measure.scale import Scale, ScaleError
from icewright.notebook.files import guard, write_json

KIND, SCHEMA = "icewright.measurement", 1
READINGS_KIND, READINGS_SCHEMA = "icewright.readings", 1
SUMMARY, READINGS = "measure.json", "readings.json"
CSV, NETCDF = "growth-series.csv", "growth-series.nc"
VELOCITIES = {
    "radius_tip_m": "tip_velocity_m_s",
    "radius_facet_m": "facet_velocity_m_s",
    "length_m": "length_velocity_m_s",
    "width_m": "width_velocity_m_s",
}
ALONE = 3  # so many pictures are measured here; for more it pays to start other processes
QUIET_S = 0.8  # a watched file is whole when its size stood still for so long

Progress = Callable[[int, int, str], None]


def parse_scale(text: str, division_um: float | None = None, u_division_percent: float = 0.0) -> Scale:
    """The scale from what was typed: ``0.65``, ``0.65,0.70`` (x, y), ``0.65+-0.004``, or a picture's path.

    A picture shows a stage micrometer whose lines are ``division_um`` apart (10 um is usual, but it must be
    said). Raises ``ScaleError``, ``MicrometerError``, ``ImageError``.
    """
    number = r"\s*([0-9.]+(?:[eE][-+]?\d+)?)\s*"
    found = re.fullmatch(rf"{number}(?:[,x]{number})?(?:(?:\+-|\+/-|±){number}(%)?)?", text)
    if found:
        try:
            x = float(found[1])
            y = float(found[2]) if found[2] else x
            u = float(found[3]) if found[3] else 0.0
        except ValueError as error:
            raise ScaleError(got=text, wanted="micrometres in a pixel", do="--scale 0.65") from error
        share = u / 100.0 if found[4] else (u / x if x > 0 else 0.0)
        return Scale(x * 1e-6, y * 1e-6, share, "as given")
    path = Path(text)
    if not path.is_file():
        raise ScaleError(
            got=f"--scale {text}",
            wanted="micrometres in a pixel, or a picture of a stage micrometer",
            do="--scale 0.65   or   --scale 0.65,0.70   or   --scale 0.65+-0.004",
        )
    if division_um is None:
        raise ScaleError(
            f"{path.name} is taken for a picture of a stage micrometer.",
            got="no length of a division",
            wanted="how far its lines are apart",
            do=f"--scale {text} --division-um 10",
        )
    from icewright.measure import images, micrometer

    ruling = micrometer.find_ruling(images.load(images.items(path)[0]))
    scale = micrometer.scale_of(ruling, division_um * 1e-6, u_division_share=u_division_percent / 100.0)
    return replace(scale, source=f"{path.name}: {scale.source}")


def measure(
    places: Sequence[str | Path],
    scale: Scale | str,
    out: str | Path,
    *,
    view: str = "auto",
    stack: str = "auto",
    times: str | Path | None = None,
    every_s: float | None = None,
    least_um: float | None = None,
    workers: int | None = None,
    pictures: bool = True,
    by_arrival: bool = False,
    on_progress: Progress | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> dict[str, Any]:
    """Measure every crystal in pictures, folders and stacks, and follow each through time.

    ``scale``: see :func:`parse_scale`. ``times``: a CSV with columns file and time_s. ``every_s``: a picture
    each so many seconds. ``least_um``: what is smaller across is left out. ``by_arrival``: take the time at
    which a file was written where it tells no better.

    What was found is kept in ``out/kept``, one file a picture: the same call again goes on after a stop and
    reads no picture twice. ``out/corrections.json``, if there is one, is laid over what was found.

    Gives back a plain record: ``crystals`` (one each, with the last sizes, velocities and changes),
    ``problems``, ``words``, ``files``, ``pictures``, ``seconds``, ``stopped``. Raises ``IcewrightError`` if
    there is nothing to read.
    """
    began = time.monotonic()
    scale = parse_scale(scale) if isinstance(scale, str) else scale
    folder = Path(out)
    from icewright.measure import corrections, images
    from icewright.measure.times import with_times

    files, problems = images.find(places)
    if not files:
        raise IcewrightError(
            "There is no picture.",
            got="; ".join(f"{p.name}: {p.reason}" for p in problems) or "nothing",
            wanted="pictures, or folders that hold some",
            do="icewright measure morning/ --scale 0.65",
        )
    with guard(folder):
        folder.mkdir(parents=True, exist_ok=True)
    own = {folder / name for name in ("kept", "tiles")}
    files = [f for f in files if f.parent not in own and not f.name.startswith(("sheet-", "curves"))]
    found: list[images.Item] = []
    for path in files:
        try:
            found += images.items(path, stack)
        except (IcewrightError, OSError) as error:
            words = images.reason(error, path.name) if isinstance(error, IcewrightError) else str(error)
            problems.append(images.Problem(path.name, words))
    if not found and not problems:
        raise IcewrightError(
            "There is no picture but those that Icewright drew.", got=", ".join(map(str, places))
        )
    found, said = with_times(found, Path(times) if times is not None else None, every_s)
    if by_arrival and found and any(i.time_s is None for i in found):
        stamps = [i.path.stat().st_mtime for i in found]
        found = [
            replace(i, time_s=t - min(stamps), time_from="written")
            for i, t in zip(found, stamps, strict=True)
        ]
        found.sort(key=lambda i: i.time_s or 0.0)
        said = ["times of writing of the files"]
    fixes = corrections.read(folder)
    plain = [_record(item, scale, view, least_um, folder if pictures else None, ()) for item in found]
    outcomes, stopped = _read_all(plain, folder, workers, on_progress, should_stop)
    options = {"view": view, "least_um": least_um, "stack": stack}
    from icewright.tasks import corrected

    hand = {}
    if fixes and not stopped:
        hand = corrected.lay_over(found, outcomes, fixes, scale, options, folder, pictures, workers)
    rows = _rows(found, outcomes, hand, fixes)
    for item, outcome in zip(found, outcomes, strict=True):
        if isinstance(outcome, Mapping) and outcome.get("problem"):
            problems.append(images.Problem(item.name, outcome["problem"]))
        elif isinstance(outcome, Mapping) and not outcome.get("readings"):
            problems.append(images.Problem(item.name, "nothing stands out of the background"))
    write_json(
        folder / READINGS,
        READINGS_KIND,
        READINGS_SCHEMA,
        {
            "scale": {"x_m": scale.x_m, "y_m": scale.y_m, "u_share": scale.u_share, "source": scale.source},
            "options": options,
            "pictures": [
                {
                    "name": item.name,
                    "path": str(item.path),
                    "beside": _beside(item.path, folder),
                    "time_s": item.time_s,
                    **(outcome or {}),
                }
                for item, outcome in zip(found, outcomes, strict=True)
            ],
        },
        indent=None,
    )
    return _written(
        folder, scale, found, outcomes, hand, rows, problems, said, fixes, pictures, stopped, began
    )


def _beside(path: Path, folder: Path) -> str | None:
    """The way from the folder to the picture, which still holds when both are moved; None across drives."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        return None


def _record(
    item: Any, scale: Scale, view: str, least_um: float | None, folder: Path | None, fixes: Sequence[Any]
) -> dict[str, Any]:
    about = item.path.stat()
    from icewright.measure import corrections

    now = corrections.scale_of(fixes, item.name, scale)
    by_hand = {
        str(k): {
            name: [list(p) for p in value] if name == "outline_px" else list(value)
            for name, value in more.items()
        }
        for k, more in corrections.by_hand(fixes, item.name).items()
    }
    # In pixels the least size stays, so that the same crystals are found and keep their numbers.
    least_m = None if least_um is None else least_um * 1e-6 * now.pixel_m / scale.pixel_m
    return {
        "path": str(item.path.resolve()),
        "name": item.name,
        "pages": list(item.pages),
        "size": about.st_size,
        "changed": about.st_mtime_ns,
        "x_m": now.x_m,
        "y_m": now.y_m,
        "u_share": now.u_share,
        "view": view,
        "least_m": least_m,
        "by_hand": by_hand,
        "tiles": str(folder / "tiles") if folder is not None else None,
    }


def number_of(reading: Mapping[str, Any], place: int) -> int:
    """A crystal's number in its picture; its place where results of an older Icewright do not tell it."""
    return int(reading.get("details", {}).get("number") or place)


def _work(record: Mapping[str, Any]) -> dict[str, Any]:
    """Measure one picture; runs in another process. What is wrong with a file is a result, not an error."""
    import numpy as np

    from icewright.measure import images, reading

    item = images.Item(Path(record["path"]), record["name"], tuple(record["pages"]))
    scale = Scale(record["x_m"], record["y_m"], record["u_share"])
    try:
        picture = images.load(item)
        hand = {int(k): v for k, v in record["by_hand"].items() if int(k) > 0}
        for more in hand.values():
            if "outline_px" in more:
                more["outline_px"] = np.asarray(more["outline_px"], dtype=float)
        readings = reading.read(picture, scale, view=record["view"], least_m=record["least_m"], by_hand=hand)
    except images.ImageError as error:
        return {"problem": images.reason(error, item.name), "readings": []}
    plain = [_plain_reading(r, scale) for r in readings]
    shown = ""
    if record["tiles"]:
        from icewright.pictures.measure_sheet import tile
        from icewright.pictures.stamp import write_png

        folder = Path(record["tiles"])
        folder.mkdir(parents=True, exist_ok=True)
        stem = re.sub(r"[^\w.-]", "_", record["name"]) + ("-by-hand" if record["by_hand"] else "")
        path = folder / f"{stem}.png"
        write_png(path, tile(picture, plain), "icewright.measure-tile", quick=True, of=record["name"])
        shown = path.name
    return {"problem": "", "readings": plain, "tile": shown, "pixels": list(picture.shape[:2][::-1])}


def _plain_reading(r: Any, scale: Scale) -> dict[str, Any]:
    import numpy as np

    from icewright.measure.reading import to_pixels

    loop = np.round(to_pixels(r.outline_m, scale), 2)
    out: dict[str, Any] = {
        "view": r.view,
        "quality": r.quality,
        "reasons": list(r.reasons),
        "values": {
            k: [float(v), float(u)] for k, (v, u) in r.values.items() if math.isfinite(v) and math.isfinite(u)
        },
        "outline_px": loop.tolist(),
        "area_px": float(_area(loop)),
        "middle_px": [float(v) for v in loop.mean(axis=0)],
    }
    if "centre_x_m" in r.values:
        out["centre_px"] = [r.values["centre_x_m"][0] / scale.x_m, -r.values["centre_y_m"][0] / scale.y_m]
    details = dict(r.details)
    if "tips_m" in details:
        out["tips_px"] = np.round(to_pixels(np.asarray(details["tips_m"]), scale), 2).tolist()
    out["holes_px"] = details.pop("holes_px", [])
    out["details"] = _finite(details)
    return out


def _finite(data: Any) -> Any:
    """Plain data with None for what is no number."""
    if isinstance(data, Mapping):
        return {str(k): _finite(v) for k, v in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(v) for v in data]
    if isinstance(data, float) or hasattr(data, "item"):
        value = float(data)
        return value if math.isfinite(value) else None
    return data


def _area(loop: Any) -> float:
    x, y = loop[:, 0], loop[:, 1]
    return abs(float(0.5 * (x[:-1] * y[1:] - x[1:] * y[:-1]).sum()))


def _compact(result: Any) -> Any:
    """The same result, its long loops as arrays: as lists of lists a thousand pictures hold a gigabyte."""
    import numpy as np

    for one in result["readings"] if isinstance(result, Mapping) else ():
        one["outline_px"] = np.asarray(one["outline_px"], dtype=float)
        one["holes_px"] = [np.asarray(hole, dtype=float) for hole in one.get("holes_px", ())]
    return result


def _read_all(
    records: list[dict[str, Any]],
    folder: Path,
    workers: int | None,
    on_progress: Progress | None,
    should_stop: Callable[[], bool] | None,
) -> tuple[list[Any], bool]:
    from icewright.sweep.executor import spread
    from icewright.sweep.shelf import Shelf

    total = len(records)
    shelf = Shelf(folder / "kept")
    key = Shelf.key_for(_work)
    results: list[Any] = []
    for record in records:
        kept = shelf.get(key(record))
        results.append(_compact(kept.value) if kept is not None else None)
    waiting = [k for k, r in enumerate(results) if r is None]
    done = total - len(waiting)
    if on_progress is not None:
        on_progress(done, total, "")
    if len(waiting) <= ALONE or workers == 1:
        for k in waiting:
            if should_stop is not None and should_stop():
                return results, True
            results[k] = _work(records[k])
            shelf.put(key(records[k]), results[k])
            _compact(results[k])
            done += 1
            if on_progress is not None:
                on_progress(done, total, records[k]["name"])
        return results, False

    def told(outcome: Any) -> None:
        nonlocal done
        done += 1
        _compact(outcome.result)
        if on_progress is not None:
            on_progress(done, total, records[waiting[outcome.index]]["name"])

    spreading = spread(
        _work,
        [records[k] for k in waiting],
        workers=workers,
        threads=1,
        keep=folder / "kept",
        on_outcome=told,
        should_stop=should_stop,
    )
    for k, outcome in zip(waiting, spreading.outcomes, strict=True):
        if outcome is None:
            continue
        results[k] = outcome.result if outcome.ok else {"problem": outcome.error, "readings": []}
    return results, spreading.stopped


def _rows(
    found: Sequence[Any], outcomes: Sequence[Any], hand: Mapping[int, Any], fixes: Sequence[Any]
) -> list[Any]:
    """Rows of the growth series, crystals numbered by following them, velocities filled in."""
    from icewright.measure import corrections, tracking
    from icewright.measure.format import Row

    kept: list[list[tuple[int, Mapping[str, Any]]]] = []
    for k, outcome in enumerate(outcomes):
        readings = (hand.get(k) or outcome or {}).get("readings", [])
        name = found[k].name
        mine = []
        for place, one in enumerate(readings, start=1):
            number = number_of(one, place)
            if one["view"] == "round" or corrections.for_crystal(fixes, name, number).get("leave_out"):
                continue
            mine.append((number, one))
        kept.append(mine)
    spots = [
        [
            tracking.Spot(one["middle_px"][0], -one["middle_px"][1], max(one["area_px"], 1.0))
            for _, one in mine
        ]
        for mine in kept
    ]
    numbers = tracking.track(spots)
    rows = []
    for item, mine, given in zip(found, kept, numbers, strict=True):
        for (number, one), crystal in zip(mine, given, strict=True):
            rows.append(
                Row(
                    crystal,
                    item.time_s,
                    item.name,
                    one["view"],
                    one["quality"],
                    {k: (v[0], v[1]) for k, v in one["values"].items()},
                    tuple(one["reasons"]),
                    corrections.for_crystal(fixes, item.name, number).get("words", ""),
                )
            )
    rows.sort(key=lambda r: (r.crystal, r.time_s if r.time_s is not None else 0.0))
    return rows


def _written(
    folder: Path,
    scale: Scale,
    found: Sequence[Any],
    outcomes: Sequence[Any],
    hand: Mapping[int, Any],
    rows: list[Any],
    problems: Sequence[Any],
    said: Sequence[str],
    fixes: Sequence[Any],
    pictures: bool,
    stopped: bool,
    began: float,
) -> dict[str, Any]:
    from icewright import __version__
    from icewright.measure import corrections
    from icewright.measure import format as series_format

    rows, crystals = _followed(rows, scale)
    about = {
        "scale_x_m": scale.x_m,
        "scale_y_m": scale.y_m,
        "u_scale_share": scale.u_share,
        "scale_source": scale.source,
        "times": "; ".join(said),
        "version": __version__,
    }
    corrected = sum(1 for r in rows if r.corrected)
    left_out = sum(1 for c in fixes if c.leave_out)
    notes = []
    if fixes:
        about["corrections"] = (
            f"{_count(corrected, 'row')} by hand, {_count(left_out, 'crystal')} left out by hand"
        )
        notes = [f"{corrections.FILE} is laid over what was found: {about['corrections']}"]
    series = series_format.GrowthSeries(tuple(rows), about)
    files = [str(series_format.write_csv(series, folder / CSV))]
    if rows:
        files.append(str(series_format.write_netcdf(series, folder / NETCDF)))
    files.append(str(folder / READINGS))
    drawn = _drawn(folder, found, outcomes, hand, crystals, rows) if pictures else []
    seconds = time.monotonic() - began
    summary: dict[str, Any] = {
        "crystals": crystals,
        "pictures": len(found),
        "measured": sum(1 for o in outcomes if o is not None and not o.get("problem")),
        "flagged": sum(1 for r in rows if r.quality in ("poor", "none")),
        "readings": len(rows),
        "problems": [{"name": p.name, "reason": p.reason} for p in problems],
        "words": [*said, *notes],
        "corrected": corrected,
        "left_out": left_out,
        "corrections_digest": corrections.digest(fixes),
        "stopped": stopped,
        "seconds": seconds,
        **about,
    }
    write_json(folder / SUMMARY, KIND, SCHEMA, summary)
    return summary | {"files": [*files, str(folder / SUMMARY)], "drawn": drawn, "folder": str(folder)}


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _followed(rows: list[Any], scale: Scale) -> tuple[list[Any], list[dict[str, Any]]]:
    """Rows with velocities, and a record for each crystal."""
    import numpy as np

    from icewright.measure import series

    out: list[Any] = []
    crystals = []
    for crystal in sorted({r.crystal for r in rows}):
        mine = [r for r in rows if r.crystal == crystal]
        t = np.array([r.time_s if r.time_s is not None else math.nan for r in mine])
        timed = bool(np.isfinite(t).any())
        flagged = np.array([r.quality in ("poor", "none") for r in mine])
        values = [dict(r.values) for r in mine]
        sizes: dict[str, Any] = {}
        changes: list[dict[str, Any]] = []
        for name, velocity in VELOCITIES.items():
            value = np.array([r.values[name][0] if name in r.values else math.nan for r in mine])
            u = np.array([r.values[name][1] if name in r.values else math.nan for r in mine])
            if not np.isfinite(value).any():
                continue
            one: dict[str, Any] = {"value": value, "u": u, "flagged": flagged}
            use = np.isfinite(value) & np.isfinite(t) & ~flagged
            curve = series.in_parts(t[use], value[use]) if timed else None
            if curve is not None:
                each = np.hypot(curve.u_slope, scale.u_share * np.abs(curve.slope))
                full = {key: np.full(t.size, math.nan) for key in ("smooth", "velocity", "u_velocity")}
                full["smooth"][use], full["velocity"][use], full["u_velocity"][use] = (
                    curve.value,
                    curve.slope,
                    each,
                )
                one |= full
                for k in np.flatnonzero(use):
                    values[k][velocity] = (float(full["velocity"][k]), float(full["u_velocity"][k]))
                for c in curve.changes:
                    changes.append(
                        {
                            "of": name,
                            "time_s": c.time_s,
                            "u_time_s": c.u_time_s,
                            "before_m_s": c.before,
                            "u_before_m_s": c.u_before,
                            "after_m_s": c.after,
                            "u_after_m_s": c.u_after,
                        }
                    )
            sizes[name] = one
        done = [replace(r, values=v) for r, v in zip(mine, values, strict=True)]
        out += done
        last = next((r for r in reversed(done) if r.quality not in ("poor", "none")), done[-1])
        crystals.append(
            {
                "crystal": crystal,
                "name": f"crystal {crystal}",
                "pictures": len(done),
                "view": last.view,
                "last_picture": last.picture,
                "quality": last.quality,
                "reasons": list(last.reasons),
                "values": {k: list(v) for k, v in last.values.items()},
                "changes": changes,
                "time_s": t,
                "timed": timed,
                "sizes": sizes,
            }
        )
    return out, crystals


def _drawn(
    folder: Path,
    found: Sequence[Any],
    outcomes: Sequence[Any],
    hand: Mapping[int, Any],
    crystals: Sequence[Mapping[str, Any]],
    rows: Sequence[Any],
) -> list[str]:
    import numpy as np
    from PIL import Image

    from icewright.pictures import measure_sheet

    for old in folder.glob("sheet-*.png"):
        old.unlink()
    tiles = []
    for k, item in enumerate(found):
        shown = hand.get(k) or outcomes[k]
        if not shown or not shown.get("tile"):
            continue
        path = folder / "tiles" / shown["tile"]
        if not path.exists():
            continue
        with Image.open(path) as image:
            picture = np.asarray(image.convert("RGB"))
        tiles.append((picture, _tile_words(item, shown["readings"]), _worst(shown["readings"])))
    drawn = [str(p) for p in measure_sheet.sheets(tiles, folder / "sheet")]
    followed = [c for c in crystals if c["timed"] and c["pictures"] > 1 and c["sizes"]]
    if followed:
        caption = "Points with bars of one standard uncertainty; open points are flagged and not used. "
        caption += "Lines: local regression.\nDashed: moments when growth changed."
        drawn.append(
            str(measure_sheet.curves_png(followed, folder / "curves.png", "Growth as measured", caption))
        )
    return drawn


def _worst(readings: Sequence[Mapping[str, Any]]) -> str:
    return str(readings[0]["quality"]) if readings else "none"


def _tile_words(item: Any, readings: Sequence[Mapping[str, Any]]) -> str:
    when = f", {item.time_s / 60.0:.4g} min" if item.time_s is not None else ""
    if not readings:
        return f"{item.name}{when}: nothing stands out of the background"
    one = readings[0]
    v = one["values"]
    size = ""
    if "radius_tip_m" in v:
        size = f"tips {v['radius_tip_m'][0] * 1e6:.1f} ± {v['radius_tip_m'][1] * 1e6:.1f} µm, "
    elif "length_m" in v:
        wide = f"{v['width_m'][0] * 1e6:.1f}" if "width_m" in v else "?"
        size = f"{v['length_m'][0] * 1e6:.1f} x {wide} µm, "
    why = f" ({one['reasons'][0]})" if one["reasons"] else ""
    return f"{item.name}{when}: {size}{one['quality']}{why}"


def watch(
    folder: str | Path,
    scale: Scale | str,
    out: str | Path,
    *,
    idle_s: float | None = None,
    on_picture: Callable[[dict[str, Any]], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
    look_every_s: float = 1.0,
    **options: Any,
) -> dict[str, Any]:
    """Measure what a camera writes into a folder as it comes, until stopped or nothing came for ``idle_s``.

    A file is taken once its size stands still. All files of the measurement are written anew after each
    picture. Options as for :func:`measure`. Raises ``IcewrightError`` if there is no such folder.
    """
    from icewright.measure import images

    place = Path(folder)
    if not place.is_dir():
        raise IcewrightError(got=f"--watch {folder}", wanted="a folder that a camera writes into")
    sizes: dict[Path, tuple[int, float]] = {}
    taken: set[Path] = set()
    last: dict[str, Any] = {}
    quiet = time.monotonic()
    while not (should_stop is not None and should_stop()):
        now = time.monotonic()
        files, _ = images.find([place])
        ready = []
        for path in files:
            if path in taken:
                continue
            try:
                size = path.stat().st_size
            except OSError:
                continue
            before = sizes.get(path)
            if before is None or before[0] != size:
                sizes[path] = (size, now)
            elif now - before[1] >= QUIET_S and size > 0:
                ready.append(path)
        if ready:
            taken.update(ready)
            last = measure(sorted(taken), scale, out, by_arrival=True, should_stop=should_stop, **options)
            if on_picture is not None:
                on_picture(last | {"new": [p.name for p in ready]})
            quiet = time.monotonic()  # the time it took to measure is not the camera's silence
        elif idle_s is not None and now - quiet > idle_s:
            break
        time.sleep(min(look_every_s, QUIET_S))
    return last


def correct(out: str | Path, correction: Any) -> Path:
    """Add a correction by hand to a folder of measurements; :func:`measure` lays it over what was found."""
    from icewright.measure import corrections

    folder = Path(out)
    corrections.add(folder, correction)
    return folder / corrections.FILE
