"""Random ice on small lattices, for the agreement tests."""

from __future__ import annotations

import numpy as np

from icewright.growth.field import Field, z_edges
from icewright.growth.kernels import reference
from icewright.growth.lattice import hexagonal_wedge, rings

LATTICES = {"hexagonal wedge": lambda: hexagonal_wedge(9), "rings": lambda: rings(7)}
CASES = [(name, seed, far) for name in LATTICES for seed in (1, 2, 3) for far in (False, True)]


def random_field(name, seed, bottom_far=False, radius=5.0):
    """A field with ice and a little inert matter at random inside `radius`, random u, sinks and sources."""
    rng = np.random.default_rng(seed)
    lat = LATTICES[name]()
    edges = z_edges(1.0, 6, 9.0, 9.0, 3) if bottom_far else z_edges(1.0, 6, 9.0)
    f = Field(lat, edges, bottom_far=bottom_far)
    zero = int(np.argmin(np.abs(edges)))
    near = (
        (lat.radius <= radius)[:, None]
        & (np.arange(f.nz) < zero + 5)
        & (np.arange(f.nz) >= max(zero - 2, f.k0))
    )
    ice = near & (rng.random(f.u.shape) < 0.3 + 0.2 * seed % 0.5)
    f.mask[ice] = np.where(rng.random(int(ice.sum())) < 0.1, 3, 1)
    vapour = f.mask & 1 == 0
    f.u[:] = np.where(vapour, rng.random(f.u.shape), 0)
    sinks = near & vapour & (rng.random(f.u.shape) < 0.5)
    f.sink[sinks] = rng.random(int(sinks.sum()))
    f.b[sinks] = 0.1 * rng.random(int(sinks.sum()))
    f.set_active(radius + 1, zero + 6)
    f.refresh(np.arange(lat.n_free, dtype=np.int32))
    return f


def links_of(f):
    """The reference's links of a field."""
    lat = f.lattice
    return reference.Links.of(f.mask, lat.levels[0].neighbours, lat.link, lat.area, f.edges)


def double(a):
    """As float64."""
    return np.asarray(a, dtype=np.float64)
