"""The picture for the wall: the crystal as clear ice under structured light.

Ice under even light is invisible, so the light behind the crystal runs from dark to bright across the field,
with a warm lobe on one side. A view ray is bent by Snell's law at each surface it meets (index of ice 1.31)
and takes the colour of the light in the direction it leaves in; what Fresnel's equations reflect comes from
lamps in front. Steep edges scatter and glow. It is a picture and not a photometric simulation: rays are
followed through at most two thicknesses of ice, total reflection is taken as a mirror to the lamps, and where
``relief`` is not 1 the slopes are steepened by that factor.

Plates are seen along c as a height field. Columns are seen from the side and a little from above, from the
triangles of their surface by a depth buffer.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from icewright.pictures.mesh import surface
from icewright.pictures.stamp import write_png
from icewright.shape.solid import SIXFOLD, FloatArray, Solid, plan_image

F32 = NDArray[np.float32]
INDEX = 1.31  # refractive index of ice at visible wavelengths; common practice, no source
FAN = 0.24  # tangent of the angle between the middle ray and one at the picture's edge
MARGIN = 0.80  # share of the picture's width (or height) that the crystal takes
NIGHT = np.array([0.0035, 0.0065, 0.0165], np.float32)  # the ground, deep blue-black
DEEP = np.array([0.020, 0.065, 0.170], np.float32)
ICE = np.array([0.280, 0.560, 0.820], np.float32)
LIGHT = np.array([0.930, 0.985, 1.000], np.float32)
WARM = np.array([1.000, 0.640, 0.360], np.float32)
KEY = np.array([-0.62, 0.78], np.float32)  # where the bright side of the light lies: upper left


def hero(
    solid: Solid,
    path: Path | None = None,
    *,
    pixels: int = 1600,
    view: str | None = None,
    tilt_deg: float | None = None,
    spin_deg: float = 12.0,
    relief: float | None = None,
) -> NDArray[np.uint8]:
    """Render the crystal.

    Parameters
    ----------
    path : where to write a PNG; not written when left out.
    pixels : width and height of the picture.
    view : "plan" or "oblique"; left out, plan for what is flat and without a gap inside, else oblique.
    tilt_deg, spin_deg : oblique only: angle from the c axis (48 for plates, else 62), and turn about it.
    relief : factor on the slopes in plan view; left out, chosen so that thin crystals show their ridges.

    Returns
    -------
    uint8[pixels, pixels, 3].
    """
    from icewright.shape.sizes import measure

    if view is None:
        sizes = measure(solid)
        top, bottom = column_heights(solid)
        ice = float(solid.column_area_m2 @ solid.column_ice_m) * solid.halves
        gaps = 1.0 - ice / max(
            float(solid.column_area_m2 @ ((top - bottom) * np.clip(solid.coverage, 0.0, 1.0))), 1e-30
        )
        flat = sizes.aspect_ratio < 0.6 and sizes.radius_end_m < 1.3 * max(sizes.radius_waist_m, 1e-12)
        # A height field knows nothing of a crystal split into two sheets: look at that from the side.
        view = "plan" if flat and gaps < 0.03 else "oblique"
        if tilt_deg is None and flat:
            tilt_deg = 48.0
    # A height field is blurred to the size of a cell anyway; triangles have hard edges.
    oversample = 1.5 if view == "oblique" and pixels <= 2000 else 1.0
    n = round(pixels * oversample)
    if view == "plan":
        rgb, alpha, scatter = _plan(solid, n, relief)
    else:
        rgb, alpha, scatter = _oblique(
            solid, n, math.radians(62.0 if tilt_deg is None else tilt_deg), math.radians(spin_deg)
        )
    if oversample > 1:
        rgb, alpha, scatter = (_shrink(a, pixels) for a in (rgb, alpha, scatter))
    picture = _compose(rgb, alpha, scatter)
    if path is not None:
        write_png(path, picture, "icewright.hero")
    return picture


def _shrink(a: F32, n: int) -> F32:
    """Resample [m, m] or [m, m, channels] to n x n by the mean over each new pixel."""
    from PIL import Image

    planes = a[..., None] if a.ndim == 2 else a
    small = [
        np.asarray(Image.fromarray(np.ascontiguousarray(planes[..., k])).resize((n, n), Image.Resampling.BOX))
        for k in range(planes.shape[2])
    ]
    return np.asarray(small[0] if a.ndim == 2 else np.stack(small, axis=2), dtype=np.float32)


# --- light ------------------------------------------------------------------------------------------------


def _smooth(x: F32, lo: float, hi: float) -> F32:
    t = np.clip((x - lo) / (hi - lo), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), dtype=np.float32)


def _behind(dx: F32, dy: F32, dz: F32) -> F32:
    """Colour of the light behind the crystal in direction d (dz < 0), [..., 3]."""
    u = dx * KEY[0] + dy * KEY[1]  # towards the key side
    v = dx * KEY[1] - dy * KEY[0]
    bright = _smooth(u, -0.10, 0.50)[..., None]
    pale = _smooth(u, 0.22, 0.75)[..., None]
    warm = (_smooth(-u, 0.10, 0.55) * _smooth(v, -0.25, 0.45))[..., None]
    blue = (_smooth(-u, 0.05, 0.50) * _smooth(-v, -0.05, 0.45))[..., None]
    colour = DEEP * (1.0 - bright) + ICE * bright
    colour = colour + (LIGHT - colour) * pale
    colour = colour + 0.62 * warm * WARM + 0.35 * blue * ICE
    return np.asarray(colour * (0.35 + 0.65 * _smooth(-dz, -0.2, 0.75))[..., None], dtype=np.float32)


def _lamps(dx: F32, dy: F32, dz: F32) -> F32:
    """Colour of the lamps in front in direction d, [..., 3]: a soft box upper left, a warm strip right."""
    u = dx * KEY[0] + dy * KEY[1]
    v = dx * KEY[1] - dy * KEY[0]
    box = _smooth(u, 0.25, 0.5) * (1.0 - _smooth(u, 0.8, 0.95)) * (1.0 - _smooth(np.abs(v), 0.25, 0.55))
    side = _smooth(v, 0.55, 0.8) * (1.0 - _smooth(np.abs(u), 0.15, 0.4))
    return np.asarray(
        5.0 * box[..., None] * LIGHT
        + 1.6 * side[..., None] * WARM
        + 0.10 * ICE * (0.5 + 0.5 * dz[..., None]),
        dtype=np.float32,
    )


Vector = tuple[F32, F32, F32]


def _refract(d: Vector, n: Vector, eta: float) -> tuple[Vector, F32, NDArray[np.bool_]]:
    """Snell's law for a ray d at a surface whose normal n faces it; also the share reflected."""
    c = -(d[0] * n[0] + d[1] * n[1] + d[2] * n[2])
    c = np.clip(c, 0.0, 1.0)
    k = 1.0 - eta * eta * (1.0 - c * c)
    total = k < 0.0
    root = np.sqrt(np.maximum(k, 0.0))
    f = eta * c - root
    out = (eta * d[0] + f * n[0], eta * d[1] + f * n[1], eta * d[2] + f * n[2])
    # Fresnel, mean of both polarisations; eta = n1/n2.
    rs = (eta * c - root) / np.maximum(eta * c + root, 1e-6)
    rp = (c - eta * root) / np.maximum(c + eta * root, 1e-6)
    share = np.where(total, 1.0, 0.5 * (rs * rs + rp * rp))
    return out, np.asarray(share, np.float32), total


