"""`icewright grow`: a recipe goes in, the predicted crystal comes out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table, print_warnings
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.recipe.model import Recipe


def grow_command(
    recipe: Annotated[Path | None, typer.Argument(metavar="RECIPE.toml", help="The recipe to grow.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="New folder for the run.")] = None,
    resume: Annotated[
        Path | None, typer.Option("--resume", metavar="DIR", help="Go on with a stopped run.")
    ] = None,
    check_resolution: Annotated[
        bool, typer.Option("--check-resolution", help="Also grow with half the voxel, and compare.")
    ] = False,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads to use; all cores if not given.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Predict the crystal of a recipe. Ctrl-C stops tidily; --resume goes on."""
    if resume is not None:
        folder = _resuming(resume, recipe, out)
        plan = _plan(folder / "recipe.toml")
    else:
        folder = _starting(recipe, out)
        plan = _plan(recipe)
    from icewright.recipe.cautions import warnings

    said = warnings(plan)
    if not json:
        print_warnings(said)
    from icewright.tasks.grow import grow

    with _watching(plan, quiet=json) as seen:
        try:
            summary = grow(
                None if resume is not None else recipe,
                folder,
                resume=resume is not None,
                check_resolution=check_resolution,
                threads=threads,
                progress=seen,
            )
        except KeyboardInterrupt:
            typer.echo(f"\nstopped; go on with: icewright grow --resume {folder}", err=True)
            raise
    if json:
        print_json({**summary, "warnings": said, "folder": str(folder)})
    else:
        _show(summary, folder)


def _starting(recipe: Path | None, out: Path | None) -> Path:
    if recipe is None:
        raise IcewrightError(
            got="no recipe", wanted="a recipe to grow", do="icewright new star.toml --habit star"
        )
    if out is None:
        raise IcewrightError(
            got="no --out",
            wanted="a folder for the run",
            do=f"icewright grow {recipe} --out {recipe.stem}-run",
        )
    return out


def _resuming(resume: Path, recipe: Path | None, out: Path | None) -> Path:
    if recipe is not None or out is not None:
        raise IcewrightError(
            got="--resume with a recipe or --out",
            wanted="--resume alone: the run folder holds its own recipe",
            do=f"icewright grow --resume {resume}",
        )
    if not (resume / "recipe.toml").is_file():
        raise IcewrightError(
            got=f"no run in {resume}",
            wanted="a folder that icewright grow has made",
            do=f"icewright grow RECIPE.toml --out {resume}",
        )
    return resume


def _plan(path: Path | None) -> Recipe:
    from icewright.recipe.files import read

    assert path is not None  # _starting has refused
    return read(path)


def _watching(plan: Recipe, *, quiet: bool) -> Any:
    """A progress bar on stderr, or nothing at all."""
    if quiet:
        from contextlib import nullcontext

        return nullcontext(None)
    from icewright.cli.bar import Bar

    return Bar(plan)


def _show(summary: dict[str, Any], folder: Path) -> None:
    if summary.get("ended"):
        typer.echo(str(summary["ended"]))
    numbers = [
        (name, summary[key])
        for name, key in (
            ("habit", "habit"),
            ("time, min", "time_min"),
            ("radius, um", "radius_um"),
            ("thickness, um", "thickness_um"),
            ("mass, ug", "mass_ug"),
            ("aspect ratio", "aspect_ratio"),
            ("solidity", "solidity"),
            ("mass balance error", "mass_balance_error"),
            ("field flux ratio", "field_flux_ratio"),
            ("wall time, s", "wall_s"),
        )
        if key in summary
    ]
    print_table(("", ""), numbers)
    for note in summary.get("notes", ()):
        typer.echo(f"note: {note}")
    pictures = folder / "pictures"
    if pictures.is_dir():
        typer.echo(f"pictures: {pictures}")
    typer.echo(f"more: icewright look {folder}")
