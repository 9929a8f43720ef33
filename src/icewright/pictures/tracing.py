"""A ray tracer for a transparent body in air: triangles in shafts, rays split by Snell and Fresnel.

Arrays and scalars only, compiled. Triangles are sorted into a grid of square shafts along z, the direction
of the first rays: through a thin crystal a ray meets one shaft, and a handful of triangles. Lengths are in
any unit in which the body is about 1 to 10,000 across.

Rays are followed backwards, from the camera to the light. At each surface a ray splits into the part that is
let through and the part that is thrown back, with Fresnel's shares for unpolarised light; parts below
``floor`` of the first ray are dropped. What leaves the body downwards takes the light of its direction.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MOST_PARTS = 48  # pieces of one ray that may wait for their turn
NEAR = 1e-7  # a ray that leaves a surface does not meet it again within this length


def shelves(vertices: FloatArray, triangles: NDArray[np.int64]) -> list[Any]:
    """Triangles sorted into a grid of square shafts that run along z.

    Returns
    -------
    frame : float64[9]: low and high corner of the body (x, y, z each), side of a shaft, number of shafts
        along x and along y.
    start : int64[shafts + 1], where each shaft's list begins; shaft = ix + iy * nx.
    item : int32[...], numbers of the triangles that reach into each shaft.
    height : float64[n, 2], lowest and highest z of each triangle.
    first, edge1, edge2 : float64[n, 3], a corner of each triangle and the two edges from it.
    normal : float64[n, 3], unit normals, outwards where the triangles run against the clock.
    """
    t = np.ascontiguousarray(np.asarray(vertices, dtype=np.float64)[triangles])
    low, high = t.min(axis=(0, 1)), t.max(axis=(0, 1))
    width = np.maximum(high - low, 1e-9)
    # About one shaft a triangle: for a plate, a handful of triangles each, above and below.
    side = max(np.sqrt(width[0] * width[1] / (t.shape[0] + 16)), width[:2].max() / 4000.0)
    nx, ny = int(width[0] / side) + 1, int(width[1] / side) + 1
    frame = np.array([*low, *high, side, nx, ny], dtype=np.float64)
    start, item = _sorted(t, frame)
    edge1, edge2 = t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]
    normal = np.cross(edge1, edge2)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    height = np.column_stack([t[:, :, 2].min(axis=1), t[:, :, 2].max(axis=1)])
    return [frame, start, item, height, np.ascontiguousarray(t[:, 0]), edge1, edge2, normal]


@njit(cache=True)
def _sorted(t, frame):
    nx, ny = int(frame[7]), int(frame[8])
    count = np.zeros(nx * ny + 1, dtype=np.int64)
    item = np.zeros(0, dtype=np.int32)
    for fill in range(2):
        if fill == 1:
            total = 0
            for s in range(nx * ny + 1):
                here = count[s]
                count[s] = total
                total += here
            item = np.empty(total, dtype=np.int32)
        for k in range(t.shape[0]):
            x0, x1 = min(t[k, 0, 0], t[k, 1, 0], t[k, 2, 0]), max(t[k, 0, 0], t[k, 1, 0], t[k, 2, 0])
            y0, y1 = min(t[k, 0, 1], t[k, 1, 1], t[k, 2, 1]), max(t[k, 0, 1], t[k, 1, 1], t[k, 2, 1])
            # A little wider than the triangle, so that rounding at a shaft's wall loses no hit.
            i0 = max(int((x0 - frame[0]) / frame[6] - 1e-6), 0)
            i1 = min(int((x1 - frame[0]) / frame[6] + 1e-6), nx - 1)
            j0 = max(int((y0 - frame[1]) / frame[6] - 1e-6), 0)
            j1 = min(int((y1 - frame[1]) / frame[6] + 1e-6), ny - 1)
            for j in range(j0, j1 + 1):
                for i in range(i0, i1 + 1):
                    s = i + j * nx
                    if fill == 1:
                        item[count[s]] = k
                    count[s] += 1
    start = np.empty(nx * ny + 1, dtype=np.int64)
    start[0] = 0
    start[1:] = count[: nx * ny]
    return start, item


@njit(cache=True, error_model="numpy")
def _nearest(ox, oy, oz, dx, dy, dz, frame, start, item, height, first, edge1, edge2):
    """Distance to and number of the first triangle that the ray meets; -1 where it meets none."""
    best = np.inf
    which = -1
    ix = 1.0 / (dx if abs(dx) > 1e-12 else 1e-12)
    iy = 1.0 / (dy if abs(dy) > 1e-12 else 1e-12)
    iz = 1.0 / (dz if abs(dz) > 1e-12 else 1e-12)
    ax, bx = (frame[0] - ox) * ix, (frame[3] - ox) * ix
    ay, by = (frame[1] - oy) * iy, (frame[4] - oy) * iy
    az, bz = (frame[2] - oz) * iz, (frame[5] - oz) * iz
    enter = max(max(min(ax, bx), min(ay, by)), max(min(az, bz), 0.0))
    came = enter
    leave = min(min(max(ax, bx), max(ay, by)), max(az, bz)) + 1e-6
    if enter > leave:
        return best, which
    side = frame[6]
    nx, ny = int(frame[7]), int(frame[8])
    i = min(max(int((ox + enter * dx - frame[0]) / side), 0), nx - 1)
    j = min(max(int((oy + enter * dy - frame[1]) / side), 0), ny - 1)
    step_i, step_j = (1 if ix > 0 else -1), (1 if iy > 0 else -1)
    next_x = (frame[0] + (i + (1 if ix > 0 else 0)) * side - ox) * ix
    next_y = (frame[1] + (j + (1 if iy > 0 else 0)) * side - oy) * iy
    across_x, across_y = side * abs(ix), side * abs(iy)
    while True:
        shaft = i + j * nx
        here = min(next_x, next_y)
        # Heights between which the ray crosses this shaft, a hair more; most triangles lie above or below.
        za, zb = oz + came * dz, oz + min(here, leave) * dz
        floor, roof = min(za, zb) - 1e-6, max(za, zb) + 1e-6
        for at in range(start[shaft], start[shaft + 1]):
            k = item[at]
            if height[k, 1] < floor or height[k, 0] > roof:
                continue
            e1x, e1y, e1z = edge1[k, 0], edge1[k, 1], edge1[k, 2]
            e2x, e2y, e2z = edge2[k, 0], edge2[k, 1], edge2[k, 2]
            px, py, pz = dy * e2z - dz * e2y, dz * e2x - dx * e2z, dx * e2y - dy * e2x
            det = e1x * px + e1y * py + e1z * pz
            if abs(det) < 1e-14:
                continue
            inv = 1.0 / det
            tx, ty, tz = ox - first[k, 0], oy - first[k, 1], oz - first[k, 2]
            u = (tx * px + ty * py + tz * pz) * inv
            if u < -1e-9 or u > 1.0 + 1e-9:
                continue
            qx, qy, qz = ty * e1z - tz * e1y, tz * e1x - tx * e1z, tx * e1y - ty * e1x
            v = (dx * qx + dy * qy + dz * qz) * inv
            if v < -1e-9 or u + v > 1.0 + 1e-9:
                continue
            t = (e2x * qx + e2y * qy + e2z * qz) * inv
            if NEAR < t < best:
                best = t
                which = k
        came = here
        if best <= here or here > leave:
            return best, which
        if next_x < next_y:
            i += step_i
            next_x += across_x
            if i < 0 or i >= nx:
                return best, which
        else:
            j += step_j
            next_y += across_y
            if j < 0 or j >= ny:
                return best, which


@njit(cache=True, error_model="numpy")
def _light(px, py, table, out, weight):
    """Add the table's light at (px, py) in -1..1, linear between its points."""
    m = table.shape[1]
    x = min(max((px + 1.0) * 0.5 * (m - 1), 0.0), m - 1.000001)
    y = min(max((py + 1.0) * 0.5 * (m - 1), 0.0), m - 1.000001)
    i, j = int(x), int(y)
    fx, fy = x - i, y - j
    for c in range(table.shape[0]):
        out[c] += weight * (
            (1 - fy) * ((1 - fx) * table[c, j, i] + fx * table[c, j, i + 1])
            + fy * ((1 - fx) * table[c, j + 1, i] + fx * table[c, j + 1, i + 1])
        )


