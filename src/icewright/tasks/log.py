"""From a logger's record to the recipe that really was run; and two runs side by side."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.ground.units import ZERO_CELSIUS_K, minutes, percent
from icewright.notebook.files import StoreError, guard, write_atomic, write_json
from icewright.recipe import curves as air_curves

if TYPE_CHECKING:
    from icewright.apparatus.logger import Record
    from icewright.recipe.in_settings import Planned

KIND = "icewright.log"
RUNS_KIND = "icewright.runs-compared"
SCHEMA = 1
BRIDGE_MIN = 2.0
AS_RUN = "as-run.toml"
_SIZES = (
    ("radius, um", "radius_um"),
    ("thickness, um", "thickness_um"),
    ("mass, ug", "mass_ug"),
    ("aspect ratio", "aspect_ratio"),
    ("solidity", "solidity"),
    ("time, min", "time_min"),
)


def log(
    file: str | Path,
    apparatus: str | Path,
    out_dir: str | Path,
    *,
    mapping: str | Path | None = None,
    plan: str | Path | None = None,
    begin: str = "",
    end: str = "",
    sync: Sequence[str] = (),
    camera_start: str = "",
    bridge_min: float = BRIDGE_MIN,
) -> dict[str, Any]:
    """Read a logger's CSV and write the recipe that was run, ``as-run.toml``, with what was found on the way.

    Into ``out_dir`` also go ``air.csv`` (planned and logged air), ``log.png``, ``air.png`` and ``log.json``.

    ``mapping``: which column is what; ``FILE.logger.toml`` beside the CSV if None, and if there is none a
    starter is written there to be filled in. ``plan``: recipe that was planned; its seed, holding, kinetics
    and resolution are taken over, and its air is compared. ``begin``, ``end``: moments of the logger between
    which the run lies. ``sync``: pairs ``"LOGGER=CAMERA"`` of one moment on both clocks; ``camera_start``:
    the first picture on the camera's clock, which becomes the recipe's zero. ``bridge_min``: longest gap that
    a straight line may cross.

    Keys: ``folder, recipe, pictures, words`` (sentences), ``tables`` (as in ``look``), ``gaps, spikes, steps,
    differences`` (records) and ``cautions``.

    Raises ``LogError``, ``RecordError``, ``ApparatusError``, ``RecipeError``, ``StoreError``.
    """
    return _run(file, apparatus, out_dir, mapping, plan, begin, end, sync, camera_start, bridge_min)[0]


def grow_both(
    file: str | Path,
    apparatus: str | Path,
    out_dir: str | Path,
    *,
    on_progress: Callable[[dict[str, Any]], None] | None = None,
    threads: int | None = None,
    engine: Any = None,
    pictures: bool = True,
    **options: Any,
) -> dict[str, Any]:
    """:func:`log`, and then grow the crystal as logged and, with a ``plan``, as planned, and compare them.

    The runs are ``out_dir/as-run`` and ``out_dir/planned``; one that is there and not ended goes on. Adds
    ``runs`` (paths) and, with a plan, ``compared`` (see :func:`compare`) to the answer of :func:`log`.
    """
    from icewright.tasks.grow import grow

    told, made, plan = _run(file, apparatus, out_dir, **{**_DEFAULTS, **options})
    folder = Path(out_dir)
    runs = {"as-run": made} | ({"planned": plan} if plan is not None else {})
    told["runs"] = {}
    told["complete"] = True
    for name, planned in runs.items():
        there = (folder / name / "run.json").is_file()
        done = grow(
            None if there else planned,
            folder / name,
            resume=there,
            threads=threads,
            on_progress=on_progress,
            engine=engine,
            pictures=pictures,
        )
        told["runs"][name] = str(folder / name)
        if not done.complete:
            told["complete"] = False
            return told
    if plan is not None:
        told["compared"] = compare(folder / "planned", folder / "as-run", folder)
    return told


def compare(planned: str | Path, as_run: str | Path, out_dir: str | Path) -> dict[str, Any]:
    """The crystals of two runs side by side: ``runs.png`` and ``runs.json`` in ``out_dir``.

    Keys: ``table`` (columns, rows, title), ``rows`` (a record each: ``quantity, planned, as_run, change``,
    the last a fraction), ``habits``, ``picture``. Sizes are also compared at the time of the shorter run,
    because two runs seldom end at one time. Raises ``StoreError`` for a folder without a summary.
    """
    from icewright.notebook.series import read_series
    from icewright.notebook.store import RunFolder
    from icewright.pictures.air_figures import runs_png

    folders = (RunFolder(Path(planned)), RunFolder(Path(as_run)))
    summaries = []
    for run in folders:
        held = run.read_summary()
        if held is None:
            raise StoreError(
                f"{run.path} has no summary.json.",
                wanted="a run that has ended",
                do=f"icewright grow --resume {run.path}",
            )
        summaries.append(held)
    series = [read_series(run.series).columns for run in folders]
    rows = [_compared(words, *(held[key] for held in summaries)) for words, key in _SIZES]
    common = min(float(s["time_s"][-1]) for s in series)
    for words, column, factor in (("radius, um", "radius_tip_m", 1e6), ("mass, ug", "mass_kg", 1e9)):
        at = [float(np.interp(common, s["time_s"], s[column])) * factor for s in series]
        rows.append(_compared(f"{words} at {minutes(common):.4g} min", *at))
    folder = Path(out_dir)
    with guard(folder):
        folder.mkdir(parents=True, exist_ok=True)
    habits = [str(held["habit"]) for held in summaries]
    picture = runs_png(
        {"planned": series[0], "as logged": series[1]},
        folder / "runs.png",
        title="Planned and as logged",
        caption=f"Planned: {habits[0]}. As logged: {habits[1]}. Both grown by the model.",
    )
    record = {"rows": rows, "habits": habits, "picture": picture.name}
    write_json(folder / "runs.json", RUNS_KIND, SCHEMA, record)
    shown = [
        (
            r["quantity"],
            r["planned"],
            r["as_run"],
            f"{100 * r['change']:+.1f} %" if r["change"] is not None else "-",
        )
        for r in rows
    ]
    shown.append(("habit", habits[0], habits[1], "same" if habits[0] == habits[1] else "differs"))
    return {
        "table": (("", "planned", "as logged", "change"), shown, "crystals"),
        "rows": rows,
        "habits": habits,
        "picture": str(picture),
    }


_DEFAULTS: dict[str, Any] = {
    "mapping": None,
    "plan": None,
    "begin": "",
    "end": "",
    "sync": (),
    "camera_start": "",
    "bridge_min": BRIDGE_MIN,
}


def _run(
    file: str | Path,
    apparatus: str | Path,
    out_dir: str | Path,
    mapping: str | Path | None,
    plan: str | Path | None,
    begin: str,
    end: str,
    sync: Sequence[str],
    camera_start: str,
    bridge_min: float,
) -> tuple[dict[str, Any], Planned, Planned | None]:
    from icewright.apparatus import as_logged, clock, logger
    from icewright.apparatus.file import read as read_apparatus
    from icewright.recipe.files import dumps, read_planned
    from icewright.recipe.from_log import as_run

    file, folder = Path(file), Path(out_dir)
    held = read_apparatus(apparatus)
    columns = logger.read_mapping(_mapping(file, mapping, held))
    wanted = read_planned(plan) if plan is not None else None
    record = logger.read_log(file, columns)
    when = functools.partial(clock.moment, layout=columns.layout, zone=columns.zone)
    camera = clock.camera_clock([_pair(text, when) for text in sync])
    record = record.cut(when(begin) if begin else None, when(end) if end else None)
    bridged = logger.refuse_gaps(record, bridge_min * 60.0)
    air = as_logged.air(record, held)
    # The zero of the recipe: the camera's first picture, or the first reading.
    zero = when(camera_start) if camera_start else float(camera(record.time_s[0]))
    time_s = np.asarray(camera(air.time_s)) - zero
    if camera_start and not time_s[0] <= 0.0 < time_s[-1]:
        raise clock.LogError(
            got=f"the first picture {-time_s[0]:+.4g} s after the log begins, by the two clocks",
            wanted=f"a moment within the log, which is {time_s[-1] - time_s[0]:.4g} s long",
            do="--sync LOGGER=CAMERA   (one moment on both clocks)",
        )
    air, time_s = _after_zero(air, time_s)
    made = as_run(air, time_s, held, plan=wanted)
    recipe = made.planned.recipe
    with guard(folder, "nothing was changed"):
        folder.mkdir(parents=True, exist_ok=True)
    note = f"# Made by icewright log from {file.name}; the air that was logged, as ramps.\n" + (
        ""
        if wanted is not None
        else "# No plan was given: seed, holding and kinetics are defaults; set them.\n"
    )
    write_atomic(folder / AS_RUN, (note + dumps(recipe)).encode())
    made.planned.curves.write(folder / air_curves.FILE)
    words = [
        f"{len(record.time_s)} readings over {minutes(float(record.time_s[-1] - record.time_s[0])):.4g} min, "
        f"{logger.shown_time(float(record.time_s[0]), record.counted)} to "
        f"{logger.shown_time(float(record.time_s[-1]), record.counted)}",
        *record.notes,
        *bridged,
        *_spike_words(record),
        *air.words,
        camera.words(),
        f"{len(recipe.steps)} ramps within {1e3 * made.tolerance_k:.3g} mK and "
        f"{percent(made.tolerance_sigma):.2g} % over ice of the log"
        + (f"'s means over {made.averaged} readings" if made.averaged > 1 else "")
        + f" (noise of a reading: {1e3 * made.noise_k:.2g} mK, {percent(made.noise_sigma):.2g} %)",
    ]
    differences = _differences(made.planned, wanted)
    told: dict[str, Any] = {
        "folder": str(folder),
        "recipe": str(folder / AS_RUN),
        "pictures": _pictures(record, made.planned, wanted, folder, file.name),
        "words": words,
        "tables": _tables(differences),
        "rule": logger_rule(),
        "gaps": [
            {
                "begin_s": g.start_s,
                "end_s": g.end_s,
                "lines": [g.first_line, g.last_line],
                "channel": g.channel,
            }
            for g in record.gaps
        ],
        "spikes": [
            {"time_s": s.time_s, "line": s.line, "channel": s.channel, "read": s.read, "taken": s.mended}
            for s in record.spikes
        ],
        "clock": {"offset_s": camera.offset_s, "drift": camera.drift, "pairs": camera.pairs},
        "steps": len(recipe.steps),
        "differences": differences,
        "cautions": list(made.planned.cautions),
    }
    write_json(
        folder / "log.json", KIND, SCHEMA, {**told, "file": file.name, "folder": ".", "recipe": AS_RUN}
    )
    return told, made.planned, wanted


def logger_rule() -> str:
    """The rule by which gaps and spikes are found, in words."""
    from icewright.apparatus.spikes import RULE

    return RULE


def _mapping(file: Path, mapping: str | Path | None, apparatus: Any) -> Path:
    from icewright.apparatus import logger
    from icewright.apparatus.basis import unit_of
    from icewright.apparatus.clock import LogError

    if mapping is not None:
        return Path(mapping)
    beside = file.with_suffix(logger.SUFFIX)
    if not beside.is_file():
        text = logger.starter(file, {name: unit_of(name) for name in apparatus.settings})
        write_atomic(beside, text.encode())
        raise LogError(
            got=f"no mapping for {file.name}; wrote {beside} with its columns and some guesses",
            wanted="which column is what, checked by you; once for a logger",
            do=f"edit {beside}, then the same command again",
        )
    return beside


def _pair(text: str, when: Callable[[str], float]) -> tuple[float, float]:
    from icewright.apparatus.clock import LogError

    sides = text.split("=")
    if len(sides) != 2 or not all(side.strip() for side in sides):
        raise LogError(
            got=f"--sync {text}",
            wanted="one moment as both clocks showed it",
            do='--sync "2026-01-10 14:00:03=2026-01-10 14:00:15"',
        )
    return when(sides[0]), when(sides[1])


def _after_zero(air: Any, time_s: Any) -> tuple[Any, Any]:
    """The air from the recipe's zero on, which may lie between two readings."""
    from dataclasses import replace

    if time_s[0] >= 0.0:
        return air, time_s
    keep = time_s > 0.0

    def cut(values: Any) -> Any:
        return np.concatenate([[np.interp(0.0, time_s, values)], values[keep]])

    return (
        replace(
            air,
            time_s=cut(air.time_s),
            temperature_k=cut(air.temperature_k),
            sigma=cut(air.sigma),
            settings={name: cut(values) for name, values in air.settings.items()},
        ),
        np.concatenate([[0.0], time_s[keep]]),
    )


