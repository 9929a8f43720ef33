"""Built-in table "layer-fits": polynomial fits of the characteristic supersaturation for layer nucleation.

alpha = (s/s_c)^n tanh((s_c/s)^n), with n = 10 for layer nucleation (n = 1 would be growth at dislocations);
s_c(T) for each facet from J. Atmos. Sci. 76, 1609, 2019. The facet's width is ignored: no narrow effect.

The coefficients were read in a public cloud-model source that cites the paper. In it the basal sextic has
doubled minus signs that make s_c negative; the signs used here are the only ones that give positive values
agreeing with data of 1998. They wait to be confirmed in the paper itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from icewright.ground.errors import KineticsError
from icewright.ground.sources import Source, register
from icewright.ground.units import celsius_to_kelvin, from_percent, kelvin_to_celsius, percent
from icewright.kinetics.model import ALPHA_MIN, FACETS, FloatArray, check_facet

register(
    Source(
        "layer-fits-2019",
        "J. Atmos. Sci. 76, 1609, 2019: fits of the characteristic supersaturation of ice facets",
        doi="10.1175/JAS-D-18-0319.1",
        how="read",
        note="coefficients read in a public cloud-model source, citation from memory; "
        "signs of the basal sextic put right here and not yet confirmed in the paper",
    )
)

# Rows: coldest degC of the piece, coefficients of x^0, x^1, ... with x in degC and the result in percent.
_BELOW_30 = (3.7955, 0.10614, 0.0075309)
_PIECES: tuple[tuple[tuple[float, tuple[float, ...]], ...], ...] = (
    (
        (-22.0, (1.1217, 0.038098, -0.083749, -0.015734, -0.0010108, -2.9148e-5, -3.1823e-7)),
        (-30.0, (753.63, 105.97, 5.5532, 0.12809, 0.001103)),
        (-40.0, _BELOW_30),
    ),
    (
        (-15.0, (0.34572, -0.0093029, 0.00030832)),
        (-22.0, (-5.2367, -1.3184, -0.11066, -0.0032303)),
        (-30.0, (-0.71057, -0.14775, 0.0042304)),
        (-40.0, _BELOW_30),
    ),
)
_WARMEST_C = -1.0  # the fits start here; between -1 and 0 degC the value at -1 is held
_COLDEST_C = -40.0


@dataclass(frozen=True)
class LayerFits:
    """The table "layer-fits"; satisfies ``kinetics.model.Kinetics``. ``exponent`` is n in its equation."""

    exponent: float = 10.0
    name: str = "layer-fits"

    def __post_init__(self) -> None:
        if not self.exponent > 0:
            raise KineticsError("The exponent must be above zero.", got=str(self.exponent), wanted="10, or 1")

    @property
    def valid_range_k(self) -> tuple[float, float]:
        """-40 to 0 degC, in K; above -1 degC the value there is held."""
        return celsius_to_kelvin(_COLDEST_C), celsius_to_kelvin(0.0)

    def critical_sigma(self, temperature_k: float, facet: int) -> float:
        """Characteristic supersaturation s_c of a facet, fraction over ice."""
        t = min(kelvin_to_celsius(float(temperature_k)), _WARMEST_C)
        pieces = _PIECES[check_facet(facet)]
        # A piece holds its cold end too; the last one also answers below it.
        coefficients = next((c for coldest, c in pieces if t >= coldest), pieces[-1][1])
        return from_percent(float(np.polynomial.polynomial.polyval(t, coefficients)))

    def alpha(self, temperature_k: float, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """Attachment coefficient; see ``kinetics.model.Kinetics.alpha``. ``width_m`` only sets the shape."""
        sigma = np.asarray(sigma, dtype=np.float64)
        shape = np.broadcast_shapes(sigma.shape, np.shape(width_m))
        s_c = self.critical_sigma(temperature_k, facet)
        # ln x keeps (s/s_c)^n finite at both ends; beyond |n ln x| = 60 alpha is at its limit anyway.
        ln_x = np.log(np.where(sigma > 0.0, sigma, s_c) / s_c)
        power = np.exp(np.clip(self.exponent * ln_x, -60.0, 60.0))
        value = np.clip(power * np.tanh(1.0 / power), ALPHA_MIN, 1.0)
        return np.broadcast_to(np.where(sigma > 0.0, value, ALPHA_MIN), shape)

    def sources(self) -> tuple[str, ...]:
        """The one source of the fits."""
        return ("layer-fits-2019",)

    def from_memory(self, temperature_k: float) -> bool:
        """False: the coefficients were read, though not in the paper itself (see ``notes``)."""
        return False

    def notes(self, temperature_k: float) -> str:
        """s_c of both facets here, and what is not yet confirmed about them."""
        lines = [
            f"{name}: s_c {percent(self.critical_sigma(temperature_k, facet)):.3g} % "
            "(fit to measurements; uncertainty not stated where it was read)"
            for facet, name in enumerate(FACETS)
        ]
        if kelvin_to_celsius(temperature_k) >= -22.0:
            lines.append("basal: the signs of this fit were put right here and wait for the paper")
        if kelvin_to_celsius(temperature_k) > _WARMEST_C:
            lines.append("above -1 degC the values at -1 degC are held")
        lines.append(
            "no narrow-facet effect; layer-fits is one of two rival views, compare with broad-narrow"
        )
        return "\n".join(lines)
