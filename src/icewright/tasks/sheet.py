"""A printed recipe sheet from a run, or from a recipe that is grown for it first."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.ground.errors import IcewrightError
from icewright.notebook.files import StoreError, guard, write_atomic
from icewright.notebook.series import read_series
from icewright.notebook.store import RunFolder
from icewright.recipe.limits import RecipeError
from icewright.sheets.content import MOST_STATIONS, Moment, Sheet, Station, same_air

if TYPE_CHECKING:
    from icewright.apparatus.model import Apparatus
    from icewright.recipe.in_settings import Planned
    from icewright.recipe.model import Recipe
    from icewright.recipe.step import Step
    from icewright.sheets.setpoints import Knobs

Progress = Callable[[dict[str, Any]], None]
_PACE = (1.0 / 3.0, 2.0 / 3.0)  # parts of a step at which its sizes are told
_PREVIEW = 100  # voxels in the radius: what a recipe is grown with for its sheet


@dataclass(frozen=True)
class SheetReport:
    """What was made. ``pages`` is the number of pages, ``run`` the folder of the prediction behind them."""

    path: Path
    run: Path
    mark: str
    pages: int
    steps: int
    csv: Path | None = None
    session: Path | None = None
    pictures: tuple[Path, ...] = ()
    warnings: list[str] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "sheet": str(self.path),
            "run": str(self.run),
            "mark": self.mark,
            "pages": self.pages,
            "steps": self.steps,
            "csv": None if self.csv is None else str(self.csv),
            "session": None if self.session is None else str(self.session),
            "pictures": [str(path) for path in self.pictures],
            "warnings": self.warnings,
        }


class StoppedShortError(IcewrightError):
    """The prediction for the sheet was stopped; the same call goes on with it."""


def sheet(
    run_or_recipe: str | Path,
    out: str | Path,
    *,
    apparatus: str | Path | None = None,
    csv: str | Path | None = None,
    session: str | Path | None = None,
    png: bool = False,
    threads: int | None = None,
    on_progress: Progress | None = None,
) -> SheetReport:
    """Write a recipe sheet as PDF to ``out``.

    Args:
        run_or_recipe: a run folder that has ended; or a recipe, which is then grown at preview resolution
            into a folder beside the sheet (``star.pdf``: ``star-run``), gone on with if it is there already.
        out: the PDF.
        apparatus: file of an apparatus, for its settings in place of temperature and humidity; a recipe in
            settings brings its own.
        csv: also write set-points for a controller there.
        session: also write the recipe there, for the bench page and for `icewright grow`.
        png: also write each page as a PNG beside the PDF.
        threads: for the growing.
        on_progress: as for `icewright.tasks.grow.grow`.

    Raises:
        RecipeError, ApparatusError, KineticsError: as growing does; for air that the apparatus cannot make.
        StoreError: for a run that has not ended, or files that cannot be written.
        StoppedShortError: if the growing was stopped; the same call goes on with it.
    """
    from icewright.sheets import layout, pdf, setpoints, type_in

    out = Path(out)
    _refuse_kind(out, ".pdf", "--out")
    run, planned = _grown(Path(run_or_recipe), out, threads, on_progress)
    kit = _kit(apparatus, planned)
    made, knobs = gather(run, planned, kit)
    sources = layout.files(made)
    written = pdf.pdf(sources, made.grown)
    shots = pdf.pngs(sources) if png else []
    pictures = tuple(out.with_name(f"{out.stem}-{k}.png") for k in range(1, len(shots) + 1))
    with guard(out, "nothing was changed"):
        out.parent.mkdir(parents=True, exist_ok=True)
    write_atomic(out, written)
    for path, shot in zip(pictures, shots, strict=True):
        write_atomic(path, shot)
    if csv is not None:
        rows = setpoints.set_points(made.stations, knobs)
        write_atomic(Path(csv), setpoints.csv_text(rows).encode())
    if session is not None:
        from icewright.recipe import files

        write_atomic(Path(session), files.dumps(made.recipe).encode())
    return SheetReport(
        path=out,
        run=run.path,
        mark=type_in.mark(made.recipe),
        pages=pdf.page_count(written),
        steps=len(made.recipe.steps),
        csv=None if csv is None else Path(csv),
        session=None if session is None else Path(session),
        pictures=pictures,
        warnings=[*made.apparatus_notes, *made.warnings],
    )


def mark_of(recipe: str | Path) -> dict[str, Any]:
    """The mark of a recipe, and whether it is the one printed in its last line, if there is one.

    Keys ``mark`` and ``agrees`` (None without a printed mark).
    Raises ``RecipeError`` for no recipe, ``IcewrightError`` if the mark is another.
    """
    from icewright.recipe import files
    from icewright.sheets import reading_back, type_in

    path = Path(recipe)
    path = path / "recipe.toml" if path.is_dir() else path
    made = files.read(path)
    printed = reading_back.printed_mark(path.read_text(encoding="utf-8-sig"))
    if printed is not None:
        reading_back.check(made, printed)
    return {"mark": type_in.mark(made), "agrees": None if printed is None else True}


def gather(run: RunFolder, planned: Planned, kit: Apparatus | None) -> tuple[Sheet, Knobs | None]:
    """What stands on the sheet, and how to turn air into settings where they are to be worked out.

    Raises ``StoreError`` for a damaged run, ``RecipeError`` for air that the apparatus cannot make.
    """
    from icewright.tasks.sources import as_text, sources_of_run

    about, summary = run.read_run(), run.read_summary() or {}
    recipe = planned.recipe
    columns = read_series(run.series).columns
    stations = _stations(run, planned, columns)
    notes: list[str] = []
    cautions = list(planned.cautions)
    knobs: Knobs | None = None
    if kit is not None and planned.apparatus is None:
        stations, notes, knobs = _in_settings(stations, kit, recipe)
        cautions += kit.cautions()
    elif planned.apparatus is not None:
        stations, knobs = _as_written(stations, planned)
        notes = list(planned.notes)
    said = planned.warnings()
    stage = recipe.notes.cautions()
    people = [text for text in said if "skin" in text or "kilovolts" in text]
    model = _once(text for text in summary.get("warnings", []) if text not in [*people, *stage, *cautions])
    sources = sources_of_run(run.path) if about.get("sources") else as_text(())
    return (
        Sheet(
            recipe=recipe,
            stations=stations,
            series=columns,
            version=str(about.get("version", "")),
            grown=str(about.get("started", "")),
            voxel_m=float(about.get("voxel_m", float("nan"))),
            ended=str(summary.get("ended", "")),
            apparatus=kit.title or kit.physics.words if kit is not None else "",
            apparatus_notes=notes,
            knob_steps={} if kit is None else {name: s.step for name, s in kit.settings.items()},
            cautions=[*people, *stage, *cautions],
            warnings=model,
            from_memory=[str(text) for text in summary.get("from_memory", [])],
            sources=sources.splitlines(),
        ),
        knobs,
    )


def _once(said: Iterable[str]) -> list[str]:
    """Sentences that differ only in their numbers once, with how many more there are."""
    met: dict[str, list[str]] = {}
    for text in said:
        met.setdefault(re.sub(r"[-\d.,\[\]]+", "", text), []).append(text)
    return [
        texts[0] + (f"; {len(texts) - 1} steps more likewise" if len(texts) > 1 else "")
        for texts in met.values()
    ]


# -- the run behind it ---------------------------------------------------------------------------------------


def _grown(
    given: Path, out: Path, threads: int | None, on_progress: Progress | None
) -> tuple[RunFolder, Planned]:
    if given.is_dir():
        run = RunFolder(given)
        about = run.read_run()
        if about.get("state") != "ended":
            raise StoreError(
                f"The run in {given} has not ended.",
                got=str(about.get("status", "")),
                do=f"icewright grow --resume {given}",
            )
        return run, _planned_of(run)
    from icewright.recipe import files
    from icewright.tasks.grow import grow

    planned = _at_preview(files.read_planned(given))
    folder = out.with_name(f"{out.stem}-run")
    run = RunFolder(folder)
    there = run.run.is_file()
    if there and not _same(files.read(run.recipe), planned.recipe):
        raise StoreError(
            f"{folder} holds the prediction for another recipe.",
            wanted="the recipe that this sheet is for",
            do=f"another --out, or: icewright sheet {folder} --out {out}",
        )
    done = grow(
        None if there else planned,
        folder,
        resume=there,
        threads=threads,
        on_progress=on_progress,
        pictures=False,
    )
    if not done.complete:
        raise StoppedShortError(
            done.ended.split(";")[0], got=str(folder), do="the same command again: it goes on from there"
        )
    return run, _planned_of(run)


def _same(one: Recipe, other: Recipe) -> bool:
    """Whether two recipes grow the same crystal; a run keeps its own copy of an attachment table."""
    from icewright.sheets.type_in import mark

    def table(recipe: Recipe) -> bytes:
        path = Path(recipe.kinetics)
        return path.read_bytes() if path.suffix == ".toml" and path.is_file() else recipe.kinetics.encode()

    marks = {mark(recipe.model_copy(update={"kinetics": ""})) for recipe in (one, other)}
    return len(marks) == 1 and table(one) == table(other)


def _at_preview(planned: Planned) -> Planned:
    """The plan with a preview's voxels, or its own if they are no finer than that."""
    from icewright.recipe.resolution import Resolution, final_size

    cut = planned.recipe.resolution
    if cut.preset == "preview":
        return planned
    if cut.voxel_m is not None and cut.voxel_m >= final_size(planned.recipe)[0] / _PREVIEW:
        return planned
    recipe = planned.recipe.model_copy(update={"resolution": Resolution(preset="preview")})
    return replace(planned, recipe=recipe)