def _spike_words(record: Record) -> list[str]:
    said = []
    for channel in dict.fromkeys(s.channel for s in record.spikes):
        lines = [str(s.line) for s in record.spikes if s.channel == channel]
        shown = ", ".join(lines[:5]) + (f" and {len(lines) - 5} more" if len(lines) > 5 else "")
        said.append(f"{channel}: {len(lines)} spike{'s' if len(lines) > 1 else ''} taken out (line {shown})")
    return said


def _differences(made: Planned, wanted: Planned | None) -> list[dict[str, Any]]:
    """Logged less planned air: over the whole, and for each step of the plan that has a time."""
    if wanted is None:
        return []
    c = made.curves
    spans: list[tuple[str, float, float]] = [("whole", float(c.time_s[0]), float(c.time_s[-1]))]
    of = np.asarray(wanted.origin)[wanted.curves.step]
    places = list(dict.fromkeys(of.tolist()))
    starts = [float(wanted.curves.time_s[of == place][0]) for place in places] + [
        float(wanted.curves.time_s[-1])
    ]
    spans += [(f"step {p + 1}", a, b) for p, a, b in zip(places, starts, starts[1:], strict=False) if b > a]
    out = []
    for name, begin, end in spans:
        rows = (c.time_s >= begin) & (c.time_s <= end)
        if np.count_nonzero(rows) < 2:
            continue
        part = air_curves.AirCurves(
            c.time_s[rows],
            c.step[rows],
            c.set_temperature_k[rows],
            c.set_sigma[rows],
            c.temperature_k[rows],
            c.sigma[rows],
        )
        warm, moist = air_curves.differences(part)
        out.append({"part": name, "temperature_k": warm, "sigma": moist})
    return out


