"""Grow a recipe's crystal into a run folder, stop tidily, and go on to the bit."""

from __future__ import annotations

import contextlib
import datetime
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.errors import IcewrightError
from icewright.ground.units import minutes, um
from icewright.notebook import checkpoint
from icewright.notebook import frames as frame_store
from icewright.notebook.files import StoreError, guard, write_atomic
from icewright.notebook.store import RunFolder, machine
from icewright.tasks import engine as engines
from icewright.tasks import planned as air_record
from icewright.tasks.recorder import Recorder
from icewright.tasks.sources import from_memory, source_keys
from icewright.tasks.stopping import StopFlag
from icewright.tasks.summary import RunSummary, accuracy_warnings, overall_flux_ratio, sizes_in_words

if TYPE_CHECKING:
    from icewright.kinetics.model import Kinetics
    from icewright.recipe.in_settings import Planned
    from icewright.recipe.model import Recipe

Progress = Callable[[dict[str, Any]], None]
_TELL_EVERY_S = 0.1
_OWN_TABLE = "kinetics.toml"


def grow(
    recipe: str | Path | Recipe | Planned | None,
    out_dir: str | Path,
    *,
    resume: bool = False,
    threads: int | None = None,
    on_progress: Progress | None = None,
    frames: int = 24,
    checkpoint_every_s: float = 20.0,
    pictures: bool = True,
    kinetics: Kinetics | None = None,
    engine: engines.Engine | None = None,
) -> RunSummary:
    """Grow the crystal of a recipe (its path, or itself) into ``out_dir`` and say how it ended.

    A recipe in the settings of an apparatus grows in the air that lags behind them; ``air.csv`` keeps both.

    With ``resume`` the run in ``out_dir`` goes on from its last checkpoint, at most ``checkpoint_every_s``
    of work back; ``recipe`` may then be None. The resumed crystal, series and frames are those of a run
    never stopped, to the bit, on the same machine and thread count. Ctrl-C finishes the time step, saves,
    and returns a summary whose ``complete`` is False.

    ``on_progress`` is called with ``radius_um, thickness_um, time_min, step`` (from 1), ``steps_total,
    fraction`` (0 to 1), ``eta_s`` (None at first), ``wall_s, status``. About ``frames`` moments of the
    crystal are kept. ``kinetics`` overrides the recipe's table by an object of one's own; ``engine`` is a
    class with the interface of ``icewright.tasks.engine``, the built-in one if None.

    Raises ``RecipeError``, ``KineticsError`` before anything is written; ``StoreError`` if the folder holds
    another run, or the disk is full or forbidden (what was written stays, and the run can be resumed).
    """
    run = RunFolder(Path(out_dir))
    grown = _Grown(run, on_progress, checkpoint_every_s)
    if resume:
        about = run.read_run()
        grown.recipe = _recipe_of(run, recipe)
        run.lock()
    else:
        if recipe is None:
            raise IcewrightError("There is no recipe to grow.", do="icewright grow RECIPE.toml --out DIR")
        grown.recipe, grown.planned = _read(recipe)
        about = {}
    try:
        grown.kinetics = kinetics if kinetics is not None else _load_kinetics(grown.recipe)
        _check_range(grown.recipe, grown.kinetics)
        if resume and about.get("state") == "ended":
            return grown.already_ended(pictures)
        if not resume:
            grown.recipe = _create(run, grown.recipe)
            run.lock()
            if grown.planned is not None:
                air_record.keep(grown.planned, run.path)
        grown.engine = engine if engine is not None else engines.built_in()
        if engine is None:
            wanted = threads if threads is not None else about.get("threads")
            grown.threads = engines.set_threads(wanted)
        frames = int(about.get("frames", frames))
        grown.recorder = Recorder(run, frames, _final_size_m(grown.recipe))
        grown.open(about, frames)
        return grown.run_to_end(pictures)
    finally:
        if grown.recorder is not None:
            grown.recorder.close()
        run.unlock()


