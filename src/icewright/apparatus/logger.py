"""A logger's record: a CSV file of any columns, read through a small mapping kept as TOML.

The mapping names, once for a logger, the column of the time and the columns of the readings, with their
units. Everything that is done to a reading is listed in the record: cells without a number, spikes taken out
and gaps left standing (the rules are in `icewright.apparatus.spikes`), clocks (`icewright.apparatus.clock`).
"""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.apparatus.clock import LogError, Times, read_times, shifts_of
from icewright.apparatus.spikes import Gap, Spike, bridge, find_gaps, find_spikes
from icewright.ground.records import check_kind

KIND = "icewright.logger"
SCHEMA = 1
SUFFIX = ".logger.toml"

# unit: (quantity, scale, offset), SI = number * scale + offset
UNITS: dict[str, tuple[str, float, float]] = {
    "degC": ("temperature", 1.0, 273.15),
    "degF": ("temperature", 5.0 / 9.0, 273.15 - 32.0 * 5.0 / 9.0),
    "K": ("temperature", 1.0, 0.0),
    "K difference": ("temperature difference", 1.0, 0.0),
    "percent": ("fraction", 0.01, 0.0),
    "fraction": ("fraction", 1.0, 0.0),
    "hPa": ("pressure", 100.0, 0.0),
    "mbar": ("pressure", 100.0, 0.0),
    "kPa": ("pressure", 1000.0, 0.0),
    "Pa": ("pressure", 1.0, 0.0),
    "l/min": ("flow", 1e-3 / 60.0, 0.0),
    "ml/min": ("flow", 1e-6 / 60.0, 0.0),
    "m3/s": ("flow", 1.0, 0.0),
    "mm": ("length", 1e-3, 0.0),
    "um": ("length", 1e-6, 0.0),
    "m": ("length", 1.0, 0.0),
    "": ("number", 1.0, 0.0),
}
# Channels that say the air itself; all others are settings of the apparatus.
AIR: dict[str, str] = {
    "air_temperature": "temperature",
    "frost_point": "temperature",
    "dew_point": "temperature",
    "relative_humidity": "fraction",
    "sigma": "fraction",
    "pressure": "pressure",
}
MOISTURE = ("sigma", "frost_point", "dew_point", "relative_humidity")
_MISSING = {"", "-", "--", "---", "nan", "na", "n/a", "null", "none", "ol", "over", "err", "error", "open"}
_SIGNS = {"°F": "degF", "ºF": "degF", "degF": "degF", "°C": "degC", "ºC": "degC", "degC": "degC"}


@dataclass(frozen=True)
class Channel:
    """One column of a logger: `column` (or its number from 1), `unit` as in `UNITS`, and the thermometer."""

    name: str
    column: str
    unit: str
    thermometer: str = ""


@dataclass(frozen=True)
class Columns:
    """What the columns of a logger's files mean; see docs/logs-and-calibration.md."""

    time_columns: tuple[str, ...]
    layout: str = "iso"
    zone: str = ""
    shifts: tuple[tuple[int, float], ...] = ()
    channels: tuple[Channel, ...] = ()


@dataclass
class Record:
    """A logger's record in SI.

    Attributes:
        time_s: float64 (n,), growing; UTC seconds since 1970, or since the logger's own zero (`counted`).
        values: name of a channel to float64 (n,), SI, spikes and empty cells bridged by straight lines.
        raw: the same as read, NaN where a cell held no number.
        lines: line of the file of each row, (n,).
        quantity: name of a channel to what it is ("temperature", "flow", ...).
        gaps, spikes: what was found.
        notes: sentences on everything else that was done.
        thermometers: name of a channel to the thermometer that it is read by, where the mapping says.
    """

    time_s: NDArray[np.float64]
    values: dict[str, NDArray[np.float64]]
    raw: dict[str, NDArray[np.float64]]
    lines: NDArray[np.int64]
    quantity: dict[str, str]
    counted: bool = False
    gaps: list[Gap] = field(default_factory=list)
    spikes: list[Spike] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    thermometers: dict[str, str] = field(default_factory=dict)

    def cut(self, begin_s: float | None = None, end_s: float | None = None) -> Record:
        """The part between two moments, ends included.

        Raises ``LogError`` where fewer than two rows are left.
        """
        low = -np.inf if begin_s is None else begin_s
        high = np.inf if end_s is None else end_s
        keep = (self.time_s >= low) & (self.time_s <= high)
        if np.count_nonzero(keep) < 2:
            raise LogError(
                got=f"{np.count_nonzero(keep)} rows between the moments asked for",
                wanted="at least two; the log runs from "
                f"{shown_time(float(self.time_s[0]), self.counted)} to "
                f"{shown_time(float(self.time_s[-1]), self.counted)}",
            )
        first, last = float(self.time_s[keep][0]), float(self.time_s[keep][-1])
        return Record(
            self.time_s[keep],
            {k: v[keep] for k, v in self.values.items()},
            {k: v[keep] for k, v in self.raw.items()},
            self.lines[keep],
            self.quantity,
            self.counted,
            [g for g in self.gaps if g.end_s > first and g.start_s < last],
            [s for s in self.spikes if first <= s.time_s <= last],
            list(self.notes),
            self.thermometers,
        )


