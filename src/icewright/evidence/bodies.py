"""Perfectly absorbing bodies in the engine's own field, for comparisons of pure diffusion. Lengths in dx."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from icewright.growth import lattice as lattices
from icewright.growth.field import Field, z_edges

_LATTICES = {"sixfold": lattices.hexagonal_wedge, "round": lattices.rings}
Inside = Callable[[Any, Any, Any], Any]  # (lattice, rho[:, None], z[None, :]) -> True where there is ice


def capacitance(symmetry: str, radius: float, low: float, high: float, inside: Inside) -> tuple[float, float]:
    """(C in dx of the body above the plane z = 0, far flux over surface flux).

    The plane is a mirror: a body that touches it (``low`` 0) is half of one, and its C is half the whole
    one's; one above it has its equal below, and C is that of each of the two.
    """
    outer = max(1.45 * radius, radius + 0.3 * high, radius + 8)
    lat = _LATTICES[symmetry](outer)
    reach = max(1.45 * high, high + 0.5 * radius, high + 8, 1.45 * radius)
    f = Field(lat, z_edges(1.0, int(np.ceil(high)) + 3, reach))
    ice = inside(lat, lat.radius[:, None], f.z_mid[None, :])
    layers = np.nonzero(ice.any(axis=0))[0]
    bottom, top = int(layers.min()), int(layers.max()) + 1
    f.mask[ice] = 1
    f.refresh(np.arange(lat.n_free, dtype=np.int32))
    _absorb(f, ice)
    columns, rows = (i.astype(np.int32) for i in np.nonzero(f.sink))
    f.set_active(radius + 3, top + 2)
    f.set_bins(bottom, top, radius)
    f.moments[:, 0] = 4 * np.pi * radius * 0.4 / len(f.moments)
    f.u[:] = 1
    f.u[ice] = 0
    f.prepare()
    total, far, last = 0.0, 0.0, 0.0
    for _ in range(80):
        f.write_far(1.0)
        f.cycle()
        flux = (f.sink[columns, rows] * f.u[columns, rows]).astype(float)
        moments = f.moments_of(columns, rows, flux)
        total, far = float(moments[:, 0].sum()), float(f.far_flux())
        f.moments += 0.5 * (moments - f.moments)
        if abs(total - last) < 1e-6 * total and abs(far / total - 1) < 1e-3:
            break
        last = total
    return total / (4 * np.pi), far / total


def _absorb(field: Any, ice: Any) -> None:
    """Let every cell that touches ice lose vapour to a surface that holds zero."""
    lat = field.lattice
    touch, solid = np.zeros_like(field.sink), ice.astype(np.float32)
    neighbours = lat.levels[0].neighbours[: lat.n_free]
    beside = (lat.face_area / lat.face_distance)[: lat.n_free]
    for d in range(lat.directions):
        touch[: lat.n_free] += beside[:, d, None] * field.dz * solid[neighbours[:, d]]
    upright = 2 * lat.area[:, None] / field.dz
    touch[:, 1:] += upright[:, 1:] * solid[:, :-1]
    touch[:, :-1] += upright[:, :-1] * solid[:, 1:]
    touch[ice] = 0
    field.sink[:] = touch


def spheroid(a: float, c: float, centre: float = 0.0) -> Inside:
    """A spheroid of equatorial radius a and polar radius c, its middle at height ``centre``."""
    return lambda _, rho, z: (rho / a) ** 2 + ((z - centre) / c) ** 2 <= 1


def prism(rows: int, top: float) -> Inside:
    """A hexagonal prism of ``rows`` rows of cells around the axis, up to ``top``."""
    return lambda lat, _, z: (lat.q + lat.r <= rows)[:, None] & (z <= top)
