"""What habit the air favours: a crystal of two faces, so cheap that every air can be tried.

The crystal is a hexagonal prism of corner radius a and height h with one supersaturation s over all its
surface. Vapour arrives as for a body of capacitance C(a, h), and leaves into both faces::

    4 pi C X0 (sigma - s) / (1 + chi0) = alpha_b(s) s A_b + alpha_p(s) s A_p          (per v_kin)
    dh/dt = 2 v_kin alpha_b s,     da/dt = (2 / sqrt 3) v_kin alpha_p s

(C by J. Atmos. Sci. 65, 206, 2008, fit from memory; the rest is the mixed boundary condition averaged over
the surface). No edges, hollows or arms: the search starts here and never ends here. How far it is off is in
``docs/design.md``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from icewright.design.portrait import FloatArray
from icewright.vapour.scales import scales

_STEPS = 90
_ROUNDS = 26
_WIDE = math.inf


@dataclass(frozen=True)
class Favoured:
    """Sizes and time (m, m, s) that constant air would give, one row an air: all of shape [n]."""

    temperature_k: FloatArray
    sigma: FloatArray
    radius_m: FloatArray
    thickness_m: FloatArray
    time_s: FloatArray


@lru_cache(maxsize=256)
def _tables(kinetics: str, temperature_k: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    from icewright.kinetics import load

    made = load(kinetics)
    s = np.geomspace(1e-5, 2.0, 240)
    wide = np.full_like(s, _WIDE)
    return s, made.alpha(temperature_k, s, 0, wide), made.alpha(temperature_k, s, 1, wide)


def favoured(
    kinetics: str,
    pressure_pa: float,
    start: tuple[float, float],
    ends: tuple[float | None, float | None],
    temperature_k: FloatArray,
    sigma: FloatArray,
    *,
    heat: bool = True,
) -> Favoured:
    """Grow the two-faced crystal from ``start`` (radius, thickness; m) in each air until a size is reached.

    ``ends`` are the radius and thickness at which it stops, None where it does not; the first one reached
    counts. ``temperature_k`` and ``sigma`` are [n].
    """
    n = len(sigma)
    a, h, t = np.full(n, start[0]), np.full(n, start[1]), np.zeros(n)
    keys = np.round(temperature_k, 2)
    units = {k: scales(float(k), pressure_pa) for k in np.unique(keys)}
    v_kin = np.array([units[k].v_kin_m_s for k in keys])
    x0 = np.array([units[k].X0_m * (1.0 / (1 + units[k].chi0) if heat else 1.0) for k in keys])
    goal_a, goal_h = ends[0] or math.inf, ends[1] or math.inf
    # Each step goes a fixed part of the way, by the faster of the two sizes.
    for _ in range(_STEPS):
        going = (a < goal_a * (1 - 1e-9)) & (h < goal_h * (1 - 1e-9))
        if not going.any():
            break
        s, basal, prism = _surface(kinetics, keys, a, h, sigma, x0)
        va = 2 / math.sqrt(3) * v_kin * prism * s
        vh = 2 * v_kin * basal * s
        left = np.minimum(
            np.where(va > 0, (goal_a - a) / np.maximum(va, 1e-30), np.inf),
            np.where(vh > 0, (goal_h - h) / np.maximum(vh, 1e-30), np.inf),
        )
        # Twelve per cent of the faster size at a time, and never past the end.
        dt = np.minimum(left, 0.12 / np.maximum(np.maximum(va / a, vh / h), 1e-30))
        dt = np.where(going & np.isfinite(dt), dt, 0.0)
        a, h, t = a + va * dt, h + vh * dt, t + dt
    return Favoured(np.asarray(temperature_k, float), np.asarray(sigma, float), a, h, t)


def _surface(
    kinetics: str, keys: FloatArray, a: FloatArray, h: FloatArray, sigma: FloatArray, x0: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Surface supersaturation and both attachment coefficients, by halving; all [n]."""
    c = 0.58 * (1 + 0.95 * (h / (2 * a)) ** 0.75) * a
    supply = 4 * math.pi * c * x0
    area_b, area_p = 3 * math.sqrt(3) * a * a, 6 * a * h
    low, high = np.zeros_like(sigma), sigma.copy()
    basal, prism = np.zeros_like(sigma), np.zeros_like(sigma)
    for _ in range(_ROUNDS):
        s = 0.5 * (low + high)
        for k in np.unique(keys):
            some = keys == k
            at, one, two = _tables(kinetics, float(k))
            basal[some] = np.interp(s[some], at, one)
            prism[some] = np.interp(s[some], at, two)
        more = supply * (sigma - s) > s * (basal * area_b + prism * area_p)
        low, high = np.where(more, s, low), np.where(more, high, s)
    return 0.5 * (low + high), basal, prism
