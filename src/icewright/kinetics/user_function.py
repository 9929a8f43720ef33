"""A user's own Python function as attachment kinetics."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from icewright.ground.sources import How, Source, register
from icewright.kinetics.model import ALPHA_MIN, FloatArray, check_facet

AlphaFunction = Callable[[float, FloatArray, int, FloatArray], FloatArray]


@dataclass(frozen=True)
class FunctionKinetics:
    """``function(temperature_k, sigma, facet, width_m) -> alpha`` as a ``kinetics.model.Kinetics``.

    The function sees sigma > 0 only and answers in the broadcast shape; ``kinetics.sampled.sample`` refuses
    answers outside 0 < alpha <= 1. ``source`` says in words where it comes from, ``how`` how well it
    is known (as in ``ground.sources``), ``uncertainty`` its relative uncertainty (None: not stated).
    """

    function: AlphaFunction
    name: str = "user-function"
    source: str = "a function of the user's own"
    how: How = "from memory"
    uncertainty: float | None = None
    valid_range_k: tuple[float, float] = (233.15, 273.15)

    def __post_init__(self) -> None:
        register(Source(self._key, self.source, how=self.how, note=self._spread))

    @property
    def _key(self) -> str:
        return "user-" + hashlib.sha256(f"{self.source}|{self.how}|{self._spread}".encode()).hexdigest()[:10]

    @property
    def _spread(self) -> str:
        known = self.uncertainty is not None
        return f"relative uncertainty {self.uncertainty:g}" if known else "uncertainty not stated"

    def alpha(self, temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """The function's answer where sigma > 0, ``ALPHA_MIN`` elsewhere."""
        sigma = np.asarray(sigma, dtype=np.float64)
        safe = np.where(sigma > 0.0, sigma, 1.0)
        value = self.function(temperature_k, safe, check_facet(facet), np.asarray(width_m, dtype=np.float64))
        return np.where(sigma > 0.0, value, ALPHA_MIN)

    def sources(self) -> tuple[str, ...]:
        """The key under which the user's words were registered."""
        return (self._key,)

    def from_memory(self, temperature_k: float) -> bool:
        """True unless the user said how the function is known."""
        return self.how == "from memory"

    def notes(self, temperature_k: float) -> str:
        """The user's words about it."""
        return f"{self.name}: {self.source} ({self.how}; {self._spread})"