def _planned_of(run: RunFolder) -> Planned:
    """The recipe of a run with what is known of the settings behind it."""
    from icewright.recipe import files
    from icewright.recipe.in_settings import of_air
    from icewright.tasks.planned import SETTINGS

    recipe = files.read(run.recipe)
    settings = run.path / SETTINGS
    if settings.is_file():
        planned = files.read_planned(settings)
        if planned.recipe.steps == recipe.steps:  # else resolved by another version: the run's own air counts
            return replace(planned, recipe=recipe)
    return of_air(recipe)


def _kit(apparatus: str | Path | None, planned: Planned) -> Apparatus | None:
    if apparatus is None:
        return planned.apparatus
    if planned.apparatus is not None:
        raise IcewrightError(
            "This recipe is written in the settings of its own apparatus.",
            got=f"--apparatus {apparatus}",
            wanted="a recipe that says its air, or no --apparatus",
        )
    from icewright.apparatus import file

    return file.read(apparatus)


# -- stations ------------------------------------------------------------------------------------------------


def _stations(run: RunFolder, planned: Planned, columns: Mapping[str, Any]) -> list[Station]:
    """The recipe's steps as the user counts them, at most `MOST_STATIONS` of them."""
    from icewright.tasks.crystals import Frames

    frames = Frames(run.path)
    if not frames:
        raise StoreError(f"The run in {run.path} has no frame.", do=f"icewright grow --resume {run.path}")
    times = [frames[k][0] for k in range(len(frames))]
    of, when = np.asarray(columns["step"]), np.asarray(columns["time_s"])
    last = int(of.max())
    ends = [
        int(np.flatnonzero(of > place)[0]) if (of > place).any() else len(when) - 1
        for place in range(last + 1)
    ]
    held: dict[int, Moment] = {}

    def moment(row: int) -> Moment:
        if row not in held:
            near = int(np.argmin([abs(t - float(when[row])) for t in times]))
            held[row] = _moment(float(when[row]), frames[near][1], float(columns["mass_kg"][row]))
        return held[row]

    made = []
    for group in _groups(planned, last, [float(when[row]) for row in ends]):
        begins = 0 if group[0] == 0 else ends[group[0] - 1]
        steps = tuple(planned.recipe.steps[place] for place in group)
        made.append(
            Station(
                label=_label(group, planned.origin),
                note=steps[0].note,
                steps=steps,
                start=moment(begins),
                end=moment(ends[group[-1]]),
                ended_on_size=_by_size(steps[-1], columns, ends[group[-1]]),
                pace=_pace(columns, begins, ends[group[-1]]),
                speeds_m_s=_speeds(columns, begins, ends[group[-1]]),
            )
        )
    return made


