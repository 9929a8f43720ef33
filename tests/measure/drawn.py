"""Known shapes, drawn by matplotlib's antialiased renderer and blurred by scipy; no picture is square."""

import io
import math
import struct
import zlib

import numpy as np


def polygon_mask(points_px, shape, finer=8):
    """Share of each pixel inside of a polygon (column, row), whole numbers at pixel centres."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon

    rows, columns = shape
    figure = Figure(figsize=(columns * finer / 100, rows * finer / 100), dpi=100, facecolor="black")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_axis_off()
    axes.add_patch(Polygon(points_px, closed=True, facecolor="white", edgecolor="none", lw=0))
    buffer = io.BytesIO()
    figure.savefig(buffer, format="raw", dpi=100, facecolor="black")
    raw = np.frombuffer(buffer.getvalue(), np.uint8).reshape(rows * finer, columns * finer, 4)[..., 0]
    return raw.reshape(rows, finer, columns, finer).mean(axis=(1, 3)) / 255.0


def hexagon_points(radius_um, angle_deg, centre_px, pitch_um=(1.0, 1.0)):
    a = np.radians(angle_deg + 60.0 * np.arange(6))
    x = centre_px[0] + radius_um * np.cos(a) / pitch_um[0]
    y = centre_px[1] - radius_um * np.sin(a) / pitch_um[1]
    return np.column_stack([x, y])


def star_points(radius_um, inner_um, angle_deg, centre_px, pitch_um=(1.0, 1.0)):
    a = np.radians(angle_deg + 30.0 * np.arange(12))
    r = np.where(np.arange(12) % 2 == 0, radius_um, inner_um)
    return np.column_stack(
        [centre_px[0] + r * np.cos(a) / pitch_um[0], centre_px[1] - r * np.sin(a) / pitch_um[1]]
    )


def picture(mask, *, blur_px=1.0, noise=0.008, seed=0, light=0.7, dark=0.25, slope=0.05, finer=4):
    """A dark thing on uneven light, float32[rows, columns, 1]."""
    from scipy.ndimage import gaussian_filter

    rows, columns = mask.shape
    y, x = np.mgrid[0:rows, 0:columns]
    ground = light * (1 + slope * (x / columns - 0.5) - slope * np.square(y / rows - 0.4))
    soft = gaussian_filter(mask.astype(float), blur_px)
    out = ground * (1 - soft) + dark * soft + np.random.default_rng(seed).normal(0, noise, mask.shape)
    return np.clip(out, 0, 1).astype(np.float32)[:, :, None]


def hexagon_area(radius):
    return 1.5 * math.sqrt(3.0) * radius**2


def as_8bit(image):
    return np.round(np.asarray(image)[:, :, 0] * 255).astype(np.uint8)


def png_header(width, height):
    """A PNG that says how large it is and holds nothing."""

    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", b"x") + chunk(b"IEND", b"")