def _mirror(d: Vector, n: Vector) -> Vector:
    c = 2.0 * (d[0] * n[0] + d[1] * n[1] + d[2] * n[2])
    return d[0] - c * n[0], d[1] - c * n[1], d[2] - c * n[2]


def _unit(x: F32, y: F32, z: F32) -> Vector:
    w = 1.0 / np.sqrt(x * x + y * y + z * z)
    return x * w, y * w, z * w


def _normal(gx: F32, gy: F32) -> Vector:
    """Unit normal, facing the viewer, of a surface with these slopes."""
    w = (1.0 / np.sqrt(1.0 + gx * gx + gy * gy)).astype(np.float32)
    return -gx * w, -gy * w, w


def _spread(a: F32, sigma: float, down: int) -> F32:
    """A wide Gaussian blur of [n, n, channels], done on a picture `down` times smaller."""
    from scipy.ndimage import gaussian_filter, zoom

    n = a.shape[0]
    if n % down or sigma < 2 * down:
        return np.asarray(gaussian_filter(a, (sigma, sigma, 0)), dtype=np.float32)
    small = a.reshape(n // down, down, n // down, down, -1).mean(axis=(1, 3))
    soft = gaussian_filter(small, (sigma / down, sigma / down, 0))
    return np.asarray(zoom(soft, (down, down, 1), order=1, mode="nearest", grid_mode=True), dtype=np.float32)


def _compose(rgb: F32, alpha: F32, scatter: F32) -> NDArray[np.uint8]:
    """Lay the crystal on its ground with shadow, edge glow and bloom, and map to screen values."""
    from scipy.ndimage import gaussian_filter

    n = alpha.shape[0]
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) / n - 0.5
    halo = np.exp(-((x + 0.06) ** 2 + (y + 0.08) ** 2) / 0.16).astype(np.float32)[..., None]
    ground = NIGHT + halo * (DEEP * 0.30)
    shift = int(0.014 * n)
    cast = np.roll(alpha, (shift, shift), (0, 1))
    shadow = _spread(cast[..., None], 0.016 * n, 4)
    ground = ground * (1.0 - 0.72 * shadow)
    a = alpha[..., None]
    colour = ground * (1.0 - a) + rgb * a + scatter[..., None] * LIGHT * 0.85
    # Bloom: a small share of what is bright spreads, near and far.
    bright = np.maximum(colour - 0.35, 0.0)
    colour = colour + 0.30 * gaussian_filter(bright, (0.0022 * n, 0.0022 * n, 0), truncate=3.0)
    for sigma, share, down in ((0.010, 0.26, 4), (0.040, 0.22, 10)):
        colour = colour + share * _spread(bright, sigma * n, down)
    colour = colour * (1.0 - 0.45 * _smooth(np.hypot(x, y), 0.42, 0.75))[..., None]
    mapped = np.clip(colour * (1.0 + colour / 6.0) / (1.0 + colour * 0.62), 0.0, 1.0)  # soft shoulder
    return np.asarray(np.round(255.0 * mapped ** (1.0 / 2.0)), dtype=np.uint8)


