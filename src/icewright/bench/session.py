"""A session: one browser tab's crystal with its own engine process, found again after reload and restart.

All of this runs in the event loop; the engines run in processes of their own. A session's record is written
whenever something is recorded, so that a server that is killed finds it again; a dead engine is replaced
from the last moment, and what it was told and had not yet done is told again.
"""

from __future__ import annotations

import asyncio
import shutil
import time
from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

from icewright.bench import chamber, shapes, words, worker
from icewright.bench.chamber import Found, SetPlan
from icewright.bench.clock import ClockRun, at_time, clock_words, when_size
from icewright.bench.engines import Engines
from icewright.bench.link import Link
from icewright.bench.live import recipe_so_far, rest
from icewright.bench.photos import Photos
from icewright.bench.security import BenchError
from icewright.bench.set_timeline import Edited, edited, set_step_of
from icewright.bench.tree import Branch, Tree
from icewright.bench.viewers import Viewer
from icewright.notebook.files import StoreError
from icewright.recipe.limits import check_sigma, check_temperature
from icewright.recipe.model import Recipe
from icewright.recipe.quantities import MICROMETRE
from icewright.recipe.resolution import Resolution, final_size
from icewright.recipe.step import Step

_MOST_CRASHES = 3  # within a minute; more than that is no accident
_SAVE_EVERY_S = 1.0


def preview_of(recipe: Recipe, final_radius_m: float) -> Recipe:
    """The recipe with the voxels of a preview of that size."""
    return recipe.model_copy(update={"resolution": Resolution(voxel_m=final_radius_m / worker.VOXELS)})


