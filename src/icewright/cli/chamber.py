"""`icewright chamber`: the air that an apparatus makes, how well it is known, and the way back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from icewright.cli.output import JsonFlag, print_json, print_table

if TYPE_CHECKING:
    from icewright.tasks.chamber import ChamberReport, Crystal


def chamber_command(
    apparatus: Annotated[Path, typer.Argument(metavar="APPARATUS.toml", help="An apparatus file.")],
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="NAME=VALUE", help="A setting, in the unit of its name; may be repeated."
        ),
    ] = None,
    temperature: Annotated[
        float | None, typer.Option("--temperature", "-t", help="Wanted: temperature at the crystal, degC.")
    ] = None,
    sigma: Annotated[float | None, typer.Option(help="Wanted: supersaturation over ice, percent.")] = None,
    pressure: Annotated[
        float | None, typer.Option("--pressure", "-p", help="Air pressure, hPa, instead of the file's.")
    ] = None,
    radius_um: Annotated[
        float | None, typer.Option(help="A crystal that drinks: centre to corner, micrometres.")
    ] = None,
    thickness_um: Annotated[
        float | None,
        typer.Option("--thickness-um", "--length-um", help="The same: extent along c, micrometres."),
    ] = None,
    alpha: Annotated[float, typer.Option(help="Its attachment coefficient; 1 drinks most.")] = 1.0,
    neighbours: Annotated[int, typer.Option(help="Equal crystals at --distance-mm.", min=0)] = 0,
    distance_mm: Annotated[
        float | None, typer.Option(help="Distance of the neighbours' centres, mm.")
    ] = None,
    per_litre: Annotated[float, typer.Option(help="Crystals in a litre of shared air.", min=0)] = 0.0,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.png", help="Draw temperature, vapour and supersaturation.")
    ] = None,
    json: JsonFlag = False,
) -> None:
    """The air at the crystal from an apparatus' settings, with its error budget; or the settings for an air.

    As it stands:          icewright chamber cell.toml --picture cell.png

    Other settings:        icewright chamber cell.toml --set plate_c=-15 --set reservoir_c=-13.4

    An air that is wanted: icewright chamber cell.toml --temperature -12.5 --sigma 8
    """
    from icewright.ground import units
    from icewright.tasks.chamber import chamber

    report = chamber(
        apparatus,
        _settings(set_ or []),
        temperature_k=None if temperature is None else units.celsius_to_kelvin(temperature),
        sigma=None if sigma is None else units.from_percent(sigma),
        pressure_pa=None if pressure is None else _pressure(pressure),
        crystal=_crystal(radius_um, thickness_um, alpha, neighbours, distance_mm, per_litre),
        picture=picture,
    )
    if json:
        print_json(report.to_dict())
    else:
        show(report)


def _pressure(hpa: float) -> float:
    from icewright.ground.errors import ConditionsError

    if not 0.1 <= hpa <= 2000.0:
        raise ConditionsError(
            "The pressure is outside what a growth chamber has.",
            got=f"{hpa:g} hPa",
            wanted="0.1 to 2000 hPa",
            do="--pressure 1013.25",
        )
    return hpa * 100.0


def _settings(pairs: list[str]) -> dict[str, float]:
    from icewright.apparatus.basis import ApparatusError

    found: dict[str, float] = {}
    for pair in pairs:
        name, sign, value = pair.partition("=")
        try:
            found[name.strip()] = float(value)
        except ValueError:
            raise ApparatusError(
                "A setting is a name and a number.",
                got=f"--set {pair}",
                wanted="NAME=VALUE",
                do=f"--set {name.strip() or 'plate_c'}=-15",
            ) from None
        if not sign:
            raise ApparatusError("A setting is a name and a number.", got=pair, do=f"--set {pair}=-15")
    return found


def _crystal(
    radius_um: float | None,
    thickness_um: float | None,
    alpha: float,
    neighbours: int,
    distance_mm: float | None,
    per_litre: float,
) -> Crystal | None:
    from icewright.apparatus.basis import ApparatusError

    if radius_um is None and thickness_um is None:
        if neighbours or per_litre or distance_mm is not None or alpha != 1.0:
            raise ApparatusError(
                "Which crystal drinks?", wanted="its size", do="--radius-um 100 --thickness-um 20"
            )
        return None
    if radius_um is None or thickness_um is None:
        raise ApparatusError(
            "A crystal has two sizes.",
            got="--radius-um alone" if thickness_um is None else "--thickness-um alone",
            wanted="both",
            do="--radius-um 100 --thickness-um 20",
        )
    from icewright.tasks.chamber import Crystal

    return Crystal(
        radius_um * 1e-6,
        thickness_um * 1e-6,
        alpha,
        neighbours,
        None if distance_mm is None else distance_mm * 1e-3,
        per_litre * 1e3,
    )


def show(report: ChamberReport) -> None:
    """Print the answer first, then what it rests on, then what could hurt."""
    from icewright.apparatus.basis import unit_of
    from icewright.ground.sources import source

    a, air, b = report.apparatus, report.air, report.budget
    typer.echo(f"{a.title or a.kind}: {a.physics.words}, {air.pressure_pa / 100:g} hPa")
    if report.wanted:
        w = report.wanted
        typer.echo(f"\nfor {w.temperature_k - 273.15:g} degC and {100 * w.sigma:g} % over ice set")
        for name, value in w.on_steps.items():
            typer.echo(f"  {name} = {value:g}   (exactly {w.exact[name]:.5g} {unit_of(name)})")
        typer.echo("which, on the steps of the knobs, gives")
    else:
        said = ", ".join(f"{name} = {value:g}" for name, value in report.settings.items())
        typer.echo(f"\nwith {said} the crystal has")
    typer.echo(f"  {_pm(air.temperature_k - 273.15, b.u_temperature_k)} degC")
    typer.echo(f"  {_pm(100 * air.sigma, 100 * b.u_sigma)} % supersaturation over ice")
    if air.fog:
        typer.echo(f"  but fog forms: droplets hold it near {100 * air.sigma_water:.2f} %")
    ice_share = 100 * air.sigma / air.sigma_water if air.sigma_water else 0.0
    typer.echo(
        f"  water saturation at {100 * air.sigma_water:.2f} %; this is {ice_share:.0f} % of the way from ice"
    )
    low, high = b.sigma_interval
    typer.echo(
        f"  +- is one standard deviation; 95 % of draws lie from {100 * low:.2f} to {100 * high:.2f} %"
    )
    print_table(
        ["not known exactly", "by", "T, K", "sigma, %"],
        [
            [
                row.words,
                _u(row.uncertainty, row.unit),
                _small(row.in_temperature_k),
                _small(100 * row.in_sigma),
            ]
            for row in b.rows
        ],
        title="\nError budget, standard uncertainties",
    )
    typer.echo(b.words)
    typer.echo(b.first_words)
    for words in b.unknown:
        typer.echo(f"counted as exact, so the truth is worse: {words}")
    _fog(report)
    typer.echo("\nAfter a knob is turned")
    for words in report.lag.words:
        typer.echo(f"  {words}")
    print_table(
        ["knob", "from", "to", "95 % after, min", "T, K", "sigma, %"],
        [
            [s.setting, s.start, s.to, round(s.settled_s / 60, 3), s.d_temperature_k, 100 * s.d_sigma]
            for s in report.steps
        ],
    )
    _drunk(report)
    if air.notes:
        typer.echo("Rests on")
        for words in air.notes:
            typer.echo(f"  {words}")
    if report.notes:
        typer.echo("\nNotes kept with the apparatus")
        for name, value in report.notes.items():
            typer.echo(f"  {name}: {value}")
    typer.echo("\nSources")
    for key in report.source_keys:
        typer.echo(f"  {source(key).citation} ({source(key).how})")
    typer.echo("\nCautions")
    for words in report.cautions:
        typer.echo(f"  {words}")
    if report.picture:
        typer.echo(f"\npicture: {report.picture}")


def _fog(report: ChamberReport) -> None:
    typer.echo("\nFog")
    spatial = report.profile.axis.startswith("height")
    if not report.fog_zones:
        typer.echo("  none anywhere along the profile")
    for low, high in report.fog_zones:
        if spatial:
            typer.echo(f"  between {1e3 * low:.3g} and {1e3 * high:.3g} mm ({report.profile.axis[:-5]})")
        else:
            typer.echo(f"  where the {report.profile.axis[:-4]} lies between {low:.3g} and {high:.3g}")
    typer.echo(f"  at {report.ceiling.temperature_k - 273.15:.4g} degC:")
    for words in report.ceiling.words:
        typer.echo(f"  {words}")


def _drunk(report: ChamberReport) -> None:
    d = report.depletion
    if d is None:
        return
    typer.echo(f"What the crystal drinks (attachment coefficient {d.alpha:g} all over)")
    typer.echo(
        f"  capacitance {1e6 * d.capacitance_m:.4g} um; "
        f"mass grows by {1e9 * 60 * d.mass_rate_kg_s:.3g} ug/min"
    )
    for name, factor in d.factors.items():
        typer.echo(f"  {name}: growth times {factor:.4g}")
    typer.echo(
        f"  sigma at its surface {100 * d.sigma_surface:.3g} % of {100 * d.sigma_far:.3g} % far away;"
        f" it takes a hundredth of that {1e3 * d.reach_m:.3g} mm away"
    )
    if d.warming_k:
        typer.echo(f"  its surface is {d.warming_k:.2g} K warmer than the air")
    typer.echo("")


def _pm(value: float, spread: float) -> str:
    import math

    if not spread > 0:
        return f"{value:.3f}"
    places = min(max(1 - math.floor(math.log10(spread)), 0), 6)
    return f"{value:.{places}f} +- {spread:.{places}f}"


def _small(value: float) -> str:
    return "0" if value < 1e-7 else f"{value:.2g}"


def _u(value: float, unit: str) -> str:
    shown = {
        "m": (1e3, "mm"),
        "m2": (1e4, "cm2"),
        "m3": (1e3, "l"),
        "m/s": (1e3, "mm/s"),
        "m3/s": (6e4, "l/min"),
    }
    factor, name = (shown | {"1": (100.0, "%"), "sd": (1.0, "sd")}).get(unit, (1.0, unit))
    return f"{value * factor:.3g} {name}"
