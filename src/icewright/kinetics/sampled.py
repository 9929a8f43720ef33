"""Any attachment model as a sampled table, so that growth kernels never need to be recompiled for one.

Layout: ``ln_alpha[facet, width, sigma]``, facet 0 basal, 1 prism; both other axes uniform in the logarithm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import KineticsError
from icewright.kinetics.model import FACETS, FloatArray, Kinetics, check_facet, check_temperature

SIGMA_SAMPLES, SIGMA_RANGE = 160, (1e-6, 3.0)
WIDTH_SAMPLES, WIDTH_RANGE_M = 25, (0.05e-6, 200e-6)
LN_ALPHA_MIN = -30.0


@dataclass(frozen=True)
class SampledAlpha:
    """ln alpha on a grid of ln sigma (fraction over ice) and ln width (m), at one temperature.

    ``ln_sigma[160]`` and ``ln_width[25]`` are ascending and uniform; ``ln_alpha[2, 25, 160]`` is float32.
    """

    temperature_k: float
    ln_sigma: FloatArray
    ln_width: FloatArray
    ln_alpha: NDArray[np.float32]

    def alpha(self, sigma: FloatArray, facet: int, width_m: FloatArray) -> FloatArray:
        """The table read back by bilinear interpolation of ln alpha; the plain reference for the kernels.

        Shapes broadcast. Beyond the ends of the grid the end value is held; sigma <= 0 gives the least alpha.
        """
        rows = self.ln_alpha[check_facet(facet)].astype(np.float64)
        sigma, width = np.broadcast_arrays(np.asarray(sigma, np.float64), np.asarray(width_m, np.float64))
        i, u = _place(np.log(np.maximum(width, WIDTH_RANGE_M[0])), self.ln_width)
        j, v = _place(np.log(np.maximum(sigma, SIGMA_RANGE[0])), self.ln_sigma)
        low = (1 - v) * rows[i, j] + v * rows[i, j + 1]
        high = (1 - v) * rows[i + 1, j] + v * rows[i + 1, j + 1]
        value = np.exp((1 - u) * low + u * high)
        return np.where(sigma > 0.0, value, math.exp(LN_ALPHA_MIN))


def sample(kinetics: Kinetics, temperature_k: float) -> SampledAlpha:
    """Sample ``kinetics`` at ``temperature_k`` (K).

    Raises ``KineticsError`` outside the model's valid range, or if it answers in the wrong shape, with
    something that is not a number, or outside 0 < alpha <= 1.
    """
    check_temperature(kinetics, temperature_k)
    ln_sigma = _log_grid(SIGMA_RANGE, SIGMA_SAMPLES)
    ln_width = _log_grid(WIDTH_RANGE_M, WIDTH_SAMPLES)
    sigma, width = np.exp(ln_sigma)[None, :], np.exp(ln_width)[:, None]
    planes = []
    for facet in range(len(FACETS)):
        alpha = np.asarray(kinetics.alpha(temperature_k, sigma, facet, width), dtype=np.float64)
        planes.append(_checked(kinetics.name, alpha, facet))
    ln_alpha = np.maximum(np.log(np.stack(planes)), LN_ALPHA_MIN).astype(np.float32)
    return SampledAlpha(float(temperature_k), ln_sigma, ln_width, ln_alpha)


def _log_grid(ends: tuple[float, float], count: int) -> FloatArray:
    return np.linspace(math.log(ends[0]), math.log(ends[1]), count)


def _checked(name: str, alpha: FloatArray, facet: int) -> FloatArray:
    shape = (WIDTH_SAMPLES, SIGMA_SAMPLES)
    if alpha.shape != shape:
        raise KineticsError(
            f"The kinetics {name!r} do not broadcast.",
            got=f"shape {alpha.shape} for sigma (1, {SIGMA_SAMPLES}) and width ({WIDTH_SAMPLES}, 1)",
            wanted=f"shape {shape}",
            do="return an array in the broadcast shape of sigma and width_m, e.g. `0 * width_m + ...`",
        )
    if not bool(np.all((alpha > 0.0) & (alpha <= 1.0))):
        raise KineticsError(
            f"The kinetics {name!r} answer with an attachment coefficient that cannot be ({FACETS[facet]}).",
            got=f"{np.min(alpha):.3g} to {np.max(alpha):.3g}",
            wanted="0 < alpha <= 1 everywhere, and no NaN",
            do="np.clip(alpha, 1e-13, 1.0)",
        )
    return alpha


def _place(x: FloatArray, grid: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Cell index and fraction within the cell of ``x`` on a uniform grid, held at the ends."""
    step = (grid[-1] - grid[0]) / (len(grid) - 1)
    where = np.clip((x - grid[0]) / step, 0.0, len(grid) - 1.0)
    index = np.minimum(where.astype(np.intp), len(grid) - 2)
    return index, where - index
