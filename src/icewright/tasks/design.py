"""From a target to recipes: search, confirm, doubt, explain, draw; stoppable and resumable.

The folder holds ``target.toml`` (with the files it names), ``design.json`` (how it stands and what was
found), ``recipe.toml`` (the best; ``recipe-2.toml`` and so on are other ways to the same crystal),
``settings.toml`` where the target names an apparatus, ``crystal.npz`` (the predicted crystal), ``trials/``
(every trial: what makes it resume) and ``pictures/``.
"""

from __future__ import annotations

import base64
import dataclasses
import shutil
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.errors import IcewrightError
from icewright.notebook.files import StoreError, guard, read_json, write_atomic, write_json
from icewright.tasks.stopping import StopFlag

if TYPE_CHECKING:
    from icewright.design.evaluate import Bench, Trial
    from icewright.design.found import Found, Progress
    from icewright.design.portrait import Portrait
    from icewright.design.robust import Spread
    from icewright.design.target import Target
    from icewright.shape.solid import Solid

KIND = "icewright.design"
SCHEMA = 1
TARGET, RECORD = "target.toml", "design.json"
SPREAD_DRAWS = 20
_OPTIONS = ("seed", "trials", "enough", "strategy", "robust", "spread", "kelvin", "sigma_percent")


@dataclass(frozen=True)
class Best:
    """The best crystal so far, for somebody who watches: its portrait, recipe text, and distance.

    ``stages`` are portraits at the ends of the target's stages (None: not reached), ``terms`` what it misses.
    """

    distance: float
    confirmed: bool
    habit: str
    portrait: Portrait
    recipe: str
    stages: tuple[Portrait | None, ...] = ()
    terms: Mapping[str, float] = field(default_factory=dict)


@dataclass
class DesignSummary:
    """What a design came to.

    ``distance`` and ``terms`` compare the predicted crystal with the target; ``same`` says whether it counts
    as the crystal wanted. ``recipes`` has one row for each recipe written, best first. ``reasons`` says what
    of the target cannot be had. ``complete`` is False if it was stopped; the same command with ``--resume``
    goes on.
    """

    title: str
    folder: Path
    ended: str
    complete: bool
    same: bool
    distance: float | None
    level: float
    terms: dict[str, float] = field(default_factory=dict)
    recipes: list[dict[str, Any]] = field(default_factory=list)
    reasons: list[dict[str, Any]] = field(default_factory=list)
    spread: dict[str, Any] | None = None
    apparatus: dict[str, Any] | None = None
    search: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    pictures: list[Path] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Plain data; paths as text."""
        data = dataclasses.asdict(self)
        data["folder"] = str(self.folder)
        data["pictures"] = [str(p) for p in self.pictures]
        return data


def design(
    target: str | Path | None,
    out_dir: str | Path,
    *,
    resume: bool = False,
    seed: int = 1,
    trials: float | None = None,
    minutes: float | None = None,
    enough: float | None = None,
    strategy: str = "ladder",
    robust: bool = False,
    spread: int = SPREAD_DRAWS,
    kelvin: float = 0.1,
    sigma_percent: float = 5.0,
    workers: int | None = None,
    cluster: str | Executor | None = None,
    pictures: bool = True,
    on_progress: Callable[[Progress], None] | None = None,
    on_best: Callable[[Best], None] | None = None,
    on_event: Callable[[str], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> DesignSummary:
    """Find recipes for the crystal of a target file, and write them into ``out_dir``.

    ``trials`` is the budget, counted in crystals of middle fineness; ``minutes`` stops the search on the
    clock as well, and a distance of ``enough`` (0.02: what voxels blur) ends it sooner. The same target, seed
    and budget give the same recipe. ``robust`` looks for the recipe whose worst likely outcome is best.
    ``spread`` regrowths say how far outcomes stray for a temperature off
    by ``kelvin`` and a supersaturation off by ``sigma_percent`` (standard deviations) and kinetics off by
    their uncertainty; 0 leaves that out. ``should_stop`` is asked between trials; Ctrl-C stops as well. Then
    the best so far is written, and ``resume`` goes on.

    Raises ``DesignError`` for a target that cannot be read or makes no sense, ``StoreError`` if the folder
    holds another design or cannot be written.
    """
    folder = Path(out_dir)
    options = {
        "seed": seed,
        "trials": trials,
        "enough": enough,
        "strategy": strategy,
        "robust": robust,
        "spread": spread,
        "kelvin": kelvin,
        "sigma_percent": sigma_percent,
    }
    if resume:
        held = read_json(folder / RECORD, KIND, SCHEMA)
        known = {"enough": None} | held["options"]  # designs of an older Icewright do not say it
        options = {name: known[name] for name in _OPTIONS}
    else:
        if target is None:
            raise IcewrightError("There is no target.", do="icewright design TARGET.toml --out DIR")
        _begin(Path(target), folder, options)
    wanted = read_target(folder / TARGET)
    deadline = None if minutes is None else time.monotonic() + 60 * minutes
    with StopFlag() as stop:

        def stopped() -> bool:
            late = deadline is not None and time.monotonic() > deadline
            return stop.asked or late or (should_stop is not None and should_stop())

        return _Designing(wanted, folder, options, stopped, on_progress, on_best, on_event).run(
            workers, cluster, pictures, lambda: deadline is not None and time.monotonic() > deadline
        )


def read_target(path: str | Path) -> Target:
    """The target in a file, with run folders opened. Raises ``DesignError``."""
    from icewright.design import target as targets

    return targets.read(path, crystal=_of_run)


def target_of(data: Mapping[str, Any], folder: str | Path) -> Target:
    """The target in plain data, as TOML gives it; paths count from ``folder``. Raises ``DesignError``."""
    from icewright.design import target as targets

    return targets.from_dict(data, Path(folder), crystal=_of_run)


def read_design(folder: str | Path) -> DesignSummary:
    """The summary of a design's folder. Raises ``StoreError`` if there is none."""
    data = read_json(Path(folder) / RECORD, KIND, SCHEMA)
    names = {f.name for f in dataclasses.fields(DesignSummary)}
    made = {key: value for key, value in data["summary"].items() if key in names}
    made["folder"] = Path(folder)
    made["pictures"] = [Path(p) for p in made["pictures"]]
    return DesignSummary(**made)


