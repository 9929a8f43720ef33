"""`icewright evidence`: how true the model is, held against the outside."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table
from icewright.ground.errors import IcewrightError


def evidence_command(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder of the page.")] = Path(
        "evidence-page"
    ),
    full: Annotated[
        bool,
        typer.Option(
            "--full", help="All temperatures, diffusivities and families (minutes; can be stopped)."
        ),
    ] = False,
    kinetics: Annotated[
        list[Path] | None,
        typer.Option(
            "--kinetics", metavar="FILE", help="A table of your own joins the comparison. Repeatable."
        ),
    ] = None,
    diffusivity: Annotated[
        list[str] | None,
        typer.Option("--diffusivity", metavar="1976|1998|1972", help="Published formula. Repeatable."),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="NAME", help="One comparison (see --list). Repeatable."),
    ] = None,
    workers: Annotated[
        int, typer.Option("--workers", min=0, help="Processes to grow crystals in; 0 for one a core.")
    ] = 1,
    cluster: Annotated[
        str | None, typer.Option("--cluster", metavar="ADDRESS", help="A running scheduler instead.")
    ] = None,
    again: Annotated[bool, typer.Option("--again", help="Grow everything again, whatever is kept.")] = False,
    listing: Annotated[bool, typer.Option("--list", help="Only name the comparisons.")] = False,
    json: JsonFlag = False,
) -> None:
    """Compare the model with published measurements, and write how true it is.

    Stopped, it goes on with the same command. Results of other code or settings are never taken over.
    """
    from icewright.tasks import evidence as task

    if listing:
        named = task.comparisons()
        if json:
            print_json({"comparisons": named})
        else:
            print_table(("name", "question"), [(c["name"], c["title"]) for c in named])
        return
    missing = [str(p) for p in kinetics or () if p.suffix == ".toml" and not p.is_file()]
    if missing:
        raise IcewrightError(
            "No such kinetics file.", got=", ".join(missing), wanted="a TOML file that is there"
        )
    show = _Line()
    try:
        done = task.evidence(
            out,
            full=full,
            kinetics=kinetics or (),
            diffusivities=diffusivity or (),
            only=only or (),
            workers=workers or None,
            cluster=cluster,
            again=again,
            on_progress=None if json else show,
            command=_typed(full, out, kinetics or [], diffusivity or [], only or []),
        )
    except KeyboardInterrupt:
        show.end()
        sys.stderr.write("what is finished is kept; the same command goes on\n")
        raise
    show.end()
    if json:
        print_json(done)
        return
    rows = []
    for each in done["comparisons"].values():
        verdicts = {**each["verdicts"], **each["overall"]}
        rows.append((each["title"], "; ".join(f"{k}: {v}" for k, v in verdicts.items())))
    print_table(("question", "verdict"), rows)
    if done["failed"]:
        typer.echo(f"{len(done['failed'])} crystals have no result; the page says why")
    typer.echo(f"{done['cells']} crystals, {done['grown_now']} grown now; page: {done['page']}")


def _typed(full: bool, out: Path, kinetics: list[Path], diffusivity: list[str], only: list[str]) -> str:
    """The command as typed, for the page."""
    said = "icewright evidence" + (" --full" if full else "") + f" --out {out.name}"
    said += "".join(f" --kinetics {p.name}" for p in kinetics)
    said += "".join(f" --diffusivity {d}" for d in diffusivity)
    return said + "".join(f" --only {n}" for n in only)


class _Line:
    """One line of progress: rewritten on a terminal, else one line a comparison."""

    def __init__(self) -> None:
        import time

        self._clock = time.monotonic
        self._live = sys.stderr.isatty()
        self._began = (-1, 0.0, 0)
        self._wide = 0

    def __call__(self, told: dict[str, Any]) -> None:
        if told["index"] != self._began[0]:
            self._began = (told["index"], self._clock(), told["done"])
            self.end()
            if not self._live:
                sys.stderr.write(f"{told['index'] + 1}/{told['of']} {told['comparison']}\n")
        if not self._live:
            return
        grown, left = told["done"] - self._began[2], told["cells"] - told["done"]
        eta = f" ETA {(self._clock() - self._began[1]) / grown * left:.0f} s" if grown and left else ""
        said = (
            f"{told['index'] + 1}/{told['of']} {told['comparison']} {told['done']}/{told['cells']}{eta} "
            f"{told['words']}"
        )
        said = said[:118]
        sys.stderr.write("\r" + said.ljust(self._wide))
        sys.stderr.flush()
        self._wide = len(said)

    def end(self) -> None:
        """Leave the line."""
        if self._live and self._wide:
            sys.stderr.write("\n")
            self._wide = 0
