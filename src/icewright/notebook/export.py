"""A run as labelled arrays, and a run folder as one zip file."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.notebook.files import StoreError, guard
from icewright.notebook.frames import list_frames
from icewright.notebook.series import COLUMNS, read_series
from icewright.notebook.store import RunFolder

if TYPE_CHECKING:
    import xarray


def open_run(folder: str | Path) -> xarray.DataTree:
    """A run folder as labelled arrays with their units.

    The tree's own variables are the series, 1-D over ``time_s``, each with ``units`` and ``long_name``; its
    attributes are those of ``run.json`` and ``summary.json`` that are plain values. ``tree["frames/0003"]``
    is a frame: ``fill`` and ``frozen_s`` over (column, z), read from the disk when they are used. For the
    series alone as a dataset: ``open_run(folder).to_dataset()``. Raises ``StoreError`` or ``RecordError``
    if it is no run.
    """
    import xarray as xr

    run = RunFolder(Path(folder))
    record = run.read_run()
    series = read_series(run.series)
    time = series.columns["time_s"]
    about = {column.name: {"units": column.unit, "long_name": column.meaning} for column in COLUMNS}
    variables = {
        name: ("time_s", values, about.get(name, {}))
        for name, values in series.columns.items()
        if name != "time_s"
    }
    attributes: dict[str, Any] = {
        key: value
        for key, value in (record | (run.read_summary() or {})).items()
        if isinstance(value, (str, int, float)) and key not in ("kind", "schema")
    }
    if series.dropped:
        attributes["warning"] = series.dropped
    root = xr.Dataset(variables, coords={"time_s": ("time_s", time, about["time_s"])}, attrs=attributes)
    nodes: dict[str, xr.Dataset] = {"/": root}
    for index in list_frames(run.frames):
        frame = xr.open_zarr(run.frames / f"{index:04d}", consolidated=False, chunks=None, zarr_format=3)
        nodes[f"/frames/{index:04d}"] = frame
    return xr.DataTree.from_dict(nodes, name=str(record.get("title", run.path.name)))


def zip_run(folder: str | Path, out: str | Path | None = None, *, checkpoints: bool = False) -> Path:
    """Pack a run folder into one zip beside it (or at ``out``); the large checkpoints only if asked for.

    Raises ``StoreError`` if it is no run folder, if ``out`` exists, or if the disk is full or forbidden.
    """
    run = RunFolder(Path(folder))
    run.read_run()
    path = Path(out) if out is not None else run.path.resolve().with_suffix(".zip")
    if path.exists():
        raise StoreError(f"{path} exists already.", do="another name with --out")
    beside = path.with_name(f".{path.name}.part")
    with guard(path):
        try:
            with zipfile.ZipFile(beside, "w", zipfile.ZIP_DEFLATED) as pack:
                for item in sorted(run.path.rglob("*")):
                    inside = item.relative_to(run.path)
                    if item.is_dir() or item.name == ".lock" or item.name.endswith(".part"):
                        continue
                    if inside.parts[0] == "checkpoint" and not checkpoints:
                        continue
                    pack.write(item, str(Path(run.path.resolve().name) / inside))
            beside.replace(path)
        except OSError:
            beside.unlink(missing_ok=True)
            raise
    return path