def crystal_of(folder: str | Path) -> Solid:
    """The predicted crystal of a design's folder. Raises ``StoreError`` if there is none."""
    from icewright.sweep.cells import unpack_solid

    path = Path(folder) / "crystal.npz"
    with guard(path):
        if not path.is_file():
            raise StoreError(
                f"No crystal was confirmed yet in {folder}.", do=f"icewright design --resume {folder}"
            )
        return unpack_solid(path.read_bytes())


def _of_run(folder: Path) -> tuple[Portrait, Mapping[str, Any]]:
    from icewright.design.portrait import portrait
    from icewright.recipe.files import read
    from icewright.tasks.crystals import Frames, solid_of

    solid = solid_of(folder)
    recipe = read(folder / "recipe.toml")
    time_s = Frames(folder)[-1][0]
    density = 917.0  # only for the mass of a target; the growth engine uses its own
    made = portrait(solid, time_s=time_s)
    made = dataclasses.replace(made, mass_kg=made.sizes.volume_m3 * density)
    kept: dict[str, Any] = {
        "kinetics": recipe.kinetics,
        "pressure_pa": recipe.pressure_pa,
        "held": recipe.held,
    }
    if recipe.seed.crystal is None:
        kept["seed"] = recipe.seed
    return made, kept


def _begin(path: Path, folder: Path, options: Mapping[str, Any]) -> None:
    """Make the folder with the target and every file that it names; refuse one that holds another."""
    import tomlkit

    read_target(path)  # refused before anything is written
    document = tomlkit.parse(path.read_text(encoding="utf-8-sig"))
    if folder.exists() and any(folder.iterdir()):
        raise StoreError(
            f"{folder} is not empty.",
            got=", ".join(sorted(p.name for p in folder.iterdir())[:5]),
            wanted="an empty or new folder",
            do=f"icewright design --resume {folder}   or another folder with --out",
        )
    with guard(folder, "nothing was changed"):
        folder.mkdir(parents=True, exist_ok=True)
        tables: tuple[tuple[Any, str], ...] = (
            (document, "kinetics"),
            (document, "apparatus"),
            (document.get("outline"), "file"),
        )
        for table, key in tables:
            name = None if table is None else table.get(key)
            if name and (path.parent / str(name)).is_file():
                # The folder must stay readable without the files it was made from.
                kept = f"{key}-{Path(str(name)).name}"
                shutil.copyfile(path.parent / str(name), folder / kept)
                table[key] = kept
        crystal = document.get("crystal")
        if crystal is not None:
            crystal["run"] = str((path.parent / str(crystal["run"])).resolve())
    write_atomic(folder / TARGET, tomlkit.dumps(document).encode())
    write_json(folder / RECORD, KIND, SCHEMA, {"options": dict(options), "state": "searching"})


