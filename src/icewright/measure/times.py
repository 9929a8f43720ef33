"""When a picture was taken: from its metadata, from its name, from a CSV, or from a steady interval.

Times by a clock are seconds since 1970 of that clock, with no zone: only their differences are used.
"""

from __future__ import annotations

import csv
import datetime
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from icewright.ground.errors import IcewrightError

if TYPE_CHECKING:
    from icewright.measure.images import Item

_CLOCK = re.compile(
    r"(?<!\d)((?:19|20)\d\d)[-_.:]?([01]\d)[-_.:]?([0-3]\d)[T _-]{0,2}([0-2]\d)[-_.:hH]?([0-5]\d)"
    r"(?:[-_.:mM]?([0-5]\d)(?:[._,](\d{1,6})(?!\d))?)?"
)
_SINCE = re.compile(
    r"(?<![A-Za-z0-9])t?=?_?(\d+(?:[.p]\d+)?)_?(ms|sec|s|min|m|h)(?![A-Za-z0-9])", re.IGNORECASE
)
_UNIT_S = {"ms": 1e-3, "s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0}


class TimeError(IcewrightError):
    """Times that cannot be read, or that do not fit the pictures."""


def clock_seconds(text: str) -> float | None:
    """Seconds of a clock reading in ISO form, in the cameras' form (2026:01:31 12:30:00), or in a name."""
    found = _CLOCK.search(text)
    if not found:
        return None
    year, month, day, hour, minute, second, part = found.groups()
    try:
        moment = datetime.datetime(
            int(year), int(month), int(day), int(hour), int(minute), int(second or 0), tzinfo=datetime.UTC
        )
    except ValueError:
        return None
    return moment.timestamp() + (float(f"0.{part}") if part else 0.0)


def name_seconds(name: str) -> tuple[float | None, str]:
    """Seconds told by a file's name: a clock (``20260131_123000``) or a time (``t12.5min``, ``_40s``)."""
    stem = Path(name).stem
    clock = clock_seconds(stem)
    if clock is not None:
        return clock, "clock in the name"
    found = _SINCE.search(stem)
    if found:
        return float(found[1].lower().replace("p", ".")) * _UNIT_S[found[2].lower()], "time in the name"
    return None, ""


def read_csv(path: Path) -> dict[str, float]:
    """Times by file name from a CSV with a column ``file`` and one of ``time_s``, ``time_min``, ``time``.

    ``time`` is a date and time in ISO form. Raises ``TimeError`` naming the line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise TimeError(f"{path} could not be read.", got=str(error)) from error
    rows = list(
        csv.DictReader(text.splitlines(), delimiter=";" if text.count(";") > text.count(",") else ",")
    )
    names = list(rows[0]) if rows else []
    column = next((c for c in ("time_s", "time_min", "time") if c in names), None)
    if "file" not in names or column is None:
        raise TimeError(
            f"{path.name} does not say when the pictures were taken.",
            got="columns " + ", ".join(names) if names else "no rows",
            wanted="columns file and one of time_s, time_min, time",
        )
    out: dict[str, float] = {}
    for line, row in enumerate(rows, start=2):
        word = (row[column] or "").strip()
        try:
            value = clock_seconds(word) if column == "time" else float(word)
        except ValueError:
            value = None
        if value is None:
            raise TimeError(f"{path.name}, line {line}: no time.", got=repr(word), wanted=column)
        out[(row["file"] or "").strip()] = value * (60.0 if column == "time_min" else 1.0)
    return out


def with_times(
    found: Sequence[Item], table: Path | None = None, every_s: float | None = None
) -> tuple[list[Item], list[str]]:
    """The items with times in seconds from the first of them, and words about where the times came from.

    A CSV ``table`` goes before ``every_s``, that before the file's own metadata, that before its name. One
    source must cover two thirds of the pictures; the rest, and all where none does, have the time None and
    are left out of velocities.

    Raises ``TimeError`` for a table that lacks a picture, or for an interval that is not positive.
    """
    if not found:
        return [], []
    if every_s is not None and not every_s > 0:
        raise TimeError(got=f"an interval of {every_s} s", wanted="a positive number of seconds")
    if table is not None:
        known = read_csv(table)
        lost = [i.name for i in found if i.name not in known and i.path.name not in known]
        if lost:
            raise TimeError(
                f"{table.name} has no time for {len(lost)} of {len(found)} pictures.",
                got="none for " + ", ".join(lost[:3]),
                do=f"a line for each in {table.name}, the names as they are: {lost[0]},0",
            )
        return _from(
            found, [known.get(i.name, known.get(i.path.name)) for i in found], f"times from {table.name}"
        )
    if every_s is not None:
        return _from(
            found, [k * every_s for k in range(len(found))], f"one picture every {every_s:g} s, as given"
        )
    inner = _most(found, [(i.time_s, i.time_from) for i in found])
    named = _most(found, [name_seconds(i.name if "[" in i.name else i.path.name) for i in found])
    for answer in (inner, named):
        if answer is not None and _tells_apart(answer[0]):
            return _from(found, *answer)
    if len(found) == 1:
        return [replace(found[0], time_s=None, time_from="")], []
    if inner is not None:
        return _from(found, inner[0], f"{inner[1]}, several pictures share one")
    return [replace(i, time_s=None, time_from="") for i in found], [
        "no times: neither in the files, nor in their names; --every-s or --times CSV gives them"
    ]


def _most(
    found: Sequence[Item], told: Sequence[tuple[float | None, str]]
) -> tuple[list[float | None], str] | None:
    """Times of the one source that most pictures have, in words; None if fewer than two thirds have it."""
    sources = [source for t, source in told if t is not None]
    if not sources:
        return None
    best = max(set(sources), key=sources.count)
    values = [t if source == best else None for t, source in told]
    lost = [i.name for i, t in zip(found, values, strict=True) if t is None]
    if 3 * len(lost) > len(found):
        return None
    words = f"times from the {best}"
    return values, words + (f", none for {', '.join(lost[:3])}" if lost else "")


def _tells_apart(values: Sequence[float | None]) -> bool:
    known = [t for t in values if t is not None]
    return len(known) > 1 and len(set(known)) == len(known)


def _from(found: Sequence[Item], values: Sequence[float | None], words: str) -> tuple[list[Item], list[str]]:
    first = min(v for v in values if v is not None)
    out = [
        replace(i, time_s=None if t is None else t - first, time_from=words if t is not None else "")
        for i, t in zip(found, values, strict=True)
    ]
    # Stable: equal times keep their order; pictures without a time come last.
    out.sort(key=lambda i: (i.time_s is None, i.time_s or 0.0))
    return out, [words]