def _groups(planned: Planned, last: int, ends_s: Sequence[float]) -> list[list[int]]:
    """Steps that make a row together: those of one step in settings, then short ramps that go on and on.

    First neighbours that go the same way, then any that follow each other without a jump. A size that ends a
    step is a cue and keeps its own row.
    """
    steps, origin = planned.recipe.steps, planned.origin or tuple(range(last + 1))
    groups: list[list[int]] = []
    for place in range(last + 1):
        if groups and origin[place] == origin[groups[-1][-1]]:
            groups[-1].append(place)
        else:
            groups.append([place])

    def length(group: list[int]) -> float:
        return ends_s[group[-1]] - (ends_s[group[0] - 1] if group[0] else 0.0)

    for any_way in (False, True):
        while len(groups) > MOST_STATIONS:
            able = [k for k in range(len(groups) - 1) if _goes_on(steps, groups[k], groups[k + 1], any_way)]
            if not able:
                break
            k = min(able, key=lambda i: length(groups[i]) + length(groups[i + 1]))
            groups[k : k + 2] = [groups[k] + groups[k + 1]]
    return groups


def _goes_on(steps: Sequence[Step], one: list[int], other: list[int], any_way: bool) -> bool:
    """Whether the second group follows the first without a jump of the air, a cue, or (else) a turn."""
    before, after = steps[one[-1]], steps[other[0]]
    if before.endings.names_size or before.endings.time_s is None:
        return False
    airs = [
        (step.temperature_at(t), step.sigma_at(t))
        for step, t in (
            (steps[one[0]], 0.0),
            (before, before.endings.time_s),
            (after, 0.0),
            (steps[other[-1]], steps[other[-1]].endings.time_s or 0.0),
        )
    ]
    if not same_air(airs[1], airs[2]):
        return False
    return any_way or all((b - a) * (c - b) >= 0.0 for a, b, c in zip(airs[0], airs[1], airs[3], strict=True))


