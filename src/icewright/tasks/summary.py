"""How a run ended, in words and a dozen numbers: ``summary.json``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from icewright.ground.units import minutes, ug, um

FLUX_BAR = 0.02  # far-to-surface flux ratio at standard resolution, the project's own bar
BALANCE_BAR = 0.01  # ice gained against vapour arrived; common practice, no source


@dataclass(frozen=True)
class RunSummary:
    """What a run came to. Lengths in micrometres, mass in micrograms, times as named.

    ``aspect_ratio`` is thickness over tip-to-tip diameter; ``mass_balance_error`` is ice gained over vapour
    arrived, less one, as last read; ``field_flux_ratio`` the vapour that came through a far surface over that
    which went into the crystal, over the whole run (the series has it from reading to reading); ``steps``
    counts time steps; ``from_memory`` lists the values that nobody here has confirmed; ``sources`` are keys.
    ``complete`` is False for a run that can go on with ``--resume``.
    """

    title: str
    folder: Path
    time_min: float
    radius_um: float
    thickness_um: float
    mass_ug: float
    aspect_ratio: float
    solidity: float
    habit: str
    mass_balance_error: float
    field_flux_ratio: float
    wall_s: float
    cells: int
    steps: int
    ended: str
    complete: bool
    warnings: list[str] = field(default_factory=list)
    from_memory: list[str] = field(default_factory=list)
    sources: list[str] = field(default_factory=list)
    pictures: list[Path] = field(default_factory=list)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; paths of pictures count from the run folder, which is not itself named."""
        plain = asdict(self)
        del plain["folder"]
        plain["pictures"] = [_inside(path, self.folder) for path in self.pictures]
        return plain

    @classmethod
    def from_dict(cls, record: Mapping[str, Any], folder: Path) -> RunSummary:
        """The summary that :meth:`to_dict` wrote; null numbers come back as NaN."""
        values = {key: record[key] for key in cls.__dataclass_fields__ if key in record}
        for key, value in values.items():
            if value is None:
                values[key] = float("nan")
        values["pictures"] = [folder / name for name in record.get("pictures", [])]
        return cls(folder=folder, **values)


def sizes_in_words(reading: Mapping[str, float]) -> dict[str, float]:
    """``time_min, radius_um, thickness_um, mass_ug`` of a reading in SI."""
    return {
        "time_min": minutes(reading["time_s"]),
        "radius_um": um(reading["radius_tip_m"]),
        "thickness_um": um(reading["thickness_m"]),
        "mass_ug": ug(reading["mass_kg"]),
    }


def overall_flux_ratio(reading: Mapping[str, float]) -> float:
    """The flux ratio over the whole run where the engine tells it, else as last read."""
    return reading.get("overall_flux_ratio", reading["field_flux_ratio"])


def accuracy_warnings(reading: Mapping[str, float]) -> list[str]:
    """Sentences on a run whose own checks miss the bars; empty if they hold."""
    said = []
    flux, balance = overall_flux_ratio(reading), reading["mass_balance_error"]
    if abs(flux - 1.0) > FLUX_BAR:
        said.append(
            f"the vapour flux far away and at the surface differ by {abs(flux - 1.0) * 100:.2g} % "
            f"(the bar is {FLUX_BAR * 100:g} %): grow again at a finer resolution"
        )
    if abs(balance) > BALANCE_BAR:
        said.append(
            f"ice gained and vapour arrived differ by {abs(balance) * 100:.2g} % (the bar is "
            f"{BALANCE_BAR * 100:g} %): grow again at a finer resolution"
        )
    return said


def _inside(path: Path, folder: Path) -> str:
    try:
        return path.relative_to(folder).as_posix()
    except ValueError:
        return str(path)
