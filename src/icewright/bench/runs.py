"""The runs in the chosen folder: what they are, their curves, their crystals, everything they export to."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from icewright.bench import shapes
from icewright.bench.chamber import Found, SetPlan, cautions, found
from icewright.bench.security import BenchError, inside, plain_name
from icewright.bench.words import row_shown
from icewright.ground.errors import IcewrightError
from icewright.notebook.frames import list_frames, read_frame
from icewright.notebook.series import read_series
from icewright.notebook.store import RunFolder
from icewright.recipe import files
from icewright.recipe.limits import RecipeError
from icewright.recipe.model import Recipe

_DEPTH = 3  # folders below the chosen one
_MOST = 2000
THUMBNAIL = 256
EXPORTS = {
    "zip": "application/zip",
    "csv": "text/csv",
    "netcdf": "application/x-netcdf",
    "stl": "model/stl",
    "glb": "model/gltf-binary",
    "recipe": "application/toml",
    "sources": "text/plain; charset=utf-8",
}


def _walk(folder: Path, depth: int) -> Iterator[Path]:
    try:
        entries = sorted(p for p in folder.iterdir() if not p.name.startswith(".") and not p.is_symlink())
    except OSError:
        return
    for path in entries:
        if path.is_dir():
            if (path / "run.json").is_file():
                yield path
            elif depth > 1:
                yield from _walk(path, depth - 1)


def find(folder: Path, name: str) -> RunFolder:
    """The run of that name (`~` for a slash). Raises BenchError 404, or 400, 403 for names that are none."""
    path = inside(folder, *(plain_name(part) for part in name.split("~")))
    if not (path / "run.json").is_file():
        raise BenchError(404, "There is no such run.", got=name[:100])
    return RunFolder(path)


def _name(folder: Path, path: Path) -> str:
    return "~".join(path.relative_to(folder).parts)


def listed(folder: Path) -> list[shapes.Run]:
    """Every run below the folder, newest first; a damaged one is named as such."""
    out = []
    for path in _walk(folder, _DEPTH):
        name = _name(folder, path)
        try:
            for part in name.split("~"):
                plain_name(part)
        except BenchError:
            continue  # its name cannot be asked for
        out.append(brief(folder, RunFolder(path)))
        if len(out) >= _MOST:
            break
    return sorted(out, key=lambda r: -r.changed)


def brief(folder: Path, run: RunFolder) -> shapes.Run:
    """One line."""
    name = _name(folder, run.path)
    changed = max((p.stat().st_mtime for p in (run.run, run.series, run.summary) if p.is_file()), default=0.0)
    try:
        about, summary = run.read_run(), run.read_summary() or {}
    except IcewrightError as error:
        return shapes.Run(name=name, title=name, state="damaged", status=error.message or str(error),
                          changed=changed, habit="", radius_um=None, thickness_um=None, time_min=None,
                          thumbnail=False)  # fmt: skip
    return shapes.Run(
        name=name,
        title=str(about.get("title") or name),
        state=str(about.get("state", "")),
        status=str(about.get("status", "")),
        changed=changed,
        habit=str(summary.get("habit", "")),
        radius_um=summary.get("radius_um"),
        thickness_um=summary.get("thickness_um"),
        time_min=summary.get("time_min"),
        thumbnail=bool(list_frames(run.frames)) or (run.pictures / "plan.png").is_file(),
    )


def view(folder: Path, run: RunFolder) -> shapes.RunView:
    """All that it holds, in words and small tables."""
    from icewright.tasks.look import look

    held = look(run.path)
    frames = []
    for number in list_frames(run.frames):
        attributes = _attributes(run, number)
        frames.append(shapes.RunFrame(number=number, time_s=float(attributes.get("time_s", 0.0))))
    pictures = sorted(p.name for p in run.pictures.glob("*.png")) if run.pictures.is_dir() else []
    plain = json.loads(
        json.dumps({k: held[k] for k in ("words", "tables")}, default=str).replace("NaN", "null")
    )
    return shapes.RunView(
        **brief(folder, run).model_dump(),
        words=plain["words"],
        tables=plain["tables"],
        warnings=[str(w) for w in held.get("warnings", [])],
        pictures=pictures,
        frames=frames,
        exports=[what for what in EXPORTS if what not in ("stl", "glb") or frames],
    )


def _attributes(run: RunFolder, number: int) -> dict[str, Any]:
    # The attributes alone: opening every frame whole would take seconds.
    try:
        data = json.loads((run.frames / f"{number:04d}" / "zarr.json").read_bytes())
        return dict(data.get("attributes", {}))
    except (OSError, ValueError):
        return {}


def series(run: RunFolder, most: int) -> shapes.Series:
    """Curves in laboratory units, thinned evenly."""
    held = read_series(run.series).columns
    n = len(held["time_s"])
    picked = range(n) if n <= most else [round(i * (n - 1) / (most - 1)) for i in range(most)]
    names = ("time_s", "temperature_k", "sigma", "radius_tip_m", "thickness_m", "mass_kg")
    rows = [row_shown({name: float(held[name][i]) for name in names}) for i in picked]
    keys = ("time_s", "temperature_c", "sigma_percent", "radius_um", "thickness_um", "mass_ug")
    return shapes.Series(branch=None, columns={k: [_finite(row[k]) for row in rows] for k in keys})


def _finite(value: float) -> float | None:
    return value if value == value and abs(value) != float("inf") else None


def frame_mesh(run: RunFolder, number: int) -> bytes:
    """A stored crystal as a mesh frame. Raises BenchError 404, StoreError where it is damaged."""
    from icewright.bench import protocol
    from icewright.bench.sector import sector
    from icewright.shape import sizes
    from icewright.shape.solid import Solid
    from icewright.tasks.crystals import _FIELDS

    if number not in list_frames(run.frames):
        raise BenchError(404, "There is no such frame.", got=str(number))
    record = read_frame(run.frames, number)
    solid = Solid(**{name: record[name] for name in _FIELDS})
    got = sizes.measure(solid)
    density = 917.0
    row = {
        "time_s": float(record["time_s"]),
        "temperature_k": float(record.get("temperature_k", 0.0)),
        "sigma": float(record.get("sigma", 0.0)),
        "radius_tip_m": got.radius_tip_m,
        "thickness_m": got.thickness_m,
        "mass_kg": float(solid.column_ice_m @ solid.column_area_m2) * solid.halves * density,
    }
    surface = sector(solid, row["time_s"])
    return protocol.encode(surface, row, voxel_m=solid.spacing_m, topology=0, frame=number, stored=True)


def thumbnail(run: RunFolder) -> bytes:
    """A PNG of the crystal in plan, kept beside the run's pictures while the run does not change."""
    from PIL import Image

    path = run.pictures / "plan.png"
    if not path.is_file():
        from icewright.pictures.plan import plan_png
        from icewright.tasks.crystals import solid_of

        if not list_frames(run.frames):
            raise BenchError(404, "There is no crystal to draw yet.", got=run.path.name)
        with tempfile.TemporaryDirectory() as aside:
            path = plan_png(solid_of(run.path), Path(aside) / "plan.png", "", "")
            return _small(Image.open(path))
    return _small(Image.open(path))