def _tables(differences: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    if not differences:
        return []
    rows = [
        (
            d["part"],
            f"{d['temperature_k']['mean']:+.3f}",
            f"{d['temperature_k']['most']:+.3f}",
            f"{percent(d['sigma']['mean']):+.2f}",
            f"{percent(d['sigma']['most']):+.2f}",
            f"{minutes(d['sigma']['at_s']):.2f}",
        )
        for d in differences
    ]
    columns = ("", "mean, K", "most, K", "mean, % over ice", "most, % over ice", "at, min")
    return [{"title": "logged less planned air", "columns": columns, "rows": rows}]


def _pictures(record: Record, made: Planned, wanted: Planned | None, folder: Path, name: str) -> list[str]:
    from icewright.pictures.air_figures import air_png, log_png

    # quantity: unit as drawn, factor, offset
    shown = {
        "temperature": ("°C", 1.0, -ZERO_CELSIUS_K),
        "fraction": ("%", 100.0, 0.0),
        "pressure": ("hPa", 0.01, 0.0),
        "flow": ("l/min", 6e4, 0.0),
        "length": ("mm", 1e3, 0.0),
    }
    channels: dict[str, Any] = {}
    spikes: dict[str, list[tuple[float, float]]] = {}
    zero = float(record.time_s[0])
    for channel, used in record.values.items():
        unit, factor, offset = shown.get(record.quantity[channel], ("SI", 1.0, 0.0))
        channels[channel] = (unit, record.raw[channel] * factor + offset, used * factor + offset)
        spikes[channel] = [
            (s.time_s - zero, s.read * factor + offset) for s in record.spikes if s.channel == channel
        ]
    first = log_png(
        record.time_s - zero,
        channels,
        folder / "log.png",
        gaps=[(g.start_s - zero, g.end_s - zero) for g in record.gaps],
        spikes=spikes,
        title=f"Log {name}",
        caption=f"Dots: readings. Line: as used. {logger_rule().capitalize()}.",
    )
    second = air_png(
        made.curves,
        folder / "air.png",
        title=made.recipe.title,
        caption="Air at the crystal as logged" + (", beside the air that was planned." if wanted else "."),
        asked="planned",
        got="logged",
        knobs="logged",
    )
    return [str(first), str(second)]


def _compared(words: str, planned: float | None, as_run: float | None) -> dict[str, Any]:
    change = as_run / planned - 1.0 if planned and as_run is not None else None
    return {"quantity": words, "planned": planned, "as_run": as_run, "change": change}
