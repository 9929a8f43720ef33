"""`icewright compare`: two crystals laid over each other, photographs or runs; twins in one photograph."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from icewright.cli.output import JsonFlag, print_json, print_table


def compare_command(
    first: Annotated[Path, typer.Argument(metavar="A", help="A run folder, a measured folder or a picture.")],
    second: Annotated[
        Path | None, typer.Argument(metavar="B", help="Another; left out, two crystals within picture A.")
    ] = None,
    scale: Annotated[str | None, typer.Option(metavar="UM", help="um in a pixel of pictures.")] = None,
    scale_b: Annotated[str | None, typer.Option(metavar="UM", help="The same for B, if it differs.")] = None,
    frame: Annotated[int, typer.Option(help="Frame of run A; -1 is the last.")] = -1,
    frame_b: Annotated[int, typer.Option(help="Frame of run B.")] = -1,
    crystal: Annotated[int, typer.Option(min=1, help="Which in picture A; 1 is the largest.")] = 1,
    crystal_b: Annotated[int | None, typer.Option(min=1, help="Which in picture B.")] = None,
    same_size: Annotated[
        bool, typer.Option("--same-size", help="Stretch B to the size of A: compare shapes only.")
    ] = False,
    picture: Annotated[
        str | None, typer.Option(metavar="NAME", help="Which picture of measured folder A; the last.")
    ] = None,
    picture_b: Annotated[str | None, typer.Option(metavar="NAME", help="The same for B.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for picture and JSON.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """Lay crystal B over crystal A: difference in area and arm by arm, and one number for how alike they are.

    icewright compare photo.png star-run --scale 0.65 --out compared

    With one picture of two crystals side by side: how much the sides that face lag behind. A measured folder
    brings its scale and its corrections by hand.
    """
    from icewright.tasks.compare import compare

    found = compare(
        first,
        second,
        scale=scale,
        scale_second=scale_b,
        frame=frame,
        frame_second=frame_b,
        crystal=crystal,
        crystal_second=crystal_b,
        same_size=same_size,
        picture=picture,
        picture_second=picture_b,
        out=out,
    )
    if json:
        print_json(found)
    elif "lag" in found:
        _twins(found)
    else:
        _pair(found)
    if not json:
        for path in found.get("files", ()):
            typer.echo(f"wrote {path}")


def _pair(found: dict[str, Any]) -> None:
    um2 = 1e12
    for name, words in zip((found["first"], found["second"]), found["corrected"], strict=True):
        if words:
            typer.echo(f"note: {name}: {words}")
    typer.echo(
        f"similarity {found['similarity']:.3f} +- {found['u_similarity']:.3f}: common over covered area. "
        f"{found['meaning']}"
    )
    typer.echo(
        f"{found['second']} is {found['size_ratio']:.3f} times the size of {found['first']}; turned by "
        f"{found['turned_deg']:.1f} degrees{', turned over' if found['mirrored'] else ''}"
        + (f", stretched by {found['stretched_by']:.3f}" if found["stretched_by"] != 1.0 else "")
    )
    print_table(
        ("area", "um2"),
        [
            ("common", found["common_m2"] * um2),
            (f"only {found['first']}", found["only_first_m2"] * um2),
            (f"only {found['second']}", found["only_second_m2"] * um2),
        ],
    )
    if found["arms"]:
        rows = [
            (k, a["first_m"] * 1e6, a["second_m"] * 1e6, a["difference_m"] * 1e6)
            for k, a in enumerate(found["arms"], start=1)
        ]
        print_table(("arm", found["first"], found["second"], "difference"), rows, "arms, um")


def _twins(found: dict[str, Any]) -> None:
    typer.echo(
        f"two crystals, centres {found['distance_m'] * 1e6:.1f} um apart, edges {found['gap_m'] * 1e6:.1f} um"
    )
    rows = [
        (
            k,
            lag["facing_m"] * 1e6,
            lag["away_m"] * 1e6,
            f"{lag['lag_m'] * 1e6:.2f} +- {lag['u_lag_m'] * 1e6:.2f}",
            f"{100 * lag['share']:.1f} %",
        )
        for k, lag in enumerate(found["lag"], start=1)
    ]
    print_table(("crystal", "facing side", "far side", "lag", "of its radius"), rows, "mean reach, um")
