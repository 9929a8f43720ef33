"""`icewright new`: a commented starter recipe."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from icewright.cli.output import JsonFlag, print_json


def new_command(
    path: Annotated[
        Path | None, typer.Argument(help="File to write; without it the recipe is printed.")
    ] = None,
    habit: Annotated[
        str | None, typer.Option(help="plate, star, column, hollow-column, needle or capped-column.")
    ] = None,
    temperature: Annotated[float | None, typer.Option(help="Temperature, degrees Celsius.")] = None,
    sigma: Annotated[float | None, typer.Option(help="Supersaturation over ice, percent.")] = None,
    water_fraction: Annotated[
        float | None, typer.Option(help="Humidity as a fraction of water saturation: 1 is where fog forms.")
    ] = None,
    radius_um: Annotated[
        float | None, typer.Option(help="Measured crystal: centre to corner, micrometres.")
    ] = None,
    thickness_um: Annotated[
        float | None,
        typer.Option("--thickness-um", "--length-um", help="The same: extent along c, micrometres."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing file.")] = False,
    json: JsonFlag = False,
) -> None:
    """Write a commented starter recipe: from a habit, from conditions, or from a measured crystal.

    A habit wanted:        icewright new star.toml --habit star

    Conditions:            icewright new run.toml --temperature -15 --sigma 2

    A measured crystal:    icewright new next.toml --temperature -15 --sigma 2
    --radius-um 80 --thickness-um 12
    """
    from icewright.tasks.new import save, starter

    text = starter(
        habit=habit,
        temperature_c=temperature,
        sigma_percent=sigma,
        water_fraction=water_fraction,
        radius_um=radius_um,
        thickness_um=thickness_um,
    )
    written = save(text, path, force=force) if path is not None else None
    if json:
        print_json({"path": str(written) if written else None, "recipe": text})
    elif written is None:
        typer.echo(text, nl=False)
    else:
        typer.echo(
            f"wrote {written}\nnext: icewright grow {written} --out {written.with_suffix('').name}-run"
        )
