"""Offsets of an apparatus from what the ice shows, and the file that carries them with date and evidence."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.ground.units import kelvin_to_celsius, percent

if TYPE_CHECKING:
    from icewright.apparatus.calibrate import Calibration
    from icewright.apparatus.model import Apparatus


def calibrate(
    apparatus: str | Path,
    observations: str | Path | None = None,
    *,
    droplets: Sequence[str] = (),
    standstill: Sequence[str] = (),
    fit: Sequence[str] | str | None = None,
    write: bool = False,
    date: str = "",
) -> dict[str, Any]:
    """Offsets from observations in a file, or given in words, and with ``write`` into the apparatus file.

    ``droplets``: settings in words (``"reservoir_c=-13.4,plate_c=-15"``) at which first droplets stood, after
    a ``|`` those just before. ``standstill``: the same with ``radius_um``, ``noticed_um`` and ``minutes``
    among them. ``fit``: thermometers, or ``"supersaturation"``; all thermometers if None. ``date``: of the
    observations; today's if neither it nor the file says.

    Keys: ``offsets`` (a record each: ``name, unit, before, offset, uncertainty``), ``shared_k``,
    ``compared`` (a record for each observation), ``tables``, ``words``, ``written`` (path or None), and
    ``sigma_known`` (standard uncertainty of sigma where the apparatus stands now, before and after; None
    where the file does not say how it stands).

    Raises ``CalibrationError``, ``ApparatusError``, ``RecordError``.
    """
    from icewright.apparatus import calibrate as physics
    from icewright.apparatus import file as files
    from icewright.apparatus.witnesses import CalibrationError

    held = files.read(apparatus)
    seen: list[physics.Observation] = []
    said_date = ""
    if observations is not None:
        found, said_date = physics.read_observations(observations)
        seen += found
    for words in droplets:
        at, _, before = words.partition("|")
        item: dict[str, Any] = {"settings": _settings(at)}
        seen.append(physics.observation("droplets", item | ({"before": _settings(before)} if before else {})))
    for words in standstill:
        values = _settings(words)
        own = {key: values.pop(key) for key in list(values) if key in physics.KEYS["standstill"]}
        seen.append(physics.observation("standstill", {"settings": values, **own}))
    if not seen:
        raise CalibrationError(
            got="no observation",
            wanted="a file of observations, or --droplets or --standstill with settings",
            do=f'icewright calibrate {apparatus} --droplets "{_as_words(held)}"',
        )
    result = physics.calibrate(held, seen, fit=fit)
    when = date or said_date or datetime.datetime.now(datetime.UTC).date().isoformat()
    after = result.apply(held, when, _evidence(result, observations))
    if write:
        files.write(after, apparatus)
    return {
        "offsets": _offsets(result),
        "shared_k": result.shared,
        "misfit": result.chi2_per_seen,
        "compared": _compared(result),
        "tables": _tables(result),
        "words": list(result.words),
        "sigma_known": _known(held, after),
        "date": when,
        "written": str(apparatus) if write else None,
    }


def _offsets(result: Calibration) -> list[dict[str, Any]]:
    from icewright.apparatus.calibrate import SUPERSATURATION

    unit = "1" if result.names == (SUPERSATURATION,) else "K"
    return [
        {
            "name": name,
            "unit": unit,
            "before": float(result.before[i]),
            "offset": float(result.offsets[i]),
            "uncertainty": float(result.uncertainty[i]),
        }
        for i, name in enumerate(result.names)
    ]


def _compared(result: Calibration) -> list[dict[str, Any]]:
    return [
        {
            "what": c.what,
            "settings": c.settings,
            "temperature_c": kelvin_to_celsius(c.temperature_k),
            "sigma_before": c.before,
            "sigma_after": c.after,
            "sigma_seen": c.seen_after,
            "uncertainty": c.uncertainty,
            "off": c.off,
            "notes": list(c.notes),
        }
        for c in result.compared
    ]


def _tables(result: Calibration) -> list[dict[str, Any]]:
    from icewright.apparatus.basis import bare
    from icewright.apparatus.calibrate import SUPERSATURATION

    whole = result.names == (SUPERSATURATION,)
    factor, unit = (100.0, "% over ice") if whole else (1.0, "K")
    found = [
        (
            name,
            f"{factor * result.before[i]:+.3f}",
            f"{factor * result.offsets[i]:+.3f}",
            f"{factor * result.uncertainty[i]:.3f}",
        )
        for i, name in enumerate(result.names)
    ]
    seen = [
        (
            c.what,
            ", ".join(f"{bare(k)} {v:g}" for k, v in c.settings.items()),
            f"{percent(c.before):.2f}",
            f"{percent(c.after):.2f}",
            f"{percent(c.seen_after):.2f}",
            f"{percent(c.uncertainty):.2f}",
            f"{c.off:+.1f}",
        )
        for c in result.compared
    ]
    return [
        {
            "title": f"offsets (reading minus truth), {unit}"
            if not whole
            else f"offset (calculated minus true), {unit}",
            "columns": ("", "in the file", "found", "standard uncertainty"),
            "rows": found,
        },
        {
            "title": "supersaturation over ice, %",
            "columns": ("seen", "settings", "model before", "model after", "by the ice", "+-", "off by"),
            "rows": seen,
        },
    ]


def _known(before: Apparatus, after: Apparatus) -> dict[str, float] | None:
    """How well sigma is known where the apparatus stands now, before and after."""
    if any(setting.now is None for setting in before.settings.values()):
        return None
    first, second = before.uncertainty(), after.uncertainty()
    return {"before": first.u_sigma, "after": second.u_sigma, "sigma": second.sigma}


def _evidence(result: Calibration, observations: str | Path | None) -> str:
    counts: dict[str, int] = {}
    for c in result.compared:
        counts[c.what] = counts.get(c.what, 0) + 1
    said = ", ".join(f"{n} x {what}" if n > 1 else what for what, n in counts.items())
    where = f", {Path(observations).name}" if observations is not None else ""
    return f"{said}; misfit {result.chi2_per_seen:.2g} per observation{where}"


def _settings(words: str) -> dict[str, float]:
    from icewright.apparatus.witnesses import CalibrationError

    found: dict[str, float] = {}
    for part in words.split(","):
        name, sign, value = (text.strip() for text in part.partition("="))
        try:
            found[name] = float(value)
        except ValueError:
            sign = ""
        if not sign or not name:
            raise CalibrationError(
                got=f'"{words}"',
                wanted="settings as NAME=NUMBER, with commas between",
                do='--droplets "reservoir_c=-13.4,plate_c=-15"',
            )
    return found


def _as_words(apparatus: Apparatus) -> str:
    return ",".join(
        f"{name}={setting.now if setting.now is not None else setting.low:g}"
        for name, setting in apparatus.settings.items()
    )
