"""`icewright air`: from one humidity, all the others and the scales that rule growth."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from icewright.cli.output import print_json

if TYPE_CHECKING:
    from rich.table import Table

    from icewright.tasks.air import AirReport, Quantity

# SI name -> (name at the edge, factor, offset); what is not here is printed as it is.
_EDGE: dict[str, tuple[str, float, float]] = {
    "sigma": ("%", 100.0, 0.0),
    "rh_water": ("%", 100.0, 0.0),
    "sigma_water": ("%", 100.0, 0.0),
    "sigma_margin": ("%", 100.0, 0.0),
    "frost_point_k": ("degC", 1.0, -273.15),
    "dew_point_k": ("degC", 1.0, -273.15),
    "excess_density_kg_m3": ("g/m3", 1e3, 0.0),
    "v_kin_m_s": ("um/s", 1e6, 0.0),
    "X0_m": ("um", 1e6, 0.0),
    "capillary_m": ("nm", 1e9, 0.0),
    "D_m2_s": ("mm2/s", 1e6, 0.0),
    "latent_j_kg": ("J/g", 1e-3, 0.0),
}


def air_command(
    temperature: Annotated[float, typer.Option("--temperature", "-t", help="Air temperature, degC.")],
    pressure: Annotated[float, typer.Option("--pressure", "-p", help="Air pressure, hPa.")] = 1013.25,
    sigma: Annotated[float | None, typer.Option(help="Supersaturation over ice, percent.")] = None,
    rh: Annotated[float | None, typer.Option(help="Relative humidity over water, percent.")] = None,
    frost_point: Annotated[float | None, typer.Option(help="Frost point, degC.")] = None,
    dew_point: Annotated[float | None, typer.Option(help="Dew point, degC.")] = None,
    vapour_pressure: Annotated[float | None, typer.Option(help="Vapour pressure, Pa.")] = None,
    excess: Annotated[float | None, typer.Option(help="Excess vapour density over ice, g/m3.")] = None,
    diffusivity: Annotated[str, typer.Option(help="Diffusivity formula: 1976, 1998 or 1972.")] = "1976",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON (SI units) instead of tables.")] = False,
) -> None:
    """Moist air over ice: give one humidity, read all the others and the scales that rule growth."""
    # Imported here so that --help answers at once.
    from icewright.ground import units
    from icewright.tasks.air import air

    flags = {
        "--sigma": sigma,
        "--rh": rh,
        "--frost-point": frost_point,
        "--dew-point": dew_point,
        "--vapour-pressure": vapour_pressure,
        "--excess": excess,
    }
    _once(flags)
    report = air(
        units.celsius_to_kelvin(temperature),
        units.from_hpa(pressure),
        sigma=None if sigma is None else units.from_percent(sigma),
        rh_water=None if rh is None else units.from_percent(rh),
        frost_point_k=None if frost_point is None else units.celsius_to_kelvin(frost_point),
        dew_point_k=None if dew_point is None else units.celsius_to_kelvin(dew_point),
        vapour_pressure_pa=vapour_pressure,
        excess_density_kg_m3=None if excess is None else units.from_g_m3(excess),
        diffusivity=diffusivity,
    )
    if as_json:
        print_json(report.to_dict())
    else:
        _print(report)


def _once(flags: dict[str, float | None]) -> None:
    from icewright.ground.errors import ConditionsError

    given = [flag for flag, value in flags.items() if value is not None]
    if len(given) != 1:
        raise ConditionsError(
            "Say the humidity once.",
            got=" and ".join(given) or "no humidity",
            wanted="exactly one of " + ", ".join(flags),
            do="icewright air --temperature -15 --sigma 5",
        )


def _print(report: AirReport) -> None:
    from rich.console import Console

    from icewright.ground.sources import source

    console = Console(highlight=False)
    state = f"Air at {report.temperature_k - 273.15:.2f} degC and {report.pressure_pa / 100:g} hPa."
    console.print(state, report.words)
    parts = (
        ("Humidity", report.humidity),
        ("Saturation", report.margins),
        ("Scales of growth", report.scales),
    )
    keys = dict.fromkeys(key for _, rows in parts for item in rows for key in item.source_keys)
    numbers = {key: number for number, key in enumerate(keys, start=1)}
    for title, rows in parts:
        console.print(_table(title, rows, report.given, numbers))
        for item in rows:
            if item.note:
                console.print(f"{item.words}: {item.note}")
        console.print()
    console.print("+- is the uncertainty of the formulas; what you gave is taken as exact.")
    console.print("* rests on a value from memory, not yet confirmed.")
    for key, number in numbers.items():
        console.print(f"({number}) {source(key).citation} ({source(key).how})")


def _table(title: str, rows: tuple[Quantity, ...], given: str, numbers: dict[str, int]) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    # Equal widths in all three tables, so that the eye runs down one column of values.
    table.add_column("", min_width=30)
    table.add_column("value", justify="right", min_width=10)
    table.add_column("+-", justify="right", min_width=7)
    table.add_column("unit", min_width=7)
    table.add_column("source", min_width=10)
    for item in rows:
        table.add_row(*_cells(item, given, numbers))
    return table


def _cells(item: Quantity, given: str, numbers: dict[str, int]) -> tuple[str, ...]:
    unit, factor, offset = _EDGE.get(item.name, (item.unit, 1.0, 0.0))
    unit = "" if unit == "1" else unit
    marks = ", ".join(str(numbers[key]) for key in item.source_keys) + ("*" if item.from_memory else "")
    if item.value is None:
        return item.words, "none", "", unit, marks
    value = item.value * factor + offset
    if item.name == given:
        return item.words, f"{value:.6g}", "given", unit, ""
    if item.uncertainty is None:
        return item.words, f"{value:.5g}", "?", unit, marks
    spread = item.uncertainty * factor
    return item.words, _rounded(value, spread), f"{spread:.1g}", unit, marks


def _rounded(value: float, spread: float) -> str:
    """The value to one digit beyond the first of its uncertainty."""
    if not spread > 0 or 0 < abs(value) < 1e-3:
        return f"{value:.4g}"
    return f"{value:.{max(1 - math.floor(math.log10(spread)), 0)}f}"
