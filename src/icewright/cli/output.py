"""What commands print: JSON for programs, words and small tables for people, and errors in one shape."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any

import typer

from icewright.ground.errors import IcewrightError

JsonFlag = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]


def print_json(data: object) -> None:
    """One JSON object on stdout. Arrays become lists; nan and infinity, which JSON lacks, become null."""
    sys.stdout.write(json.dumps(plain(data), ensure_ascii=False, indent=2, allow_nan=False) + "\n")


def plain(data: object) -> Any:
    """The same data in what JSON can hold."""
    if isinstance(data, Mapping):
        return {str(key): plain(value) for key, value in data.items()}
    if isinstance(data, bool) or data is None or isinstance(data, str | int):
        return data
    if hasattr(data, "tolist"):  # numpy scalars and arrays, without importing numpy
        return plain(data.tolist())
    if isinstance(data, float):
        return data if math.isfinite(data) else None
    if isinstance(data, Iterable):
        return [plain(item) for item in data]
    return str(data)


def print_error(error: BaseException, *, as_json: bool, kind: str = "") -> None:
    """The error without a traceback: three parts on stderr, or `{"error": {...}}` on stdout."""
    if as_json:
        body: dict[str, object] = {"kind": kind or type(error).__name__, "message": str(error)}
        if isinstance(error, IcewrightError):
            body |= {"got": error.got, "wanted": error.wanted, "do": error.do}
        print_json({"error": body})
    else:
        sys.stderr.write(f"icewright: {error}\n")


def print_table(columns: Sequence[str], rows: Iterable[Sequence[object]], title: str = "") -> None:
    """A small table for people, numbers to the right."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    kept = [list(row) for row in rows]
    table = Table(title=title or None, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for i, name in enumerate(columns):
        numeric = bool(kept) and all(isinstance(row[i], int | float) for row in kept if i < len(row))
        table.add_column(name, justify="right" if numeric else "left", overflow="fold")
    for row in kept:
        table.add_row(*(cell(value) for value in row))
    Console(highlight=False).print(table)


def cell(value: object) -> str:
    """A table cell: four significant digits for floats, a dash where there is nothing."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    if isinstance(value, float):
        return f"{value:.4g}"
    return str(value)


def print_warnings(said: Iterable[str]) -> None:
    """Warnings on stderr, one a line, so that stdout stays clean."""
    for words in said:
        sys.stderr.write(f"warning: {words}\n")