class _Designing:
    """One call of :func:`design`."""

    def __init__(
        self,
        target: Target,
        folder: Path,
        options: Mapping[str, Any],
        stopped: Callable[[], bool],
        on_progress: Callable[[Progress], None] | None,
        on_best: Callable[[Best], None] | None,
        on_event: Callable[[str], None] | None,
    ) -> None:
        self.target, self.folder, self.options = target, folder, options
        self._stopped, self._on_progress, self._on_best, self._on_event = (
            stopped,
            on_progress,
            on_best,
            on_event,
        )

    def run(
        self,
        workers: int | None,
        cluster: str | Executor | None,
        pictures: bool,
        late: Callable[[], bool],
    ) -> DesignSummary:
        from icewright.design import reachable
        from icewright.design.airs import airs
        from icewright.design.evaluate import Bench
        from icewright.design.search import DEFAULT_BUDGET, GOOD, Search
        from icewright.sweep.lanes import cores

        known = airs(self.target)
        reasons = reachable.bounds(self.target, known)
        budget = float(self.options["trials"] or DEFAULT_BUDGET)
        # What is certainly out of reach is not searched for with the whole budget: the nearest is enough.
        budget = 0.5 * budget if any(r.certain for r in reasons) else budget
        with Bench(
            self.target,
            known,
            keep=self.folder / "trials",
            workers=workers or cores(),
            cluster=cluster,
            should_stop=self._stopped,
            on_event=self._on_event,
        ) as bench:
            search = Search(
                bench,
                seed=int(self.options["seed"]),
                budget=budget,
                strategy=self.options["strategy"],
                good=GOOD if self.options["enough"] is None else float(self.options["enough"]),
                on_progress=self._on_progress,
                on_best=self._best,
            )
            found = search.run()
            complete = found.complete
            more: dict[str, Any] = {}
            if complete:
                complete, more = self._doubt(bench, found, budget)
        return self._write(known.notes, found, complete, late(), reasons, more, pictures)

    def _best(self, trial: Trial) -> None:
        if self._on_best is None or trial.grown is None:
            return
        from icewright.design.search import FINE
        from icewright.recipe.files import dumps

        last = trial.grown.last
        self._on_best(
            Best(
                trial.distance,
                trial.voxels == FINE,
                last.habit,
                last,
                dumps(trial.made.recipe),
                trial.grown.stages,
                {**self.target.misfit(trial.grown).terms, **self.target.broken(trial.grown)},
            )
        )

    def _doubt(self, bench: Bench, found: Found, budget: float) -> tuple[bool, dict[str, Any]]:
        """The robust choice, if asked for, and the spread; whether it came to its end."""
        from icewright.design import robust
        from icewright.design.compared import apart
        from icewright.design.evaluate import StoppedError
        from icewright.design.found import Progress
        from icewright.design.search import FINE, MIDDLE

        best = found.best
        if best is None or best.grown is None:
            return True, {}
        if self._on_progress is not None and (self.options["robust"] or self.options["spread"]):
            phase, habit = "regrowing under doubt", best.grown.last.habit
            self._on_progress(Progress(phase, found.trials, 1.0, best.distance, habit, found.wall_s, None))
        steps = best.made.recipe.steps
        about = robust.doubts(
            self.target.kinetics,
            [t for s in steps for t in s.temperature_k],
            float(self.options["kelvin"]),
            float(self.options["sigma_percent"]) / 100,
        )
        more: dict[str, Any] = {"about": about}
        try:
            if self.options["robust"]:
                starts = [best]
                for trial in sorted(found.coarse, key=lambda t: t.distance):
                    if trial.voxels >= MIDDLE and all(apart(trial, s) for s in starts):
                        starts.append(trial)
                    if len(starts) == 4:
                        break
                chosen = robust.search(bench, starts, about, budget, MIDDLE, int(self.options["seed"]))
                more["robust"] = chosen[0]
                fine = bench.trials([(chosen[0].form, chosen[0].point)], FINE, solid=True)[0]
                found.confirmed.insert(0, fine)
                best = fine
            if self.options["spread"]:
                more["spread"] = robust.spread(bench, best, about, int(self.options["spread"]), MIDDLE)
        except StoppedError:
            return False, more
        return True, more

    def _write(
        self,
        airs_notes: tuple[str, ...],
        found: Found,
        complete: bool,
        late: bool,
        reasons: list[Any],
        more: Mapping[str, Any],
        pictures: bool,
    ) -> DesignSummary:
        from icewright import __version__
        from icewright.design import reachable
        from icewright.design.distance import SAME
        from icewright.design.search import FINE

        ways = self._ways(found)
        best = ways[0] if ways else None
        notes = [*self.target.cautions, *airs_notes]
        terms: dict[str, float] = {}
        if best is not None and best.grown is not None:
            terms = {**self.target.misfit(best.grown).terms, **self.target.broken(best.grown)}
            reasons = [*reasons, *reachable.left_over(self.target, best.grown)]
            if best.voxels != FINE:
                notes.append("the best crystal was not grown on fine voxels yet: its numbers are rough")
            if best.grown is not None and not best.grown.whole:
                short = self.target.limits.time_s is not None
                notes.append(
                    "the crystal is still growing when the time is up"
                    if short
                    else "the prediction was cut: the crystal outgrew what is wanted before its last step"
                )
        certain = any(r.certain for r in reasons)
        same = best is not None and best.grown is not None and self.target.same(best.grown) and not certain
        spread: Spread | None = more.get("spread")
        rows = [self._put(trial, place, notes) for place, trial in enumerate(ways, 1)]
        if best is not None and "solid" in best.result:
            write_atomic(self.folder / "crystal.npz", base64.b64decode(best.result["solid"]))
        summary = DesignSummary(
            self.target.title,
            self.folder,
            self._words(best, same, complete, late, certain),
            complete,
            same,
            None if best is None else best.distance,
            SAME,
            terms,
            rows,
            [dataclasses.asdict(r) for r in reasons],
            None if spread is None else spread.to_dict() | self._doubt_words(more["about"]),
            self._in_apparatus(best, notes) if best is not None and self.target.apparatus else None,
            {
                "seed": self.options["seed"],
                "strategy": self.options["strategy"],
                "trials": found.trials,
                "kept_from_before": found.kept,
                "cost": found.cost,
                "cpu_s": found.cpu_s,
                "wall_s": found.wall_s,
                "history": [list(pair) for pair in found.history],
                "version": __version__,
                "worst_likely_distance": more["robust"].distance if "robust" in more else None,
            },
            list(dict.fromkeys(notes)),
        )
        if pictures and best is not None and best.grown is not None:
            self._draw(summary, best, found)
        state = "ended" if complete else "stopped"
        data = {"options": dict(self.options), "state": state, "summary": summary.to_dict()}
        if best is not None and best.grown is not None:
            # What a viewer draws; `crystal.npz` holds the crystal itself, once it was grown on fine voxels.
            stages = [None if p is None else p.to_dict() for p in best.grown.stages]
            data["portraits"] = {"last": best.grown.last.to_dict(), "stages": stages}
        write_json(self.folder / RECORD, KIND, SCHEMA, data)
        return summary

    def _ways(self, found: Found) -> list[Trial]:
        """The best, then recipes clearly unlike it that also count as the crystal, three in all."""
        from icewright.design.compared import apart
        from icewright.design.distance import SAME

        best = found.confirmed[0] if self.options["robust"] and found.confirmed else found.best
        if best is None or best.grown is None:
            return []
        out = [best]
        for trial in sorted(found.confirmed, key=lambda t: t.distance):
            if (
                len(out) < 3
                and trial.distance <= max(SAME, 1.5 * best.distance)
                and all(apart(trial, o) for o in out)
            ):
                out.append(trial)
        return out

    def _put(self, trial: Trial, place: int, notes: list[str]) -> dict[str, Any]:
        """Write one recipe and say what it is."""
        from icewright.design.written import finished
        from icewright.recipe.cautions import warnings
        from icewright.recipe.files import dumps

        name = "recipe.toml" if place == 1 else f"recipe-{place}.toml"
        recipe = finished(trial, self.target.title, self.target.limits.time_s)
        write_atomic(self.folder / name, dumps(recipe).encode())
        if place == 1:
            notes += warnings(recipe)
        assert trial.grown is not None
        last = trial.grown.last
        return {
            "file": name,
            "distance": trial.distance,
            "form": trial.form.name,
            "habit": last.habit,
            "radius_um": last.radius_m * 1e6,
            "thickness_um": last.thickness_m * 1e6,
            "minutes": last.time_s / 60,
            "solidity": last.sizes.solidity,
            "air": [{"temperature_c": t, "sigma_percent": s} for t, s in trial.made.settings],
        }

    def _in_apparatus(self, best: Trial, notes: list[str]) -> dict[str, Any]:
        """The recipe in settings, grown again in the air that lags behind them."""
        from icewright.design.distance import SAME
        from icewright.design.evaluate import PATIENCE_S
        from icewright.design.search import FINE
        from icewright.design.trial import Stops, grow_trial, grown_of, record
        from icewright.design.written import finished, in_settings
        from icewright.recipe.files import read_planned

        path = self.folder / "settings.toml"
        assert self.target.apparatus is not None and best.grown is not None
        try:
            recipe = finished(best, self.target.title, self.target.limits.time_s)
            write_atomic(path, in_settings(recipe, Path(self.target.apparatus)).encode())
            planned = read_planned(path)
        except IcewrightError as error:
            notes.append(f"the recipe could not be written in settings: {' '.join(str(error).split())}")
            return {"file": None, "why": str(error)}
        ends = tuple(
            max(i for i, origin in enumerate(planned.origin) if origin == step)
            for step in best.made.stage_steps
        )
        extent = 1.6 * max(self.target.extent_m, 10e-6)
        voxel = best.made.recipe.resolution.voxel_m or self.target.extent_m / FINE
        asked = record(
            planned.recipe, ends, voxel, Stops(self.target.limits.time_s or 2 * PATIENCE_S, extent)
        )
        grown = grown_of(grow_trial(asked))
        off = self.target.distance(grown)
        if off > SAME:
            notes.append(
                f"with the lag of the apparatus the crystal lies {off:.3f} from the target: wait longer at "
                "each change"
            )
        return {
            "file": "settings.toml",
            "distance_with_lag": off,
            "radius_um": grown.last.radius_m * 1e6,
            "thickness_um": grown.last.thickness_m * 1e6,
            "minutes": grown.last.time_s / 60,
            "habit": grown.last.habit,
        }

    def _doubt_words(self, about: Any) -> dict[str, Any]:
        stated = "stated by the table" if about.stated else "assumed, the table states none"
        return {
            "kelvin": about.kelvin,
            "sigma_percent": 100 * about.sigma,
            "barriers": about.barriers,
            "barriers_from": f"{stated}; taken as two standard deviations",
        }

    def _words(self, best: Trial | None, same: bool, complete: bool, late: bool, certain: bool) -> str:
        if best is None:
            return "stopped before any crystal was grown; the same command with --resume goes on"
        if same:
            said = f"found: the predicted crystal counts as the one wanted (distance {best.distance:.3f})"
        elif certain:
            said = f"this crystal cannot be grown; the nearest one lies {best.distance:.3f} away"
        else:
            said = f"not reached: the nearest crystal lies {best.distance:.3f} away"
        if not complete:
            said += "; the time allowed was spent" if late else "; stopped, --resume goes on"
        return said

    def _draw(self, summary: DesignSummary, best: Trial, found: Found) -> None:
        try:
            from icewright.pictures import design_figures as figures

            pictures = self.folder / "pictures"
            with guard(pictures):
                pictures.mkdir(exist_ok=True)
            assert best.grown is not None
            caption = summary.ended[0].upper() + summary.ended[1:] + "."
            title = self.target.title or "A design"
            if self.target.crystal is not None:
                drawn = figures.beside_png(
                    self.target.crystal,
                    best.grown.last,
                    pictures / "beside.png",
                    title,
                    caption,
                    summary.terms,
                    level=summary.level,
                )
            else:
                stages = [p for p in best.grown.stages if p is not None] or [best.grown.last]
                words = [s.habit for s in self.target.stages[: len(stages)]] or ["the end"]
                drawn = figures.stages_png(
                    stages, words, pictures / "stages.png", title, caption, summary.terms, level=summary.level
                )
            summary.pictures.append(drawn)
            if len(found.history) > 1:
                summary.pictures.append(
                    figures.progress_png(found.history, pictures / "progress.png", title, level=summary.level)
                )
        except Exception as error:
            summary.notes.append(f"the pictures could not all be drawn ({type(error).__name__}: {error})")
