"""Ice that drinks the crystal's supply: frosted side walls, and a frosted plate around a clear zone.

Both are Laplace problems for the vapour pressure with a closed or nearly closed answer.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import cast

import numpy as np
from numpy.typing import NDArray

from icewright.apparatus.basis import Value, Values, wet

_NODES, _MODES = 64, 48
_RATIO = (1e-3, 8.0)


def wall_loss(
    share: Value,
    aspect: Value,
    excess_pa: NDArray[np.float64],
    shape: str = "round",
) -> Value:
    """Loss of vapour pressure (Pa) on the axis by frosted side walls, from the excess that they swallow.

    Between plates (z = 0 and H, ``share`` = z/H) and walls that hold ice saturation at their own height, the
    loss w obeys Laplace's equation with w = 0 on the plates and w = e - e_ice on the walls. By separation
    w = sum b_n sin(n pi z/H) / I0(n pi R/H) on the axis of a round chamber, and 1/cosh(n pi W/2H) half way
    between two flat walls (any text on potential theory).

    ``aspect``: inner diameter (or distance of the walls) over gap. ``excess_pa``: [..., 64] on the nodes of
    ``wall_nodes``. ``shape``: ``"round"`` or ``"slab"``.
    """
    from scipy.special import i0e

    nodes, weights = _gauss()
    n = np.arange(1, _MODES + 1)
    b = 2.0 * (excess_pa * weights) @ np.sin(np.pi * np.outer(nodes, n))
    reach = np.pi * n * np.asarray(aspect, dtype=float)[..., None] / 2.0
    screen = (
        np.exp(-reach) / i0e(reach) if shape == "round" else 2.0 * np.exp(-reach) / (1 + np.exp(-2 * reach))
    )
    return np.sum(b * screen * np.sin(np.pi * n * np.asarray(share, dtype=float)[..., None]), axis=-1)


def wall_nodes() -> NDArray[np.float64]:
    """Heights z/H at which ``wall_loss`` wants the excess: [64]."""
    return _gauss()[0]


def wall_excess(temperature_k: Value, vapour_pa: Value, terms: Values | None = None) -> Value:
    """Vapour pressure above that of the moist wall at the same height, Pa."""
    return vapour_pa - wet(temperature_k, terms)


def clear_zone_factor(ratio: Value) -> Value:
    """Share of (e_reservoir - e_plate) that reaches the middle of a clear, dry zone in a frosted plate.

    ``ratio``: radius of the clear zone over the gap to the reservoir; any shape. For a small zone
    2 ratio/pi, for a large one 1. Read from a table of ``solve_clear_zone``, good to 1e-5.
    """
    x, y = _factor_table()
    r = np.asarray(ratio, dtype=float)
    found = np.exp(_spline()(np.log(np.clip(r, x[0], x[-1]))))
    # Beyond a zone eight gaps wide the plate's frost is out of sight (1 - y < 1e-4 already there).
    found = np.where(r < x[0], y[0] * r / x[0], np.where(r > x[-1], 1.0, np.minimum(found, 1.0)))
    return found if found.ndim else float(found)


def solve_clear_zone(ratio: float, height: NDArray[np.float64] | float = 0.0) -> NDArray[np.float64]:
    """The same on the axis at ``height`` (over the gap, 0 at the plate, 1 at the reservoir), [n].

    Mixed problem: u = 1 at z = 1; at z = 0 u = 0 outside r = b and du/dz = 0 inside. With
    u = z + int A(k) J0(k r) sinh(k (1-z))/sinh(k) dk and A(k) = int_0^b psi(t) sin(k t) dt the outer
    condition holds by itself and the inner one is a Fredholm equation of the second kind,

        psi(x) + (2/pi) int_0^b psi(t) L(t, x) dt = (2/pi) x,
        L(t, x) = (1/2) Re [digamma(1 + i (t+x)/2) - digamma(1 + i (t-x)/2)]

    (dual integral equations, any text on mixed boundary value problems). Far plate: psi = 2 t/pi, u = 2 b/pi.
    """
    t, weighted = _density(ratio)
    z = np.atleast_1d(np.asarray(height, dtype=float))[:, None, None]
    n = np.arange(200)
    # int sin(k t) sinh(k(1-z))/sinh(k) dk as images of the two plates.
    images = t[:, None] / (t[:, None] ** 2 + (z + 2 * n) ** 2) - t[:, None] / (
        t[:, None] ** 2 + (2 * (n + 1) - z) ** 2
    )
    # What the images beyond the last add up to: f(2n + z) - f(2n + 2 - z) summed as an integral.
    last = (1 - z[..., 0]) * t / (t**2 + (2 * n.size) ** 2)
    return np.asarray(z[:, 0, 0] + np.sum(weighted * (images.sum(axis=-1) + last), axis=-1))


def _density(ratio: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes t and psi(t) dt of the Fredholm equation above."""
    from scipy.special import digamma

    nodes, weights = np.polynomial.legendre.leggauss(48)
    t, w = ratio * (nodes + 1) / 2, ratio * weights / 2
    plus, minus = (t[:, None] + t) / 2, (t[:, None] - t) / 2
    kernel = 0.5 * np.real(digamma(1 + 1j * plus) - digamma(1 + 1j * minus))
    return t, np.linalg.solve(np.eye(t.size) + 2 / np.pi * kernel * w, 2 / np.pi * t) * w


@lru_cache(maxsize=1)
def _gauss() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return (nodes + 1) / 2, weights / 2


@lru_cache(maxsize=1)
def _factor_table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x = np.geomspace(*_RATIO, 80)
    # On the plate itself the images cancel but for the first, 1/t.
    found = []
    for ratio in x:
        t, weighted = _density(float(ratio))
        found.append(float(np.sum(weighted / t)))
    return x, np.array(found)


@lru_cache(maxsize=1)
def _spline() -> Callable[[Value], Value]:
    from scipy.interpolate import CubicSpline

    x, y = _factor_table()
    return cast("Callable[[Value], Value]", CubicSpline(np.log(x), np.log(y)))
