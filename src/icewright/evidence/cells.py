"""One grown crystal of a comparison: what was set, and what was read at which moments.

A cell is an ordinary recipe for the growth engine. It is plain data, so that it travels to a worker process
and names its own result: the key of a cell holds everything set, the content of a user's table, and a
fingerprint of the code that grows and measures, so that a kept result is never taken for one of other code.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from icewright.ground.errors import IcewrightError
from icewright.kinetics.family import Member

MOST_STEPS = 40_000  # a cell that needs more is recorded as not finished
FLUX_BAR = 0.02  # far flux over surface flux may be off 1 by this, else the solver had not settled
# what decides how a cell grows and what is read off it
_CODE = (
    "growth/**/*.py",
    "kinetics/**/*.py",
    "shape/*.py",
    *(f"vapour/{name}.py" for name in ("saturation", "air", "scales", "supersaturation")),
    *(f"vapour/{name}.py" for name in ("fall_speed", "ventilation")),
    *(f"recipe/{name}.py" for name in ("schedule", "step", "seed", "resolution")),
    "ground/constants.py",
    "evidence/cells.py",
    "evidence/falling.py",
)


@dataclass(frozen=True)
class Cell:
    """A crystal to grow, in laboratory units.

    ``humidity``: "water" for a fraction of water saturation, or "sigma" for percent over ice, with its value.
    ``until``: readings, each ("minutes" | "radius_um" | "thickness_um", value), in rising order; size
    readings are given up after ``most_min``. ``diffusivity``: a published formula, with `x 0.5` behind it to
    scale it.
    """

    temperature_c: float
    humidity: tuple[str, float]
    until: tuple[tuple[str, float], ...]
    kinetics: Member
    diffusivity: str = "1976"
    falling: bool = False
    model: str = "round"
    voxel_um: float = 1.0
    seed_radius_um: float = 3.0
    seed_thickness_um: float = 6.0
    most_min: float = 60.0
    pressure_hpa: float = 1013.25

    def key(self) -> str:
        """Short text that stands for this cell under this code."""
        said = json.dumps(asdict(self), sort_keys=True) + fingerprint()
        table = Path(self.kinetics.base)
        if table.suffix == ".toml" and table.is_file():
            said += hashlib.sha256(table.read_bytes()).hexdigest()
        return hashlib.sha256(said.encode()).hexdigest()[:20]

    def recipe_text(self) -> str:
        """The recipe as TOML."""
        kind, value = self.humidity
        humidity = f"water_fraction = {value}" if kind == "water" else f"sigma_percent = {value}"
        name, _, by = self.diffusivity.partition(" x ")
        gas = f'diffusivity = "{name}"\n'
        if by:
            from icewright.vapour import air

            t, p = self.temperature_c + 273.15, self.pressure_hpa * 100
            gas = (
                f"[air.gas]\ndiffusivity_m2_s = {air.diffusivity(t, p, name) * float(by)}\nconductivity_w_mk "
                f"= {air.conductivity(t)}\n"
            )
        steps, before = "", 0.0
        for what, goal in self.until:
            ends = f"{what} = {goal}\nminutes = {self.most_min}"
            if what == "minutes":
                ends, before = f"minutes = {goal - before}", goal
            steps += f"[[step]]\ntemperature_c = {self.temperature_c}\n{humidity}\n{ends}\n"
        return (
            f'kind = "icewright.recipe"\nschema = 1\nmodel = "{self.model}"\n'
            f"[air]\npressure_hpa = {self.pressure_hpa}\n{gas}[seed]\nradius_um = "
            f"{self.seed_radius_um}\nthickness_um = {self.seed_thickness_um}\n[resolution]\nvoxel_um = "
            f"{self.voxel_um}\n{steps}"
        )


@dataclass(frozen=True)
class Grown:
    """What came of a cell: a reading for each moment of ``until`` that was reached, or why there is none.

    A reading holds minutes, radius_um, thickness_um, mass_ug, aspect_ratio, solidity, hollow_share, habit,
    tip_velocity_um_s, c_velocity_um_s (of one end), surface_sigma, flux_ratio, and for a falling crystal
    ventilation, fall_speed_m_s and fallen_m.
    """

    cell: Cell
    readings: tuple[Mapping[str, Any], ...]
    failed: str = ""

    def at(self, index: int = -1) -> Mapping[str, Any] | None:
        """The reading of that moment; None where it was not reached or the solver had not settled by then."""
        wanted = index % len(self.cell.until)
        if wanted >= len(self.readings):
            return None
        settled = all(abs(r["flux_ratio"] - 1) <= FLUX_BAR for r in self.readings[: wanted + 1])
        return self.readings[wanted] if settled and self.readings[wanted]["reached"] else None


@cache
def fingerprint() -> str:
    """Hash over every source file that decides what a cell gives."""
    root = Path(__file__).parents[1]
    files = [p for pattern in _CODE for p in sorted(root.glob(pattern))]
    digest = hashlib.sha256()
    for path in files:
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def grow(cell: Cell) -> dict[str, Any]:
    """Grow one cell; never raises for what the model refuses, but says so: {"readings": [...], "failed":
    ""}.
    """
    from icewright.evidence.falling import FallingSimulation
    from icewright.growth.run import Simulation
    from icewright.kinetics.model import check_temperature
    from icewright.recipe.files import loads

    rows: list[dict[str, Any]] = []
    try:
        table = cell.kinetics.build()
        recipe = loads(cell.recipe_text())
        for each in recipe.steps:
            check_temperature(table, each.temperature_at(0.0))
        run: Any = (FallingSimulation if cell.falling else Simulation)(recipe, table)
        step, last = 0, (0.0, 0.0, 0.0)
        while not run.ended:
            run.advance()
            if run.grower.steps > MOST_STEPS:
                return {"readings": rows, "failed": f"not finished in {MOST_STEPS} time steps"}
            if run.step_index != step or run.ended:
                rows.append(_reading(run, cell, step, last))
                last = (run.time_s, rows[-1]["radius_um"], rows[-1]["thickness_um"])
                step = run.step_index
    except IcewrightError as error:
        return {"readings": rows, "failed": str(error).replace("\n", "; ")}
    except Exception as error:  # a fault of ours: it must not stop the other cells, and is said on the page
        return {"readings": rows, "failed": f"fault: {type(error).__name__}: {error}"}
    return {"readings": rows, "failed": ""}


def _reading(run: Any, cell: Cell, step: int, last: tuple[float, float, float]) -> dict[str, Any]:
    from icewright.shape import habit, sizes

    row, read = run.reading(), sizes.measure(run.solid())
    radius, thickness, time = row["radius_tip_m"] * 1e6, row["thickness_m"] * 1e6, row["time_s"]
    what, goal = cell.until[step]
    got = {"minutes": time / 60, "radius_um": radius, "thickness_um": thickness}[what]
    since = time - last[0]
    made = {
        "minutes": time / 60,
        "reached": got >= goal * (1 - 1e-6),
        "radius_um": radius,
        "thickness_um": thickness,
        "mass_ug": row["mass_kg"] * 1e9,
        "aspect_ratio": row["aspect_ratio"],
        "solidity": read.solidity,
        "hollow_share": read.hollow_share,
        "habit": habit.word(read),
        "tip_velocity_um_s": (radius - last[1]) / since if last[0] > 0 and since > 0 else None,
        "c_velocity_um_s": (thickness - last[2]) / 2 / since if last[0] > 0 and since > 0 else None,
        "surface_sigma": run.grower.surface.mean_surface(),
        "flux_ratio": row["field_flux_ratio"],
    }
    made |= {name: row[name] for name in ("ventilation", "fall_speed_m_s", "fallen_m") if name in row}
    return {name: float(f"{v:.6g}") if isinstance(v, float) else v for name, v in made.items()}


class Shelf:
    """Grown cells kept in one file of JSON lines; what a crash tore off at its end is dropped, nothing else.

    Without a path they are kept in memory only.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        self._held: dict[str, dict[str, Any]] = {}
        self.grown_now = 0
        if path is not None and path.is_file():
            for line in path.read_text(encoding="utf-8").splitlines():
                try:
                    data = json.loads(line)
                    self._held[data["key"]] = data
                except (ValueError, KeyError, TypeError):
                    continue

    def get(self, cell: Cell) -> Grown | None:
        """The kept result of a cell, if there is one."""
        data = self._held.get(cell.key())
        return None if data is None else Grown(cell, tuple(data["readings"]), data["failed"])

    def put(self, cell: Cell, result: Mapping[str, Any]) -> None:
        """Keep a result, on disk before this returns."""
        # a fault or a dead worker is kept in memory only: it is tried again next time
        lasting = not str(result["failed"]).startswith(("fault:", "worker:"))
        data = {
            "kind": "icewright.evidence.cell",
            "schema": 1,
            "key": cell.key(),
            **result,
            "cell": asdict(cell),
        }
        self._held[data["key"]] = data
        self.grown_now += 1
        if self.path is not None and lasting:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            torn = (
                self.path.is_file()
                and not self.path.read_bytes().endswith(b"\n")
                and self.path.stat().st_size
            )
            with self.path.open("a", encoding="utf-8") as file:
                file.write(("\n" if torn else "") + json.dumps(data) + "\n")

    def failures(self) -> list[str]:
        """What became of cells without a result, in words."""
        said = []
        for data in self._held.values():
            if data["failed"]:
                c = data["cell"]
                member = Member.from_dict(c["kinetics"]).name
                said.append(
                    f"{c['temperature_c']:g} degC, {c['humidity'][0]} {c['humidity'][1]:g}, {member}: "
                    f"{data['failed']}"
                )
        return sorted(said)

    def tidy(self, used: Iterable[str]) -> None:
        """Drop what was grown by other code or for other settings; the file is replaced whole."""
        keep = set(used)
        self._held = {key: data for key, data in self._held.items() if key in keep}
        if self.path is not None and self.path.is_file():
            new = self.path.with_suffix(".new")
            new.write_text("".join(json.dumps(d) + "\n" for d in self._held.values()), encoding="utf-8")
            new.replace(self.path)


Landed = Callable[[int, dict[str, Any]], None]
Spread = Callable[[Callable[[Cell], dict[str, Any]], list[Cell], Landed], None]


def one_by_one(work: Callable[[Cell], dict[str, Any]], cells: list[Cell], landed: Landed) -> None:
    """The plainest way to grow cells: here, in order; ``landed`` gets each number and result."""
    for i, cell in enumerate(cells):
        landed(i, work(cell))