class Session:
    """One tab's crystal: its tree, its engine, who looks at it."""

    def __init__(self, id_: str, folder: Path, engines: Engines, title: str = "") -> None:
        self.id, self.folder, self.title = id_, folder, title
        self._engines = engines
        self.tree = Tree(folder)
        self.photos = Photos(folder)
        self.clock = ClockRun(time.monotonic)
        self.viewers: set[Viewer] = set()
        self.notes: deque[str] = deque(maxlen=50)
        self.final_radius_m = 100e-6
        self.paused, self.speed, self.beyond = False, None, False
        self.at_s = 0.0
        self.touched = time.monotonic()
        self.changed = time.time()
        self._link: Link | None = None
        self._epoch = 0
        self._waiting: dict[int, tuple[str, dict[str, Any]]] = {}  # told to the engine, not done yet
        self._asks: dict[int, asyncio.Future[Any]] = {}
        self._next_ask = 0
        self._told: dict[str, Any] = {}  # the engine's last state
        self._row: dict[str, float] = {}
        self._word: tuple[shapes.WorkerWord, str] = ("asleep", "asleep")
        self._crashes: deque[float] = deque(maxlen=_MOST_CRASHES)
        self._needs_room = False
        self._dirty = False
        self._tree_timer: asyncio.TimerHandle | None = None
        self._saver: asyncio.Task[None] | None = None
        self._kinetics: tuple[str, Any] = ("", None)
        self._real: tuple[float, float] | None = None  # radius said, clock's time when it was said
        self._air_key: tuple[float, ...] = ()
        self.gone = False

    # -- beginning ----------------------------------------------------------------------------------------

    def begin(self, recipe: Recipe, final_radius_m: float | None, plan: SetPlan | None = None) -> None:
        """Plant the seed of a recipe; `plan` where its steps come from settings of an apparatus."""
        size = final_size(recipe)[0] if final_radius_m is None else final_radius_m
        self.final_radius_m = min(max(size, 2e-6), 5e-3)
        self.title = recipe.title
        self.folder.mkdir(parents=True, exist_ok=True)
        self.tree.plant(preview_of(recipe, self.final_radius_m), list(recipe.steps), "first", plan)
        self._mark()

    @classmethod
    def reopen(cls, id_: str, folder: Path, engines: Engines) -> Session:
        """A session that lies on the disk. Raises StoreError, RecordError."""
        tree, record = Tree.open(folder)
        found = cls(id_, folder, engines, record.get("title", ""))
        found.tree, found.photos = tree, Photos(folder, record.get("photos"))
        found.final_radius_m = record.get("final_radius_m", 100e-6)
        found.at_s = record.get("at_s", 0.0)
        found.paused, found.changed = True, record.get("changed", 0.0)
        found.notes.extend(record.get("notes", []))
        return found

    @property
    def branch(self) -> Branch:
        """The current one."""
        return self.tree.get(None)

    @property
    def awake(self) -> bool:
        """Whether an engine runs for it."""
        return self._link is not None

    # -- the engine ---------------------------------------------------------------------------------------

    def wake(self) -> None:
        """Start an engine where there is none, at the moment where the crystal was."""
        if self._link is not None or self.gone:
            return
        self._link = self._engines.take(self._hear, self._lost)
        self._set_word("starting", "the engine is starting")
        self._load(self.branch, self.at_s)

    def sleep(self) -> None:
        """Let the engine go; everything recorded stays."""
        if self._link is not None:
            self._link.say("keep")
            self._engines.give(self._link)
            self._link = None
            self._fail_asks("the engine is asleep")
            self._waiting.clear()
            self._set_word("asleep", "asleep: nobody was looking")
            self._mark()

    def drop(self) -> None:
        """Let the engine go at once, and record no more."""
        self.gone = True
        if self._link is not None:
            # What it still writes must be over before the folder goes.
            self._engines.give(self._link, then=lambda: shutil.rmtree(self.folder, ignore_errors=True))
            self._link = None
        self._fail_asks("the session was deleted")

    def _load(self, branch: Branch, time_s: float) -> None:
        """Let the engine take up a branch at a time."""
        assert self._link is not None
        self._epoch += 1
        found = self.tree.moment_before(branch, time_s)
        moment, index = None, 0
        if found is not None:
            moment, index = str(self.tree.moment_folder(found[0].number, found[1].number)), found[1].step
        self._link.say("pace", act=self.tree.act, paused=self.paused, speed=self.speed, beyond=self.beyond)
        self._link.say(
            "load", epoch=self._epoch, branch=branch.number, recipe=branch.recipe, steps=list(branch.steps),
            starts=branch.starts[: index + 1] or [0.0], moment=moment, next_moment=branch.next_moment,
            folder=str(self.folder / "moments"), recorded_s=branch.recorded_s, goal_s=time_s,
            act=self.tree.act, plan=branch.plan,
        )  # fmt: skip
        if any(v.has_room for v in self.viewers):
            self._link.say("room", most_per_s=self._frame_rate())

    def _lost(self) -> None:
        """The engine died: another takes over from the last moment."""
        self._link = None
        now = time.monotonic()
        if len(self._crashes) == _MOST_CRASHES and now - self._crashes[0] < 60:
            self._fail_asks("the engine died")
            self._set_word(
                "failed", "the engine died three times within a minute; go back to an earlier moment"
            )
            self.note("the engine died three times within a minute and was not started again", "warning")
            return
        self._crashes.append(now)
        self._set_word("lost", "the engine died and is being replaced")
        self.note("the engine died and was replaced; everything recorded is still there", "warning")
        if not self._told.get("replaying") and self._told.get("going_to_s") is None:
            self.at_s = max(self.at_s, self.branch.end_s)  # the state is told less often than rows are
        waiting = list(self._waiting.items())
        asks = list(self._asks)
        self.wake()
        assert self._link is not None
        for act, (word, data) in waiting:
            self._link.say(word, act=act, **data)
        for ask in asks:
            self._asks.pop(ask).set_exception(BenchError(503, "The engine died; ask again."))

    def _command(self, word: str, **data: Any) -> int:
        """Tell the engine to do something; the number of the command."""
        self.touched = time.monotonic()
        self.wake()
        assert self._link is not None
        self.tree.act += 1
        act = self.tree.act
        self._waiting[act] = (word, data)
        self._link.say(word, act=act, **data)
        return act

    async def ask(self, word: str, **data: Any) -> Any:
        """Ask the engine; BenchError 503 if it does not answer."""
        self.touched = time.monotonic()
        self.wake()
        assert self._link is not None
        self._next_ask += 1
        number = self._next_ask
        future: asyncio.Future[Any] = asyncio.get_running_loop().create_future()
        self._asks[number] = future
        self._link.say(word, ask=number, **data)
        try:
            return await asyncio.wait_for(future, 30.0)
        except TimeoutError:
            raise BenchError(503, "The engine is busy.", do="ask again") from None
        finally:
            self._asks.pop(number, None)

    def _fail_asks(self, why: str) -> None:
        for future in self._asks.values():
            if not future.done():
                future.set_exception(BenchError(503, why))
        self._asks.clear()

    # -- what the engine says -----------------------------------------------------------------------------

    def _hear(self, word: str, data: dict[str, Any]) -> None:
        if self.gone:
            return
        current = data["epoch"] == self._epoch
        getattr(self, f"_on_{word}")(data, current)

    def _on_ready(self, data: dict[str, Any], current: bool) -> None:
        pass

    def _on_did(self, data: dict[str, Any], current: bool) -> None:
        self._waiting.pop(data["act"], None)

    def _on_loaded(self, data: dict[str, Any], current: bool) -> None:
        branch = self.tree.branches.get(data["branch"])
        if branch is None or not current:
            return
        for text in data["warnings"]:
            self.note(text, "note")
        self.tell_all("tree", self.tree.shown())
        self.tell_all("setup", self.setup())

    def _on_plan(self, data: dict[str, Any], current: bool) -> None:
        branch = self.tree.branches.get(data["branch"])
        if branch is None:
            return
        if len(data["starts"]) >= len(branch.starts) or list(data["steps"]) != branch.steps:
            branch.steps, branch.starts = list(data["steps"]), list(data["starts"])
            branch.plan = data["set"]
            self._mark()
            self.tell_all("tree", self.tree.shown())

    def _on_turned(self, data: dict[str, Any], current: bool) -> None:
        number, at_s = data["branch"], data["time_s"]
        if data["forked"]:
            parent = self.tree.branches.get(data["parent"])
            if parent is None:
                return
            was = self.tree.current
            self.tree.fork(parent, at_s, data["steps"], data["starts"], number).plan = data["set"]
            if not current:
                self.tree.current = was
        elif number in self.tree.branches:
            branch = self.tree.branches[number]
            branch.steps, branch.starts = list(data["steps"]), list(data["starts"])
            branch.plan = data["set"]
        self._mark()
        self.tell_all("tree", self.tree.shown())

    def _on_row(self, data: dict[str, Any], current: bool) -> None:
        branch = self.tree.branches.get(data["branch"])
        if branch is not None and self.tree.add_row(branch, data["row"]):
            self._mark()
            self.tell_all("row", {"branch": branch.number} | words.row_shown(data["row"]))
            self._find_real(data["row"])

    def _on_moment(self, data: dict[str, Any], current: bool) -> None:
        branch = self.tree.branches.get(data["branch"])
        if branch is None:
            return
        self.tree.add_moment(branch, data["number"], data["row"], data["step"])
        branch.habit = data["habit"]
        self._mark()
        self._tell_tree_soon()

    def _on_state(self, data: dict[str, Any], current: bool) -> None:
        if not current:
            return
        said = data["state"]
        self._told, self._row = said, said["row"]
        self.at_s = said["time_s"]
        self._word = said["worker"], said["status"]
        self.tell_all("state", self.state())
        key = (round(self._row["temperature_k"], 3), round(self._row["sigma"], 6))
        if key != self._air_key:
            self._air_key = key
            self.tell_all("air", self.air())

    def _on_frame(self, data: dict[str, Any], current: bool) -> None:
        if current:
            for viewer in self.viewers:
                viewer.show(data["data"])
        self._give_room()

    def _on_answer(self, data: dict[str, Any], current: bool) -> None:
        future = self._asks.get(data["ask"])
        if future is not None and not future.done():
            future.set_result(data["is"])

    def _on_fault(self, data: dict[str, Any], current: bool) -> None:
        error = data["error"]
        if data.get("act") is not None:
            self._waiting.pop(data["act"], None)
        self.note(str(error).replace("\n", "; "), "warning")
        if not self._told:
            self._set_word("failed", str(error).splitlines()[0])

    def _tell_tree_soon(self) -> None:
        """Moments come many a second at first, and the tree is the longest message."""
        if self.viewers and self._tree_timer is None:
            self._tree_timer = asyncio.get_running_loop().call_later(0.5, self._tell_tree)

    def _tell_tree(self) -> None:
        self._tree_timer = None
        if not self.gone:
            self.tell_all("tree", self.tree.shown())

    def _give_room(self) -> None:
        if self._link is not None and any(v.has_room for v in self.viewers):
            self._needs_room = False
            self._link.say("room", most_per_s=self._frame_rate())
        else:
            self._needs_room = True

    def _frame_rate(self) -> float:
        return max((v.most_per_s for v in self.viewers if v.wants_frames), default=worker.MESHES_PER_S)

    def _set_word(self, word: shapes.WorkerWord, status: str) -> None:
        self._word = word, status
        self.tell_all("state", self.state())

    # -- viewers ------------------------------------------------------------------------------------------

    def join(self, viewer: Viewer) -> None:
        """Somebody looks."""
        self.touched = time.monotonic()
        self.viewers.add(viewer)
        viewer.sent = self._room_again
        self.wake()
        for event, what in (("state", self.state()), ("air", self.air()), ("tree", self.tree.shown())):
            viewer.tell(event, what.model_dump(mode="json"))
        assert self._link is not None
        self._link.say("again")

    def again(self) -> None:
        """Everything once more, as somebody wants more or fewer meshes."""
        if self._link is not None and any(v.has_room for v in self.viewers):
            self._link.say("room", most_per_s=self._frame_rate())

    def leave(self, viewer: Viewer) -> None:
        """Somebody looks away."""
        self.touched = time.monotonic()
        self.viewers.discard(viewer)

    def took(self, viewer: Viewer) -> None:
        """A browser has taken up a mesh."""
        viewer.took()
        self._room_again()

    def _room_again(self) -> None:
        """A mesh went out, or was taken up: the next may be made."""
        if self._needs_room:
            self._give_room()

    def tell_all(self, event: str, what: Any) -> None:
        """An event to everybody who looks."""
        if not self.viewers:
            return
        record = what if isinstance(what, dict) else what.model_dump(mode="json")
        for viewer in self.viewers:
            viewer.tell(event, record)

    def note(self, text: str, level: str) -> None:
        """Say something in words, and keep it with the session; not the same twice in a row."""
        if not self.notes or self.notes[-1] != text:
            self.notes.append(text)
            self.tell_all("note", {"text": text, "level": level})

    # -- what is shown ------------------------------------------------------------------------------------

    def state(self) -> shapes.State:
        """Where the growing stands."""
        told, row = self._told, self._row or self._first_row()
        rates = told.get("rates") or {}
        quality = told.get("quality") or (None, None)

        def per_min(key: str, scale: float) -> float | None:
            value = rates.get(key)
            return None if value is None else value * scale * 60.0

        return shapes.State(
            branch=self.tree.current,
            time_s=self.at_s,
            act=told.get("act", 0),
            paused=self.paused,
            speed=self.speed,
            pace=told.get("pace"),
            worker=self._word[0],
            status=self._word[1],
            sizes=words.sizes(row),
            rates=shapes.Rates(
                radius_um_min=per_min("radius_tip_m", 1e6),
                thickness_um_min=per_min("thickness_m", 1e6),
                mass_ug_min=per_min("mass_kg", 1e9),
            ),
            habit=told.get("habit", self.branch.habit),
            step=told.get("step", 0),
            replaying=told.get("replaying", False),
            outgrown=told.get("outgrown", False),
            going_to_s=told.get("going_to_s"),
            temperature_c=row["temperature_k"] - 273.15,
            sigma_percent=row["sigma"] * 100,
            ramp_left_s=told.get("ramp_left_s", 0.0),
            flux_ratio=quality[0],
            mass_balance_error=quality[1],
            chamber=self._chamber(row),
        )

    def _chamber(self, row: dict[str, float]) -> shapes.Chamber | None:
        branch = self.branch
        if branch.plan is None:
            return None
        index, since = self._place()
        begun = branch.plan.starts(branch.starts)
        number = branch.plan.origin[index]
        set_since = self.at_s - begun[number] if number < len(begun) else 0.0
        return words.chamber_now(
            branch.plan, branch.steps, index, since, max(set_since, 0.0), row, branch.recipe.pressure_pa
        )

    def _place(self) -> tuple[int, float]:
        """(the engine's step that is on, for how long)."""
        branch = self.branch
        known = min(len(branch.starts), len(branch.steps))
        index = max((i for i in range(known) if branch.starts[i] <= self.at_s + 1e-9), default=0)
        return index, max(self.at_s - branch.starts[index], 0.0)

    def _first_row(self) -> dict[str, float]:
        """Before the engine has spoken: the last recorded row, or the seed."""
        rows = self.branch.rows
        if rows:
            return rows[-1]
        step, seed = self.branch.steps[0], self.branch.recipe.seed
        return {
            "time_s": 0.0, "temperature_k": step.temperature_at(0), "sigma": step.sigma_at(0),
            "radius_tip_m": seed.radius_m or 1e-6, "thickness_m": seed.thickness_m or 1e-6,
            "mass_kg": seed.mass_kg or 0.0,
        }  # fmt: skip

    def kinetics(self) -> Any:
        """The attachment table in force. Raises KineticsError."""
        from icewright.kinetics import load

        name = self.branch.recipe.kinetics
        if self._kinetics[0] != name:
            self._kinetics = name, load(name)
        return self._kinetics[1]

    def air(self, temperature_k: float | None = None, sigma: float | None = None) -> shapes.Air:
        """The air now, or another one under this setup."""
        row = self._row or self._first_row()
        recipe = self.branch.recipe
        return words.air(
            row["temperature_k"] if temperature_k is None else temperature_k,
            row["sigma"] if sigma is None else sigma,
            recipe.pressure_pa, self.kinetics(),
            diffusivity=recipe.diffusivity, gas=recipe.gas, free=recipe.held.way == "free",
        )  # fmt: skip

    def setup(self) -> shapes.Setup:
        """What the recipe has one of."""
        recipe, plan = self.branch.recipe, self.branch.plan
        return shapes.Setup(
            pressure_hpa=recipe.pressure_pa / 100,
            held=words.held_shown(recipe.held),
            seed=words.seed_shown(recipe.seed),
            kinetics=recipe.kinetics if "/" not in recipe.kinetics else Path(recipe.kinetics).name,
            voxel_um=words.lab(MICROMETRE, recipe.resolution.voxel_m or 0.0),
            final_radius_um=words.lab(MICROMETRE, self.final_radius_m),
            cautions=chamber.cautions(self.so_far(), plan),
            apparatus=None if plan is None else words.apparatus_shown(plan, recipe.pressure_pa),
        )

    def shown(self) -> shapes.Session:
        """All of it."""
        return shapes.Session(
            id=self.id, title=self.title, state=self.state(), air=self.air(), setup=self.setup(),
            tree=self.tree.shown(), clock=self.clock_now(), notes=list(self.notes),
            photos=self.photos.shown(),
        )  # fmt: skip

    # -- knobs and time -----------------------------------------------------------------------------------

    def turn(self, asked: shapes.Turn) -> shapes.Turned:
        """Turn knobs now. Raises BenchError, RecipeError, KineticsError for air that cannot be."""
        from icewright.kinetics.model import check_temperature as in_table

        if self.branch.plan is not None:
            return self._turn_settings(asked, self.branch.plan)
        target = words.target_of(asked)
        row = self._row or self._first_row()
        t_k = row["temperature_k"] if target.temperature_k is None else target.temperature_k
        check_temperature(t_k, "the knob")
        in_table(self.kinetics(), t_k)
        step, since = self._step_now()
        measure = target.measure or step.humidity.measure
        value = target.value
        if value is None:
            value = step.humidity.at(step.fraction(since))
        from icewright.recipe.step import Humidity

        h = Humidity(measure=measure, start=value, end=value)
        Step(temperature_k=(t_k, t_k), humidity=h, endings=step.endings.model_copy(update={"time_s": 60.0}))
        sigma = h.sigma(t_k)
        check_sigma(sigma, "the knob", h.line())
        air = self.air(t_k, sigma)
        act = self._command("turn", target=target, new_branch=self.tree.reserve())
        return shapes.Turned(act=act, air=air)

    def _turn_settings(self, asked: shapes.Turn, plan: SetPlan) -> shapes.Turned:
        from icewright.kinetics.model import check_temperature as in_table

        target = words.set_target_of(asked)
        pressure = self.branch.recipe.pressure_pa
        now = self._chamber(self._row or self._first_row())
        aim = chamber.check(plan, {} if now is None else now.settings, target)
        there = plan.apparatus.conditions(aim, pressure_pa=pressure)
        in_table(self.kinetics(), there.temperature_k)
        air = self.air(there.temperature_k, there.sigma)
        act = self._command("turn", target=target, new_branch=self.tree.reserve())
        return shapes.Turned(act=act, air=air)

    def _step_now(self) -> tuple[Step, float]:
        index, since = self._place()
        return self.branch.steps[index], since

    def pace(self, asked: shapes.Pace) -> shapes.State:
        """Pause, speed, and going on beyond the preview's size."""
        change = {name: getattr(asked, name) for name in asked.model_fields_set}
        change = {k: v for k, v in change.items() if v is not None or k == "speed"}
        for name, value in change.items():
            setattr(self, name, value)
        if change:
            self._command("pace", **change)
        return self.state()

    def step_on(self, asked: shapes.StepOn) -> shapes.State:
        """Go on a little, then pause."""
        self.paused = True
        self._command("step", steps=asked.steps, seconds=asked.seconds)
        return self.state()

    def go(self, asked: shapes.Go) -> shapes.State:
        """To a recorded time. Raises BenchError where nothing is recorded."""
        branch = self.tree.get(asked.branch)
        if asked.time_s > branch.end_s + 1e-6:
            raise BenchError(
                400,
                "Nothing is recorded there yet.",
                got=f"{asked.time_s:g} s",
                wanted=f"at most {branch.end_s:g} s",
                do="let it grow, or edit the recipe",
            )
        self._go(branch, asked.time_s, paused=True)
        return self.state()

    def _go(self, branch: Branch, time_s: float, *, paused: bool) -> None:
        self.touched = time.monotonic()
        self.tree.current = branch.number
        self.paused, self.at_s = paused, time_s
        self._told, self._row = {}, dict(self._row_at(branch, time_s))
        self._waiting.clear()
        if self._link is None:
            self.wake()
        else:
            self._set_word("going", "growing to the moment asked for")
            self._load(branch, time_s)
        self._mark()

    def _row_at(self, branch: Branch, time_s: float) -> dict[str, float]:
        rows = self.tree.rows(branch)
        before = [row for row in rows if row["time_s"] <= time_s + 1e-6]
        return before[-1] if before else rows[0] if rows else self._first_row()

    def fork(self, asked: shapes.Fork) -> shapes.Tree:
        """A new branch without a turn."""
        branch = self.tree.get(asked.branch)
        time_s = self.at_s if asked.time_s is None else asked.time_s
        if asked.branch is not None or asked.time_s is not None:
            self.go(shapes.Go(branch=branch.number, time_s=time_s))
        at = min(time_s, branch.end_s)
        starts = [s for s in branch.starts if s <= at + 1e-9] or [0.0]
        new = self.tree.fork(branch, at, list(branch.steps), starts)
        if asked.name:
            new.name = asked.name
        self._go(new, at, paused=self.paused)
        self.tell_all("tree", self.tree.shown())
        return self.tree.shown()

    def edit_branch(self, number: int, asked: shapes.BranchEdit) -> shapes.Branch:
        """Name it, keep it."""
        branch = self.tree.get(number)
        if asked.name is not None:
            branch.name = asked.name
        if asked.kept is not None:
            branch.kept = asked.kept
        self._mark()
        self.tell_all("tree", self.tree.shown())
        return self.tree.shown_branch(branch)

    def remove_branch(self, number: int) -> shapes.Tree:
        """Delete it. Raises BenchError 409 where something hangs on it."""
        self.tree.remove(number)
        self._mark()
        self.tell_all("tree", self.tree.shown())
        return self.tree.shown()

    # -- recipe -------------------------------------------------------------------------------------------

    def so_far(self, number: int | None = None) -> Recipe:
        """What was done and is planned, as a recipe."""
        branch = self.tree.get(number)
        end = max(branch.end_s, self.at_s) if branch.number == self.tree.current else branch.end_s
        recipe = branch.recipe.model_copy(update={"resolution": Resolution(preset="standard")})
        return recipe_so_far(recipe, branch.steps, branch.starts, end, self.title)

    def settings_so_far(self, number: int | None = None) -> tuple[str, list[str]] | None:
        """(the recipe in settings, what of it was rounded); None without an apparatus."""
        branch = self.tree.get(number)
        if branch.plan is None:
            return None
        end = max(branch.end_s, self.at_s) if branch.number == self.tree.current else branch.end_s
        return chamber.dumps(self.so_far(number), chamber.so_far(branch.plan, branch.starts, end))

    def change_setup(self, asked: shapes.NewSetup, folder: Path) -> None:
        """Another pressure, holding, seed, table, size or apparatus: a new branch from the seed."""
        recipe, plan = self.branch.recipe, self.branch.plan
        change: dict[str, Any] = {}
        if asked.pressure_hpa is not None:
            change["pressure_pa"] = words.pressure_of(asked.pressure_hpa)
        if asked.held is not None:
            change["held"] = words.held_of(asked.held)
        if asked.seed is not None:
            change["seed"] = words.seed_of(asked.seed)
        if asked.kinetics is not None:
            from icewright import kinetics

            if asked.kinetics not in kinetics.names():
                raise BenchError(
                    400,
                    got=f"kinetics {asked.kinetics}"[:100],
                    wanted="one of " + ", ".join(kinetics.names()),
                    do="a table of your own goes into a recipe file in the chosen folder",
                )
            change["kinetics"] = asked.kinetics
        if asked.final_radius_um is not None:
            self.final_radius_m = MICROMETRE.to_si(asked.final_radius_um)
        steps, replay = list(self.branch.steps), asked.replay
        if asked.apparatus is not None:
            plan, steps, replay = self._change_apparatus(asked.apparatus, folder, replay)
        self._replant(recipe.model_copy(update=change), steps, replay=replay, plan=plan)

    def _change_apparatus(
        self, name: str, folder: Path, replay: bool
    ) -> tuple[SetPlan | None, list[Step], bool]:
        """Knobs of an apparatus file, first set to the air that is now; no name: the air's own knobs."""
        steps = list(self.branch.steps)
        if not name:
            return None, steps, replay
        if name not in chamber.listed(folder):
            raise BenchError(
                404, "There is no such apparatus file in the folder.", got=name[:100],
                wanted=", ".join(chamber.listed(folder)) or "one of examples/apparatus-*.toml, copied there",
            )  # fmt: skip
        row = self._row or self._first_row()
        made = chamber.first(name, chamber.read_named(folder, name), (row["temperature_k"], row["sigma"]))
        # What was done with other knobs cannot be done again with these.
        return made, steps, False

    def _replant(
        self, recipe: Recipe, steps: list[Step], *, replay: bool, name: str = "",
        plan: SetPlan | None = None,
    ) -> None:  # fmt: skip
        if plan is not None:
            if not replay and plan.origin:
                index, _ = self._place()
                plan = chamber.rest(plan, plan.origin[index], 0.0)
            steps, plan = chamber.resolved(plan, recipe.pressure_pa)
        elif not replay:
            steps = rest(steps, min(self._place()[0], len(steps) - 1), 0.0)
        # model_copy does not validate; what hangs together (stalk and seed) is checked here.
        Recipe.model_validate(recipe.model_dump(by_alias=True) | {"steps": [cut_for_check(steps[0])]})
        until = self.at_s if replay else 0.0
        branch = self.tree.plant(preview_of(recipe, self.final_radius_m), steps, name, plan)
        paused = self.paused
        self.beyond = False
        self._go(branch, 0.0, paused=paused)
        if until > 0 and self._link is not None:
            self._load_to(branch, until)
        self.tell_all("setup", self.setup())
        self.tell_all("air", self.air())

    def _load_to(self, branch: Branch, until: float) -> None:
        self.at_s = 0.0
        self._load(branch, until)

    def change_recipe(self, asked: shapes.RecipeEdit, read: Any) -> None:
        """The timeline was edited: other steps, or another recipe altogether."""
        old = self.branch
        recipe, steps = old.recipe, None
        if asked.title is not None:
            self.title = asked.title
        if asked.toml is not None:
            got: Found = read(asked.toml)
            new, steps = got.recipe, list(got.recipe.steps)
            if got.plan is not None or old.plan is not None:
                # Whose knobs they are may have changed, and a change anywhere moves all air after it.
                self.title = new.title or self.title
                self._replant(new, steps, replay=True, plan=got.plan)
                return
            alike = {
                "steps": old.recipe.steps,
                "resolution": old.recipe.resolution,
                "title": old.recipe.title,
            }
            if new.model_copy(update=alike) != old.recipe:
                recipe = new
            self.title = new.title or self.title
        elif asked.set_steps:
            self._change_settings(asked.set_steps)
            return
        elif asked.steps and old.plan is not None:
            raise BenchError(
                400, "This path is a recipe in settings.", got="steps in air", wanted="set_steps, or toml"
            )
        elif asked.steps:
            steps = [words.step_of(edit) for edit in asked.steps]
        if not steps:
            raise BenchError(400, got="no steps", wanted="toml, or at least one step")
        from icewright.kinetics.model import check_temperature as in_table

        for step in steps:
            for t_k in step.temperature_k:
                in_table(self.kinetics(), t_k)
        if recipe is not old.recipe:
            self._replant(recipe, steps, replay=True)
            return
        first = next((i for i, (a, b) in enumerate(zip(steps, old.steps, strict=False)) if a != b), None)
        if first is None:
            if len(steps) == len(old.steps):
                return
            first = min(len(steps), len(old.steps))
        if first >= len(old.starts):
            old.steps = steps
            self._command("steps", steps=steps)
            self._mark()
            return
        at, until = old.starts[first], self.at_s
        if first >= len(steps):  # steps were taken off the end: the last one left ends where it ended
            steps = [*steps, *old.steps[first : first + 1]][: max(first, 1)]
            at = old.starts[min(first, len(old.starts) - 1)]
        branch = self.tree.fork(old, at, steps, old.starts[: first + 1])
        self._go(branch, at, paused=self.paused)
        if until > at and self._link is not None:
            self._load_to(branch, until)
        self.tell_all("tree", self.tree.shown())

    def _edited(self, asked: Sequence[shapes.SetStepEdit]) -> Edited | None:
        """The present path with other settings. Raises BenchError, ApparatusError, RecipeError."""
        from icewright.kinetics.model import check_temperature as in_table

        branch = self.branch
        if branch.plan is None:
            raise BenchError(400, "This path has no apparatus.", got="set_steps", wanted="steps, in air")
        wanted = [set_step_of(edit) for edit in asked]
        made = edited(branch.plan, branch.steps, branch.starts, wanted, branch.recipe.pressure_pa)
        for step in made.steps if made else ():
            for t_k in step.temperature_k:
                in_table(self.kinetics(), t_k)
        return made

    def air_of_settings(self, asked: shapes.SetDraft) -> shapes.SetAir:
        """The air that other settings would make on the present path; nothing is changed. Raises as above."""
        branch, made = self.branch, self._edited(asked.set_steps)
        plan, steps, starts = branch.plan, branch.steps, branch.starts
        if made is not None:
            plan, steps = made.plan, made.steps
            starts = branch.starts if made.at_s is None else made.starts
        assert plan is not None  # _edited refuses it
        return shapes.SetAir(
            set_steps=words.set_step_views(plan, starts, branch.recipe.pressure_pa),
            steps=words.step_views(steps, starts),
        )

    def _change_settings(self, asked: Sequence[shapes.SetStepEdit]) -> None:
        """The timeline of the settings was dragged: a new path from the first change, or other plans."""
        old, made = self.branch, self._edited(asked)
        if made is None:
            return
        if made.at_s is None:
            old.steps, old.plan = made.steps, made.plan
            self._command("steps", steps=made.steps, plan=made.plan)
            self._mark()
            self.tell_all("tree", self.tree.shown())
            return
        until = self.at_s
        branch = self.tree.fork(old, made.at_s, made.steps, made.starts)
        branch.plan = made.plan
        self._go(branch, made.at_s, paused=self.paused)
        if until > made.at_s and self._link is not None:
            self._load_to(branch, until)
        self.tell_all("tree", self.tree.shown())

    # -- the microscope -----------------------------------------------------------------------------------

    def clock_now(self, *, ring: bool = False) -> shapes.Clock:
        """The clock and the next cue; `ring` for what is told to all, see `ClockRun.look`."""
        branch = self.branch
        rows, plan = self.tree.rows(branch), branch.plan
        if plan is None:
            return self.clock.look(branch.steps, branch.starts, rows, ring=ring)
        # Hands turn knobs: cues are those of the settings, not of the ramps of the air that comes after.
        steps = chamber.as_air(plan, branch.recipe.pressure_pa)
        said = [chamber.doing(a, b) for a, b in pairwise((plan.steps[0], *plan.steps))]
        return self.clock.look(steps, plan.starts(branch.starts), rows, said, ring=ring)

    def do_clock(self, asked: shapes.ClockDo) -> shapes.Clock:
        """Start, stop, hold, the awaited key."""
        if asked.start is True:
            self.clock.start()
        if asked.start is False:
            self.clock.stop()
        if asked.hold is not None:
            self.clock.hold(asked.hold)
        if asked.key:
            self.clock.key()
        now = self.clock_now()
        self.tell_all("clock", now)
        return now

    def real(self, asked: shapes.Real) -> shapes.RealTold:
        """The real crystal has this size now."""
        radius = MICROMETRE.to_si(asked.radius_um)
        thick = None if asked.thickness_um is None else MICROMETRE.to_si(asked.thickness_um)
        if asked.as_prism:
            return self._real_prism(radius, thick)
        rows = self.tree.rows(self.branch)
        if not rows or radius < rows[0]["radius_tip_m"]:
            raise BenchError(
                409,
                "The prediction began larger than that.",
                got=f"{asked.radius_um:g} um",
                do="send as_prism: true to start again from a prism of that size",
            )
        if self.clock.began is None:
            self.clock.start()
        found = when_size(rows, radius, thick)
        if found is None:
            self._real = (radius, self.clock.model_s())
            self.pace(shapes.Pace(paused=False, speed=None))
            said = f"the prediction is not at {asked.radius_um:.4g} um yet: it grows ahead, "
            said += "then the clock is set"
            return shapes.RealTold(clock=self.clock_now(), words=said)
        said = self._shift(found[0], radius, found[1]["off"])
        return shapes.RealTold(clock=self.clock_now(), words=said)

    def _shift(self, time_s: float, radius_m: float, off: float | None) -> str:
        moved = self.clock.shift_to(time_s)
        said = f"{radius_m * 1e6:.4g} um was predicted for {clock_words(time_s)}: the real one is "
        said += (
            f"{clock_words(abs(moved))} {'ahead' if moved > 0 else 'behind'}"
            if abs(moved) >= 1
            else "in time"
        )
        if off is not None and abs(off) > 0.05:
            said += (
                f"; the prediction is {abs(off) * 100:.0f} % {'thicker' if off > 0 else 'thinner'} than it"
            )
        self.note(said, "note")
        self.tell_all("clock", self.clock_now())
        return said

    def _find_real(self, row: dict[str, float]) -> None:
        if self._real is not None and row["radius_tip_m"] >= self._real[0]:
            radius, then = self._real
            self._real = None
            found = when_size(self.tree.rows(self.branch)[-2:], radius)
            if found is not None:
                # The hands have gone on since it was said.
                self._shift(found[0] + self.clock.model_s() - then, radius, None)

    def _real_prism(self, radius: float, thick: float | None) -> shapes.RealTold:
        branch = self.branch
        time_s = self.clock.model_s() if self.clock.began is not None else self.at_s
        if thick is None:
            rows = self.tree.rows(branch)
            shown, wide = at_time(rows, time_s, "thickness_m"), at_time(rows, time_s, "radius_tip_m")
            ratio = shown / wide if shown and wide else 1.0
            thick = max(radius * ratio, 1e-7)
        index = max((i for i, s in enumerate(branch.starts) if s <= time_s), default=0)
        index = min(index, len(branch.steps) - 1)
        plan, steps = branch.plan, rest(branch.steps, index, time_s - branch.starts[index])
        if plan is not None:
            number = plan.origin[index]
            plan = chamber.rest(plan, number, time_s - plan.starts(branch.starts)[number])
        from icewright.recipe.held import Held
        from icewright.recipe.seed import Seed

        seed = Seed(radius_m=radius, thickness_m=thick)
        held: Held = branch.recipe.held
        recipe = branch.recipe.model_copy(update={"seed": seed, "held": held})
        self.final_radius_m = max(self.final_radius_m, 1.5 * radius, 0.75 * thick)
        self.at_s = 0.0
        self._replant(recipe, steps, replay=True, name=f"real, {radius * 1e6:.4g} um", plan=plan)
        self.clock.start()
        said = (
            f"started again from a hexagonal prism of {radius * 1e6:.4g} um radius and {thick * 1e6:.4g} um "
            "thickness; arms and hollows of the real one are not in it"
        ) + ("; the air is taken as settled at what is set" if plan is not None else "")
        self.note(said, "note")
        return shapes.RealTold(clock=self.clock_now(), words=said)

    # -- the disk -----------------------------------------------------------------------------------------

    def _mark(self) -> None:
        """Something was recorded: write it within a second."""
        self.changed, self._dirty = time.time(), True
        if self._saver is None or self._saver.done():
            self._saver = asyncio.get_running_loop().create_task(self._save_soon())

    async def _save_soon(self) -> None:
        while self._dirty and not self.gone:
            self._dirty = False
            record = self.record()
            try:
                await asyncio.to_thread(self.tree.write, record)
            except StoreError as error:
                self.note(str(error).replace("\n", "; "), "warning")
                await asyncio.sleep(5)
            await asyncio.sleep(_SAVE_EVERY_S)

    def record(self) -> dict[str, Any]:
        """All that the session's record holds."""
        return self.tree.record(
            {
                "title": self.title,
                "photos": self.photos.dump(),
                "final_radius_m": self.final_radius_m,
                "at_s": self.at_s,
                "changed": self.changed,
                "notes": list(self.notes),
            }
        )

    def close(self) -> None:
        """The server ends: everything is written."""
        self.sleep()
        if not self.gone and self.folder.is_dir():
            self.tree.write(self.record())


def cut_for_check(step: Step) -> dict[str, Any]:
    """A step without its sizes, for checking the rest of a recipe."""
    plain = step.model_copy(update={"endings": step.endings.model_copy(
        update={"time_s": step.endings.time_s or 60.0, "radius_m": None, "thickness_m": None, "mass_kg": None}
    )})  # fmt: skip
    return plain.model_dump()
