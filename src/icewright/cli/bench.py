"""`icewright bench`: the local page where the knobs are turned and the crystal is seen growing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from icewright.cli.output import JsonFlag, print_json


def bench_command(
    folder: Annotated[
        Path, typer.Option("--folder", metavar="DIR", help="Recipes, runs and sessions lie here.")
    ] = Path(),
    port: Annotated[int, typer.Option("--port", help="Port; 0 takes any that is free.")] = 8717,
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; beyond this machine a token is needed.")
    ] = "127.0.0.1",
    apparatus: Annotated[
        Path | None,
        typer.Option(
            "--apparatus",
            metavar="FILE",
            help="Apparatus: its settings are the knobs, the air follows with its lag.",
        ),
    ] = None,
    name: Annotated[
        list[str] | None, typer.Option("--name", help="A further name under which this machine is called.")
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page.")] = True,
    threads: Annotated[
        int | None,
        typer.Option("--threads", min=1, help="Threads of each engine; half the cores if not given."),
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Open the bench: a local page with a crystal growing under the knobs. Ctrl-C ends it."""
    from icewright.bench import Settings, serve

    settings = Settings(
        folder=folder, host=host, port=port, extra_hosts=tuple(name or ()), threads=threads,
        apparatus=apparatus,
    )  # fmt: skip

    def ready(address: str) -> None:
        if json:
            print_json({"address": address, "folder": str(settings.folder), "token": settings.token})
        else:
            typer.echo(f"The bench is at {address}   (Ctrl-C ends it)")
            typer.echo(f"Recipes and runs lie in {settings.folder}")
            if settings.apparatus is not None:
                typer.echo(f"The knobs are the settings in {settings.apparatus.name}")
            if settings.token:
                typer.echo(
                    "Others on your network can reach it with that address, token included; traffic is not"
                )
                typer.echo("encrypted. Ask those who run the network, or stay with --host 127.0.0.1.")
        import sys

        sys.stdout.flush()

    serve(settings, browser=browser and not json, ready=ready)
