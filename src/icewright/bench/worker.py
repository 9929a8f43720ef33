"""The engine's own process: one crystal, grown live, that hears commands between time steps.

Spawned, never forked; it owns its numba threads. It holds nothing that it has not told: rows, steps and
moments (whole states on the disk) go to the server as they come to be, so that a worker that dies is replaced
by one that starts from the last moment and grows the little that is missing again.

Commands are pairs (word, dictionary), messages the same; each message carries the `epoch` of the `load` that
it belongs to, so that the server can tell what is stale.
"""

from __future__ import annotations

import contextlib
import math
import os
import signal
import time
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from icewright.bench.chamber import SetPlan, SetTarget
from icewright.bench.live import LiveSchedule, Target, go_on, turn
from icewright.ground.errors import IcewrightError

VOXELS = 64  # in the wanted radius of a preview
MOST_VOXELS = 128  # where it stops and asks
MESHES_PER_S = 10.0  # at most, unless a page asks for another number
_ROW_GROWTH = 0.01
_MOMENT_GROWTH = 0.04
_MOMENT_EVERY_S = 5.0  # wall time: what a crash costs at most, besides the growth above
_STATE_EVERY_S = 0.25
_HABIT_EVERY_S = 1.0
_REPLAY_EPS_S = 1e-6
_WAITS = ("turn", "fork", "step", "steps")  # what is meant for the moment that is being gone to


@dataclass
class _Path:
    """What is grown now: branch, recipe, how far it is recorded already."""

    epoch: int = 0
    branch: int = 0
    recorded_s: float = -1.0
    starts: list[float] = field(default_factory=list)
    moment: int = 0
    folder: Path = field(default_factory=Path)
    plan: SetPlan | None = None  # where the knobs are those of an apparatus


