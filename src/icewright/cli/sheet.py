"""`icewright sheet`: a recipe as printed pages to stand beside the microscope."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from icewright.cli.output import JsonFlag, print_json
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.tasks.sheet import SheetReport

STOPPED = 130  # as after Ctrl-C


def sheet_command(
    what: Annotated[
        Path, typer.Argument(metavar="RUN_OR_RECIPE", help="A run folder, or a recipe to grow for its sheet.")
    ],
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE.pdf", help="The sheet to write.")] = None,
    apparatus: Annotated[
        Path | None,
        typer.Option("--apparatus", metavar="A.toml", help="Print the settings of this apparatus."),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE.csv", help="Also write set-points for a controller.")
    ] = None,
    session: Annotated[
        Path | None,
        typer.Option("--session", metavar="FILE.toml", help="Also write the recipe for the bench page."),
    ] = None,
    png: Annotated[bool, typer.Option("--png", help="Also write each page as a PNG.")] = False,
    mark: Annotated[
        bool, typer.Option("--mark", help="Only check a recipe typed in from a sheet, by its mark.")
    ] = False,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads to grow with; all cores if not given.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Write a recipe sheet: what to set and when, what to see, and the lines to type it in again.

    Of a run:              icewright sheet star-run --out star.pdf

    Of a recipe:           icewright sheet star.toml --out star.pdf   (grown at preview first)

    In settings:           icewright sheet star.toml --apparatus cell.toml --out star.pdf --csv star.csv

    Typed in from paper:   icewright sheet again.toml --mark
    """
    if mark:
        _check(what, json)
        return
    if out is None:
        raise IcewrightError(
            got="no --out",
            wanted="a file for the sheet",
            do=f"icewright sheet {what} --out {what.stem.removesuffix('-run')}.pdf",
        )
    from icewright.tasks.sheet import StoppedShortError, sheet

    try:
        if json:
            done = sheet(what, out, apparatus=apparatus, csv=csv, session=session, png=png, threads=threads)
        else:
            from icewright.cli.bar import Bar

            with Bar() as seen:
                done = sheet(
                    what,
                    out,
                    apparatus=apparatus,
                    csv=csv,
                    session=session,
                    png=png,
                    threads=threads,
                    on_progress=seen,
                )
    except StoppedShortError as stop:
        from icewright.cli.output import print_error

        print_error(stop, as_json=json, kind="stopped")
        raise typer.Exit(STOPPED) from None
    if json:
        print_json(done.to_dict())
    else:
        _show(done)


def _check(what: Path, as_json: bool) -> None:
    from icewright.tasks.sheet import mark_of

    found = mark_of(what)
    if as_json:
        print_json(found)
        return
    agrees = ", as printed" if found["agrees"] else ""
    typer.echo(f"mark {found['mark']}{agrees}")
    if found["agrees"] is None:
        typer.echo("compare it with the mark at the head of the sheet")


def _show(done: SheetReport) -> None:
    typer.echo(f"sheet: {done.path} ({done.pages} page{'s' if done.pages != 1 else ''}, mark {done.mark})")
    for words, path in (("set-points", done.csv), ("for the bench page", done.session)):
        if path is not None:
            typer.echo(f"{words}: {path}")
    for path in done.pictures:
        typer.echo(f"page as picture: {path}")
    for words in done.warnings:
        typer.echo(f"note: {words}")
    typer.echo(f"the prediction behind it: icewright look {done.run}")
