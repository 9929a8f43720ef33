"""Metres in a pixel, along columns and along rows, and how well they are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from icewright.ground.errors import IcewrightError


class ScaleError(IcewrightError):
    """A scale that is missing or cannot be."""


@dataclass(frozen=True)
class Scale:
    """x_m : metres in a pixel from column to column. y_m : from row to row. u_share : standard uncertainty of
    both as a share of them (they come from one graticule, so they err together). source : in words.

    Raises ``ScaleError`` for a pitch that is not positive or an uncertainty that is negative.
    """

    x_m: float
    y_m: float
    u_share: float = 0.0
    source: str = "as given"

    def __post_init__(self) -> None:
        for name, value in (("x", self.x_m), ("y", self.y_m)):
            if not (math.isfinite(value) and value > 0):
                raise ScaleError(
                    got=f"{value * 1e6:g} um in a pixel along {name}",
                    wanted="a positive length",
                    do="--scale 0.65",
                )
        if not (math.isfinite(self.u_share) and 0 <= self.u_share < 0.5):
            raise ScaleError(got=f"an uncertainty of {self.u_share:g} of the scale", wanted="0 to 0.5")

    @property
    def pixel_m(self) -> float:
        """Side of a square pixel of the same area (m)."""
        return math.sqrt(self.x_m * self.y_m)
