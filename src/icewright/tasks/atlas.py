"""Grow an atlas: a sweep of crystals in one folder, with its data set and its pictures.

The folder holds ``sweep.toml`` (every default written out), ``kinetics/`` (the user's own tables), ``cells/``
(unless they lie in a store elsewhere), ``atlas.json`` (version, machine, how it stands, failures with their
reasons, what happened), ``atlas.zarr`` and ``pictures/``.
"""

from __future__ import annotations

import contextlib
import datetime
import itertools
import math
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.errors import IcewrightError
from icewright.notebook.files import StoreError, guard, read_json, write_atomic, write_json
from icewright.notebook.store import RunFolder, machine
from icewright.sweep import run as sweeping
from icewright.sweep.plan import Sweep, dumps, loads, read
from icewright.tasks.stopping import StopFlag

if TYPE_CHECKING:
    import xarray

    from icewright.shape.solid import Solid

KIND = "icewright.atlas"
SCHEMA = 1
_MOST_FAILURES = 200  # named in atlas.json; every one is in its own cell


@dataclass(frozen=True)
class AtlasSummary:
    """What an atlas came to: counts of cells by state, seconds, processor seconds, pictures, events in words.

    ``complete`` is False if it was stopped; the same command then goes on.
    """

    title: str
    folder: Path
    cells: int
    done: int
    cut: int
    outside: int
    failed: int
    kept: int
    above_water: int
    complete: bool
    ended: str
    wall_s: float
    cpu_s: float
    pictures: list[Path] = field(default_factory=list)
    failures: list[dict[str, str]] = field(default_factory=list)
    events: list[str] = field(default_factory=list)
    from_memory: list[str] = field(default_factory=list)
    sources: list[str] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; paths of pictures count from the folder."""
        plain = {key: getattr(self, key) for key in self.__dataclass_fields__ if key != "folder"}
        plain["pictures"] = [path.relative_to(self.folder).as_posix() for path in self.pictures]
        return plain


def atlas(
    sweep: str | Path | Sweep | None,
    out_dir: str | Path,
    *,
    workers: int | None = None,
    threads: int | None = None,
    cluster: str | Executor | None = None,
    cells: str | None = None,
    retry_failed: bool = False,
    pictures: bool = True,
    on_progress: Callable[[sweeping.Progress], None] | None = None,
    on_event: Callable[[str], None] | None = None,
    patience_s: float = 600.0,
) -> AtlasSummary:
    """Grow every cell of a sweep (its path, or itself) into ``out_dir``; finished cells are not grown again.

    ``sweep`` None goes on with the one in the folder. Workers are spawned processes of this machine, as many
    as it has cores, each with its share of the cores as threads; ``cluster`` is instead the address of a
    dask.distributed scheduler (or any executor). ``cells`` is where cells lie, if not in the folder: a path
    or URL that every worker reaches. The first Ctrl-C lets running cells end, the second one does not.

    Raises ``SweepPlanError``; ``StoreError`` if the folder holds something else, or the disk is full;
    ``HaltError`` if a worker cannot write its cell; ``SweepError`` if nobody can work. What was finished
    stays in each case.
    """
    folder = Path(out_dir)
    about = _about(folder)
    plan = _plan(sweep, folder, about)
    where = cells or about.get("cells") or str(folder / "cells")
    held = RunFolder(folder)
    with guard(folder):
        folder.mkdir(parents=True, exist_ok=True)
    held.lock()
    try:
        plan = _write_plan(plan, folder)
        began = time.time()
        first = {
            "title": plan.title,
            "version": _version(),
            "machine": machine(),
            "cells": where if where != str(folder / "cells") else "",
            "started": about.get("started", _now()),
        }
        write_json(folder / "atlas.json", KIND, SCHEMA, first | {"state": "growing", "status": "growing"})
        try:
            with StopFlag() as stop:
                grown = sweeping.run(
                    plan,
                    where,
                    workers=workers,
                    cluster=cluster,
                    threads=threads,
                    retry_failed=retry_failed,
                    on_progress=on_progress,
                    on_event=on_event,
                    should_stop=lambda: stop.asked,
                    patience_s=patience_s,
                )
        except BaseException as error:
            with contextlib.suppress(IcewrightError):
                status = {"state": "stopped", "status": f"stopped: {str(error) or type(error).__name__}"}
                write_json(folder / "atlas.json", KIND, SCHEMA, first | status)
            raise
        summary = _summary(plan, folder, grown, time.time() - began)
        _write_data(plan, folder, grown, summary)
        _record(folder, first, summary)
        if pictures and any(record is not None for record in grown.records):
            if on_progress is not None:
                on_progress(_drawing(summary))
            from dataclasses import replace

            try:
                summary = replace(summary, pictures=draw(folder))
            except Exception as error:  # hours of cells must not end in a traceback over their pictures
                said = f"the pictures could not all be drawn ({type(error).__name__}: {error})"
                summary = replace(summary, events=[*summary.events, said])
                if on_event is not None:
                    on_event(said)
            _record(folder, first, summary)
        return summary
    finally:
        held.unlock()


def open_atlas(folder: str | Path) -> xarray.Dataset:
    """The data set of an atlas folder; see ``icewright.sweep.dataset``. Raises ``StoreError``."""
    from icewright.sweep.dataset import read as read_data

    store = Path(folder) / "atlas.zarr"
    if not store.is_dir():
        raise StoreError(f"There is no atlas in {folder}.", do="icewright atlas SWEEP.toml --out DIR")
    return read_data(store)


def export(folder: str | Path, out: str | Path) -> str:
    """Write an atlas folder's data set as NetCDF to ``out``, and say which NetCDF. Raises ``StoreError``."""
    from icewright.sweep.dataset import write_netcdf

    return write_netcdf(open_atlas(folder), Path(out))