def _small(picture: Any) -> bytes:
    picture = picture.convert("RGB")
    picture.thumbnail((THUMBNAIL, THUMBNAIL))
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


def exported(run: RunFolder, what: str, aside: Path) -> tuple[Path, str, str]:
    """(file, its name, its type) of an export; what must be made is made in `aside`.

    Raises:
        BenchError: 404 for a word that is none.
        StoreError: where the run is damaged.
    """
    if what not in EXPORTS:
        raise BenchError(404, "There is no such export.", got=what[:40], wanted=", ".join(EXPORTS))
    stem = run.path.name
    kind = EXPORTS[what]
    if what == "csv":
        return run.series, f"{stem}.csv", kind
    if what == "recipe":
        return run.recipe, f"{stem}.toml", kind
    if what == "zip":
        from icewright.notebook.export import zip_run

        return zip_run(run.path, aside / "run.zip"), f"{stem}.zip", kind
    if what == "netcdf":
        from icewright.notebook.export import open_run

        path = aside / "run.nc"
        data = open_run(run.path).to_dataset()
        # NetCDF 3: its writer comes with scipy, and every reader knows it.
        data.to_netcdf(path, engine="scipy", format="NETCDF3_64BIT")
        return path, f"{stem}.nc", kind
    if what == "sources":
        from icewright.tasks.sources import sources_of_run

        path = aside / "sources.txt"
        path.write_text(sources_of_run(run.path), encoding="utf-8")
        return path, f"{stem}-sources.txt", kind
    from icewright.pictures import mesh
    from icewright.tasks.crystals import solid_of

    for stored in (run.path / f"solid.{what}", run.pictures / f"solid.{what}"):
        if stored.is_file():
            return stored, f"{stem}.{what}", kind
    vertices, triangles = mesh.surface(solid_of(run.path))
    write = mesh.write_stl if what == "stl" else mesh.write_glb
    return write(aside / f"solid.{what}", vertices, triangles), f"{stem}.{what}", kind