class _Grown:
    """One call of :func:`grow`: the pieces it holds while it runs."""

    recipe: Recipe
    kinetics: Kinetics
    engine: engines.Engine
    simulation: engines.Simulation

    def __init__(self, run: RunFolder, on_progress: Progress | None, every_s: float) -> None:
        self.run = run
        self.planned: Planned | None = None
        self.recorder: Recorder | None = None
        self.threads: int | None = None
        self.warnings: list[str] = []
        self._tell = on_progress
        self._every = every_s
        self._number = 0
        self._wall_before = 0.0
        self._began = time.perf_counter()
        self._told = -1.0
        self._pace: list[tuple[float, float]] = []

    @property
    def wall_s(self) -> float:
        return self._wall_before + time.perf_counter() - self._began

    def open(self, about: Mapping[str, Any], frames: int) -> None:
        """Write ``run.json``, then start the simulation or bring it back from its checkpoint."""
        from icewright import __version__ as version
        from icewright.recipe.cautions import warnings
        from icewright.recipe.resolution import voxel_m

        here = machine()
        if about.get("air"):  # by the steps that the user wrote, not by those they were resolved to
            self.warnings = list(about.get("warnings", []))
        elif self.planned is not None:
            self.warnings = self.planned.warnings()
        else:
            self.warnings = list(warnings(self.recipe))
        saved = checkpoint.load(self.run.checkpoint)
        if about:
            self._compare(about, here, version)
        first = {
            "title": self.recipe.title,
            "version": version,
            "machine": here,
            "threads": self.threads,
            "frames": frames,
            "voxel_m": voxel_m(self.recipe),
            "kinetics": self.kinetics.name,
            "sources": source_keys(self.recipe, self.kinetics),
            "started": _now(),
            **air_record.about(self.planned),
        }
        self.run.write_run(
            first | dict(about) | {"state": "growing", "status": "growing", "warnings": self.warnings}
        )
        assert self.recorder is not None
        if not self.run.frames.exists():
            frame_store.begin(self.run.frames)
        if saved is None:
            self.simulation = engines.start(self.engine, self.recipe, self.kinetics)
            self.recorder.begin(self.simulation)
            return
        if saved.torn:
            self.warnings.append(saved.torn)
        self.simulation = self.engine.from_state(self.recipe, self.kinetics, saved.state)
        self.warnings += self.recorder.go_on(self.simulation, saved.notes["recorder"])
        self._number = saved.number
        self._wall_before = float(saved.notes["wall_s"])

    def run_to_end(self, pictures: bool) -> RunSummary:
        """Advance until the recipe ends or somebody asks to stop; save; draw."""
        simulation = self.simulation
        assert self.recorder is not None
        last_save = time.perf_counter()
        try:
            with StopFlag() as stop:
                while simulation.ended is None and not stop.asked:
                    simulation.advance()
                    self.recorder.take(simulation)
                    self.tell("growing")
                    if time.perf_counter() - last_save >= self._every:
                        self.save()
                        last_save = time.perf_counter()
                self.save()
        except StoreError as error:
            self._mark("failed", f"stopped: {error.message}")
            raise
        except KeyboardInterrupt:
            self._mark("stopped", "interrupted at once; the work since the last checkpoint is lost")
            raise
        except Exception as error:
            self._mark("failed", f"failed: {type(error).__name__}: {error}")
            raise
        complete = simulation.ended is not None
        reading = self.recorder.reading
        ended = simulation.ended or (
            f"stopped by the user at {minutes(reading['time_s']):.4g} min, radius "
            f"{um(reading['radius_tip_m']):.4g} um; icewright grow --resume {self.run.path} goes on"
        )
        if complete:
            self.recorder.finish()
            checkpoint.drop_older(self.run.checkpoint)
        else:
            self.recorder.close()
        summary = self._summary(ended, complete)
        self.run.write_summary(summary.to_dict())
        self.run.set_status(
            ended, state="ended" if complete else "stopped", finished=_now(), wall_s=self.wall_s
        )
        self.tell(ended, done=complete)
        return draw(summary, self.recipe, self.tell_words) if pictures and complete else summary

    def already_ended(self, pictures: bool) -> RunSummary:
        """The summary of a run that has nothing left to grow; pictures that are missing are drawn."""
        record = self.run.read_summary()
        if record is None:
            raise StoreError(
                f"{self.run.path} says it has ended but holds no summary.json.", do="grow it again"
            )
        summary = RunSummary.from_dict(record, self.run.path)
        missing = not summary.pictures or not all(path.exists() for path in summary.pictures)
        return draw(summary, self.recipe, self.tell_words) if pictures and missing else summary

    def save(self) -> None:
        """Write the next checkpoint, its rows on the disk before it."""
        assert self.recorder is not None
        self.recorder.before_checkpoint()
        self._number += 1
        notes = {"recorder": self.recorder.notes(), "wall_s": self.wall_s}
        checkpoint.save(self.run.checkpoint, self._number, self.simulation.state(), notes)
        self.recorder.after_checkpoint()

    def tell_words(self, status: str) -> None:
        """Pass a status on, outside the pace of the growing loop."""
        if self.recorder is not None:
            self.tell(status, done=True)

    def tell(self, status: str, done: bool = False) -> None:
        """Report progress, at most ten times a second while growing."""
        now = time.perf_counter()
        if self._tell is None or (status == "growing" and now - self._told < _TELL_EVERY_S):
            return
        self._told = now
        assert self.recorder is not None
        fraction = 1.0 if done else self._fraction()
        reading = self.recorder.reading
        self._tell(
            {
                "radius_um": um(reading["radius_tip_m"]),
                "thickness_um": um(reading["thickness_m"]),
                "time_min": minutes(reading["time_s"]),
                "step": min(int(reading["step"]), len(self.recipe.steps) - 1) + 1,
                "steps_total": len(self.recipe.steps),
                "fraction": fraction,
                "eta_s": 0.0 if done else self._eta_s(now, fraction),
                "wall_s": self.wall_s,
                "status": status,
                # The same in SI, for a reader with its own idea of how far the work has come.
                **{key: reading[key] for key in ("time_s", "radius_tip_m", "thickness_m", "mass_kg")},
                "step_index": int(reading["step"]),
                "time_in_step_s": float(self.simulation.time_in_step_s),
            }
        )

    def _eta_s(self, now: float, fraction: float) -> float | None:
        # Later steps cost more than early ones, so only the pace of the last seconds counts.
        if not self._pace or now - self._pace[-1][0] >= 1.0:
            self._pace = [*self._pace[-9:], (now, fraction)]
        gained, spent = fraction - self._pace[0][1], now - self._pace[0][0]
        return spent / gained * (1.0 - fraction) if gained > 0 and spent > 0.5 else None

    def _fraction(self) -> float:
        from icewright.recipe.endings import fraction_done

        assert self.recorder is not None
        total = len(self.recipe.steps)
        place = min(self.simulation.step_index, total - 1)
        now, start = (_sizes(reading) for reading in (self.recorder.reading, self.recorder.at_step_start))
        part = fraction_done(self.recipe.steps[place], self.simulation.time_in_step_s, now, start)
        return min(1.0, (place + part) / total)

    def _summary(self, ended: str, complete: bool) -> RunSummary:
        from icewright.shape.habit import word
        from icewright.shape.sizes import measure

        assert self.recorder is not None
        reading = self.recorder.read(self.simulation)
        sizes = sizes_in_words(reading)
        own = [str(text) for text in getattr(self.simulation, "warnings", ())]
        return RunSummary(
            title=self.recipe.title,
            folder=self.run.path,
            time_min=sizes["time_min"],
            radius_um=sizes["radius_um"],
            thickness_um=sizes["thickness_um"],
            mass_ug=sizes["mass_ug"],
            aspect_ratio=reading["aspect_ratio"],
            solidity=reading["solidity"],
            habit=word(measure(self.simulation.solid())),
            mass_balance_error=reading["mass_balance_error"],
            field_flux_ratio=overall_flux_ratio(reading),
            wall_s=self.wall_s,
            cells=int(reading["cells"]),
            steps=self.recorder.advances,
            ended=ended,
            complete=complete,
            warnings=list(dict.fromkeys([*self.warnings, *own, *accuracy_warnings(reading)])),
            from_memory=from_memory(self.recipe, self.kinetics),
            sources=source_keys(self.recipe, self.kinetics),
        )

    def _compare(self, about: Mapping[str, Any], here: Mapping[str, Any], version: str) -> None:
        changed = (
            [f"Icewright {about.get('version')} before, {version} now"]
            if about.get("version") != version
            else []
        )
        before = about.get("machine", {})
        changed += [
            key for key in ("system", "processor", "python", "packages") if before.get(key) != here[key]
        ]
        if about.get("threads") != self.threads:
            changed.append(f"{about.get('threads')} threads before, {self.threads} now")
        if changed:
            self.warnings.append(
                "resumed on another footing (" + "; ".join(changed) + "): the crystal may differ from an "
                "uninterrupted one within the resolution's accuracy"
            )

    def _mark(self, state: str, status: str) -> None:
        # The disk may be the very thing that failed; the error on its way up matters more.
        with contextlib.suppress(IcewrightError):
            self.run.set_status(status, state=state, finished=_now(), wall_s=self.wall_s)


