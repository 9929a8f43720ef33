"""Every comparison, in the order of the page."""

from __future__ import annotations

from importlib import import_module
from typing import cast

from icewright.evidence.model import Comparison
from icewright.ground.errors import IcewrightError

_MODULES = (
    "moved_values",
    "rival_kinetics",
    "habit_order",
    "growth_peaks",
    "axis_ratio",
    "free_fall_masses",
    "plate_thickness",
    "hollowing",
    "branching",
    "tip_velocity",
    "capacitances",
    "two_spheres",
    "fall_speeds",
)


def names() -> tuple[str, ...]:
    """Names of the comparisons, as on the command line."""
    return tuple(module.replace("_", "-") for module in _MODULES)


def load(name: str) -> Comparison:
    """One comparison by name. Raises ``IcewrightError`` for one that does not exist."""
    if name not in names():
        raise IcewrightError("No such comparison.", got=name, wanted="one of " + ", ".join(names()))
    return cast(Comparison, import_module("icewright.evidence." + name.replace("-", "_")))
