"""One cell of a sweep: a recipe grown by the ordinary engine, kept as a small record and its final crystal.

``cell.json`` (kind ``icewright.cell``) holds the record, its checksum and those of the other files;
``crystal.npz`` the final solid. Numbers are SI. A record's ``state``:

* ``done``: the recipe came to its end;
* ``cut``: the wall limit came first; sizes are those reached;
* ``outside``: the kinetics table says nothing about this temperature; nothing was grown;
* ``failed``: the engine failed, or the worker died; ``reason`` says how.
"""

from __future__ import annotations

import hashlib
import io
import json
import time
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from icewright.ground.errors import IcewrightError, KineticsError
from icewright.ground.records import check_kind, stamp
from icewright.notebook.files import StoreError
from icewright.sweep.shelf import checksum, plain
from icewright.sweep.store import LAST, Store
from icewright.sweep.workers import HaltError

if TYPE_CHECKING:
    from icewright.kinetics.model import Kinetics
    from icewright.recipe.model import Recipe
    from icewright.shape.solid import Solid

KIND = "icewright.cell"
SCHEMA = 1
CRYSTAL = "crystal.npz"
HISTORY_GROWTH = 0.08  # a row of the history for each 8 % of growth in size
NUMBERS = (
    "time_s",
    "radius_tip_m",
    "radius_facet_m",
    "thickness_m",
    "mass_kg",
    "aspect_ratio",
    "solidity",
    "radial_rate_m_s",
    "axial_rate_m_s",
    "mass_balance_error",
    "field_flux_ratio",
)


@dataclass(frozen=True)
class Task:
    """All that a worker needs for one cell; ``kinetics`` is None for a built-in table, loaded there."""

    name: str
    recipe: str
    kinetics: Kinetics | None
    kinetics_name: str
    values: dict[str, float | str]
    wall_s: float
    place: str


def grow_cell(task: Task) -> dict[str, Any]:
    """Grow one cell, write it into its store and give its record back; a finished one is only read.

    What the engine raises goes to the caller, who records it. Raises ``HaltError`` if the cell cannot be
    written, because then no other could be either.
    """
    from icewright.kinetics import load
    from icewright.kinetics.model import check_temperature
    from icewright.recipe.files import loads

    recipe = loads(task.recipe)
    kinetics = task.kinetics if task.kinetics is not None else load(task.kinetics_name)
    store = Store(task.place)
    finished = _finished(store, task)
    if finished is not None:
        return finished
    files: dict[str, bytes] = {}
    try:
        for step in recipe.steps:
            for temperature_k in step.temperature_k:
                check_temperature(kinetics, temperature_k)
    except KineticsError as error:
        reason = f"the kinetics {kinetics.name!r} say nothing about this temperature ({error.got})"
        record = basis(task, recipe) | {"state": "outside", "reason": reason}
    else:
        _write(lambda: store.begin(task.name))
        try:
            record, solid = _grow(task, recipe, kinetics)
        except Exception:
            store.give_up(task.name)
            raise
        files[CRYSTAL] = pack_solid(solid)
    _write(lambda: store.put(task.name, files | {LAST: dumps(record, files)}))
    return record


def _finished(store: Store, task: Task) -> dict[str, Any] | None:
    """The cell's record if it is finished already, else None.

    A cluster sends a cell again whose worker died after writing it, before anybody had fetched the answer.
    """
    try:
        record, _ = read_cell(store, task.name)
    except IcewrightError:
        return None
    kept = record["state"] in ("done", "outside")
    kept = kept or (record["state"] == "cut" and float(record["wall_limit_s"]) >= task.wall_s)
    return record if kept else None


