"""`icewright measure`: from photographs to sizes, growth curves and velocities, with error bars."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table
from icewright.ground.errors import IcewrightError

STOPPED = 130
_LINE_EVERY_S = 5.0
_SHOWN = 12


def measure_command(
    images: Annotated[
        list[Path] | None, typer.Argument(metavar="IMAGES...", help="Pictures, folders of them, TIFF stacks.")
    ] = None,
    scale: Annotated[
        str,
        typer.Option(
            metavar="UM|PICTURE",
            help="um in a pixel: 0.65, or 0.65,0.70 (x, y), 0.65+-0.004; or a stage micrometer picture.",
        ),
    ] = "",
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for what was measured.")] = Path(
        "measured"
    ),
    division_um: Annotated[
        float | None, typer.Option(metavar="UM", help="From line to line of the stage micrometer.")
    ] = None,
    view: Annotated[
        str, typer.Option(help="plan (along c), side (columns lying down), or auto: each by its shape.")
    ] = "auto",
    stack: Annotated[str, typer.Option(help="Pages of a TIFF: time, focus, or auto.")] = "auto",
    times: Annotated[
        Path | None, typer.Option(metavar="CSV", help="When each was taken: columns file and time_s.")
    ] = None,
    every_s: Annotated[
        float | None, typer.Option(metavar="S", help="One picture every so many seconds.")
    ] = None,
    least_um: Annotated[
        float | None, typer.Option(metavar="UM", help="Leave out what is smaller than this across.")
    ] = None,
    watch: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Measure what a camera writes there, as it comes.")
    ] = None,
    idle_min: Annotated[
        float | None, typer.Option(metavar="MIN", help="With --watch: end when nothing came for so long.")
    ] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Processes; as many as cores.")] = None,
    pictures: Annotated[bool, typer.Option(help="Draw contact sheets and curves.")] = True,
    json: JsonFlag = False,
) -> None:
    """Measure crystals in pictures: outline, radius to tips and facets, arms, axes, columns, and growth.

    icewright measure morning/ --scale 0.65+-0.004 --every-s 30 --out morning-measured

    The same command again goes on where it stopped. corrections.json in DIR is laid over what was found.
    """
    if not scale:
        raise IcewrightError(
            "The pictures' scale is needed.",
            got="no --scale",
            wanted="micrometres in a pixel, or a picture of a stage micrometer",
            do="icewright measure IMAGES --scale 0.65   or   --scale ruler.png --division-um 10",
        )
    if (watch is None) == (not images):
        raise IcewrightError(
            got="neither pictures nor --watch" if watch is None else "pictures and --watch",
            wanted="one of the two",
            do="icewright measure IMAGES... --scale 0.65   or   ... --watch FOLDER --scale 0.65",
        )
    from icewright.tasks import measure as task
    from icewright.tasks.stopping import StopFlag

    known = task.parse_scale(scale, division_um)
    options: dict[str, Any] = {
        "view": view,
        "stack": stack,
        "times": times,
        "every_s": every_s,
        "least_um": least_um,
        "pictures": pictures,
    }
    with StopFlag(lambda: typer.echo("stopping after the picture at hand", err=True)) as flag:
        if watch is not None:
            typer.echo(f"watching {watch}; Ctrl-C ends", err=True)
            found = task.watch(
                watch,
                known,
                out,
                idle_s=idle_min * 60.0 if idle_min is not None else None,
                on_picture=None if json else _came,
                should_stop=lambda: flag.asked,
                workers=1,
                **options,
            )
            if not found:
                raise IcewrightError(f"No picture came into {watch}.")
            found["stopped"] = False
        else:
            with _Line(quiet=json) as line:
                found = task.measure(
                    images or [],
                    known,
                    out,
                    workers=workers,
                    on_progress=line,
                    should_stop=lambda: flag.asked,
                    **options,
                )
    if json:
        print_json(_brief(found))
    else:
        _print(found)
    if found["stopped"]:
        raise typer.Exit(STOPPED)


class _Line:
    """Pictures done and time to go: a bar on a terminal, else a line now and then."""

    def __init__(self, quiet: bool) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        console = Console(stderr=True, highlight=False)
        self._live = console.is_terminal and not quiet
        self._quiet, self._said = quiet, time.monotonic()
        self._progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=20),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            console=console,
            transient=True,
        )
        self._task = self._progress.add_task("reading", total=None)

    def __enter__(self) -> _Line:
        if self._live:
            self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live:
            self._progress.stop()

    def __call__(self, done: int, total: int, name: str) -> None:
        if self._live:
            self._progress.update(self._task, completed=done, total=total, description=name[-28:])
        elif not self._quiet and time.monotonic() - self._said > _LINE_EVERY_S:
            self._said = time.monotonic()
            typer.echo(f"{done} of {total} pictures", err=True)


def _brief(found: dict[str, Any]) -> dict[str, Any]:
    """Without the curves, which the files hold."""
    crystals = [{k: v for k, v in c.items() if k not in ("sizes", "time_s")} for c in found["crystals"]]
    return {**found, "crystals": crystals}


def _came(found: dict[str, Any]) -> None:
    for name in found["new"]:
        crystals = [c for c in found["crystals"] if c["last_picture"].split("[")[0] == name]
        sizes = "; ".join(_size(c) for c in crystals[:3]) or "no crystal"
        typer.echo(f"{name}: {sizes}")


def _size(crystal: dict[str, Any]) -> str:
    v = crystal["values"]
    said = f"crystal {crystal['crystal']} {crystal['quality']}"
    if "radius_tip_m" in v:
        said += f", tips {_um(v['radius_tip_m'])} um, facets {_um(v.get('radius_facet_m'))} um"
    elif "length_m" in v:
        said += f", {_um(v['length_m'])} x {_um(v.get('width_m'))} um"
    if "tip_velocity_m_s" in v:
        said += f", {v['tip_velocity_m_s'][0] * 1e9:.2f} +- {v['tip_velocity_m_s'][1] * 1e9:.2f} nm/s"
    return said


def _um(pair: list[float] | None) -> str:
    if pair is None:
        return "not known"
    value, u = pair[0] * 1e6, pair[1] * 1e6
    digits = 2 if u < 0.1 else 1 if u < 3 else 0
    return f"{value:.{digits}f} +- {u:.{digits}f}"


def _print(found: dict[str, Any]) -> None:
    rows = []
    for c in found["crystals"][:_SHOWN]:
        v = c["values"]
        size = "-"
        if "radius_tip_m" in v:
            size = f"tips {_um(v['radius_tip_m'])}, facets {_um(v.get('radius_facet_m'))}"
        elif "length_m" in v:
            size = f"{_um(v['length_m'])} x {_um(v.get('width_m'))}"
        elif "area_m2" in v:
            size = f"area {v['area_m2'][0] * 1e12:.4g} um2"
        speed = v.get("tip_velocity_m_s") or v.get("length_velocity_m_s")
        rows.append(
            (
                c["crystal"],
                c["pictures"],
                c["view"],
                size,
                f"{speed[0] * 1e9:.2f} +- {speed[1] * 1e9:.2f}" if speed else "-",
                c["quality"] + (f": {c['reasons'][0]}" if c["reasons"] else ""),
            )
        )
    if rows:
        print_table(
            ("crystal", "pictures", "view", "last size, um", "nm/s", "quality"),
            rows,
            "crystals, standard uncertainties",
        )
    if len(found["crystals"]) > _SHOWN:
        typer.echo(f"and {len(found['crystals']) - _SHOWN} more in the table")
    for c in found["crystals"][:_SHOWN]:
        for change in c["changes"]:
            typer.echo(
                f"crystal {c['crystal']}: {change['of'].removesuffix('_m').replace('_', ' ')} changed at "
                f"{change['time_s'] / 60:.2f} +- {change['u_time_s'] / 60:.2f} min, from "
                f"{change['before_m_s'] * 1e9:.2f} to {change['after_m_s'] * 1e9:.2f} nm/s"
            )
    for problem in found["problems"][:30]:
        typer.echo(f"not measured: {problem['name']}: {problem['reason']}", err=True)
    for words in found["words"]:
        typer.echo(f"note: {words}")
    typer.echo(
        f"{found['measured']} of {found['pictures']} pictures, {found['readings']} readings, "
        f"{found['flagged']} flagged; scale {found['scale_x_m'] * 1e6:.5g} x "
        f"{found['scale_y_m'] * 1e6:.5g} um in a pixel ({found['scale_source']}), {found['seconds']:.1f} s"
    )
    for path in [*found["drawn"][:3], found["files"][0]]:
        typer.echo(f"wrote {path}")
    if found["stopped"]:
        typer.echo("stopped; the same command goes on")