def draw(summary: RunSummary, recipe: Recipe, tell: Callable[[str], None] | None = None) -> RunSummary:
    """Draw a finished run's pictures and write them into its summary; a failure becomes a warning there."""
    from icewright.notebook.series import read_series
    from icewright.tasks.crystals import Frames
    from icewright.vapour.supersaturation import sigma_at_water_saturation

    if tell is not None:
        tell("drawing pictures")
    run = RunFolder(summary.folder)
    try:
        from icewright.pictures.album import make_album

        columns = read_series(run.series).columns
        water = sigma_at_water_saturation(columns["temperature_k"])
        words = caption(summary, recipe)
        asked = air_record.set_air(run.path, columns)
        more: dict[str, Any] = {} if asked is None else {"set_air": asked}
        drawn = list(make_album(Frames(run.path), columns, recipe.title, words, water, run.pictures, **more))
    except Exception as error:
        summary.warnings.append(f"the pictures could not all be drawn ({type(error).__name__}: {error})")
        drawn = sorted(run.pictures.glob("*")) if run.pictures.is_dir() else []
    drawn = [_solid_to_the_top(path, run) for path in drawn]
    summary.pictures[:] = drawn
    run.write_summary(summary.to_dict())
    if tell is not None:
        tell(summary.ended)
    return summary