# --- plan view --------------------------------------------------------------------------------------------


def column_heights(solid: Solid) -> tuple[FloatArray, FloatArray]:
    """Upper and lower surface of each column (m), shapes [ncol]; both 0 where there is no ice."""
    dz = solid.dz_m.astype(np.float32)
    some = solid.fill > 0.0
    has = some.any(axis=1)
    nz = some.shape[1]
    rows = np.arange(some.shape[0])
    last = nz - 1 - np.argmax(some[:, ::-1], axis=1)
    top = solid.z_edges_m[last] + solid.fill[rows, last] * dz[last]
    if solid.mirrored:
        bottom = -top
    else:
        first = np.argmax(some, axis=1)
        bottom = solid.z_edges_m[first + 1] - solid.fill[rows, first] * dz[first]
    return np.where(has, top, 0.0), np.where(has, bottom, 0.0)


def _plan(solid: Solid, n: int, relief: float | None) -> tuple[F32, F32, F32]:
    from scipy.ndimage import gaussian_filter

    reach = _reach(solid)
    half = reach / MARGIN
    pixel = 2.0 * half / n
    cell = solid.spacing_m / pixel
    top, bottom = column_heights(solid)
    cover = np.clip(solid.coverage, 0.0, 1.0)
    middle = float(0.5 * (top.max() + bottom.min()))

    def picture(values: FloatArray, outside: float = 0.0) -> F32:
        image, _ = plan_image(solid, values, pixel_m=pixel, half_width_m=half, outside=outside)
        start = (image.shape[0] - n) // 2
        return image[start : start + n, start : start + n].astype(np.float32)

    blur = max(1.0, 0.55 * cell)
    raw = gaussian_filter(picture(cover), 0.30 * cell + 0.6)
    alpha = _smooth(raw, 0.5 - 0.9 / max(cell, 2.0), 0.5 + 0.9 / max(cell, 2.0))
    # A column that is barely covered keeps the height of ice there, and the edge comes from the cover.
    up = picture((top - middle) * cover)
    down = up if solid.mirrored else picture((middle - bottom) * cover)
    slopes = []
    thick = np.zeros_like(up)
    for side in (up, down):
        h = gaussian_filter(side, blur) * 0.75 + 0.25 * gaussian_filter(side, 3.0 * blur)
        thick = thick + h
        gy, gx = np.gradient(h / pixel)
        slopes.append((gx.astype(np.float32), -gy.astype(np.float32)))  # y upward
    inner = gaussian_filter(alpha, 3.0 * blur) > 0.97
    steep = np.hypot(*slopes[0])[inner]
    if relief is None:
        typical = float(np.percentile(steep, 90)) if steep.size else 0.0
        relief = float(np.clip(0.55 / max(typical, 1e-3), 1.0, 12.0))
    (ax, ay), (bx, by) = ((gx * relief, gy * relief) for gx, gy in slopes)
    front = _normal(ax, ay)
    # Rays fan out a little, as in a lens near the crystal, so that flat faces are lit from edge to edge.
    fan = (np.arange(n, dtype=np.float32) - n / 2) * np.float32(2.0 * FAN / n)
    view = _unit(fan[None, :] + 0.0 * ax, -fan[:, None] + 0.0 * ax, -np.ones_like(ax))
    inside, share, _ = _refract(view, front, 1.0 / INDEX)
    back = _normal(-bx, -by)  # the lower face is the upper one mirrored; its normal faces the ray from inside
    away, again, total = _refract(inside, back, INDEX)
    bounced = _mirror(inside, back)
    light = np.where(total[..., None], np.minimum(0.4 * _lamps(*bounced), 0.9), _behind(*away))
    rgb = (1.0 - share)[..., None] * (1.0 - np.where(total, 0.0, again))[..., None] * light
    rgb = rgb + share[..., None] * _lamps(*_mirror(view, front))
    # More ice scatters a little more light: thick ridges stand out also where they are flat.
    body = thick / max(float(thick.max()), 1e-12)
    rgb = rgb + (alpha * (0.02 + 0.13 * body**1.5))[..., None] * ICE
    gy, gx = np.gradient(gaussian_filter(alpha, 1.0 + 0.15 * cell))
    edge = np.hypot(gx, gy)
    edge = edge / max(float(edge.max()), 1e-9)
    lit = 0.62 + 0.38 * np.clip((-gx * KEY[0] + gy * KEY[1]) / np.maximum(np.hypot(gx, gy), 1e-9), -1, 1)
    return rgb.astype(np.float32), alpha, (0.85 * edge * lit).astype(np.float32)


