"""`icewright design`: from the crystal that is wanted to the recipe that grows it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from icewright.cli.output import JsonFlag, print_json, print_table
from icewright.cli.watch import Watch
from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.design.found import Progress
    from icewright.tasks.design import DesignSummary

STOPPED = 130


def design_command(
    target: Annotated[
        Path | None, typer.Argument(metavar="TARGET.toml", help="The crystal wanted (docs/design.md).")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="New folder for the design.")
    ] = None,
    resume: Annotated[
        Path | None, typer.Option("--resume", metavar="DIR", help="Go on with a stopped search.")
    ] = None,
    robust: Annotated[
        bool, typer.Option("--robust", help="Seek the recipe whose worst likely outcome is best.")
    ] = False,
    trials: Annotated[
        float | None, typer.Option("--trials", min=10, help="Budget, in crystals of middle fineness; 320.")
    ] = None,
    minutes: Annotated[float | None, typer.Option("--minutes", help="Stop the search after so long.")] = None,
    enough: Annotated[
        float | None,
        typer.Option("--enough", min=0, help="Stop when the crystal is so near to the target; 0.02."),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="The same seed finds the same recipe.")] = 1,
    strategy: Annotated[str, typer.Option("--strategy", help="ladder, cma or random.")] = "ladder",
    spread: Annotated[
        int, typer.Option("--spread", min=0, help="Regrowths that say how far outcomes stray; 0 for none.")
    ] = 20,
    kelvin: Annotated[
        float, typer.Option("--kelvin", min=0, help="How far the temperature may be off.")
    ] = 0.1,
    sigma_percent: Annotated[
        float,
        typer.Option("--sigma-percent", min=0, help="How far the supersaturation may be off, relative."),
    ] = 5.0,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; all cores if not given.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option("--cluster", metavar="ADDRESS", help="A running scheduler.")
    ] = None,
    pictures: Annotated[bool, typer.Option(help="Draw the crystal beside the target.")] = True,
    json: JsonFlag = False,
) -> None:
    """Find the recipe that grows the crystal you want. Ctrl-C keeps the best so far; --resume goes on."""
    folder = _folder(target, out, resume)
    from icewright.tasks.design import design

    with _Watch(quiet=json) as watch:
        done = design(
            target,
            folder,
            resume=resume is not None,
            seed=seed,
            trials=trials,
            minutes=minutes,
            enough=enough,
            strategy=strategy,
            robust=robust,
            spread=spread,
            kelvin=kelvin,
            sigma_percent=sigma_percent,
            workers=workers,
            cluster=cluster,
            pictures=pictures,
            on_progress=watch.progress,
            on_event=watch.event,
        )
    if json:
        print_json(done.to_dict())
    else:
        _show(done)
    if not done.complete and minutes is None:
        raise typer.Exit(STOPPED)


def _folder(target: Path | None, out: Path | None, resume: Path | None) -> Path:
    if resume is not None:
        if target is not None or out is not None:
            raise IcewrightError(
                got="--resume with a target or --out",
                wanted="--resume alone: the folder holds its own target",
                do=f"icewright design --resume {resume}",
            )
        return resume
    if target is None:
        raise IcewrightError(
            got="no target",
            wanted="a file that says which crystal is wanted (docs/design.md)",
            do="icewright design examples/target-plate.toml --out plate-design",
        )
    if out is None:
        raise IcewrightError(
            got="no --out", wanted="a folder", do=f"icewright design {target} --out {target.stem}-design"
        )
    return out


def _show(done: DesignSummary) -> None:
    typer.echo(done.ended)
    if done.recipes:
        rows = []
        for r in done.recipes:
            air = ", then ".join(f"{a['temperature_c']:g} degC {a['sigma_percent']:g} %" for a in r["air"])
            rows.append(
                (r["file"], air, r["habit"], r["radius_um"], r["thickness_um"], r["minutes"], r["distance"])
            )
        print_table(("recipe", "air", "habit", "radius, um", "thickness, um", "minutes", "distance"), rows)
    if done.terms:
        print_table(("misfit", ""), [(name, value) for name, value in done.terms.items()])
    for r in done.reasons:
        typer.echo(f"{'cannot be' if r['certain'] else 'not reached'}: {r['what']}: {r['why']}")
    _show_spread(done)
    if done.apparatus and done.apparatus.get("file"):
        typer.echo(
            f"in settings, with the lag of the apparatus: distance {done.apparatus['distance_with_lag']:.3f} "
            f"({done.folder / 'settings.toml'})"
        )
    for words in done.notes:
        typer.echo(f"note: {words}")
    for path in done.pictures:
        typer.echo(f"picture: {path}")
    if done.recipes:
        typer.echo(f"grow it: icewright grow {done.folder / 'recipe.toml'} --out {done.folder.name}-run")
    if not done.complete:
        typer.echo(f"go on: icewright design --resume {done.folder}")


def _show_spread(done: DesignSummary) -> None:
    s = done.spread
    if not s or not s["numbers"]:
        return
    title = (
        f"the middle {100 * s['level']:.0f} % of {s['draws']} regrowths, off by {s['kelvin']:g} K, "
        f"{s['sigma_percent']:g} % of the supersaturation, barriers {100 * s['barriers']:.0f} % "
        f"({s['barriers_from']})"
    )
    print_table(("", "from", "median", "to"), [(name, *v) for name, v in s["numbers"].items()], title)
    typer.echo(
        f"{100 * s['same']:.0f} % of them count as the same crystal; the step most at risk is step "
        f"{s['step_most_at_risk']}"
    )


class _Watch(Watch):
    """The best distance so far."""

    def progress(self, now: Progress) -> None:
        """Show how the search stands."""
        words = f"{now.phase}: {now.trials} trials"
        if now.distance is not None:
            words += f", best {now.distance:.3f} ({now.habit})"
        self.show(words, now.fraction, now.eta_s, percent=True)