class Crystals:
    """The computed crystals of an atlas folder, by place along its axes; None where there is none."""

    def __init__(self, folder: str | Path) -> None:
        from icewright.sweep.store import Store

        path = Path(folder)
        self._sweep = read(path / "sweep.toml")
        self._store = Store(str(_about(path).get("cells") or path / "cells"))
        self._names = {cell.place: self._sweep.name_of(cell) for cell in self._sweep.cells()}

    def __call__(self, place: tuple[int, ...]) -> Solid | None:
        """The crystal at a place; None if its cell grew none or is damaged."""
        from icewright.sweep.cells import read_cell

        try:
            return read_cell(self._store, self._names[place], crystal=True)[1]
        except IcewrightError:
            return None


def draw(folder: str | Path) -> list[Path]:
    """Draw every picture of an atlas folder anew, from its data set and its cells."""
    from icewright.pictures import atlas_chart, atlas_maps

    path = Path(folder)
    data = open_atlas(path).load()
    out = path / "pictures"
    with guard(out):
        out.mkdir(exist_ok=True)
    if "cell" in data.dims:
        return []  # a list has no two axes to draw along
    crystals = Crystals(path)
    tables = read(path / "sweep.toml").tables
    drawn: list[Path] = []
    others = [dim for dim in data.dims if dim not in data["sigma"].dims[-2:]]
    shape = [range(data.sizes[dim]) for dim in others]
    for place in itertools.product(*shape):
        page = data.isel(dict(zip(others, place, strict=True)))
        slug = atlas_chart.slug(page, [str(dim) for dim in others])
        words = caption(page, tables)

        def at(iy: int, ix: int, first: tuple[int, ...] = place) -> Solid | None:
            return crystals((*first, iy, ix))

        seen = atlas_chart.tiles(page, at)
        drawn += [
            atlas_chart.chart_png(page, seen, out / f"diagram{slug}.png", words),
            atlas_chart.chart_png(page, seen, out / f"diagram-one-scale{slug}.png", words, one_scale=True),
            atlas_maps.maps_png(page, out / f"maps{slug}.png", words),
        ]
    if "kinetics" in data.dims:
        for a, b in itertools.combinations(range(data.sizes["kinetics"]), 2):
            rest = [str(dim) for dim in others if dim != "kinetics"]
            for place in itertools.product(*[range(data.sizes[dim]) for dim in rest]):
                page = data.isel(dict(zip(rest, place, strict=True)))
                one, two = page.isel(kinetics=a), page.isel(kinetics=b)
                slug = atlas_chart.slug(one, rest)
                name = f"difference-{_safe(one)}-{_safe(two)}{slug}.png"
                drawn.append(
                    atlas_maps.difference_png(one, two, out / name, caption(one, tables, table=False))
                )
    rates = atlas_maps.rates_png(data, out / "rates.png", caption(data, tables, table=False))
    return drawn + ([rates] if rates is not None else [])


def caption(page: Any, tables: Mapping[str, Any], *, table: bool = True) -> str:
    """Conditions and sources of a picture in words."""
    said = [f"Computed by Icewright {_version()}"]
    said += [{"round": "axisymmetric model", "3d": "3D model"}.get(str(_one(page, "model")), "")]
    name = _one(page, "kinetics")
    if table and name is not None:
        said.append(f"kinetics {name}")
    pressure, size, held = _one(page, "pressure_hpa"), _one(page, "size_um"), _one(page, "held")
    said += [f"{float(pressure):g} hPa"] if pressure is not None else []
    said += [f"grown to {float(size):g} µm (half the greatest extent)"] if size is not None else []
    said += [f"held: {held}"] if held is not None else []
    text = ", ".join(part for part in said if part) + ". "
    text += "Saturation over ice: IAPWS R14-08(2011); over water: Q. J. R. Meteorol. Soc. 131, 1539, 2005. "
    if bool((page["from_memory"] > 0).any()):
        text += "Hangs on kinetics from memory, which nobody here has confirmed. "
    if table and name is not None and str(name) in tables:
        from icewright.ground.sources import source

        cited = [source(key).citation.split(": ")[0] for key in tables[str(name)].sources()]
        text += "Kinetics: " + "; ".join(dict.fromkeys(c for c in cited if c != "Icewright")) + "."
    return text.strip()


def _one(page: Any, key: str) -> Any:
    if key in page.attrs:
        return page.attrs[key]
    if key in page.coords and page.coords[key].ndim == 0:
        return page.coords[key].item()
    return None