def basis(task: Task, recipe: Recipe) -> dict[str, Any]:
    """What every record holds, whatever becomes of the cell: conditions, footing, and empty numbers."""
    from icewright import __version__
    from icewright.growth.kernels import cache_key
    from icewright.vapour.saturation import ice_pressure
    from icewright.vapour.scales import scales

    step = recipe.steps[0]
    temperature_k, sigma = step.temperature_at(0.0), step.sigma_at(0.0)
    s = scales(temperature_k, recipe.pressure_pa, diffusivity=recipe.diffusivity, gas=recipe.gas)
    from icewright.ground.constants import RV

    return {
        "name": task.name,
        "values": dict(task.values),
        "temperature_k": temperature_k,
        "sigma": sigma,
        "sigma_water": float(s.sigma_water),
        "excess_kg_m3": sigma * float(ice_pressure(temperature_k)) / (RV * temperature_k),
        "pressure_pa": recipe.pressure_pa,
        "version": __version__,
        "engine": cache_key(),
        "wall_limit_s": task.wall_s,
        "habit": "",
        "reason": "",
        "ended": "",
        "from_memory": False,
        "warnings": [],
        "history": {},
        "wall_s": 0.0,
        "cpu_s": 0.0,
        "steps": 0,
        "cells": 0,
        "voxel_m": None,
    } | dict.fromkeys(NUMBERS)


def _grow(task: Task, recipe: Recipe, kinetics: Kinetics) -> tuple[dict[str, Any], Solid]:
    from icewright.growth.run import Simulation
    from icewright.shape.habit import word
    from icewright.shape.sizes import measure

    began, cpu = time.perf_counter(), time.process_time()
    simulation = Simulation(recipe, kinetics)
    history = _History()
    history.take(simulation.glance())
    steps = 0
    cut = False
    while simulation.ended is None and not cut:
        simulation.advance()
        steps += 1
        history.take(simulation.glance())
        cut = time.perf_counter() - began > task.wall_s
    solid = simulation.solid()
    reading = simulation.reading()
    history.take(reading, last=True)
    cut = simulation.ended is None
    record = basis(task, recipe) | {
        "state": "cut" if cut else "done",
        "reason": f"the wall limit of {task.wall_s:g} s came first" if cut else "",
        "ended": simulation.ended or "",
        "habit": word(measure(solid)),
        "from_memory": bool(kinetics.from_memory(recipe.steps[0].temperature_at(0.0))),
        "warnings": list(simulation.warnings),
        "history": history.columns(),
        "steps": steps,
        "cells": int(reading["cells"]),
        "voxel_m": simulation.dx_m,
    }
    record |= {key: float(reading[key]) for key in NUMBERS if key in reading}
    faces = 2.0 if recipe.held.way == "free" else 1.0
    record |= history.rates(faces)
    record |= {"wall_s": time.perf_counter() - began, "cpu_s": time.process_time() - cpu}
    return record, solid


class _History:
    """Sizes over time, thinned by growth; the seed and the last moment are always there."""

    _KEYS = ("time_s", "radius_tip_m", "thickness_m", "mass_kg")

    def __init__(self) -> None:
        self._rows: list[tuple[float, ...]] = []
        self._due = 0.0

    def take(self, glance: Mapping[str, float], *, last: bool = False) -> None:
        size = glance["radius_tip_m"] + 0.5 * glance["thickness_m"]
        if size < self._due and not last:
            return
        row = tuple(float(glance[key]) for key in self._KEYS)
        if last and self._rows and self._rows[-1][0] == row[0]:
            return
        self._rows.append(row)
        self._due = size * (1.0 + HISTORY_GROWTH)

    def columns(self) -> dict[str, list[float]]:
        return {key: [row[i] for row in self._rows] for i, key in enumerate(self._KEYS)}

    def rates(self, faces: float) -> dict[str, float]:
        """Mean speeds, m/s, from the seed to the end: of the tips, and of one basal face."""
        first, last = self._rows[0], self._rows[-1]
        time_s = last[0] - first[0]
        if not time_s > 0:
            return {"radial_rate_m_s": 0.0, "axial_rate_m_s": 0.0}
        return {
            "radial_rate_m_s": (last[1] - first[1]) / time_s,
            "axial_rate_m_s": (last[2] - first[2]) / faces / time_s,
        }