def _label(group: Sequence[int], origin: Sequence[int]) -> str:
    first, last = (origin[place] + 1 if origin else place + 1 for place in (group[0], group[-1]))
    return str(first) if first == last else f"{first} to {last}"


def _moment(time_s: float, solid: Any, mass_kg: float) -> Moment:
    from icewright.shape.habit import word
    from icewright.shape.sizes import measure

    sizes = measure(solid)
    return Moment(time_s, solid, sizes, mass_kg, word(sizes))


def _by_size(step: Step, columns: Mapping[str, Any], row: int) -> bool:
    """Whether one of its sizes has been reached when the step ends."""
    ends = step.endings
    pairs = (
        (ends.radius_m, columns["radius_tip_m"][row]),
        (ends.thickness_m, columns["thickness_m"][row]),
        (ends.mass_kg, columns["mass_kg"][row]),
    )
    return any(goal is not None and float(got) >= goal * (1 - 1e-9) for goal, got in pairs)


def _pace(columns: Mapping[str, Any], first: int, last: int) -> tuple[tuple[float, float, float], ...]:
    t = np.asarray(columns["time_s"][first : last + 1], dtype=float)
    length = float(t[-1] - t[0])
    if length < 20.0:  # nobody reads a scale that fast
        return ()
    told = []
    for part in _PACE:
        # To whole tens of seconds where that is fine enough: a clock on the wall is read.
        at = round(part * length / 10.0) * 10.0 if length > 90.0 else round(part * length)
        sizes = [
            float(np.interp(t[0] + at, t, columns[name][first : last + 1]))
            for name in ("radius_tip_m", "thickness_m")
        ]
        told.append((at, sizes[0], sizes[1]))
    return tuple(told)


def _speeds(columns: Mapping[str, Any], first: int, last: int) -> tuple[float, float]:
    """Mean speeds of tip radius and thickness over the last tenth of the step."""
    t = np.asarray(columns["time_s"][first : last + 1], dtype=float)
    since = t[-1] - 0.1 * (t[-1] - t[0])
    if t[-1] <= since:
        return 0.0, 0.0
    found = []
    for name in ("radius_tip_m", "thickness_m"):
        y = np.asarray(columns[name][first : last + 1], dtype=float)
        found.append(float((y[-1] - np.interp(since, t, y)) / (t[-1] - since)))
    return found[0], found[1]


