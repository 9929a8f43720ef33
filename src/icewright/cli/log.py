"""`icewright log`: a logger's record becomes the recipe that really was run."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table
from icewright.ground.errors import IcewrightError


def log_command(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="The logger's record, CSV.")],
    apparatus: Annotated[
        Path | None, typer.Option("--apparatus", metavar="A.toml", help="The apparatus file.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for what is found.")
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option(metavar="M.toml", help="Which column is what; FILE.logger.toml if not given."),
    ] = None,
    recipe: Annotated[
        Path | None, typer.Option(metavar="R.toml", help="What was planned: compared, and its seed taken.")
    ] = None,
    begin: Annotated[str, typer.Option(help="The run begins at this time of the logger.")] = "",
    end: Annotated[str, typer.Option(help="The run ends at this time of the logger.")] = "",
    sync: Annotated[
        list[str] | None,
        typer.Option(metavar="LOGGER=CAMERA", help="One moment on both clocks; may be repeated."),
    ] = None,
    camera_start: Annotated[
        str, typer.Option(help="First picture, by the camera's clock: the recipe's zero.")
    ] = "",
    bridge_min: Annotated[float, typer.Option(help="Longest gap that a line may cross, minutes.")] = 2.0,
    grow: Annotated[
        bool, typer.Option("--grow", help="Grow the crystal as logged and as planned, and compare.")
    ] = False,
    threads: Annotated[
        int | None, typer.Option(min=1, help="Threads to use; all cores if not given.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Turn a logger's record into the recipe that was run, with its gaps and spikes shown.

    First time, writes a mapping to fill in:   icewright log day.csv --apparatus cell.toml --out day

    Beside what was planned, and both grown:   icewright log day.csv --apparatus cell.toml --out day
    --recipe plan.toml --grow
    """
    if apparatus is None or out is None:
        raise IcewrightError(
            got="no --apparatus" if apparatus is None else "no --out",
            wanted="the apparatus that was logged, and a folder",
            do=f"icewright log {file} --apparatus apparatus.toml --out {file.stem}",
        )
    from icewright.tasks import log as task

    options: dict[str, Any] = {
        "mapping": mapping,
        "plan": recipe,
        "begin": begin,
        "end": end,
        "sync": sync or (),
        "camera_start": camera_start,
        "bridge_min": bridge_min,
    }
    if grow:
        from contextlib import nullcontext

        from icewright.cli.bar import Bar

        with nullcontext(None) if json else Bar() as seen:
            told = task.grow_both(file, apparatus, out, on_progress=seen, threads=threads, **options)
    else:
        told = task.log(file, apparatus, out, **options)
    if json:
        print_json(told)
    else:
        _show(told, recipe is not None)
    if not told.get("complete", True):
        raise typer.Exit(130)


def _show(told: dict[str, Any], planned: bool) -> None:
    for words in told["words"]:
        typer.echo(words)
    for table in told["tables"]:
        print_table(table["columns"], table["rows"], table["title"])
    compared = told.get("compared")
    if isinstance(compared, dict):
        print_table(*compared["table"])
        typer.echo(f"picture: {compared['picture']}")
    for path in told["pictures"]:
        typer.echo(f"picture: {path}")
    for words in told["cautions"]:
        typer.echo(f"caution: {words}")
    if "runs" not in told:
        hint = "" if planned else "   (seed, holding and kinetics are defaults in it: set them first)"
        typer.echo(f"grow it: icewright grow {told['recipe']} --out {told['folder']}/as-run{hint}")
    elif not told.get("complete", True):
        typer.echo("stopped; the same command goes on")