# -- recipes -----------------------------------------------------------------------------------------------


def read_recipe(text: str, folder: Path) -> Found:
    """A recipe that came over the wire: files that it names must lie in the folder.

    Raises:
        RecipeError: for a recipe that cannot be.
        BenchError: 403 for a path outside.
    """
    import tomllib

    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        data = {}  # the reader below says what is wrong
    named = [data.get("kinetics"), data.get("apparatus")]
    seed = data.get("seed")
    if isinstance(seed, dict):
        named.append(seed.get("crystal"))
    for value in named:
        if isinstance(value, str) and ("/" in value or "\\" in value or value.endswith(".toml")):
            inside(folder, value)
    if isinstance(seed, dict) and isinstance(seed.get("crystal"), str):
        inside(folder, seed["crystal"])
    try:
        planned = files.loads_planned(text, folder=folder)
    except (RecursionError, ArithmeticError, OverflowError) as cause:
        raise RecipeError(got=f"numbers or brackets that cannot be read ({type(cause).__name__})") from cause
    return found(planned, str(data.get("apparatus", "")))


def recipes(folder: Path) -> list[shapes.RecipeBrief]:
    """Recipe files of the folder itself, newest first."""
    out = []
    for path in folder.glob("*.toml"):
        try:
            plain_name(path.name)
            if path.is_symlink() or path.stat().st_size > 200_000:
                continue
            text = path.read_text(encoding="utf-8-sig")
        except (BenchError, OSError, UnicodeDecodeError):
            continue
        if "icewright.recipe" not in text:
            continue
        try:
            title = read_recipe(text, folder).recipe.title
        except IcewrightError:
            title = "(cannot be read)"
        out.append(shapes.RecipeBrief(name=path.name, title=title, changed=path.stat().st_mtime))
    return sorted(out, key=lambda r: -r.changed)


def recipe_view(
    recipe: Recipe,
    starts: list[float] | None = None,
    written: tuple[str, list[str]] | None = None,
    plan: SetPlan | None = None,
) -> shapes.RecipeView:
    """A recipe in the words of its file, and as steps; `written`: in settings, and what to say of that."""
    from icewright.bench.words import step_views
    from icewright.kinetics import load
    from icewright.tasks.sources import from_memory

    return shapes.RecipeView(
        title=recipe.title,
        toml=files.dumps(recipe) if written is None else written[0],
        steps=step_views(recipe.steps, starts or []),
        warnings=[*cautions(recipe, plan), *(written[1] if written is not None else [])],
        from_memory=from_memory(recipe, load(recipe.kinetics)),
    )