# -- settings ------------------------------------------------------------------------------------------------


def _as_written(stations: Sequence[Station], planned: Planned) -> tuple[list[Station], Knobs]:
    """The settings of a recipe that is written in them, and the air that they make once settled."""
    curves = planned.curves
    made, at = [], 0
    for station in stations:
        steps = range(at, at + len(station.steps))
        at += len(station.steps)
        rows = np.flatnonzero(np.isin(curves.step, list(steps)))
        if not rows.size:
            made.append(station)
            continue
        first, last = int(rows[0]), int(rows[-1])
        settings = {
            name: (float(values[first]), float(values[last])) for name, values in curves.settings.items()
        }
        air = tuple((float(curves.set_temperature_k[k]), float(curves.set_sigma[k])) for k in (first, last))
        made.append(replace(station, settings=settings, set_air=(air[0], air[1])))

    def knobs(number: int, at_s: float, kelvin: float, sigma: float) -> dict[str, float]:
        rows = np.flatnonzero(curves.step == number)
        t = curves.time_s[rows] - curves.time_s[rows[0]]
        # Of two rows at a jump the later one holds.
        return {
            name: float(values[rows][-1] if at_s >= t[-1] else np.interp(at_s + 1e-9, t, values[rows]))
            for name, values in curves.settings.items()
        }

    return made, knobs


def _in_settings(
    stations: Sequence[Station], kit: Apparatus, recipe: Recipe
) -> tuple[list[Station], list[str], Knobs]:
    """Settings worked out for the air of each station, to the steps of the knobs."""
    from icewright.apparatus.basis import unit_of
    from icewright.apparatus.model import nearest_step
    from icewright.apparatus.response import lag
    from icewright.sheets.words import clock

    held: dict[str, float] = {}

    def exact(kelvin: float, sigma: float) -> dict[str, float]:
        found = kit.settings_for(kelvin, sigma, pressure_pa=recipe.pressure_pa, held=held or None)
        held.update(found)
        return found

    def on_steps(kelvin: float, sigma: float) -> dict[str, float]:
        return {name: nearest_step(v, kit.settings[name]) for name, v in exact(kelvin, sigma).items()}

    def knobs(number: int, at_s: float, kelvin: float, sigma: float) -> dict[str, float]:
        return on_steps(kelvin, sigma)

    made, notes = [], []
    for station in stations:
        try:
            ends = [on_steps(kelvin, sigma) for kelvin, sigma in station.air]
            air = [kit.conditions(one, pressure_pa=recipe.pressure_pa) for one in ends]
        except IcewrightError as cause:
            raise RecipeError(
                cause.message,
                got=f"step {station.label}: {cause.got}",
                wanted=cause.wanted,
                do=cause.do,
            ) from cause
        settings = {name: (ends[0][name], ends[1][name]) for name in ends[0]}
        made.append(
            replace(
                station,
                settings=settings,
                worked_out=True,
                set_air=(
                    (air[0].temperature_k, air[0].sigma),
                    (air[1].temperature_k, air[1].sigma),
                ),
            )
        )
        for name, (low, high) in settings.items():
            needed = abs(high - low) / kit.settings[name].fastest_ramp
            if needed > station.length_s * (1 + 1e-9):
                notes.append(
                    f"step {station.label}: {name} needs {clock(needed)} min from {low:g} to {high:g} "
                    f"{unit_of(name)}, longer than the step"
                )
    known = lag(
        kit, {name: ends[0] for name, ends in made[0].settings.items()}, pressure_pa=recipe.pressure_pa
    )
    notes.append(
        f"the air follows the knobs late ({'; '.join(known.words)}), and this prediction has it follow at "
        "once: write the recipe in settings (docs/recipe.md) to have the lag in it"
    )
    return made, notes, knobs


def _refuse_kind(path: Path, suffix: str, option: str) -> None:
    if path.suffix.lower() != suffix:
        raise IcewrightError(
            got=f"{option} {path}",
            wanted=f"a name that ends in {suffix}",
            do=f"{option} {path.with_suffix(suffix)}",
        )