def shown_time(time_s: float, counted: bool) -> str:
    """A moment of a record as text: UTC, or seconds of the logger's own count."""
    if counted:
        return f"{time_s:g} s"
    from datetime import UTC, datetime

    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


# -- the mapping --------------------------------------------------------------------------------------------


def read_mapping(path: str | Path) -> Columns:
    """The mapping in a file.

    Raises ``LogError`` where it is missing or wrong, ``RecordError`` for another kind or a newer schema.
    """
    path = Path(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise LogError(
            got=f"no file {path}",
            wanted="a mapping: which column of the log is what",
            do="icewright log FILE.csv --apparatus APPARATUS.toml   (writes one to fill in)",
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as cause:
        raise LogError(
            got=f"{path}: {cause}", wanted='TOML, with lines such as column = "Plate (degC)"'
        ) from cause
    check_kind(data, KIND, SCHEMA)
    _only(data, ("kind", "schema", "time", "channel"), "the mapping", '[channel.plate]\ncolumn = "TC1"')
    time = _table(data, "time")
    _only(time, ("column", "layout", "zone", "shifts"), "[time]", 'column = "Time"')
    columns = time.get("column", "")
    named = tuple(columns) if isinstance(columns, list) else (columns,)
    if not named or not all(isinstance(c, str) and c for c in named):
        raise LogError(
            got="[time] without a column", wanted="the column that holds the time", do='column = "Time"'
        )
    channels = tuple(_channel(name, item) for name, item in _table(data, "channel").items())
    if not channels:
        raise LogError(
            got=f"{path} without a channel",
            wanted="at least one reading, each under [channel.NAME]",
            do='[channel.air_temperature]\ncolumn = "T air"\nunit = "degC"',
        )
    return Columns(
        named,
        str(time.get("layout", "iso")),
        str(time.get("zone", "")),
        tuple(shifts_of(time.get("shifts", []))),
        channels,
    )


def _channel(name: str, item: Any) -> Channel:
    where = f"[channel.{name}]"
    if not isinstance(item, dict):
        raise LogError(
            got=f"{where} = {item}", wanted="a table", do=f'{where}\ncolumn = "TC1"\nunit = "degC"'
        )
    _only(item, ("column", "unit", "thermometer"), where, 'unit = "degC"')
    column, unit = item.get("column"), item.get("unit")
    if not isinstance(column, str) or not column:
        raise LogError(got=f"{where} without column", wanted="its name in the log", do='column = "TC1"')
    if unit not in UNITS:
        near = get_close_matches(str(unit).replace("°", "deg"), UNITS, n=1, cutoff=0.3)
        raise LogError(
            got=f"{where}: unit = {json.dumps(unit, ensure_ascii=False)}",
            wanted="one of " + ", ".join(f'"{u}"' for u in UNITS if u),
            do=f'unit = "{near[0] if near else "degC"}"',
        )
    quantity = UNITS[unit][0]
    if name in AIR and quantity != AIR[name]:
        good = next(u for u, (q, _, _) in UNITS.items() if q == AIR[name])
        raise LogError(
            got=f'{where}: unit = "{unit}", a {quantity}',
            wanted=f"a {AIR[name]} for {name}",
            do=f'unit = "{good}"',
        )
    return Channel(name, column, unit, str(item.get("thermometer", "")))


def _only(table: Mapping[str, Any], known: Sequence[str], where: str, do: str) -> None:
    for key in table:
        if key not in known:
            near = get_close_matches(key, known, n=1, cutoff=0.5)
            raise LogError(
                got=f"{where}: unknown key {key}" + (f"; did you mean {near[0]}?" if near else ""),
                wanted="one of " + ", ".join(known),
                do=do,
            )


def _table(data: Mapping[str, Any], key: str) -> dict[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, dict):
        raise LogError(got=f"{key} = {value}", wanted="a table", do=f"[{key}]")
    return value


def starter(path: str | Path, settings: Mapping[str, str]) -> str:
    """A mapping to fill in, for the log at `path`: every column listed, guesses where names and units agree.

    `settings` are the apparatus' own (name to unit); they and the names of `AIR` are what a channel may be.
    Raises ``LogError`` if no row of names is found.
    """
    rows, _ = _rows(Path(path))
    header = _guess_header(rows)
    names = [cell.strip() for cell in rows[header][1]]
    after = rows[header + 1][1] if header + 1 < len(rows) else [""] * len(names)
    time = next((n for n in names if re.search(r"time|date|zeit|datum|heure|hora|tid", n, re.I)), names[0])
    first = after[names.index(time)].strip() if names.index(time) < len(after) else ""
    allowed = {**dict.fromkeys(AIR, ""), **settings}
    lines = [
        "# Which column of the log is what. Fill in once for a logger; it fits all its files.",
        f"# Columns of {Path(path).name}: " + ", ".join(_text(n) for n in names if n),
        "# A channel is one of: " + ", ".join(allowed) + ".",
        "# Units: " + ", ".join(u for u in UNITS if u) + ".",
        f'kind = "{KIND}"',
        f"schema = {SCHEMA}",
        "",
        "[time]",
        f"column = {_text(time)}",
        f'layout = {_text(_guess_layout(first))}   # or a pattern such as "%d.%m.%Y %H:%M:%S", or seconds',
        '# zone = "Europe/Oslo"   # where the logger stands, if its times carry no zone',
    ]
    taken: set[str] = set()
    for name in names:
        if not name or name == time:
            continue
        channel = _guess_channel(name, [a for a in allowed if a not in taken])
        unit = _unit_in(name) or ("degC" if channel and "humid" not in channel else "")
        if channel:
            taken.add(channel)
            lines += ["", f"[channel.{channel}]   # a guess: look at it", f"column = {_text(name)}"]
            lines.append(f"unit = {_text(unit or 'degC')}")
        else:
            lines += [
                "",
                "# [channel.NAME]",
                f"# column = {_text(name)}",
                f"# unit = {_text(unit or 'degC')}",
            ]
    return "\n".join(lines) + "\n"


def _guess_layout(first: str) -> str:
    for layout, pattern in (
        ("iso", r"\d{4}-\d\d-\d\d[T ]\d"),
        ("%d.%m.%Y %H:%M:%S", r"\d\d\.\d\d\.\d{4} \d\d:\d\d:\d\d$"),
        ("%d/%m/%Y %H:%M:%S", r"\d\d/\d\d/\d{4} \d\d:\d\d:\d\d$"),
        ("seconds", r"[\d.,]+$"),
    ):
        if re.match(pattern, first):
            return layout
    return "iso"


def _guess_channel(name: str, allowed: Sequence[str]) -> str:
    low = name.lower()
    for pattern, channel in (
        (r"frost", "frost_point"),
        (r"dew|tau", "dew_point"),
        (r"\brh\b|humid", "relative_humidity"),
        (r"press", "pressure"),
        (r"\bair\b", "air_temperature"),
    ):
        if re.search(pattern, low) and channel in allowed:
            return channel
    words = set(re.findall(r"[a-z]+", low))
    best = [
        a for a in allowed if a not in AIR and words & (set(a.lower().split("_")) - {"c", "k", "temperature"})
    ]
    return best[0] if len(best) == 1 else ""


def _text(words: str) -> str:
    return json.dumps(words, ensure_ascii=False)


# -- the file -----------------------------------------------------------------------------------------------


def read_log(path: str | Path, mapping: Columns) -> Record:
    """The record in a CSV file, read through its mapping.

    The delimiter (comma, semicolon, tab), the decimal sign and any lines above the row of names are found by
    the names that the mapping holds.

    Raises ``LogError`` for a missing file or column, text where numbers should be, two time zones, a clock
    that goes back, a unit that the column's own name denies.
    """
    path = Path(path)
    wanted = [*mapping.time_columns, *(c.column for c in mapping.channels)]
    rows, delimiter = _rows(path, wanted)
    header = _find_header(rows, wanted, path)
    names = [cell.strip() for cell in rows[header][1]]
    place = {name: _index(names, name, path) for name in wanted}
    for channel in mapping.channels:
        _refuse_unit(channel)
    body = rows[header + 1 :]
    needed = max(place.values()) + 1
    kept, short = [], []
    for line, cells in body:
        if not any(cell.strip() for cell in cells):
            continue
        stamp = " ".join(
            cells[place[c]].strip() if place[c] < len(cells) else "" for c in mapping.time_columns
        )
        if not re.search(r"\d", stamp):
            # A row of units beneath the names, or a remark within the file.
            short.append(line)
            continue
        if len(cells) < needed:
            short.append(line)
            continue
        kept.append((line, stamp, cells))
    if len(kept) < 2:
        raise LogError(got=f"{path} with {len(kept)} rows of readings", wanted="at least two")
    lines = [line for line, _, _ in kept]
    times = read_times(
        [stamp for _, stamp, _ in kept],
        lines,
        layout=mapping.layout,
        zone=mapping.zone,
        shifts=mapping.shifts,
    )
    record = _record(mapping, kept, place, times, delimiter)
    if short:
        record.notes.append(
            f"{len(short)} line{'s' if len(short) > 1 else ''} without readings left out "
            f"(first: line {short[0]})"
        )
    return record


def _record(
    mapping: Columns,
    kept: Sequence[tuple[int, str, list[str]]],
    place: Mapping[str, int],
    times: Times,
    delimiter: str,
) -> Record:
    time_s = times.time_s
    lines = np.array([line for line, _, _ in kept], dtype=np.int64)
    notes = list(times.notes)
    fresh = np.concatenate([[True], np.diff(time_s) > 0.0])
    if not fresh.all():
        notes.append(
            f"{int((~fresh).sum())} rows at the very second of the row before left out (first: line "
            f"{lines[~fresh][0]})"
        )
    values: dict[str, NDArray[np.float64]] = {}
    raw: dict[str, NDArray[np.float64]] = {}
    quantity: dict[str, str] = {}
    gaps = find_gaps(time_s[fresh], lines[fresh].tolist())
    spikes: list[Spike] = []
    for channel in mapping.channels:
        numbers = np.array([_number(cells[place[channel.column]], delimiter) for _, _, cells in kept])
        if not np.isfinite(numbers).any():
            first = kept[0][2][place[channel.column]]
            raise LogError(
                got=f'column "{channel.column}" without a single number (line {lines[0]}: "{first}")',
                wanted=f"readings of {channel.name}",
            )
        quantity[channel.name], scale, offset = UNITS[channel.unit]
        y = (numbers * scale + offset)[fresh]
        raw[channel.name] = y
        mended = y.copy()
        found = find_spikes(y)
        mended[found] = np.nan
        known = np.isfinite(y)
        if not known.all():
            notes.append(f'"{channel.column}": {int((~known).sum())} cells without a number')
            gaps += [
                gap
                for gap in find_gaps(time_s[fresh][known], lines[fresh][known].tolist(), channel.name)
                if not any(g.start_s == gap.start_s and g.end_s == gap.end_s for g in gaps)
            ]
        mended = bridge(time_s[fresh], mended)
        values[channel.name] = mended
        spikes += [
            Spike(float(time_s[fresh][i]), int(lines[fresh][i]), channel.name, float(y[i]), float(mended[i]))
            for i in np.flatnonzero(found)
        ]
    return Record(
        time_s[fresh],
        values,
        raw,
        lines[fresh],
        quantity,
        times.counted,
        sorted(gaps, key=lambda gap: gap.start_s),
        sorted(spikes, key=lambda spike: spike.time_s),
        notes,
        {c.name: c.thermometer for c in mapping.channels if c.thermometer},
    )


def refuse_gaps(record: Record, longest_s: float) -> list[str]:
    """Say how each gap is bridged (a straight line), or refuse one that is longer than `longest_s`.

    Raises ``LogError`` naming the longest gap and both ways out.
    """
    if not record.gaps:
        return []
    worst = max(record.gaps, key=lambda gap: gap.length_s)
    if worst.length_s > longest_s:
        hour = abs(worst.length_s - 3600.0) < 600.0 and not record.counted
        hint = " (an hour: if summer time began there, name the zone in the mapping)" if hour else ""
        raise LogError(
            got=f"{_where(worst, record)}: {worst.length_s / 60.0:.4g} min are missing{hint}",
            wanted=f"at most {longest_s / 60.0:.3g} min without a reading",
            do=f"--bridge-min {np.ceil(worst.length_s / 60.0):g}   (draws a straight line across), or cut "
            "the log with --begin or --end",
        )
    return [
        f"{_where(g, record)}: {g.length_s:.4g} s without a reading, bridged by a line" for g in record.gaps
    ]


def _where(gap: Gap, record: Record) -> str:
    of = f" of {gap.channel}" if gap.channel else ""
    return (
        f"lines {gap.first_line} to {gap.last_line}{of}, from {shown_time(gap.start_s, record.counted)} to "
        f"{shown_time(gap.end_s, record.counted)}"
    )


def _rows(path: Path, wanted: Sequence[str] = ()) -> tuple[list[tuple[int, list[str]]], str]:
    """(line number, cells) of every line, and the delimiter that parts the most wanted names."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise LogError(got=f"no file {path}", wanted="a logger's record, CSV") from None
    except OSError as cause:
        raise LogError(got=f"{path} cannot be read ({cause})", wanted="a logger's record, CSV") from cause
    if b"\x00" in content[:4096] and not content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise LogError(
            got=f"{path} is not text", wanted="CSV", do="export the log as CSV from the logger's own program"
        )
    text = _decoded(content)
    lines = text.splitlines()

    def names(delimiter: str) -> int:
        if wanted:
            cells = {
                c.strip() for line in lines[:200] for c in next(csv.reader([line], delimiter=delimiter), [])
            }
            return sum(name in cells for name in wanted)
        return int(np.median([line.count(delimiter) for line in lines[:200] if line.strip()] or [0]))

    delimiter = max((";", "\t", ","), key=names)
    reader = csv.reader(io.StringIO(text), delimiter=delimiter)
    rows = []
    for cells in reader:
        rows.append((reader.line_num, cells))
    return rows, delimiter


def _decoded(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", "replace")  # what older loggers write, degree sign and all


def _find_header(rows: Sequence[tuple[int, list[str]]], wanted: Sequence[str], path: Path) -> int:
    best, most = 0, -1
    for i, (_, cells) in enumerate(rows[:200]):
        found = sum(name in {cell.strip() for cell in cells} for name in wanted)
        if found > most:
            best, most = i, found
    if most < len(set(wanted)):
        there = [cell.strip() for cell in rows[best][1]] if most > 0 else []
        if not there and rows:
            there = [cell.strip() for cell in rows[_guess_header(rows)][1]]
        missing = next(name for name in wanted if name not in there)
        near = get_close_matches(missing, there, n=1, cutoff=0.5)
        raise LogError(
            got=f'{path} has no column "{missing}"',
            wanted="one of " + ", ".join(f'"{name}"' for name in there if name),
            do=f"column = {_text(near[0])}" if near else "",
        )
    return best


def _guess_header(rows: Sequence[tuple[int, list[str]]]) -> int:
    """The row above the first row of numbers."""
    for i, (_, cells) in enumerate(rows[1:200], 1):
        filled = [cell for cell in cells if cell.strip()]
        if (
            len(filled) > 1
            and sum(bool(re.fullmatch(r"[-+−\d.,:eE/ TZ]+", c.strip())) for c in filled) > len(filled) / 2
        ):
            before = [j for j in range(i) if len([c for c in rows[j][1] if c.strip()]) >= len(filled)]
            if before:
                return before[0] if len(before) < 3 else before[-1]
    raise LogError(got="a file without a row of names above rows of numbers", wanted="a logger's record, CSV")


def _index(names: Sequence[str], name: str, path: Path) -> int:
    if names.count(name) > 1:
        raise LogError(
            got=f'{path} has {names.count(name)} columns called "{name}"',
            wanted="names that tell the columns apart",
            do="rename one in the first line of the file",
        )
    return list(names).index(name)


def _unit_in(name: str) -> str:
    for sign, unit in _SIGNS.items():
        if sign in name:
            return unit
    bare = re.search(r"[(\[]\s*([CFK%]|hPa|mbar|kPa|Pa|l/min|ml/min|mm|um)\s*[)\]]", name)
    if bare:
        return {"C": "degC", "F": "degF", "%": "percent"}.get(bare.group(1), bare.group(1))
    return ""


def _refuse_unit(channel: Channel) -> None:
    said = _unit_in(channel.column)
    if said and said != channel.unit and {said, channel.unit} <= {"degC", "degF", "K"}:
        raise LogError(
            got=f'[channel.{channel.name}]: unit = "{channel.unit}" for the column "{channel.column}"',
            wanted=f"the unit that the column itself names, {said}",
            do=f'unit = "{said}"',
        )


def _number(text: str, delimiter: str) -> float:
    word = text.strip().replace("−", "-")
    if word.lower() in _MISSING:
        return float("nan")
    if delimiter != "," and "," in word and "." not in word:
        word = word.replace(",", ".")
    try:
        value = float(word)
    except ValueError:
        return float("nan")
    return value if np.isfinite(value) else float("nan")
