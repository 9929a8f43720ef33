"""`icewright look`: what a run holds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table


def look_command(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="A run folder.")],
    sources: Annotated[
        str | None,
        typer.Option("--sources", metavar="text|bibtex", help="Print every source the run used instead."),
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Say what a run holds, in words and small tables."""
    if sources is not None:
        from icewright.tasks.sources import sources_of_run

        said = sources_of_run(directory, style=sources)
        if json:
            print_json({"sources": said})
        else:
            typer.echo(said)
        return
    from icewright.tasks.look import look

    held = look(directory)
    if json:
        print_json(held)
    else:
        show(held)


def show(held: Mapping[str, Any]) -> None:
    """Print the words, then each table, then where the pictures are."""
    for line in held.get("words", ()):
        typer.echo(line)
    for table in held.get("tables", ()):
        print_table(table["columns"], table["rows"], table.get("title", ""))
    for path in held.get("pictures", ()):
        typer.echo(f"picture: {path}")
