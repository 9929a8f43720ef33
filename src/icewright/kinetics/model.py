"""What any attachment model must answer: alpha(T, surface supersaturation, facet, facet width).

The surface grows normal to itself at v = alpha v_kin sigma_surf, 0 < alpha <= 1, where sigma_surf is the
supersaturation over ice (fraction) just above it. Facets are numbered: 0 basal, 1 prism.
"""

from __future__ import annotations

import math
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import KineticsError

FACETS = ("basal", "prism")
BASAL, PRISM = 0, 1

# An attachment coefficient this small means "does not grow"; above zero so that 1/alpha and ln alpha exist.
ALPHA_MIN = math.exp(-30.0)

FloatArray = NDArray[np.float64]


@runtime_checkable
class Kinetics(Protocol):
    """Attachment kinetics by any rule: a built-in table, a user's table or a user's function."""

    @property
    def name(self) -> str:
        """Short name, as written in a recipe."""

    @property
    def valid_range_k(self) -> tuple[float, float]:
        """Lowest and highest temperature, K, that the model is meant for."""

    def alpha(self, temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """Attachment coefficient, ``ALPHA_MIN`` <= alpha <= 1, in the broadcast shape of sigma and width.

        ``temperature_k`` in K; ``sigma`` over ice, a fraction (where <= 0 the answer is ``ALPHA_MIN``);
        ``facet`` 0 basal or 1 prism; ``width_m`` the facet's smaller extent in metres.
        """

    def sources(self) -> tuple[str, ...]:
        """Keys of every source used, for ``icewright.ground.sources``."""

    def from_memory(self, temperature_k: float) -> bool:
        """True if a result at this temperature hangs on a value that nobody here has confirmed."""

    def notes(self, temperature_k: float) -> str:
        """What a reader of a result at this temperature must know: origin, uncertainty, devices used."""


def layer_nucleation(sigma: FloatArray, sigma0: FloatArray | float, amplitude: float) -> FloatArray:
    """alpha = A exp(-sigma0/sigma), limited to ``ALPHA_MIN``..1; shapes broadcast, all fractions.

    The usual form for growth by layers nucleated on a dislocation-free facet (arXiv:1110.5828, abstract).
    """
    sigma = np.asarray(sigma, dtype=np.float64)
    # Any positive stand-in serves where sigma <= 0; the outer `where` then replaces the answer.
    safe = np.maximum(sigma, 1e-200)
    exponent = np.maximum(-np.asarray(sigma0, dtype=np.float64) / safe, -60.0)
    return np.where(sigma > 0.0, np.clip(amplitude * np.exp(exponent), ALPHA_MIN, 1.0), ALPHA_MIN)


def check_facet(facet: int) -> int:
    """The facet number given back, or ``KineticsError`` if it is not 0 (basal) or 1 (prism)."""
    if facet not in (BASAL, PRISM):
        raise KineticsError("No such facet.", got=repr(facet), wanted="0 (basal) or 1 (prism)")
    return facet


def check_temperature(kinetics: Kinetics, temperature_k: float) -> None:
    """Raise ``KineticsError`` if the temperature is outside the model's valid range (by over 1 mK)."""
    low, high = kinetics.valid_range_k
    if not low - 1e-3 <= temperature_k <= high + 1e-3:
        raise KineticsError(
            f"The kinetics {kinetics.name!r} say nothing about this temperature.",
            got=f"{temperature_k - 273.15:.2f} degC",
            wanted=f"{low - 273.15:.2f} to {high - 273.15:.2f} degC",
            do="choose another kinetics table, or widen the valid range in your own",
        )
