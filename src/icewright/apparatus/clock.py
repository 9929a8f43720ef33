"""A logger's clock: written times to seconds, one zone, the changed hour, and the offset to the camera.

Rules, the same every time:

* Times that carry their offset ("2026-01-10T14:00:03+01:00") are taken as they say, also where the offset
  changes within the file. Times with and without an offset in one file are refused.
* Times without an offset are read in the one zone that the mapping names. The hour that comes twice in autumn
  is told apart by order: the clock may go back once, and then the second pass is meant. The hour that is
  missing in spring is no gap.
* With no zone named the clock may not go back; a clock put right by hand is told by `shifts`, in hours added
  from a line of the file on.
* Camera: `camera = logger + offset` from one pair of moments seen on both clocks; from two or more, the
  straight line of least squares (offset and drift), with the scatter about it said.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError

COUNTED = {"seconds": 1.0, "minutes": 60.0, "hours": 3600.0}
HOUR_S = 3600.0


class LogError(IcewrightError):
    """A logger file or its mapping that is refused."""


@dataclass(frozen=True)
class Times:
    """Seconds of each row of a file.

    Attributes:
        time_s: float64 (n,), seconds since 1970-01-01 UTC, or since the logger's own zero if counted.
        counted: whether the file counts time from a zero of its own.
        notes: sentences on what was done about zones and shifts.
    """

    time_s: NDArray[np.float64]
    counted: bool
    notes: list[str] = field(default_factory=list)


def zone_of(name: str) -> tzinfo:
    """The zone of a name such as "Europe/Oslo", "UTC" or "+01:00".

    Raises ``LogError`` for a name that is neither.
    """
    if name.upper() in ("UTC", "Z"):
        return UTC
    if name[:1] in "+-":
        try:
            parsed = datetime.fromisoformat(f"2000-01-01T00:00:00{name}").tzinfo
        except ValueError:
            parsed = None
        if parsed is not None:
            return parsed
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(name)
    except Exception as cause:  # zoneinfo raises four kinds for a name that is not there
        raise LogError(
            got=f'[time]: zone = "{name}"',
            wanted="a name of the time zone database, or an offset",
            do='zone = "Europe/Oslo"   or   zone = "+01:00"',
        ) from cause


def read_times(
    texts: Sequence[str],
    lines: Sequence[int],
    *,
    layout: str = "iso",
    zone: str = "",
    shifts: Iterable[tuple[int, float]] = (),
) -> Times:
    """Seconds of each row.

    Args:
        texts: the written times, (n,).
        lines: the line of the file that each stands on, (n,), for messages.
        layout: "iso"; "seconds", "minutes" or "hours" for numbers; or a pattern such as "%d.%m.%Y %H:%M:%S".
        zone: zone of times that carry none; "" for none.
        shifts: (line, hours): from that line on, so many hours are added.

    Raises:
        LogError: for text that is no time, for two kinds of times in one file, for a clock that goes back.
    """
    if layout in COUNTED:
        values = np.array([_count(t, n, layout) for t, n in zip(texts, lines, strict=True)], dtype=float)
        times = Times(values * COUNTED[layout], True)
    else:
        times = _dated(texts, lines, layout, zone)
    if shifts:
        moved = times.time_s.copy()
        for line, hours in shifts:
            moved[np.asarray(lines) >= line] += hours * HOUR_S
            times.notes.append(f"{hours:+g} h from line {line} on, as the mapping says")
        times = Times(moved, times.counted, times.notes)
    _refuse_going_back(times.time_s, texts, lines, zone)
    return times


def moment(text: str, *, layout: str = "iso", zone: str = "") -> float:
    """One written moment in the seconds of :func:`read_times`. Raises ``LogError``."""
    return float(read_times([text.strip()], [0], layout=layout, zone=zone).time_s[0])


def _count(text: str, line: int, layout: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise LogError(
            got=f'line {line}: time "{text}"',
            wanted=f"a number of {layout}",
            do='layout = "iso"   (or the pattern of your logger, such as "%d.%m.%Y %H:%M:%S")',
        )
    return value


def _dated(texts: Sequence[str], lines: Sequence[int], layout: str, zone: str) -> Times:
    read = [_parse(text, line, layout) for text, line in zip(texts, lines, strict=True)]
    aware = [m.tzinfo is not None for m in read]
    if any(aware) and not all(aware):
        odd = aware.index(not aware[0])
        raise LogError(
            got=f'line {lines[odd]}: "{texts[odd]}", with{"" if aware[odd] else "out"} an offset from UTC, '
            f'after "{texts[odd - 1]}"',
            wanted="all times with an offset, or none: these are two time zones in one file",
            do="export the log again in UTC, or cut the file at that line",
        )
    notes: list[str] = []
    if read and all(aware):
        offsets = [m.utcoffset() or timedelta(0) for m in read]
        for before, now, line in zip(offsets, offsets[1:], lines[1:], strict=False):
            if before != now:
                notes.append(
                    f"line {line}: the offset from UTC changes from {_hours(before)} to {_hours(now)}; "
                    "each time is taken with its own"
                )
        return Times(np.array([m.timestamp() for m in read]), False, notes)
    if not zone:
        return Times(np.array([m.replace(tzinfo=UTC).timestamp() for m in read]), False, notes)
    return Times(_in_zone(read, lines, zone_of(zone), zone, notes), False, notes)


def _in_zone(
    read: Sequence[datetime], lines: Sequence[int], place: tzinfo, name: str, notes: list[str]
) -> NDArray[np.float64]:
    out = np.empty(len(read))
    folded, before = 0, -math.inf
    last_offset: timedelta | None = None
    for i, naive in enumerate(read):
        first, second = (naive.replace(tzinfo=place, fold=f) for f in (0, 1))
        # An hour that comes twice has its earlier pass in fold 0. The missing hour looks the same but has its
        # offsets the other way round.
        gain = (first.utcoffset() or timedelta(0)) - (second.utcoffset() or timedelta(0))
        if gain < timedelta(0):
            raise LogError(
                got=f"line {lines[i]}: {naive} did not exist in {name}: the clock was put forward over it",
                wanted="times of that zone",
                do='the zone that the logger kept, such as zone = "UTC" or zone = "+01:00"',
            )
        if gain > timedelta(0):
            if first.timestamp() < before:
                folded = 1
            chosen = second if folded else first
        else:
            folded, chosen = 0, first
        offset = chosen.utcoffset()
        if last_offset is not None and offset is not None and offset != last_offset:
            notes.append(
                f"line {lines[i]}: {name} changes from {_hours(last_offset)} to {_hours(offset)}: no hour "
                "was lost or lived twice"
            )
        last_offset = offset
        before = out[i] = chosen.timestamp()
    return out


def _parse(text: str, line: int, layout: str) -> datetime:
    try:
        return datetime.fromisoformat(text) if layout == "iso" else datetime.strptime(text, layout)
    except ValueError:
        raise LogError(
            got=f'line {line}: time "{text}"',
            wanted='times such as "2026-01-10 14:00:03"' if layout == "iso" else f'the pattern "{layout}"',
            do='layout = "%d.%m.%Y %H:%M:%S"   (under [time] of the mapping, as your logger writes)',
        ) from None


def _refuse_going_back(
    time_s: NDArray[np.float64], texts: Sequence[str], lines: Sequence[int], zone: str
) -> None:
    steps = np.diff(time_s)
    if not steps.size or steps.min() >= 0.0:
        return
    at = int(np.argmin(steps))
    back = -float(steps[at])
    what = (
        f'line {lines[at + 1]}: the clock goes back by {_span(back)}, from "{texts[at]}" to "{texts[at + 1]}"'
    )
    if abs(back - HOUR_S) <= 0.2 * HOUR_S and not zone:
        raise LogError(
            got=what,
            wanted="one time zone: this looks like the end of summer time, or two zones in one file",
            do='zone = "Europe/Oslo"   (the place of the logger, under [time] of the mapping)',
        )
    hours = max(1, math.ceil(back / HOUR_S - 1e-9))
    raise LogError(
        got=what,
        wanted="times that only go on",
        do=f"shifts = [{{ line = {lines[at + 1]}, hours = {hours} }}]   (under [time], if the clock was "
        "set back there)",
    )


def _hours(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.3g} min" if seconds < 90 * 60 else f"{seconds / 3600:.3g} h"


@dataclass(frozen=True)
class CameraClock:
    """Camera time from logger time: camera = logger + offset_s + drift (logger - at_s).

    ``scatter_s`` is the root mean square of the pairs about the line, None with fewer than three pairs: with
    so few there is nothing left over to judge it by.
    """

    offset_s: float = 0.0
    drift: float = 0.0
    at_s: float = 0.0
    scatter_s: float | None = None
    pairs: int = 0

    def __call__(self, logger_s: Any) -> Any:
        """Camera seconds of logger seconds, float or array."""
        return logger_s + self.offset_s + self.drift * (logger_s - self.at_s)

    def words(self) -> str:
        """What was done, in one sentence."""
        if not self.pairs:
            return "the camera's clock is taken to be the logger's (no pair of moments given)"
        said = f"the camera's clock is {self.offset_s:+.3g} s from the logger's, from {self.pairs} pair"
        said += "s" if self.pairs > 1 else ""
        if self.pairs > 1:
            said += f", and drifts by {self.drift * 86400:+.3g} s a day"
        if self.scatter_s is not None:
            said += f"; the pairs lie {self.scatter_s:.2g} s about that line"
        return said


def camera_clock(pairs: Sequence[tuple[float, float]]) -> CameraClock:
    """The clock from (logger, camera) moments, s, by the rule at the top of this module.

    Raises ``LogError`` for two pairs at one moment, or a drift beyond one part in a hundred.
    """
    if not pairs:
        return CameraClock()
    logger, camera = (np.array(side, dtype=float) for side in zip(*pairs, strict=True))
    lead = camera - logger
    if len(pairs) == 1:
        return CameraClock(float(lead[0]), 0.0, float(logger[0]), None, 1)
    middle = float(logger.mean())
    spread = float(((logger - middle) ** 2).sum())
    if spread == 0.0:
        raise LogError(
            got="pairs of clock times that all lie at one moment of the logger",
            wanted="moments apart from each other, for a drift, or one pair, for an offset",
        )
    drift = float(((logger - middle) * (lead - lead.mean())).sum() / spread)
    if abs(drift) > 0.01:
        raise LogError(
            got=f"a drift of {drift * 86400:+.3g} s a day between the two clocks",
            wanted="less than one part in a hundred",
            do="look whether the pairs are each one moment, and each LOGGER=CAMERA",
        )
    rest = lead - lead.mean() - drift * (logger - middle)
    scatter = math.sqrt(float((rest**2).sum()) / (len(pairs) - 2)) if len(pairs) > 2 else None
    return CameraClock(float(lead.mean()), drift, middle, scatter, len(pairs))


def shifts_of(items: Sequence[Mapping[str, Any]]) -> list[tuple[int, float]]:
    """`shifts = [{ line = 120, hours = 1 }]` of a mapping as pairs. Raises ``LogError``."""
    pairs = []
    for item in items:
        if set(item) != {"line", "hours"}:
            raise LogError(
                got=f"[time]: a shift with {', '.join(item) or 'nothing'}",
                wanted="line and hours",
                do="shifts = [{ line = 120, hours = 1 }]",
            )
        pairs.append((int(item["line"]), float(item["hours"])))
    return pairs