@njit(cache=True, error_model="numpy")
def fresnel(cosine, eta):
    """Share thrown back of unpolarised light; eta = index before over index behind, cosine of incidence.

    Also the cosine behind the surface; total reflection gives 1 and 0.
    """
    k = 1.0 - eta * eta * (1.0 - cosine * cosine)
    if k <= 0.0:
        return 1.0, 0.0
    root = np.sqrt(k)
    rs = (eta * cosine - root) / (eta * cosine + root)
    rp = (cosine - eta * root) / (cosine + eta * root)
    return 0.5 * (rs * rs + rp * rp), root


@njit(cache=True, error_model="numpy", nogil=True)
def trace(
    origin, direction, frame, start, item, height, first, edge1, edge2, normal, index, table, floor, deepest
):
    """Follow rays through the body to the light.

    Parameters
    ----------
    origin, direction : float64[n, 3], unit directions.
    index : refractive index of the body; outside it is 1.
    table : float64[channels, m, m], light from below against the (x, y) parts of the direction back to it,
        each from -1 to 1: ``table[channel, iy, ix]``.
    floor : parts below this share of the first ray are dropped.
    deepest : most surfaces that one part may meet.

    Returns
    -------
    light : float64[n, channels].
    met : bool[n], whether the ray met the body.
    ways : float64[n, 4], direction and share of the strongest part that left the body; share 0 if none did.
    lost : float64[n], share dropped.
    """
    n = origin.shape[0]
    channels = table.shape[0]
    light = np.zeros((n, channels))
    met = np.zeros(n, dtype=np.bool_)
    ways = np.zeros((n, 4))
    lost = np.zeros(n)
    part = np.empty((MOST_PARTS, 8))
    for ray in range(n):
        for c in range(3):
            part[0, c] = origin[ray, c]
            part[0, 3 + c] = direction[ray, c]
        part[0, 6] = 1.0
        part[0, 7] = 0.0
        waiting = 1
        while waiting > 0:
            waiting -= 1
            ox, oy, oz = part[waiting, 0], part[waiting, 1], part[waiting, 2]
            dx, dy, dz = part[waiting, 3], part[waiting, 4], part[waiting, 5]
            share, depth = part[waiting, 6], part[waiting, 7]
            far, k = _nearest(ox, oy, oz, dx, dy, dz, frame, start, item, height, first, edge1, edge2)
            if k < 0:
                if dz < 0.0:
                    _light(dx, dy, table, light[ray], share)
                if share > ways[ray, 3]:
                    ways[ray, 0], ways[ray, 1], ways[ray, 2], ways[ray, 3] = dx, dy, dz, share
                continue
            met[ray] = True
            if depth >= deepest:
                lost[ray] += share
                continue
            nx, ny, nz = normal[k, 0], normal[k, 1], normal[k, 2]
            c = -(dx * nx + dy * ny + dz * nz)
            eta = 1.0 / index
            if c < 0.0:  # from inside
                c, nx, ny, nz = -c, -nx, -ny, -nz
                eta = index
            back, root = fresnel(min(c, 1.0), eta)
            hx, hy, hz = ox + far * dx, oy + far * dy, oz + far * dz
            for through in range(2):
                weight = share * (1.0 - back if through == 1 else back)
                if weight <= 0.0:
                    continue
                if weight < floor or waiting >= MOST_PARTS:
                    lost[ray] += weight
                    continue
                if through == 1:
                    f = eta * c - root
                    ex, ey, ez = eta * dx + f * nx, eta * dy + f * ny, eta * dz + f * nz
                else:
                    ex, ey, ez = dx + 2.0 * c * nx, dy + 2.0 * c * ny, dz + 2.0 * c * nz
                size = 1.0 / np.sqrt(ex * ex + ey * ey + ez * ez)
                part[waiting, 0], part[waiting, 1], part[waiting, 2] = hx, hy, hz
                part[waiting, 3], part[waiting, 4], part[waiting, 5] = ex * size, ey * size, ez * size
                part[waiting, 6] = weight
                part[waiting, 7] = depth + 1.0
                waiting += 1
    return light, met, ways, lost


@njit(cache=True, error_model="numpy", nogil=True)
def meets(x, y, top, frame, start, item, height, first, edge1, edge2):
    """Whether a ray straight down from (x, y, top) meets the body, bool[n]."""
    out = np.zeros(x.size, dtype=np.bool_)
    for i in range(x.size):
        _, k = _nearest(x[i], y[i], top, 0.0, 0.0, -1.0, frame, start, item, height, first, edge1, edge2)
        out[i] = k >= 0
    return out
