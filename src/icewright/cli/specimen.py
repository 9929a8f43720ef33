"""`icewright specimen`: a crystal as a microscope would show it, with its truth beside it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_error, print_json, print_table
from icewright.ground.errors import IcewrightError

STOPPED = 130  # as after Ctrl-C
ALL = ("bright-field", "dark-field", "oblique", "two-colour")


def specimen_command(
    what: Annotated[
        Path | None,
        typer.Argument(metavar="RUN_OR_RECIPE", help="A run folder, or a recipe to grow first."),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Folder for the pictures.")] = None,
    light: Annotated[
        list[str] | None,
        typer.Option("--light", metavar="bright-field|dark-field|oblique|two-colour|all", help="Repeatable."),
    ] = None,
    quality: Annotated[
        str | None, typer.Option("--quality", metavar="perfect|good|fair|poor", help="Good if not given.")
    ] = None,
    frame: Annotated[int, typer.Option("--frame", help="Frame of the run; -1 for the last.")] = -1,
    every_frame: Annotated[
        bool, typer.Option("--every-frame", help="All frames with one camera: a growth series.")
    ] = False,
    pixels: Annotated[str, typer.Option("--pixels", metavar="WxH", help="Size of the picture.")] = "700x500",
    pitch_um: Annotated[
        str | None,
        typer.Option(
            "--pitch-um", metavar="P or PxQ", help="Width (and height) of a pixel; fitted if left out."
        ),
    ] = None,
    orientation_deg: Annotated[
        float, typer.Option("--orientation-deg", help="Where a corner (side view: c) points, from the right.")
    ] = 0.0,
    tilt_deg: Annotated[float, typer.Option("--tilt-deg", help="Tipped out of the picture.")] = 0.0,
    side: Annotated[
        bool | None,
        typer.Option("--side/--plan", help="c axis in the picture or along it; by shape if not given."),
    ] = None,
    defocus_um: Annotated[
        float | None, typer.Option("--defocus-um", help="How far out of focus; by quality if not given.")
    ] = None,
    objective_na: Annotated[float, typer.Option("--objective-na", help="Aperture of the objective.")] = 0.14,
    bits: Annotated[int | None, typer.Option("--bits", help="8 (PNG) or 16 (TIFF).")] = None,
    droplets: Annotated[
        float | None, typer.Option("--droplets-per-mm2", help="Droplets around; by quality if not given.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="Of noise, dust, droplets and focus.")] = 1,
    test_set: Annotated[
        int | None,
        typer.Option("--set", metavar="N", help="Draw N varied test specimens instead; needs no run."),
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Draw a crystal as a microscope would show it, and write down what is true of it.

    Of a run:         icewright specimen star-run --light all --out star-seen

    A series:         icewright specimen star-run --every-frame --out star-series

    For a workflow:   icewright specimen --set 60 --out test-pictures
    """
    if out is None or (what is None) == (test_set is None):
        raise IcewrightError(
            got="no --out" if out is None else "both or none of a run and --set",
            wanted="a run folder, a recipe or --set, and --out",
            do="icewright specimen star-run --light all --out star-seen",
        )
    from icewright.tasks import specimen as task

    show = None if json else _Line()
    lights = list(light or [])
    if test_set is not None:
        if len(lights) > 1:
            raise IcewrightError("A set takes one --light, or none for all in turn.", got=" ".join(lights))
        one = None if lights in ([], ["all"]) else lights[0]
        done = task.specimen_set(test_set, out, seed=seed, light=one, quality=quality, on_drawn=show)
        _finish(done, out, json, show)
        return
    assert what is not None
    try:
        done = _drawn(
            task.specimen,
            what,
            out,
            json,
            lights=ALL if "all" in lights else tuple(lights or ALL[:1]),
            quality=quality or "good",
            frame=frame,
            every_frame=every_frame,
            pixels=_pair("--pixels", pixels, int),
            pitch_um=None if pitch_um is None else _pair("--pitch-um", pitch_um, float),
            orientation_deg=orientation_deg,
            tilt_deg=tilt_deg,
            side=side,
            defocus_um=defocus_um,
            objective_na=objective_na,
            bits=bits,
            droplets_per_mm2=droplets,
            seed=seed,
            on_drawn=show,
        )
    except task.StoppedShortError as stop:
        print_error(stop, as_json=json, kind="stopped")
        raise typer.Exit(STOPPED) from None
    _finish(done, out, json, show)


def _drawn(draw: Any, what: Path, out: Path, as_json: bool, **options: Any) -> list[dict[str, Any]]:
    """Draw; a recipe is grown first, under a bar."""
    if as_json or what.is_dir():
        return list(draw(what, out, **options))
    from icewright.cli.bar import Bar

    with Bar() as seen:
        return list(draw(what, out, on_progress=seen, **options))


def _pair(name: str, text: str, kind: Any) -> tuple[Any, Any]:
    parts = text.lower().replace("×", "x").split("x")
    try:
        first, second = (kind(p) for p in (parts if len(parts) == 2 else [text, text]))
    except ValueError:
        raise IcewrightError(
            f"{name} takes one number or two.",
            got=text,
            wanted="WIDTHxHEIGHT",
            do=f"{name} {'700x500' if kind is int else '0.65x0.70'}",
        ) from None
    return first, second


def _finish(done: list[dict[str, Any]], out: Path, as_json: bool, show: _Line | None) -> None:
    if show is not None:
        show.end()
    if as_json:
        print_json({"specimens": done, "folder": str(out)})
        return
    rows = []
    for each in done[:40]:
        sizes = (
            f"tips {each['radius_tip_um']:.1f}, facets {each['radius_facet_um']:.1f}"
            if each["view"] == "plan"
            else f"length {each['length_um']:.1f}, width {each['width_um']:.1f}"
        )
        pitch = " x ".join(f"{p:.4g}" for p in each["pitch_um"])
        rows.append((Path(each["picture"]).name, each["grade"], pitch, sizes, round(each["area_um2"])))
    print_table(("picture", "quality", "pitch, um", "true size, um", "area, um2"), rows)
    if len(done) > len(rows):
        typer.echo(f"and {len(done) - len(rows)} more")
    typer.echo(f"{len(done)} pictures, each with its truth (.json) and the truth laid over it: {out}")


class _Line:
    """One line of progress on a terminal, else every tenth picture."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._wide = 0

    def __call__(self, told: dict[str, Any]) -> None:
        said = f"{told['done']}/{told['of']} {Path(told['picture']).name}"
        if self._live:
            sys.stderr.write("\r" + said.ljust(self._wide))
            sys.stderr.flush()
            self._wide = len(said)
        elif told["done"] % 10 == 0:
            sys.stderr.write(said + "\n")

    def end(self) -> None:
        """Leave the line."""
        if self._wide:
            sys.stderr.write("\n")
            self._wide = 0