def dumps(record: Mapping[str, Any], files: Mapping[str, bytes]) -> bytes:
    """``cell.json`` of a record, with the checksums of the record and of the cell's other files."""
    kept = plain(dict(record))
    sums = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    body = {"sha256": checksum([kept, sums]), "files": sums, "record": kept}
    return (json.dumps(stamp(KIND, SCHEMA, body), ensure_ascii=False, allow_nan=False) + "\n").encode()


def loads(content: bytes) -> tuple[dict[str, Any], dict[str, str]]:
    """The record in ``cell.json`` and the checksums of the other files.

    Raises ``StoreError`` if a byte of it has changed, ``RecordError`` if it is newer than this Icewright.
    """
    try:
        data = json.loads(content)
        if not isinstance(data, dict) or data.get("kind") != KIND:
            raise ValueError("it is no record of a cell")
        check_kind(data, KIND, SCHEMA)
        record, sums = data["record"], data["files"]
        if checksum([record, sums]) != data["sha256"]:
            raise ValueError("its content and its checksum differ")
    except (ValueError, KeyError) as error:
        raise StoreError("cell.json is damaged.", got=str(error)) from error
    return record, sums


def read_cell(store: Store, name: str, *, crystal: bool = False) -> tuple[dict[str, Any], Solid | None]:
    """A cell's record, and its crystal if asked for and there is one, every checksum looked at.

    Raises ``StoreError`` if it is not there or damaged.
    """
    content = store.get(name, LAST)
    if content is None:
        raise StoreError(f"The cell {name} was never finished.", got="no cell.json")
    record, sums = loads(content)
    solid = None
    for file, wanted in sums.items():
        if not (
            crystal or store.local
        ):  # asking an object store for every crystal would cost more than it tells
            continue
        body = store.get(name, file)
        if body is None or hashlib.sha256(body).hexdigest() != wanted:
            raise StoreError(
                f"The cell {name} is damaged.",
                got=f"{file} " + ("is gone" if body is None else "has changed"),
            )
        if crystal and file == CRYSTAL:
            solid = unpack_solid(body)
    return record, solid


def pack_solid(solid: Solid) -> bytes:
    """A solid as npz, without the moments at which its cells froze; fills to 1/255, ice and vapour exact."""
    import numpy as np

    fill = np.clip(np.rint(solid.fill * 255.0), 0, 255)
    part = (solid.fill > 0) & ~solid.ice
    # A boundary cell must stay one: neither ice nor vapour by rounding.
    fill = np.where(part, np.clip(fill, 1, 254), fill).astype(np.uint8)
    out = io.BytesIO()
    np.savez_compressed(
        out,
        kind=np.array("icewright.crystal"),
        schema=np.array(1),
        symmetry=np.array(solid.symmetry),
        q=solid.q,
        r=solid.r,
        spacing_m=np.array(solid.spacing_m),
        z_edges_m=solid.z_edges_m,
        fill=fill,
        mirrored=np.array(solid.mirrored),
    )
    return out.getvalue()


def unpack_solid(content: bytes) -> Solid:
    """The solid that :func:`pack_solid` wrote; its ``frozen_s`` is 0 in ice. Raises ``StoreError``."""
    import numpy as np

    from icewright.shape.solid import Solid

    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as held:
            check_kind({"kind": str(held["kind"]), "schema": int(held["schema"])}, "icewright.crystal", 1)
            fill = (held["fill"].astype(np.float32) / np.float32(255.0)).astype(np.float32)
            return Solid(
                str(held["symmetry"]),
                held["q"],
                held["r"],
                float(held["spacing_m"]),
                held["z_edges_m"],
                fill,
                np.where(fill >= 1.0, np.float32(0.0), np.float32(np.nan)),
                bool(held["mirrored"]),
            )
    except (OSError, ValueError, KeyError, zipfile.BadZipFile) as error:
        raise StoreError("A crystal's file is damaged.", got=str(error)) from error


def _write(action: Any) -> None:
    try:
        action()
    except IcewrightError as error:
        raise HaltError(error.message, got=error.got, wanted=error.wanted, do=error.do) from error