class Worker:
    """Grows, listens and tells. `sim` is None until something is loaded."""

    def __init__(self, link: Connection) -> None:
        self.link = link
        self.path = _Path()
        self.sim: Any = None
        self.schedule: LiveSchedule | None = None
        self.paused, self.speed, self.beyond = True, None, False
        self.goal_s: float | None = None
        self.steps_left = 0
        self.act = 0
        self.room = False  # for a mesh under way
        self.most_per_s = MESHES_PER_S
        self._frame = self._topology = 0
        self._triangles: Any = None
        self._dirty = self._fresh_act = True
        self._last = {"frame": 0.0, "state": 0.0, "moment": 0.0, "habit": -9.0}
        self._row: dict[str, float] = {}
        self._moment_size = 0.0
        self._clock0 = self._model0 = 0.0
        self._pace: deque[tuple[float, float]] = deque(maxlen=40)
        self._rates: deque[dict[str, float]] = deque(maxlen=12)
        self._habit = "none"
        self._quality: tuple[float, float] | None = None
        self._state_due = True
        self._failed = ""
        self._pool = ThreadPoolExecutor(1)
        self._later: deque[tuple[str, dict[str, Any]]] = deque()  # told while still on the way to a moment
        self._on_the_way = False
        self._saving: Future[dict[str, Any]] | None = None
        self._keep_due = False

    # -- the loop -----------------------------------------------------------------------------------------

    def run(self) -> bool:
        """Until the server goes away, or wants it empty: then True, and another worker may follow."""
        while True:
            while self.link.poll(self._patience()):
                word, data = self.link.recv()
                if word in ("bye", "unload"):
                    self._written(wait=True)
                    self._pool.shutdown()
                    return bool(word == "unload")
                if self._on_the_way and word in _WAITS:
                    self._later.append((word, data))
                else:
                    self._obey(word, data)
            if not self._on_the_way and self._later:
                self._obey(*self._later.popleft())
            if self._growing():
                self._advance()
            self._tell_due()
            if self._keep_due and self.sim is not None:
                self._keep()
            self._written()

    def _patience(self) -> float:
        """How long the next command may be waited for."""
        if self._growing():
            return 0.0
        if self.sim is not None and not self.paused and not self._halted():
            ahead_s = max(float(self.sim.time_s) - self._allowed_s(), 0.0)
            return min(ahead_s / (self.speed or 1.0), 0.05)
        return 0.02 if self._dirty and self.room else 0.2

    def _halted(self) -> bool:
        return bool(self._failed) or self.sim.ended is not None or (self._too_large() and not self.beyond)

    def _growing(self) -> bool:
        if self.sim is None or self._halted():
            return False
        if self.goal_s is not None or self.steps_left > 0:
            return True
        return not self.paused and (self.speed is None or self.sim.time_s <= self._allowed_s())

    def _allowed_s(self) -> float:
        """Model time that the chosen speed has reached by now."""
        return float(self._model0 + (time.monotonic() - self._clock0) * (self.speed or math.inf))

    def _restart_clock(self) -> None:
        self._clock0, self._model0 = time.monotonic(), self.sim.time_s if self.sim is not None else 0.0
        self._pace.clear()

    def _too_large(self) -> bool:
        g = self.sim.grower
        return bool(max(g._radius, 0.5 * self._row.get("thickness_m", 0.0) / self.sim.dx_m) >= MOST_VOXELS)

    def _advance(self) -> None:
        sim = self.sim
        before = sim.step_index
        try:
            sim.advance()
        except IcewrightError as error:
            self._fail(error)
            return
        except Exception as error:  # an engine fault must not take the session along
            self._fail(IcewrightError(f"The engine failed: {type(error).__name__}: {error}"))
            return
        self._dirty = self._state_due = True
        now = sim.glance()
        if sim.step_index != before:
            self.path.starts.append(sim.time_s)
            self._tell("plan", self._plan())
        self._record(now, turned=sim.step_index != before or sim.ended is not None)
        if self.steps_left > 0:
            self.steps_left -= 1
            if self.steps_left == 0:
                self._arrive()
        if self.goal_s is not None and sim.time_s >= self.goal_s - _REPLAY_EPS_S:
            self._arrive()
        if sim.ended is not None or (self._too_large() and not self.beyond):
            self._arrive()

    def _arrive(self) -> None:
        self.goal_s, self.steps_left, self._on_the_way = None, 0, False
        self._last["state"] = self._last["frame"] = 0.0
        self._restart_clock()

    def _fail(self, error: IcewrightError) -> None:
        self._failed = error.message or str(error)
        self.goal_s, self.steps_left, self._on_the_way = None, 0, False
        self._tell("fault", {"error": error})
        self._state_due, self._last["state"] = True, 0.0

    # -- commands -----------------------------------------------------------------------------------------

    def _obey(self, word: str, data: dict[str, Any]) -> None:
        try:
            getattr(self, f"_do_{word}")(**data)
            if "act" in data and word != "load":
                self._tell("did", {"act": data["act"]})
        except IcewrightError as error:
            self._tell("fault", {"error": error, "act": data.get("act")})
        except Exception as error:
            what = IcewrightError(f"{word} failed in the engine: {type(error).__name__}: {error}")
            self._tell("fault", {"error": what, "act": data.get("act")})

    def _do_load(self, *, epoch: int, branch: int, recipe: Any, steps: list[Any], starts: list[float],
                 moment: str | None, next_moment: int, folder: str, recorded_s: float,
                 goal_s: float | None, act: int, plan: SetPlan | None = None) -> None:  # fmt: skip
        """Take up a path: from a stored moment, or from the seed."""
        from icewright.growth.run import Simulation
        from icewright.kinetics import load
        from icewright.kinetics.model import check_temperature

        self._written(wait=True)
        self.sim, self._failed, self._keep_due = None, "", False
        self.path = _Path(epoch, branch, recorded_s, list(starts), next_moment, Path(folder), plan)
        kinetics = load(recipe.kinetics)
        for step in steps:
            for t_k in step.temperature_k:
                check_temperature(kinetics, t_k)
        saved = None
        if moment is not None:
            from icewright.notebook import checkpoint

            saved = checkpoint.load(Path(moment))
        schedule = LiveSchedule(recipe)
        schedule.steps = steps
        if saved is not None:
            sim = Simulation.from_state(recipe, kinetics, saved.state)
            sim.ended = None
        else:
            seed = None
            if recipe.seed.crystal is not None:
                from icewright.tasks.crystals import solid_of

                seed = solid_of(Path(recipe.seed.crystal))
            sim = Simulation(recipe, kinetics, seed=seed)
            self.path.starts = [0.0]
        sim.schedule = schedule
        self.sim, self.schedule, self.act = sim, schedule, act
        self._settle_place()
        self.goal_s = goal_s if goal_s is not None and goal_s > sim.time_s + _REPLAY_EPS_S else None
        self._on_the_way = self.goal_s is not None
        self._later.clear()
        self._triangles = None
        self._rates.clear()
        self._row = {}
        self._dirty = self._fresh_act = self._state_due = True
        self._last |= {"frame": 0.0, "state": 0.0, "habit": -9.0, "moment": time.monotonic()}
        self._restart_clock()
        self._tell("loaded", {"act": act, "warnings": list(sim.warnings)} | self._plan())
        now = sim.glance()
        if saved is None:
            self._record(now, turned=True)
        else:
            self._row = dict(now)
            self._moment_size = _size(now)
        if self.goal_s is None:
            self._arrive()

    def _settle_place(self) -> None:
        """A moment stored at the very end of a step stands at the beginning of the next."""
        assert self.schedule is not None
        sim = self.sim
        time_s = self.schedule[sim.step_index].endings.time_s
        if time_s is not None and sim.time_in_step_s >= time_s * (1 - 1e-9):
            if sim.step_index + 1 < len(self.schedule):
                sim.step_index, sim.time_in_step_s = sim.step_index + 1, 0.0
                self.path.starts = [*self.path.starts[: sim.step_index], sim.time_s]
            else:
                sim.ended = "the recipe is done"

    def _do_turn(self, *, act: int, target: Target | SetTarget, new_branch: int) -> None:
        self.act = max(self.act, act)
        self._need()
        assert self.schedule is not None
        sim = self.sim
        index, since = sim.step_index, sim.time_in_step_s
        if isinstance(target, SetTarget):
            steps, here = self._turn_settings(target)
        else:
            steps, here = turn(self.schedule.steps, index, since, target)
        forked, parent = self._past(), self.path.branch
        self._replace(steps, here, new_branch if forked else None)
        self._fresh_act = self._dirty = self._state_due = True
        self._last["state"] = self._last["frame"] = 0.0
        self._tell("turned", {"act": act, "forked": forked, "parent": parent} | self._plan())
        self._record(sim.glance(), turned=True)

    def _turn_settings(self, target: SetTarget) -> tuple[list[Any], int]:
        from icewright.bench import chamber

        sim, path = self.sim, self.path
        assert self.schedule is not None
        if path.plan is None:
            raise IcewrightError("This path has no apparatus.", wanted="temperature and humidity")
        steps, here, path.plan = chamber.turn(
            path.plan, self.schedule.steps, path.starts, sim.step_index, sim.time_in_step_s, sim.time_s,
            target, sim.recipe.pressure_pa,
        )  # fmt: skip
        return steps, here

    def _replace(self, steps: list[Any], here: int, new_branch: int | None) -> None:
        assert self.schedule is not None
        sim = self.sim
        self.schedule.steps = steps
        sim.step_index, sim.time_in_step_s, sim.ended = here, 0.0, None
        self.path.starts = [*self.path.starts[:here], sim.time_s]
        if new_branch is not None:
            self.path.branch, self.path.recorded_s = new_branch, sim.time_s - 1e-9
            self.path.moment, self._row = 0, {}
        self.goal_s, self.steps_left = None, 0

    def _past(self) -> bool:
        """Whether more is recorded on this branch than the present moment."""
        return bool(self.sim.time_s < self.path.recorded_s - _REPLAY_EPS_S)

    def _do_fork(self, *, act: int, new_branch: int) -> None:
        """A new branch here with the same steps, as far as they have gone."""
        self.act = max(self.act, act)
        self._need()
        assert self.schedule is not None
        steps, here = turn(self.schedule.steps, self.sim.step_index, self.sim.time_in_step_s, Target())
        parent = self.path.branch
        self._replace(steps, here, new_branch)
        self._tell("turned", {"act": act, "forked": True, "parent": parent} | self._plan())
        self._record(self.sim.glance(), turned=True)

    def _do_pace(self, *, act: int, **change: Any) -> None:
        self.act = max(self.act, act)
        if change.get("paused") is False and self.sim is not None and self.sim.ended is not None:
            self._hold_on()
        for name, value in change.items():
            setattr(self, name, value)
        if change.get("paused"):
            self.goal_s, self.steps_left, self._on_the_way = None, 0, False
            if self.sim is not None:
                self._keep()
        self._restart_clock()
        self._state_due, self._last["state"] = True, 0.0

    def _hold_on(self) -> None:
        """Played on after the last step: hold its air."""
        assert self.schedule is not None
        sim = self.sim
        self.schedule.steps = go_on(self.schedule.steps)
        if self.path.plan is not None:
            from icewright.bench import chamber

            self.path.plan = chamber.hold_on(self.path.plan)
        sim.ended, sim.step_index, sim.time_in_step_s = None, len(self.schedule) - 1, 0.0
        self.path.starts.append(sim.time_s)
        self._tell("plan", self._plan())

    def _do_step(self, *, act: int, steps: int | None = None, seconds: float | None = None) -> None:
        self.act = max(self.act, act)
        self._need()
        if self.sim.ended is not None:
            self._hold_on()
        self.paused = True
        if seconds is not None:
            self.goal_s = self.sim.time_s + seconds
        else:
            self.steps_left = steps or 1
        self._state_due = True

    def _do_steps(self, *, act: int, steps: list[Any], plan: SetPlan | None = None) -> None:
        """Other steps for the time to come; those that are over must be the same."""
        self.act = max(self.act, act)
        self._need()
        assert self.schedule is not None
        if plan is not None:
            self.path.plan = plan
        self.schedule.steps = steps
        self.sim.ended = None
        self._settle_place()
        self._tell("plan", self._plan())
        self._state_due = True

    def _do_room(self, *, most_per_s: float | None = None) -> None:
        self.room = True
        if most_per_s is not None:
            self.most_per_s = most_per_s

    def _do_again(self) -> None:
        """Somebody new looks: everything once more."""
        self._dirty = self._state_due = True
        self._last["state"] = self._last["frame"] = 0.0
        self.room = True

    def _do_section(self, *, ask: int, plane: str, at: float) -> None:
        from icewright.bench.section import section

        self._need()
        self._tell("answer", {"ask": ask, "is": section(self.sim.solid(), plane, at, self.sim.time_s)})

    def _do_outline(self, *, ask: int, along: str = "c") -> None:
        from icewright.bench.section import outline
        from icewright.bench.silhouette import side_outline

        self._need()
        solid = self.sim.solid()
        lines = side_outline(solid, "x" if along == "x" else "y") if along != "c" else outline(solid)
        self._tell("answer", {"ask": ask, "is": lines})

    def _do_keep(self) -> None:
        if self.sim is not None:
            self._keep()
            self._written(wait=True)

    def _need(self) -> None:
        if self.sim is None:
            raise IcewrightError("There is no crystal yet.", do="wait until it has started")

    # -- telling ------------------------------------------------------------------------------------------

    def _tell(self, word: str, data: dict[str, Any]) -> None:
        self.link.send((word, {"epoch": self.path.epoch, "branch": self.path.branch} | data))

    def _plan(self) -> dict[str, Any]:
        assert self.schedule is not None
        return {
            "steps": list(self.schedule.steps),
            "starts": list(self.path.starts),
            "time_s": self.sim.time_s,
            "set": self.path.plan,
        }

    def _record(self, now: dict[str, float], *, turned: bool) -> None:
        """Tell a row and store a moment when they are due; nothing twice on a path that is repeated."""
        last = self._row
        size = _size(now)
        due = (
            turned
            or not last
            or any(now[k] >= (1 + _ROW_GROWTH) * last[k] for k in ("radius_tip_m", "thickness_m", "mass_kg"))
            or abs(now["temperature_k"] - last["temperature_k"]) >= 0.1
            or abs(now["sigma"] - last["sigma"]) >= 0.002
        )
        new = now["time_s"] > self.path.recorded_s + _REPLAY_EPS_S
        if due:
            self._row = dict(now)
            self._rates.append(dict(now))
            if new:
                self.path.recorded_s = now["time_s"]
                self._tell("row", {"row": now})
        wall = time.monotonic()
        grown = size >= (1 + _MOMENT_GROWTH) * self._moment_size
        if new and (turned or grown or wall - self._last["moment"] >= _MOMENT_EVERY_S):
            self._keep_due = True

    def _keep(self, now: dict[str, float] | None = None) -> None:
        """Take the whole state as the next moment, the surface beside it; a thread writes it.

        Pushing to the disk takes longer than a time step, and a turn of a knob must not wait for it.
        """
        now = now or self.sim.glance()
        if now["time_s"] < self.path.recorded_s - _REPLAY_EPS_S:
            return
        self._written(wait=True)
        self.path.recorded_s = max(self.path.recorded_s, now["time_s"])
        number, sim = self.path.moment, self.sim
        folder = self.path.folder / f"{self.path.branch}" / f"{number:06d}"
        copied = {k: v.copy() if hasattr(v, "nbytes") else v for k, v in sim.state().items()}
        told = {
            "epoch": self.path.epoch,
            "branch": self.path.branch,
            "number": number,
            "row": now,
            "step": sim.step_index,
            "habit": self._word(),
        }
        self._saving = self._pool.submit(_write_moment, folder, self._encode(now, stored=True), copied, told)
        self.path.moment += 1
        self._moment_size = _size(now)
        self._keep_due = False
        self._last["moment"] = time.monotonic()

    def _written(self, *, wait: bool = False) -> None:
        """Tell of a moment once it is on the disk."""
        if self._saving is None or not (wait or self._saving.done()):
            return
        saving, self._saving = self._saving, None
        try:
            self.link.send(("moment", saving.result()))
        except IcewrightError as error:
            self._tell("fault", {"error": error})

    def _encode(self, now: dict[str, float], *, stored: bool = False) -> bytes | None:
        import numpy as np

        from icewright.bench import protocol
        from icewright.bench.sector import sector

        try:
            surface = sector(self.sim.solid(), self.sim.time_s)
        except IcewrightError:
            return None
        if stored:
            return protocol.encode(
                surface, now, voxel_m=self.sim.dx_m, topology=0, branch=self.path.branch, stored=True
            )
        if self._triangles is None or not np.array_equal(self._triangles, surface.triangles):
            self._topology += 1
            self._triangles = surface.triangles
        self._frame += 1
        return protocol.encode(
            surface,
            now,
            voxel_m=self.sim.dx_m,
            topology=self._topology,
            act=self.act,
            branch=self.path.branch,
            frame=self._frame,
        )

    def _tell_due(self) -> None:
        if self.sim is None:
            return
        wall = time.monotonic()
        first = self._fresh_act and (self._last["frame"] == 0.0)
        if self._dirty and self.room and (first or wall - self._last["frame"] >= 1.0 / self.most_per_s):
            # The mesh after a turn waits for one time step in the new air, unless nothing grows.
            data = self._encode(self.sim.glance())
            self._dirty = self._fresh_act = False
            # A mesh is due every so often on the whole: time steps do not end when one is due, and counting
            # from the last one sent would add what was waited for (measured: 6.7 a second for 8 asked for).
            every = 1.0 / self.most_per_s
            self._last["frame"] = max(self._last["frame"] + every, wall - every)
            if data is not None:
                self.room = False
                self._tell("frame", {"data": data})
        if self._state_due and wall - self._last["state"] >= _STATE_EVERY_S:
            self._last["state"], self._state_due = wall, False
            self._tell("state", {"state": self._state(wall)})

    def _state(self, wall: float) -> dict[str, Any]:
        sim = self.sim
        now = sim.glance()
        self._pace.append((wall, now["time_s"]))
        (w0, t0), (w1, t1) = self._pace[0], self._pace[-1]
        assert self.schedule is not None
        step = self.schedule[sim.step_index]
        ramp = step.ramps and step.endings.time_s is not None
        word, status = self._words()
        return {
            "time_s": now["time_s"],
            "act": self.act,
            "paused": self.paused,
            "speed": self.speed,
            "pace": (t1 - t0) / (w1 - w0) if w1 - w0 > 0.2 and self._growing() else None,
            "worker": word,
            "status": status,
            "row": now,
            "rates": self._rate(now),
            "habit": self._word(),
            "step": sim.step_index,
            "replaying": self._past(),
            "outgrown": sim.grower._radius > VOXELS or bool(self._too_large()),
            "going_to_s": self.goal_s,
            "ramp_left_s": (step.endings.time_s - sim.time_in_step_s) if ramp else 0.0,
            "quality": self._quality,
        }

    def _words(self) -> tuple[str, str]:
        sim = self.sim
        if self._failed:
            return "failed", self._failed
        if sim.ended is not None:
            return "at-rest", f"{sim.ended}; play holds this air, a turn goes on from here"
        if self._too_large() and not self.beyond:
            return "outgrown", (
                f"{MOST_VOXELS} voxels of {sim.dx_m * 1e6:.3g} um: a preview this large falls behind. "
                "Go on all the same, or choose a larger final size, with coarser voxels"
            )
        if self.goal_s is not None or self.steps_left:
            return "going", "growing to the moment asked for"
        if self.paused:
            return "paused", "paused"
        if self._past():
            return "growing", "repeating what is recorded"
        below = self.schedule is not None and sim.conditions().sigma <= 0
        return "growing", "drier than ice saturation: held unchanged" if below else "growing"

    def _rate(self, now: dict[str, float]) -> dict[str, float | None]:
        old = self._rates[0] if self._rates else now
        span = now["time_s"] - old["time_s"]
        return {
            key: (now[key] - old[key]) / span if span > 0 else None
            for key in ("radius_tip_m", "thickness_m", "mass_kg")
        }

    def _word(self) -> str:
        """The habit's word, at most once a second: outlines cost more than a time step."""
        from icewright.shape.habit import word
        from icewright.shape.sizes import measure

        wall = time.monotonic()
        if wall - self._last["habit"] >= _HABIT_EVERY_S:
            self._last["habit"] = wall
            with contextlib.suppress(Exception):
                self._habit = word(measure(self.sim.solid()))
                g = self.sim.grower
                gained = g.ice_volume() - self.sim._volume0
                flux = g.far_sum / g.near_sum if g.near_sum > 0 else 1.0
                self._quality = (flux, abs(gained / g.taken - 1) if g.taken > 0 else 0.0)
        return self._habit


