"""The `icewright` command. Each verb lives in its own module, imported only when it is needed."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup

from icewright.cli.output import print_error
from icewright.ground.errors import IcewrightError

# verb: (module, function). The order is the order in `icewright --help`.
VERBS = {
    "air": ("icewright.cli.air", "air_command"),
    "chamber": ("icewright.cli.chamber", "chamber_command"),
    "log": ("icewright.cli.log", "log_command"),
    "calibrate": ("icewright.cli.calibrate", "calibrate_command"),
    "new": ("icewright.cli.new", "new_command"),
    "grow": ("icewright.cli.grow", "grow_command"),
    "look": ("icewright.cli.look", "look_command"),
    "measure": ("icewright.cli.measure", "measure_command"),
    "compare": ("icewright.cli.compare", "compare_command"),
    "specimen": ("icewright.cli.specimen", "specimen_command"),
    "sheet": ("icewright.cli.sheet", "sheet_command"),
    "design": ("icewright.cli.design", "design_command"),
    "atlas": ("icewright.cli.atlas", "atlas_command"),
    "bench": ("icewright.cli.bench", "bench_command"),
    "evidence": ("icewright.cli.evidence", "evidence_command"),
}

REFUSED = 2
STOPPED = 130


class StoppedError(Exception):
    """Ctrl-C, carried past the option parser, which would leave without a word."""


class LateGroup(TyperGroup):
    """A group whose commands are imported when they are needed."""

    def list_commands(self, ctx: Any) -> list[str]:
        """The verbs in the order of a first visit."""
        return list(VERBS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Import one verb's module and wrap its function; None for a verb that does not exist."""
        if cmd_name not in VERBS:
            return None
        module, function = VERBS[cmd_name]
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(cmd_name)(getattr(import_module(module), function))
        return typer.main.get_command(alone)

    def invoke(self, ctx: Any) -> Any:
        """Run the verb."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise StoppedError from None


app = typer.Typer(
    cls=LateGroup,
    add_completion=False,
    rich_markup_mode=None,  # plain help needs no rich, and a third less time
    no_args_is_help=True,
    help="Predict a single ice crystal grown from vapour, in micrometres and minutes, before it is grown.",
)


def _version(wanted: bool) -> None:
    if wanted:
        from icewright import __version__

        typer.echo(f"icewright {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version."
    ),
) -> None:
    pass


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit code: 0 done, 2 refused, 130 stopped by Ctrl-C.

    What Icewright refuses is printed without a traceback. Anything else that fails is a fault of the
    program, and its traceback is left whole.
    """
    args = sys.argv[1:] if arguments is None else arguments
    sys.exit(run(args))


def run(args: list[str]) -> int:
    """The same, giving the exit code back."""
    as_json = "--json" in args
    try:
        code = typer.main.get_command(app).main(args=args, prog_name="icewright", standalone_mode=False)
    except IcewrightError as error:
        print_error(error, as_json=as_json)
        return REFUSED
    except (StoppedError, KeyboardInterrupt, typer.Abort):
        print_error(StoppedError("stopped"), as_json=as_json, kind="stopped")
        return STOPPED
    except Exception as error:
        # Usage errors of the option parser carry their own words; their class moves between typer releases.
        if not hasattr(error, "format_message"):
            raise
        return _usage(error, as_json)
    return code if isinstance(code, int) else 0


def _usage(error: Any, as_json: bool) -> int:
    words = error.format_message()
    if type(error).__name__ == "NoArgsIsHelpError":
        sys.stdout.write(f"{words}\n")
        return REFUSED
    path = error.ctx.command_path if getattr(error, "ctx", None) is not None else "icewright"
    print_error(IcewrightError(got=words.rstrip("."), do=f"{path} --help"), as_json=as_json, kind="usage")
    return REFUSED


if __name__ == "__main__":
    main()