def _safe(page: Any) -> str:
    return "".join(c if c.isalnum() or c in "-." else "-" for c in str(_one(page, "kinetics")))


def _about(folder: Path) -> dict[str, Any]:
    if (folder / "atlas.json").is_file():
        return read_json(folder / "atlas.json", KIND, SCHEMA)
    if folder.is_dir() and any(item.name != ".lock" for item in folder.iterdir()):
        raise StoreError(
            f"{folder} holds something else than an atlas.",
            wanted="a new folder, or that of an atlas to go on with",
            do=f"icewright atlas SWEEP.toml --out {folder}-atlas",
        )
    return {}


def _plan(sweep: str | Path | Sweep | None, folder: Path, about: Mapping[str, Any]) -> Sweep:
    if isinstance(sweep, Sweep):
        return sweep
    if sweep is not None:
        return read(sweep)
    if not about or not (folder / "sweep.toml").is_file():
        raise StoreError(f"There is no atlas in {folder}.", do=f"icewright atlas SWEEP.toml --out {folder}")
    return read(folder / "sweep.toml")


def _write_plan(plan: Sweep, folder: Path) -> Sweep:
    """Write the resolved sweep beside copies of its own tables, so that the folder stands alone."""
    from dataclasses import replace

    paths = {}
    for label, path in plan.paths.items():
        content = Path(path).read_bytes()
        safe = "".join(c if c.isalnum() or c in "-_." else "-" for c in label)
        copy = folder / "kinetics" / f"{safe}.toml"
        with guard(copy):
            copy.parent.mkdir(exist_ok=True)
        write_atomic(copy, content)
        paths[label] = f"kinetics/{safe}.toml"
    text = dumps(replace(plan, paths=paths))
    write_atomic(folder / "sweep.toml", text.encode())
    return loads(text, folder=folder)


def _summary(plan: Sweep, folder: Path, grown: sweeping.Grown, wall_s: float) -> AtlasSummary:
    records = [record for record in grown.records if record is not None]
    complete = len(records) == len(plan) and not grown.stopped
    failures = [
        {"cell": str(record["name"]), "reason": str(record["reason"])}
        for record in records
        if record["state"] == "failed"
    ]
    counts = {state: grown.count(state) for state in ("done", "cut", "outside", "failed")}
    said = [f"{counts['done'] + counts['cut']} of {len(plan)} cells grown"]
    said += [f"{counts['cut']} of them cut by the wall limit"] if counts["cut"] else []
    said += [f"{counts['outside']} outside the table's range"] if counts["outside"] else []
    said += [f"{counts['failed']} failed"] if counts["failed"] else []
    left = len(plan) - len(records)
    said += [f"{left} left; icewright atlas --resume {folder} goes on"] if left else []
    return AtlasSummary(
        title=plan.title,
        folder=folder,
        cells=len(plan),
        done=counts["done"],
        cut=counts["cut"],
        outside=counts["outside"],
        failed=counts["failed"],
        kept=grown.kept,
        above_water=sum(float(r["sigma"]) > float(r["sigma_water"]) + 1e-6 for r in records),
        complete=complete,
        ended=", ".join(said),
        wall_s=wall_s,
        cpu_s=math.fsum(float(record["cpu_s"]) for record in records),
        failures=failures,
        events=grown.events,
        from_memory=_from_memory(plan, records),
        sources=list(dict.fromkeys(key for table in plan.tables.values() for key in table.sources())),
    )


def _from_memory(plan: Sweep, records: list[dict[str, Any]]) -> list[str]:
    said = []
    for name in plan.tables:
        met = [r for r in records if r["from_memory"] and r["values"]["kinetics"] == name]
        if met:
            of = sum(r["values"]["kinetics"] == name for r in records)
            said.append(f"attachment coefficients {name!r} in {len(met)} of {of} cells")
    return said


def _write_data(plan: Sweep, folder: Path, grown: sweeping.Grown, summary: AtlasSummary) -> None:
    from icewright.sweep.dataset import dataset, write

    attributes = {"version": _version(), "ended": summary.ended, "sources": " ".join(summary.sources)}
    write(dataset(plan, grown.records, **attributes), folder / "atlas.zarr")


def _record(folder: Path, first: Mapping[str, Any], summary: AtlasSummary) -> None:
    plain = summary.to_dict()
    plain["failures"] = plain["failures"][:_MOST_FAILURES]
    plain["counts"] = {key: plain.pop(key) for key in ("done", "cut", "outside", "failed", "kept")}
    plain["cell_count"] = plain.pop("cells")
    state = "ended" if summary.complete else "stopped"
    write_json(
        folder / "atlas.json",
        KIND,
        SCHEMA,
        plain | dict(first) | {"state": state, "status": summary.ended, "finished": _now()},
    )


def _drawing(summary: AtlasSummary) -> sweeping.Progress:
    done = summary.done + summary.cut + summary.outside
    return sweeping.Progress(
        summary.cells, done, summary.failed, summary.kept, 0, summary.wall_s, 0.0, "drawing pictures"
    )


def _version() -> str:
    from icewright import __version__

    return __version__


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