def _write_moment(
    folder: Path, surface: bytes | None, state: dict[str, Any], told: dict[str, Any]
) -> dict[str, Any]:
    """Write a moment's files; gives `told` back once they are on the disk. Raises StoreError."""
    from icewright.notebook import checkpoint
    from icewright.notebook.files import guard, write_atomic

    with guard(folder):
        folder.mkdir(parents=True, exist_ok=True)
    if surface is not None:
        write_atomic(folder / "mesh.bin", surface)
    notes = {"reading": {k: float(v) for k, v in told["row"].items()}, "branch": told["branch"]}
    checkpoint.save(folder, 1, state, notes)
    return told


def _size(now: dict[str, float]) -> float:
    return now["radius_tip_m"] + 0.5 * now["thickness_m"]


def _warm_up() -> None:
    """Grow a few steps of nothing in particular: loading compiled kernels takes longer than growing."""
    from icewright.bench import examples
    from icewright.bench.sector import sector
    from icewright.growth.run import Simulation
    from icewright.kinetics import load
    from icewright.recipe import files
    from icewright.recipe.resolution import Resolution
    from icewright.shape.habit import word
    from icewright.shape.sizes import measure

    recipe = files.loads(examples.EXAMPLES[examples.FIRST][0])
    recipe = recipe.model_copy(update={"resolution": Resolution(voxel_m=1e-6)})
    sim = Simulation(recipe, load(recipe.kinetics))
    for _ in range(3):
        sim.advance()
    word(measure(sim.solid()))
    sector(sim.solid(), sim.time_s)


def main(link: Connection, threads: int | None) -> None:
    """Entry of the spawned process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the whole group; the server says goodbye
    try:
        import skimage.measure  # noqa: F401 - loaded now, not at the first mesh

        import icewright.growth.run  # noqa: F401 - loaded now, not at the first command
        from icewright.tasks.engine import set_threads

        if threads is not None:
            with contextlib.suppress(IcewrightError):
                set_threads(threads)
        with contextlib.suppress(Exception):  # a fault here will show where somebody can read it
            _warm_up()
        link.send(("ready", {"epoch": 0, "branch": 0, "pid": os.getpid()}))
        while Worker(link).run():
            link.send(("empty", {}))
    except (EOFError, BrokenPipeError, ConnectionResetError, KeyboardInterrupt):
        pass  # the server has gone; everything was told


__all__ = ["MOST_VOXELS", "VOXELS", "Worker", "main"]
