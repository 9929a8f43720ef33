"""What was recorded: branches of moments, as a tree on the disk that a crash or a reload does not lose.

Files in the session's folder: `tree.json` (kind and schema in it), `rows-<branch>.jsonl` (one row a line),
`moments/<branch>/<number>/` (a checkpoint, and the surface as `mesh.bin`). A branch holds all its steps from
the seed on, its own rows and moments only from where it left its parent.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from icewright.bench import shapes
from icewright.bench.chamber import SetPlan
from icewright.bench.security import BenchError
from icewright.bench.words import ROW_KEYS, row_shown, set_step_views, sizes, step_views
from icewright.notebook.files import read_json, write_json
from icewright.recipe.model import Recipe
from icewright.recipe.step import Step

KIND, SCHEMA = "icewright.bench-session", 1
MOST_MOMENTS = 96  # a branch; beyond that every other one that does not begin a step goes


@dataclass
class Moment:
    """A stored state: `number` names its folder."""

    number: int
    row: dict[str, float]
    step: int

    @property
    def time_s(self) -> float:
        """Seconds since the seed."""
        return self.row["time_s"]


@dataclass
class Branch:
    """One path; `recipe` is everything but the steps, which it may hold in its own way."""

    number: int
    name: str
    recipe: Recipe
    steps: list[Step]
    starts: list[float]
    parent: int | None = None
    from_s: float = 0.0
    kept: bool = False
    habit: str = "none"
    rows: list[dict[str, float]] = field(default_factory=list)
    moments: list[Moment] = field(default_factory=list)
    next_moment: int = 0
    voxel_m: float = 0.0
    plan: SetPlan | None = None  # what was set, where the knobs are those of an apparatus

    @property
    def end_s(self) -> float:
        """The last recorded time; before anything is, where it began."""
        times = [self.from_s]
        if self.rows:
            times.append(self.rows[-1]["time_s"])
        if self.moments:
            times.append(self.moments[-1].time_s)
        return max(times)

    @property
    def recorded_s(self) -> float:
        """As `end_s`, but below any time where nothing is recorded."""
        return self.end_s if self.rows or self.moments else self.from_s - 1.0


class Tree:
    """All branches of a session, and the files behind them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.branches: dict[int, Branch] = {}
        self.current = 0
        self.next_number = 1
        self.act = 0

    # -- growing ------------------------------------------------------------------------------------------

    def plant(self, recipe: Recipe, steps: list[Step], name: str = "", plan: SetPlan | None = None) -> Branch:
        """A branch from a seed; it becomes the current one."""
        branch = Branch(self._number(), "", recipe, list(steps), [0.0], plan=plan)
        branch.name = name or self._free_name()
        self.branches[branch.number] = branch
        self.current = branch.number
        return branch

    def fork(
        self, parent: Branch, at_s: float, steps: list[Step], starts: list[float], number: int | None = None
    ) -> Branch:
        """A branch that leaves another at a time; it becomes the current one."""
        branch = Branch(
            self._number() if number is None else number, self._free_name(), parent.recipe, list(steps),
            list(starts), parent.number, at_s, habit=parent.habit, voxel_m=parent.voxel_m, plan=parent.plan,
        )  # fmt: skip
        self.branches[branch.number] = branch
        self.current = branch.number
        return branch

    def reserve(self) -> int:
        """A number for a branch that may come."""
        return self._number()

    def _number(self) -> int:
        self.next_number += 1
        return self.next_number - 1

    def _free_name(self) -> str:
        taken = {branch.name for branch in self.branches.values()}
        n = len(self.branches) + 1
        while f"path {n}" in taken:
            n += 1
        return f"path {n}"

    def get(self, number: int | None) -> Branch:
        """A branch; None is the current one. Raises BenchError 404."""
        branch = self.branches.get(self.current if number is None else number)
        if branch is None:
            raise BenchError(404, "There is no such branch.", got=str(number))
        return branch

    def add_row(self, branch: Branch, row: Mapping[str, float]) -> bool:
        """Record a row; False if that time is recorded already."""
        if branch.rows and row["time_s"] <= branch.rows[-1]["time_s"] + 1e-9:
            return False
        kept = {key: float(row[key]) for key in ROW_KEYS}
        branch.rows.append(kept)
        with self._rows(branch.number).open("a", encoding="utf-8") as file:
            file.write(json.dumps(kept) + "\n")
        return True

    def add_moment(self, branch: Branch, number: int, row: Mapping[str, float], step: int) -> None:
        """Record a moment that the worker has stored; thin them when they are many."""
        branch.next_moment = max(branch.next_moment, number + 1)
        branch.moments = [m for m in branch.moments if abs(m.time_s - row["time_s"]) > 1e-9]
        branch.moments.append(Moment(number, {key: float(row[key]) for key in ROW_KEYS}, step))
        branch.moments.sort(key=lambda m: m.time_s)
        if len(branch.moments) > MOST_MOMENTS:
            self._thin(branch)

    def _thin(self, branch: Branch) -> None:
        first_of_step: set[int] = set()
        seen: set[int] = set()
        for moment in branch.moments:
            if moment.step not in seen:
                seen.add(moment.step)
                first_of_step.add(moment.number)
        kept: list[Moment] = []
        drop: list[Moment] = []
        for place, moment in enumerate(branch.moments):
            newest = place >= len(branch.moments) - 2
            needed = moment.number in first_of_step and len(first_of_step) < MOST_MOMENTS // 2
            (kept if newest or needed or place % 2 == 0 else drop).append(moment)
        branch.moments = kept
        for moment in drop:
            shutil.rmtree(self.moment_folder(branch.number, moment.number), ignore_errors=True)

    def remove(self, number: int) -> None:
        """Forget a branch and its files. Raises BenchError 409 where something hangs on it."""
        branch = self.get(number)
        children = [b.name for b in self.branches.values() if b.parent == number]
        for is_so, why in (
            (branch.kept, "It is kept; let it go first."),
            (number == self.current, "It is the one that is growing."),
            (bool(children), f"Other branches leave it: {', '.join(children)}."),
        ):
            if is_so:
                raise BenchError(409, why, got=branch.name)
        del self.branches[number]
        self._rows(number).unlink(missing_ok=True)
        shutil.rmtree(self.folder / "moments" / str(number), ignore_errors=True)

    # -- finding ------------------------------------------------------------------------------------------

    def line(self, branch: Branch) -> Iterator[tuple[Branch, float]]:
        """The branch and its ancestors, each with the time up to which it counts."""
        until = float("inf")
        at: Branch | None = branch
        while at is not None:
            yield at, until
            until = min(until, at.from_s)
            at = self.branches.get(at.parent) if at.parent is not None else None

    def moment_before(self, branch: Branch, time_s: float) -> tuple[Branch, Moment] | None:
        """The last stored moment not after a time, on the branch or where it came from."""
        found: tuple[Branch, Moment] | None = None
        for at, until in self.line(branch):
            for moment in at.moments:
                if moment.time_s <= min(time_s, until) + 1e-6 and (
                    found is None or moment.time_s > found[1].time_s
                ):
                    found = at, moment
        return found

    def rows(self, branch: Branch) -> list[dict[str, float]]:
        """All rows from the seed to the branch's end."""
        parts = []
        for at, until in self.line(branch):
            parts.append([row for row in at.rows if row["time_s"] <= until + 1e-9])
        out: list[dict[str, float]] = []
        for part in reversed(parts):
            out += [row for row in part if not out or row["time_s"] > out[-1]["time_s"]]
        return out

    def moment_folder(self, branch: int, number: int) -> Path:
        """Where a moment lies."""
        return self.folder / "moments" / str(branch) / f"{number:06d}"

    def _rows(self, number: int) -> Path:
        return self.folder / f"rows-{number}.jsonl"

    # -- showing ------------------------------------------------------------------------------------------

    def shown(self) -> shapes.Tree:
        """The whole tree."""
        return shapes.Tree(
            branches=[self.shown_branch(b) for b in self.branches.values()], current=self.current
        )

    def shown_branch(self, branch: Branch) -> shapes.Branch:
        """One branch; its moments are its own."""
        last = branch.rows[-1] if branch.rows else (branch.moments[-1].row if branch.moments else None)
        return shapes.Branch(
            number=branch.number,
            name=branch.name,
            kept=branch.kept,
            parent=branch.parent,
            from_s=branch.from_s,
            end_s=branch.end_s,
            steps=step_views(branch.steps, branch.starts),
            set_steps=None
            if branch.plan is None
            else set_step_views(branch.plan, branch.starts, branch.recipe.pressure_pa),
            moments=[
                shapes.Moment(
                    number=m.number,
                    time_s=m.time_s,
                    radius_um=m.row["radius_tip_m"] * 1e6,
                    thickness_um=m.row["thickness_m"] * 1e6,
                )
                for m in branch.moments
            ],
            last=sizes(last) if last else None,
            habit=branch.habit,
        )

    def series(self, branch: Branch, most: int) -> shapes.Series:
        """Columns from the seed on, thinned evenly to `most` rows with both ends kept."""
        rows = self.rows(branch)
        if len(rows) > most:
            rows = [rows[round(i * (len(rows) - 1) / (most - 1))] for i in range(most)]
        shown = [row_shown(row) for row in rows]
        names = ("time_s", "temperature_c", "sigma_percent", "radius_um", "thickness_um", "mass_ug")
        return shapes.Series(branch=branch.number, columns={n: [r[n] for r in shown] for n in names})

    # -- the disk -----------------------------------------------------------------------------------------

    def record(self, more: Mapping[str, Any]) -> dict[str, Any]:
        """All that `tree.json` holds; `more` is the session's own part."""
        branches = [
            {
                "number": b.number, "name": b.name, "parent": b.parent, "from_s": b.from_s, "kept": b.kept,
                "habit": b.habit, "next_moment": b.next_moment, "voxel_m": b.voxel_m, "starts": b.starts,
                "recipe": b.recipe.model_dump(mode="json", by_alias=True),
                "steps": [s.model_dump(mode="json") for s in b.steps],
                "moments": [{"number": m.number, "row": m.row, "step": m.step} for m in b.moments],
                "set": None if b.plan is None else b.plan.dump(),
            }
            for b in self.branches.values()
        ]  # fmt: skip
        record = {
            "branches": branches,
            "current": self.current,
            "next_number": self.next_number,
            "act": self.act,
        }
        return record | dict(more)

    def write(self, record: Mapping[str, Any]) -> None:
        """Write `tree.json` whole. Raises StoreError."""
        write_json(self.folder / "tree.json", KIND, SCHEMA, record)

    @classmethod
    def open(cls, folder: Path) -> tuple[Tree, dict[str, Any]]:
        """The tree of a session's folder, and the session's own part. Raises StoreError, RecordError."""
        record = read_json(folder / "tree.json", KIND, SCHEMA)
        tree = cls(folder)
        tree.current, tree.next_number, tree.act = record["current"], record["next_number"], record["act"]
        for b in record["branches"]:
            branch = Branch(
                b["number"], b["name"], Recipe.model_validate(b["recipe"]),
                [Step.model_validate(s) for s in b["steps"]], b["starts"], b["parent"], b["from_s"],
                b["kept"],
                b["habit"], next_moment=b["next_moment"], voxel_m=b["voxel_m"],
                plan=SetPlan.of(b["set"]) if b.get("set") else None,
            )  # fmt: skip
            branch.rows = _read_rows(tree._rows(branch.number))
            branch.moments = [
                Moment(m["number"], m["row"], m["step"])
                for m in b["moments"]
                if tree.moment_folder(branch.number, m["number"]).is_dir()
            ]
            tree.branches[branch.number] = branch
        return tree, record


def _read_rows(path: Path) -> list[dict[str, float]]:
    rows: list[dict[str, float]] = []
    if not path.is_file():
        return rows
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
        except ValueError:
            break  # torn by a power cut: the last line only
        if isinstance(row, dict) and all(key in row for key in ROW_KEYS):
            rows.append(row)
    return rows
