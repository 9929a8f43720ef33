"""`icewright atlas`: crystals over a grid of conditions, one chart at the end."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table
from icewright.cli.watch import Watch
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.sweep.run import Progress
    from icewright.tasks.atlas import AtlasSummary

STOPPED = 130


def atlas_command(
    sweep: Annotated[
        Path | None, typer.Argument(metavar="SWEEP.toml", help="What to grow: lists of conditions.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Folder of the atlas.")] = None,
    resume: Annotated[
        Path | None, typer.Option("--resume", metavar="DIR", help="Go on with a stopped atlas.")
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; as many as cores if not given.")
    ] = None,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads of each; cores over workers.")
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option("--cluster", metavar="ADDRESS", help="Send cells to a dask.distributed scheduler."),
    ] = None,
    cells: Annotated[
        str | None,
        typer.Option("--cells", metavar="PLACE", help="Path or URL for the cells, reached by every worker."),
    ] = None,
    retry_failed: Annotated[
        bool, typer.Option("--retry-failed", help="Grow cells again that failed before.")
    ] = False,
    netcdf: Annotated[
        Path | None, typer.Option("--netcdf", metavar="FILE", help="Also write the data set as NetCDF.")
    ] = None,
    pictures: Annotated[bool, typer.Option(help="Draw the charts and maps.")] = True,
    json: JsonFlag = False,
) -> None:
    """Grow crystals over a grid of conditions and chart them. Finished cells are never grown again.

    The first Ctrl-C lets running cells end and stops; the second stops at once. --resume goes on.
    """
    folder = _folder(sweep, out, resume)
    from icewright.tasks.atlas import atlas, export

    with _Watch(quiet=json) as watch:
        done = atlas(
            sweep,
            folder,
            workers=workers,
            threads=threads,
            cluster=cluster,
            cells=cells,
            retry_failed=retry_failed,
            pictures=pictures,
            on_progress=watch.progress,
            on_event=watch.event,
        )
    written = {"netcdf": str(netcdf), "netcdf_format": export(folder, netcdf)} if netcdf is not None else {}
    if json:
        print_json({**done.to_dict(), "folder": str(folder), **written})
    else:
        _show(done)
        if written:
            typer.echo(f"{written['netcdf_format']}: {netcdf}")
    if not done.complete:
        raise typer.Exit(STOPPED)


def _folder(sweep: Path | None, out: Path | None, resume: Path | None) -> Path:
    if resume is not None:
        if sweep is not None or out is not None:
            raise IcewrightError(
                got="--resume with a sweep or --out",
                wanted="--resume alone: the folder holds its own sweep",
                do=f"icewright atlas --resume {resume}",
            )
        return resume
    if sweep is None:
        raise IcewrightError(
            got="no sweep",
            wanted="a file that says which crystals to grow (docs/atlas.md)",
            do="icewright atlas examples/atlas-quick.toml --out quick-atlas",
        )
    if out is None:
        raise IcewrightError(
            got="no --out", wanted="a folder", do=f"icewright atlas {sweep} --out {sweep.stem}-cells"
        )
    return out


def _show(done: AtlasSummary) -> None:
    typer.echo(done.ended)
    rows: list[tuple[str, Any]] = [("cells", done.cells), ("grown before", done.kept)]
    rows += [("above water saturation (no laboratory holds these)", done.above_water)]
    rows += [("wall time, s", done.wall_s), ("processor time of all cells, s", done.cpu_s)]
    print_table(("", ""), rows)
    for failure in done.failures[:10]:
        typer.echo(f"failed: {failure['cell']}: {failure['reason']}")
    if len(done.failures) > 10:
        typer.echo(f"and {len(done.failures) - 10} more: {done.folder / 'atlas.json'}")
    for words in done.from_memory:
        typer.echo(f"hangs on values from memory, which nobody here has confirmed: {words}")
    if done.pictures:
        typer.echo(f"pictures: {done.folder / 'pictures'}")
    typer.echo(f"data set: {done.folder / 'atlas.zarr'}  (icewright.tasks.atlas.open_atlas in a notebook)")


class _Watch(Watch):
    """Cells done and failed, and the time to go."""

    def progress(self, now: Progress) -> None:
        """Show the counts."""
        words = f"{now.done} of {now.total} cells, {now.failed} failed"
        words += f", {now.kept} from before" if now.kept else ""
        words += f"  {now.status}" if now.status != "growing" else ""
        self.show(words, (now.done + now.failed) / max(now.total, 1), now.eta_s)
