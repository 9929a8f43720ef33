"""`icewright grow`: a recipe goes in, the predicted crystal comes out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table, print_warnings
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.tasks.summary import RunSummary

STOPPED = 130  # as after Ctrl-C


def grow_command(
    recipe: Annotated[Path | None, typer.Argument(metavar="RECIPE.toml", help="The recipe to grow.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="New folder for the run.")] = None,
    resume: Annotated[
        Path | None, typer.Option("--resume", metavar="DIR", help="Go on with a stopped run.")
    ] = None,
    check_resolution: Annotated[
        bool, typer.Option("--check-resolution", help="Also grow with half the voxel, and compare.")
    ] = False,
    plan: Annotated[
        bool,
        typer.Option("--plan", help="Only draw and list the air, set and actual; grow nothing."),
    ] = False,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads to use; all cores if not given.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Predict the crystal of a recipe. Ctrl-C stops tidily; --resume goes on."""
    from icewright.recipe.files import read_planned

    folder = _resuming(resume, recipe, out) if resume is not None else _starting(recipe, out)
    if plan:
        _show_plan(recipe, folder, json)
        return
    planned = read_planned(folder / "recipe.toml" if resume is not None or recipe is None else recipe)
    said = planned.warnings()
    if not json:
        print_warnings(said)
        for words in (*planned.notes, *planned.cautions):
            typer.echo(f"note: {words}", err=True)
    from icewright.tasks.grow import grow

    with _watching(json) as seen:
        done = grow(
            planned if resume is None else None,
            folder,
            resume=resume is not None,
            threads=threads,
            on_progress=seen,
        )
    found = None
    if check_resolution and done.complete:
        from icewright.tasks.check_resolution import check_resolution as check

        if not json:
            typer.echo("growing again with half the voxel, to compare", err=True)
        with _watching(json) as seen:
            found = check(folder, threads=threads, on_progress=seen)
    if json:
        more = {"resolution": found} if found is not None else {}
        print_json({**done.to_dict(), "folder": str(folder), **more})
    else:
        _show(done, folder, said)
        if found is not None:
            _show_check(found)
    if not done.complete or (found is not None and not found["complete"]):
        raise typer.Exit(STOPPED)


def _show_plan(recipe: Path | None, folder: Path, as_json: bool) -> None:
    if recipe is None or not recipe.is_file():
        _starting(recipe, folder)
    from icewright.tasks.plan import plan

    assert recipe is not None
    found = plan(recipe, folder)
    if as_json:
        print_json(found)
        return
    print_warnings(found["warnings"])
    print_table(*found["table"])
    for words in found["notes"]:
        typer.echo(f"note: {words}")
    for words in found["cautions"]:
        typer.echo(f"caution: {words}")
    typer.echo(f"picture: {found['picture']}")
    typer.echo(f"grow it: icewright grow {recipe} --out {folder}")


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


def _watching(quiet: bool) -> Any:
    """A progress bar on stderr, or nothing at all."""
    if quiet:
        from contextlib import nullcontext

        return nullcontext(None)
    from icewright.cli.bar import Bar

    return Bar()


def _show(done: RunSummary, folder: Path, said: list[str]) -> None:
    typer.echo(done.ended)
    print_table(
        ("", ""),
        (
            ("habit", done.habit),
            ("time, min", done.time_min),
            ("radius, um", done.radius_um),
            ("thickness, um", done.thickness_um),
            ("mass, ug", done.mass_ug),
            ("aspect ratio", done.aspect_ratio),
            ("solidity", done.solidity),
            ("mass balance error", done.mass_balance_error),
            ("field flux ratio", done.field_flux_ratio),
            ("wall time, s", done.wall_s),
        ),
    )
    if done.from_memory:
        typer.echo("hangs on values from memory, which nobody here has confirmed:")
        for words in done.from_memory:
            typer.echo(f"  - {words}")
    for words in done.warnings:
        if words not in said:
            typer.echo(f"note: {words}")
    if done.pictures:
        typer.echo(f"pictures: {folder / 'pictures'}")
    typer.echo(
        f"more: icewright look {folder}" if done.complete else f"go on: icewright grow --resume {folder}"
    )


def _show_check(found: dict[str, Any]) -> None:
    if not found["complete"]:
        typer.echo("the finer run was stopped; the same command with --resume goes on with it")
        return
    rows = [
        (
            row["quantity"],
            f"{row['change'] * 100:+.1f} %",
            "-" if row["bar"] is None else f"{row['bar'] * 100:g} %",
            "" if row["bar"] is None else "yes" if row["within"] else "no",
        )
        for row in found["rows"]
    ]
    rows.append(
        (
            "habit",
            found["habit"],
            found["finer_habit"],
            "yes" if found["habit"] == found["finer_habit"] else "no",
        )
    )
    title = (
        f"voxel {found['voxel_um']:g} um and {found['finer_voxel_um']:g} um, at {found['time_min']:.4g} min"
    )
    print_table(("", "change", "bar", "within"), rows, title)
