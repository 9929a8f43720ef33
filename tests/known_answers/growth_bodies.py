"""Smooth bodies cut out of the engine's lattices, for tests against exact answers. Lengths in dx."""

from __future__ import annotations

import numpy as np

from icewright.growth import lattice as lattices
from icewright.growth.field import Field, z_edges
from icewright.growth.kernels import surface as ks
from icewright.growth.rules import GrowthTables
from icewright.growth.stepping import Grower, table_distances
from icewright.kinetics.user_function import FunctionKinetics

LATTICES = {"sixfold": lattices.hexagonal_wedge, "round": lattices.rings}
COLD_K = 258.15  # the functions below do not depend on it


def constant(alpha):
    """Isotropic kinetics of one constant alpha."""
    return FunctionKinetics(
        lambda t, s, f, w: np.full(np.broadcast(s, w).shape, alpha), name=f"alpha {alpha:g}"
    )


def nucleation(a, sigma0):
    """Isotropic layer nucleation, alpha = A exp(-sigma0/s)."""
    return FunctionKinetics(
        lambda t, s, f, w: np.broadcast_to(
            np.maximum(a * np.exp(-sigma0 / s), 1e-13), np.broadcast(s, w).shape
        ),
        name=f"nucleation {a:g} {sigma0:g}",
    )


def tables_for(kinetics, symmetry, x0, dz=1.0, dx_m=1e-6):
    """Growth tables with the engine's own half-cell distances."""
    return GrowthTables(kinetics, COLD_K, dx_m, x0, table_distances(symmetry, dz))


def absorbing(field, ice):
    """Make `ice` a perfect sink (its surface holds zero); returns the columns and layers that touch it."""
    lat = field.lattice
    field.mask[ice] = 1
    field.refresh(np.arange(lat.n_free, dtype=np.int32))
    touch = np.zeros_like(field.sink)
    solid = ice.astype(np.float32)
    neighbours = lat.levels[0].neighbours[: lat.n_free]
    beside = (lat.face_area / lat.face_distance)[: lat.n_free]
    for d in range(lat.directions):
        touch[: lat.n_free] += beside[:, d, None] * field.dz * solid[neighbours[:, d]]
    upright = 2 * lat.area[:, None] / field.dz
    touch[:, 1:] += upright[:, 1:] * solid[:, :-1]
    touch[:, :-1] += upright[:, :-1] * solid[:, 1:]
    touch[ice] = 0
    field.sink[:] = touch
    return tuple(i.astype(np.int32) for i in np.nonzero(touch))


def capacitance(symmetry, radius, half, inside, dz=1.0):
    """C in dx of a body given by inside(lattice, rho[:, None], z[None, :]), free in air.

    The far field is the engine's own (moments of the body's flux); returns (C, far flux over surface flux).
    """
    outer = max(1.45 * radius, radius + 0.3 * half, radius + 8)
    lat = LATTICES[symmetry](outer)
    reach = max(1.45 * half, half + 0.5 * radius, half + 8, 1.45 * radius)
    f = Field(lat, z_edges(dz, int(np.ceil(half / dz)) + 3, reach))
    ice = inside(lat, lat.radius[:, None], f.z_mid[None, :])
    top = int(np.nonzero(ice.any(axis=0))[0].max()) + 1
    f.set_active(radius + 3, top + 2)
    columns, layers = absorbing(f, ice)
    f.set_bins(0, top, radius)
    f.moments[:, 0] = 4 * np.pi * radius * 0.4 / len(f.moments)
    f.u[:] = 1
    f.u[ice] = 0
    f.prepare()
    last = 0.0
    for _ in range(60):
        f.write_far(1.0)
        f.cycle()
        flux = (f.sink[columns, layers] * f.u[columns, layers]).astype(float)
        moments = f.moments_of(columns, layers, flux)
        total, far = float(moments[:, 0].sum()), f.far_flux()
        f.moments += 0.5 * (moments - f.moments)
        if abs(total - last) < 1e-6 * total and abs(far / total - 1) < 1e-3:
            break
        last = total
    return 2 * total / (4 * np.pi), far / total


def ball(symmetry, radius, dx_m=1e-6):
    """A Grower whose crystal is the upper half of a voxel sphere on its mirror plane."""
    g = Grower(symmetry, dx_m, 1.0, mirror=True, bottom_far=False)
    g._box(radius, 0, int(np.ceil(radius)), first=True)
    ice = g.field.lattice.radius[:, None] ** 2 + g.field.z_mid[None, :] ** 2 <= radius**2
    g.crystal.fill[ice] = 1
    g.crystal.frozen_s[ice] = 0
    g._adopt()
    return g


def smooth(surface, radius):
    """Turn every boundary cell of a half ball into one that obeys the facet law on its true area.

    On a voxel sphere most boundary cells are steps, where the engine's alpha is 1 by its rules; and the
    voxels' own area is larger than the sphere's. This leaves field, tables and linearisation under test.
    """
    m = surface.count
    whole = surface.field.lattice.multiplicity[surface.column[:m]] @ surface.area[:m]
    surface.kind[:m] = ks.BASAL
    surface.parent[:m] = np.arange(m)
    surface.width[:m] = 10.0
    surface.area[:m] *= 2 * np.pi * radius**2 / whole