def caption(summary: RunSummary, recipe: Recipe) -> str:
    """The conditions in words, for beneath a picture: air of each step, habit, and what hangs on memory."""
    from icewright.ground.units import kelvin_to_celsius, percent

    air = []
    for step in recipe.steps:
        end = step.endings.time_s or 0.0
        warmth = _span(*(kelvin_to_celsius(step.temperature_at(t)) for t in (0.0, end)))
        air.append(f"{warmth} degC, sigma {_span(*(percent(step.sigma_at(t)) for t in (0.0, end)))} %")
    if len(air) > 3:
        air = [air[0], f"({len(air) - 2} steps more)", air[-1]]
    mark = " Attachment and other values from memory." if summary.from_memory else ""
    return f"{summary.habit.capitalize()}: {', then '.join(air)}.{mark}"


def _span(first: float, last: float) -> str:
    words = [f"{value:.4g}" for value in (first, last)]
    return words[0] if words[0] == words[1] else " to ".join(words)


def _solid_to_the_top(path: Path, run: RunFolder) -> Path:
    # Meshes are for other programs, not for the eye: they lie beside the pictures' folder.
    if path.stem != "solid" or path.parent != run.pictures:
        return path
    return path.replace(run.path / path.name)


def _create(run: RunFolder, recipe: Recipe) -> Recipe:
    """Make the folder, with the recipe and the user's own kinetics table in it."""
    from icewright.recipe import files

    own = Path(recipe.kinetics) if recipe.kinetics.endswith(".toml") else None
    if own is None:
        run.create(files.dumps(recipe))
        return recipe
    # The folder must stay readable without the file it was grown from.
    with guard(own, "nothing was changed"):
        table = own.read_bytes()
    run.create(files.dumps(recipe.model_copy(update={"kinetics": _OWN_TABLE})))
    write_atomic(run.path / _OWN_TABLE, table)
    return recipe.model_copy(update={"kinetics": str((run.path / _OWN_TABLE).resolve())})


def _read(recipe: str | Path | Recipe | Planned) -> tuple[Recipe, Planned | None]:
    from icewright.recipe.model import Recipe

    if isinstance(recipe, Recipe):
        return recipe, None
    if isinstance(recipe, (str, Path)):
        from icewright.recipe import files

        recipe = files.read_planned(recipe)
    return recipe.recipe, recipe


def _recipe_of(run: RunFolder, asked: str | Path | Recipe | Planned | None) -> Recipe:
    from icewright.recipe import files

    held = files.read(run.recipe)
    if asked is not None and _read(asked)[0] != held:
        raise StoreError(
            f"The recipe asked for is not the one in {run.path}.",
            wanted="to go on with the run as it was begun",
            do=f"icewright grow --resume {run.path}   (without a recipe), or another folder with --out",
        )
    return held


def _load_kinetics(recipe: Recipe) -> Kinetics:
    from icewright.kinetics import load

    return load(recipe.kinetics)


def _check_range(recipe: Recipe, kinetics: Kinetics) -> None:
    from icewright.kinetics.model import check_temperature
    from icewright.tasks.sources import temperatures_k

    for temperature in temperatures_k(recipe):
        check_temperature(kinetics, temperature)


def _final_size_m(recipe: Recipe) -> float | None:
    """The largest size that an ending names, m, or None; only a first guess for the frames' spacing."""
    ends = [s.endings.radius_m for s in recipe.steps if s.endings.radius_m is not None]
    lengths = [0.5 * s.endings.thickness_m for s in recipe.steps if s.endings.thickness_m is not None]
    return max(ends + lengths) if ends or lengths else None


def _sizes(reading: Mapping[str, float]) -> tuple[float, float, float]:
    return reading["radius_tip_m"], reading["thickness_m"], reading["mass_kg"]


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