def _reach(solid: Solid) -> float:
    has = solid.coverage > 0.5
    if not has.any():
        return 3.0 * solid.spacing_m
    if solid.symmetry == SIXFOLD:
        return float((solid.q + solid.r)[has].max() + 0.5) * solid.spacing_m
    return float(solid.q[has].max() + 1.0) * solid.spacing_m


# --- oblique view -----------------------------------------------------------------------------------------


def project(vertices_m: FloatArray, tilt: float, spin: float) -> FloatArray:
    """Turn vertices so that the viewer looks down the third axis; c points up the picture. Shape [n, 3]."""
    cs, ss, ct, st = math.cos(spin), math.sin(spin), math.cos(tilt), math.sin(tilt)
    x = cs * vertices_m[:, 0] - ss * vertices_m[:, 1]
    y = ss * vertices_m[:, 0] + cs * vertices_m[:, 1]
    z = vertices_m[:, 2]
    return np.column_stack([x, ct * y + st * z, ct * z - st * y])


def fragments(
    corners: FloatArray, triangles: NDArray[np.int64], n: int
) -> tuple[NDArray[np.int64], F32, NDArray[np.bool_]]:
    """Every (pixel, depth, faces the viewer) that the triangles cover on an n x n picture.

    corners : float64[k, 3] in pixels, row downward from the upper left; the third is depth, larger is nearer.
    """
    p = corners[triangles]
    area = (p[:, 1, 0] - p[:, 0, 0]) * (p[:, 2, 1] - p[:, 0, 1]) - (p[:, 2, 0] - p[:, 0, 0]) * (
        p[:, 1, 1] - p[:, 0, 1]
    )
    keep = np.abs(area) > 1e-9
    p, area = p[keep], area[keep]
    low = np.floor(p[:, :, :2].min(axis=1)).astype(np.int64)
    span = (np.ceil(p[:, :, :2].max(axis=1)).astype(np.int64) - low + 1).max(axis=1)
    pixels, depths, faces = [], [], []
    for size in np.unique(2 ** np.ceil(np.log2(np.maximum(span, 2))).astype(np.int64)):
        mine = np.flatnonzero((span <= size) & (span > size // 2) if size > 2 else span <= 2)
        step = max(1, 3_000_000 // int(size * size))
        oy, ox = (o.ravel() for o in np.mgrid[0:size, 0:size])
        for start in range(0, mine.size, step):
            k = mine[start : start + step]
            x = low[k, 0][:, None] + ox
            y = low[k, 1][:, None] + oy
            a, b, c = p[k, 0], p[k, 1], p[k, 2]
            dx, dy = x - a[:, 0][:, None], y - a[:, 1][:, None]
            inv = 1.0 / area[k]
            u = (dx * (c[:, 1] - a[:, 1])[:, None] - dy * (c[:, 0] - a[:, 0])[:, None]) * inv[:, None]
            v = (dy * (b[:, 0] - a[:, 0])[:, None] - dx * (b[:, 1] - a[:, 1])[:, None]) * inv[:, None]
            on = (u >= -1e-7) & (v >= -1e-7) & (u + v <= 1 + 1e-7) & (x >= 0) & (x < n) & (y >= 0) & (y < n)
            depth = a[:, 2][:, None] + u * (b[:, 2] - a[:, 2])[:, None] + v * (c[:, 2] - a[:, 2])[:, None]
            pixels.append((y * n + x)[on])
            depths.append(depth[on].astype(np.float32))
            # Rows run downward, so what is against the clock in space is with it here.
            faces.append(np.broadcast_to((area[k] < 0)[:, None], on.shape)[on])
    if not pixels:
        return np.zeros(0, np.int64), np.zeros(0, np.float32), np.zeros(0, np.bool_)
    return np.concatenate(pixels), np.concatenate(depths), np.concatenate(faces)


def _oblique(solid: Solid, n: int, tilt: float, spin: float) -> tuple[F32, F32, F32]:
    from scipy.ndimage import gaussian_filter

    vertices, triangles = surface(solid, most_cells=8_000_000)
    p = project(vertices, tilt, spin)
    centre = 0.5 * (p.max(axis=0) + p.min(axis=0))
    size = float((p.max(axis=0) - p.min(axis=0))[:2].max())
    scale = MARGIN * n / size
    corners = np.column_stack(
        [
            n / 2 + (p[:, 0] - centre[0]) * scale,
            n / 2 - (p[:, 1] - centre[1]) * scale,
            (p[:, 2] - centre[2]) * scale,
        ]
    )
    pixel, depth, facing = fragments(corners, triangles, n)
    # Peel: first way in, first way out behind it, and again.
    nothing = np.float32(-1e9)
    before = np.full(n * n, np.float32(1e9))
    layers = []
    for k in range(4):
        want = facing if k % 2 == 0 else ~facing
        use = want & (depth < before[pixel] - (0.5 if k else 0.0))
        now = np.full(n * n, nothing)
        np.maximum.at(now, pixel[use], depth[use])
        layers.append(now.reshape(n, n))
        before = np.where(now > nothing, now, nothing)
    mask = layers[0] > nothing
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    pad = 8
    box = (
        slice(max(rows[0] - pad, 0), min(rows[-1] + pad + 1, n)),
        slice(max(cols[0] - pad, 0), min(cols[-1] + pad + 1, n)),
    )
    cell = solid.spacing_m * scale
    near, inner = float(np.clip(0.22 * cell, 1.2, 5.0)), float(np.clip(0.75 * cell, 1.6, 9.0))
    maps = []
    for k, layer in enumerate(layers):
        # What lies inside is seen through a refracting face, and its terraces of one cell are not to be told.
        blur = near if k == 0 else inner
        d = layer[box]
        held = d > nothing
        w = gaussian_filter(held.astype(np.float32), blur)
        soft = gaussian_filter(np.where(held, d, 0.0).astype(np.float32), blur) / np.maximum(w, 1e-3)
        gy, gx = np.gradient(soft)
        limit = 6.0
        maps.append((held, soft, np.clip(gx, -limit, limit), np.clip(-gy, -limit, limit)))
    rgb, scatter = _through(maps)
    full_rgb = np.zeros((n, n, 3), np.float32)
    full_rgb[box] = rgb
    glow = np.zeros((n, n), np.float32)
    glow[box] = scatter
    alpha = gaussian_filter(mask.astype(np.float32), 0.8)
    return full_rgb, alpha, glow


def _through(maps: list[tuple[NDArray[np.bool_], F32, F32, F32]]) -> tuple[F32, F32]:
    """Follow rays through up to two thicknesses of ice; colours [h, w, 3] and edge glow [h, w]."""
    held0, z0, gx0, gy0 = maps[0]
    h, w = held0.shape
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    zero = np.zeros((h, w), np.float32)
    view = _unit((xx / w - 0.5) * (2.0 * FAN), (0.5 - yy / h) * (2.0 * FAN), zero - 1.0)
    front = _normal(gx0, gy0)
    inside, share, _ = _refract(view, front, 1.0 / INDEX)
    glint = share[..., None] * _lamps(*_mirror(view, front))
    passed = 1.0 - share
    x, y, z = xx, yy, z0
    colour = np.zeros((h, w, 3), np.float32)
    d = inside
    open_ = held0.copy()
    for k in (1, 3):
        held, zk, gx, gy = maps[k]
        # One look ahead along the bent ray: step to the unbent exit's depth, read the surface there.
        away = np.clip((z - zk), 0.0, None)
        steep = np.maximum(-d[2], 0.25)
        ix = np.clip(np.rint(x + d[0] / steep * away), 0, w - 1).astype(np.int64)
        iy = np.clip(np.rint(y - d[1] / steep * away), 0, h - 1).astype(np.int64)
        bad = ~held[iy, ix]
        ix, iy = np.where(bad, xx.astype(np.int64), ix), np.where(bad, yy.astype(np.int64), iy)
        back = _normal(gx[iy, ix], gy[iy, ix])
        out, again, total = _refract(d, back, INDEX)
        mirrored = _mirror(d, back)
        colour += (passed * open_)[..., None] * (
            np.where(total, 1.0, again)[..., None]
            * (np.minimum(0.20 * _lamps(*mirrored), 0.45) + 0.55 * _behind(*mirrored))
        )
        passed = passed * np.where(total, 0.0, 1.0 - again)
        if k == 1 and len(maps) > 2:
            held2, z2, gx2, gy2 = maps[2]
            more = held2 & ~total & open_
            ends = open_ & ~more
            colour += (passed * ends)[..., None] * _behind(*out)
            enter = _normal(gx2, gy2)
            inner, share2, _ = _refract(out, enter, 1.0 / INDEX)
            colour += (passed * more * share2)[..., None] * _lamps(*_mirror(out, enter))
            passed = passed * more * (1.0 - share2)
            d, z, open_ = inner, z2, more
        else:
            colour += (passed * open_)[..., None] * _behind(*out)
    rgb = colour + glint
    thickness = np.where(maps[1][0], np.maximum(z0 - maps[1][1], 0.0), 0.0)
    rgb = rgb + 0.06 * (thickness / max(float(thickness.max()), 1.0))[..., None] * ICE
    # Creases of the near surface, and of what lies behind it at a third of the strength, scatter.
    scatter = np.zeros((h, w), np.float32)
    for share_k, (held, _z, gx, gy) in zip((0.55, 0.22, 0.16, 0.10), maps, strict=True):
        nx, ny, nz = _normal(gx, gy)
        bend = sum(np.hypot(*np.gradient(c)) for c in (nx, ny, nz))
        scatter += share_k * np.clip(bend * 2.2, 0.0, 1.0) * held
    return rgb.astype(np.float32), scatter.astype(np.float32)
