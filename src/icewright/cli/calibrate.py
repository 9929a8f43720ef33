"""`icewright calibrate`: thermometers and supersaturation by what the ice itself shows."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from icewright.cli.output import JsonFlag, print_json, print_table


def calibrate_command(
    apparatus: Annotated[Path, typer.Argument(metavar="A.toml", help="The apparatus file.")],
    observations: Annotated[
        Path | None, typer.Argument(metavar="SEEN.toml", help="What was seen, in a file.")
    ] = None,
    droplets: Annotated[
        list[str] | None,
        typer.Option(
            metavar='"NAME=X,.."', help="Settings with the first droplets; after a | those just before."
        ),
    ] = None,
    standstill: Annotated[
        list[str] | None,
        typer.Option(
            metavar='"NAME=X,.."',
            help="Settings with neither growth nor loss, with radius_um, noticed_um and minutes.",
        ),
    ] = None,
    fit: Annotated[
        list[str] | None,
        typer.Option(help="Thermometer, may be repeated; or supersaturation. All thermometers if not given."),
    ] = None,
    write: Annotated[
        bool, typer.Option("--write", help="Write the offsets into A.toml, with date and evidence.")
    ] = False,
    date: Annotated[str, typer.Option(help="Day of the observations; today if not given.")] = "",
    json: JsonFlag = False,
) -> None:
    """Offsets of thermometers, or of the supersaturation, from what the ice itself shows, with error bars.

    First droplets:        icewright calibrate cell.toml --droplets "reservoir_c=-13.4,plate_c=-15"

    A file of all kinds:   icewright calibrate cell.toml seen.toml --write
    """
    from icewright.tasks.calibrate import calibrate

    found = calibrate(
        apparatus,
        observations,
        droplets=droplets or (),
        standstill=standstill or (),
        fit=fit or None,
        write=write,
        date=date,
    )
    if json:
        print_json(found)
        return
    for table in found["tables"]:
        print_table(table["columns"], table["rows"], table["title"])
    known = found["sigma_known"]
    if known is not None:
        typer.echo(
            f"as it stands now, sigma = {100 * known['sigma']:.2f} % is known to {100 * known['after']:.2f} "
            f"%, before to {100 * known['before']:.2f} % (one standard uncertainty)"
        )
    for words in found["words"]:
        typer.echo(f"warning: {words}", err=True)
    for words in dict.fromkeys(note for row in found["compared"] for note in row["notes"]):
        typer.echo(f"note: {words}")
    if found["written"]:
        typer.echo(f"written into {found['written']}, dated {found['date']}")
    else:
        typer.echo("nothing was written; the same command with --write puts it into the file")
