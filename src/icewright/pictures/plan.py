"""Measured views on paper: plan, side, thickness map and sections, each with its units and a true scale bar.

These are made for print: white ground, colours from maps that are even in lightness and safe for colour-blind
readers, nothing that only colour tells. Every file says in its text fields how many micrometres a pixel is.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.pictures.mesh import surface
from icewright.pictures.render import fragments, project
from icewright.pictures.stamp import metadata
from icewright.shape import outline
from icewright.shape.solid import SIXFOLD, FloatArray, Solid, plan_image, sample_columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

UM = 1e6
INK = "#10233a"
MAP = "cividis"
DPI = 200


class PictureError(IcewrightError):
    """A picture that cannot be drawn."""


def nice_length(longest: float) -> float:
    """The longest of 1, 2, 5 times a power of ten that is not above ``longest``."""
    power = 10.0 ** math.floor(math.log10(longest))
    return max((m * power for m in (1.0, 2.0, 5.0) if m * power <= longest * (1 + 1e-9)), default=power)


def scale_bar(axes: Axes, length_um: float, *, colour: str = INK, size: float = 10.0) -> None:
    """Draw a bar of that length, in data units of micrometres, in the lower right corner with its label."""
    from matplotlib.patches import Rectangle

    x0, x1 = axes.get_xlim()
    y0, y1 = axes.get_ylim()
    right, low = x1 - 0.04 * (x1 - x0), y0 + 0.04 * (y1 - y0)
    thick = 0.012 * (x1 - x0)
    axes.add_patch(
        Rectangle((right - length_um, low), length_um, thick, facecolor=colour, linewidth=0, zorder=9)
    )
    axes.text(
        right - length_um / 2,
        low + 1.8 * thick,
        f"{length_um:g} µm",
        ha="center",
        va="bottom",
        color=colour,
        fontsize=size,
        zorder=9,
    )


def ice_map(name: str = "ice") -> Any:
    """Pale to deep blue, even in lightness: more ice is darker, as on paper."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list(
        name, ["#eaf4fb", "#b5d7ee", "#6fa9d3", "#2f74ae", "#123f74", "#0b1f42"]
    )


def path_length(
    solid: Solid, pixel_m: float, half_width_m: float, half_height_m: float
) -> tuple[FloatArray, float, float]:
    """Ice along the line of sight in a side view, corners to left and right and c upward.

    Returns
    -------
    image : float64[rows, columns] (m), row 0 at the bottom.
    half_width_m, half_height_m : what the image spans to each side of the crystal's middle.
    """
    vertices, triangles = surface(solid, most_cells=6_000_000)
    p = project(vertices, math.pi / 2, 0.0)
    middle = 0.5 * (p[:, 1].max() + p[:, 1].min())
    n = 2 * math.ceil(max(half_width_m, half_height_m) / pixel_m)
    # A shift of a part of a pixel keeps rows of triangles from lying exactly on rows of pixels.
    corners = np.column_stack(
        [
            p[:, 0] / pixel_m + n / 2 - 0.5 + 0.0123,
            (p[:, 1] - middle) / pixel_m + n / 2 - 0.5 + 0.0171,
            p[:, 2] / pixel_m,
        ]
    )
    pixel, depth, facing = fragments(corners, triangles, n)
    # Rows run upward here, so facing is turned over; nearer surfaces count plus, farther ones minus.
    sign = np.where(facing, -1.0, 1.0)
    image = np.bincount(pixel, weights=depth * sign, minlength=n * n).reshape(n, n) * pixel_m
    rows = math.ceil(half_height_m / pixel_m)
    cols = math.ceil(half_width_m / pixel_m)
    cut = image[n // 2 - rows : n // 2 + rows, n // 2 - cols : n // 2 + cols]
    return np.clip(cut, 0.0, None), cols * pixel_m, rows * pixel_m


def _figure(width: float, height: float) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def save(figure: Figure, path: Path, kind: str, **more: str) -> Path:
    """Write a figure as a stamped PNG."""
    figure.savefig(path, dpi=DPI, metadata=metadata(kind, **more))
    return Path(path)


def _true_scale(axes: Axes) -> str:
    """Micrometres in a pixel of the written file, as text."""
    axes.apply_aspect()  # settles the axes without drawing everything once more
    (x0, _), (x1, _) = axes.transData.transform([(0.0, 0.0), (1.0, 0.0)])
    return f"{1.0 / (x1 - x0):.9g}"


def _reach(solid: Solid) -> float:
    has = solid.coverage > 0.0
    if not has.any():
        raise PictureError(
            "There is nothing to draw.", got="a solid without ice", wanted="at least one ice cell"
        )
    rows = solid.q + (solid.r if solid.symmetry == SIXFOLD else 0)
    return float(rows[has].max() + 1.0) * solid.spacing_m


def draw_plan(
    axes: Axes,
    solid: Solid,
    half_um: float,
    most_um: float,
    *,
    cmap: Any = None,
    line: float = 0.8,
    pixels: int = 1600,
) -> Any:
    """Thickness as shade inside the true outline, on axes that span -half..half in micrometres."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Curve

    pixel = max(solid.spacing_m / 4.0, 2.0 * half_um / UM / pixels)
    # Weighted by cover, so that the last cells keep their thickness up to the outline instead of fading.
    cover = np.clip(solid.coverage, 0.0, 1.0)
    image, at = plan_image(solid, pixel_m=pixel, half_width_m=half_um / UM)
    weight, _ = plan_image(solid, cover, pixel_m=pixel, half_width_m=half_um / UM)
    image = np.divide(image, weight, out=np.zeros_like(image), where=weight > 0.02)
    edge = (at[-1] + pixel / 2) * UM
    picture = axes.imshow(
        image * UM,
        origin="lower",
        extent=(-edge, edge, -edge, edge),
        cmap=cmap or ice_map(),
        vmin=0.0,
        vmax=most_um,
        interpolation="bilinear",
    )
    loops = outline.outline(solid)
    if loops:
        curve = Curve.make_compound_path(*[Curve(loop * UM, closed=True) for loop in loops])
        patch = PathPatch(curve, facecolor="none", edgecolor=INK, linewidth=line, joinstyle="round")
        axes.add_patch(patch)
        picture.set_clip_path(patch)
    axes.set_xlim(-half_um, half_um)
    axes.set_ylim(-half_um, half_um)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return picture


def _title(figure: Figure, title: str, caption: str) -> None:
    figure.text(0.04, 0.975, title, ha="left", va="top", fontsize=13, color=INK, weight="bold")
    figure.text(0.04, 0.02, caption, ha="left", va="bottom", fontsize=8.5, color="#3a4a5c", wrap=True)


def plan_png(solid: Solid, path: Path, title: str = "", caption: str = "") -> Path:
    """Plan view along c: shade is thickness, the line is the outline."""
    figure = _figure(7.0, 7.6)
    axes = figure.add_axes((0.04, 0.10, 0.92, 0.85))
    half = 1.08 * _reach(solid) * UM
    draw_plan(axes, solid, half, float(solid.column_ice_m.max()) * solid.halves * UM * 1.35)
    bar = nice_length(0.5 * half)
    scale_bar(axes, bar)
    _title(figure, title, caption)
    return save(figure, path, "icewright.plan", um_per_pixel=_true_scale(axes), scale_bar_um=f"{bar:g}")


def thickness_png(solid: Solid, path: Path, title: str = "", caption: str = "") -> Path:
    """Ice along c in micrometres, as a map with its colour bar."""
    figure = _figure(8.0, 7.6)
    axes = figure.add_axes((0.03, 0.10, 0.80, 0.85))
    half = 1.08 * _reach(solid) * UM
    most = float(solid.column_ice_m.max()) * solid.halves * UM
    picture = draw_plan(axes, solid, half, most, cmap=MAP)
    bar = nice_length(0.5 * half)
    scale_bar(axes, bar)
    colours = figure.add_axes((0.86, 0.22, 0.025, 0.60))
    figure.colorbar(picture, cax=colours).set_label("ice along c (µm)", fontsize=10, color=INK)
    _title(figure, title, caption)
    return save(figure, path, "icewright.thickness", um_per_pixel=_true_scale(axes), scale_bar_um=f"{bar:g}")


def draw_side(
    axes: Axes, solid: Solid, half_w_um: float, half_h_um: float, most_um: float, pixels: int = 1400
) -> Any:
    """Side view: shade is the ice along the line of sight, the line is the silhouette. Micrometres;

    ``most_um`` is the path shown darkest, 0 for one and a quarter times the longest.
    """
    pixel = 2.0 * max(half_w_um, half_h_um) / UM / pixels
    image, w, h = path_length(solid, pixel, half_w_um / UM, half_h_um / UM)
    shown = np.ma.masked_less(image * UM, 0.02 * solid.spacing_m * UM)
    picture = axes.imshow(
        shown,
        origin="lower",
        extent=(-w * UM, w * UM, -h * UM, h * UM),
        cmap=ice_map(),
        vmin=0.0,
        vmax=most_um or 1.25 * float(image.max() * UM),
        interpolation="bilinear",
    )
    x = np.linspace(-w * UM, w * UM, image.shape[1])
    y = np.linspace(-h * UM, h * UM, image.shape[0])
    mask = (image > 0.05 * solid.spacing_m).astype(float)
    axes.contour(x, y, mask, levels=[0.5], colors=[INK], linewidths=0.8)
    axes.set_xlim(-half_w_um, half_w_um)
    axes.set_ylim(-half_h_um, half_h_um)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return picture


def height_m(solid: Solid) -> float:
    """Height of the whole crystal along c (m), part-filled cells as whole ones."""
    layers = np.flatnonzero(solid.fill.max(axis=0) > 0)
    if not layers.size:
        return 0.0
    top = float(solid.z_edges_m[layers.max() + 1])
    return 2.0 * top if solid.mirrored else top - float(solid.z_edges_m[layers.min()])


def side_png(solid: Solid, path: Path, title: str = "", caption: str = "") -> Path:
    """Side view with c upward, both axes to the same scale."""
    reach, tall = _reach(solid) * UM, 0.5 * height_m(solid) * UM
    half_w = 1.10 * max(reach, 0.35 * tall)
    half_h = max(1.12 * tall, 0.26 * half_w) + 0.17 * half_w
    shape = half_h / half_w
    width = 7.0 if shape <= 1.4 else 7.0 * 1.4 / shape + 0.8
    draw_w = 0.92 * width
    height = draw_w * shape + 1.25
    figure = _figure(width, height)
    axes = figure.add_axes((0.04, 0.75 / height, 0.92, draw_w * shape / height))
    draw_side(axes, solid, half_w, half_h, 0.0)
    bar = nice_length(0.5 * half_w)
    scale_bar(axes, bar)
    _title(figure, title, caption)
    return save(figure, path, "icewright.side", um_per_pixel=_true_scale(axes), scale_bar_um=f"{bar:g}")


def section(
    solid: Solid, angle_deg: float, values: NDArray[Any], outside: float
) -> tuple[FloatArray, FloatArray]:
    """Values [ncol, nz] on the vertical plane through the axis at an angle from +x.

    Returns
    -------
    image : float64[nz of the whole crystal, 2 n + 1], bottom layer first.
    x_m : float64[2 n + 1], way along the plane.
    """
    step = solid.spacing_m * (0.5 if angle_deg % 60.0 == 0.0 else math.sqrt(3.0) / 4.0)
    n = math.ceil(_reach(solid) / step) + 2
    x = np.arange(0, n + 1) * step
    held = np.append(np.arange(solid.q.size), -1)
    number = np.arange(solid.q.size, dtype=np.float64)
    if solid.symmetry == SIXFOLD:
        a = math.radians(angle_deg)
        k = sample_columns(solid, number, x * math.cos(a), x * math.sin(a), outside=-1.0, sharp=True)
    else:
        order = np.append(np.argsort(solid.q), -1)
        k = order[np.minimum(np.floor(x / solid.spacing_m).astype(int), solid.q.size)]
    k = held[np.rint(k).astype(int)]
    rows = np.concatenate([values, np.full((1, values.shape[1]), outside, values.dtype)])[k].T
    image = np.concatenate([rows[:, :0:-1], rows], axis=1).astype(np.float64)
    if solid.mirrored:
        image = np.concatenate([image[::-1], image], axis=0)
    return image, np.concatenate([-x[:0:-1], x])


def section_png(solid: Solid, path: Path, title: str = "", caption: str = "") -> Path:
    """Vertical sections through corners (0 degrees) and facets (30 degrees), shaded by when the ice froze."""
    reach = _reach(solid) * UM * 1.06
    tall = 0.5 * height_m(solid) * UM
    reach = max(reach, 0.42 * tall)  # room for the words beside a needle
    stretch = 1.0
    if tall < 0.16 * reach:  # a thin plate drawn true is a line
        stretch = nice_length(0.30 * reach / tall)
    z = solid.z_edges_m * UM
    if solid.mirrored:
        z = np.concatenate([-z[:0:-1], z])
    middle = 0.5 * (z[1:] + z[:-1])
    lows = np.flatnonzero(solid.fill.max(axis=0) > 0)
    z_top = z[-1] if not lows.size else solid.z_edges_m[lows.max() + 1] * UM
    z_low = -z_top if solid.mirrored else solid.z_edges_m[lows.min()] * UM
    pad = 0.08 * (z_top - z_low) + 0.02 * reach / stretch
    last = float(np.nanmax(solid.frozen_s)) / 60.0 if np.isfinite(solid.frozen_s).any() else 0.0
    shape = (z_top - z_low + 2 * pad) * stretch / (2 * reach)
    side_by_side = shape > 0.55
    each = 3.3 if side_by_side else 6.6
    panel_h = each * shape
    if panel_h > 7.0:
        each, panel_h = each * 7.0 / panel_h, 7.0
    if side_by_side:
        width, height = 2 * each + 3.4, panel_h + 2.0
        boxes = [(0.85 + k * (each + 0.75), 1.15, each, panel_h) for k in range(2)]
    else:
        width, height = each + 2.0, 2 * panel_h + 3.0
        boxes = [(0.85, 1.25 + (1 - k) * (panel_h + 0.80), each, panel_h) for k in range(2)]
    figure = _figure(width, height)
    picture: Any = None
    scale = ""
    for (left, low, w, h), angle, name in zip(
        boxes, (0.0, 30.0), ("through corners (0°)", "through facets (30°)"), strict=True
    ):
        axes = figure.add_axes((left / width, low / height, w / width, h / height))
        ages, x = section(solid, angle, np.where(solid.ice, solid.frozen_s / 60.0, np.nan), float("nan"))
        picture = axes.pcolormesh(
            x * UM, middle, ages, cmap=MAP, vmin=0.0, vmax=last or 1.0, shading="nearest"
        )
        ice = np.nan_to_num(np.isfinite(ages).astype(float))
        axes.contour(x * UM, middle, ice, levels=[0.5], colors=[INK], linewidths=0.9)
        if last > 0:
            step = nice_length(last / 4.0)
            rings = np.arange(step, last * 0.999, step)
            from scipy.ndimage import gaussian_filter

            smooth = gaussian_filter(np.where(np.isfinite(ages), ages, 1.05 * last), 0.8)
            if rings.size:
                axes.contour(
                    x * UM,
                    middle,
                    np.where(np.isfinite(ages), smooth, np.nan),
                    levels=rings,
                    colors=["white"],
                    linewidths=0.8,
                )
        axes.set_xlim(-reach, reach)
        axes.set_ylim(z_low - pad, z_top + pad)
        axes.set_aspect(stretch)
        axes.set_title(name, fontsize=10, color=INK, loc="left")
        axes.tick_params(labelsize=8.5, colors=INK)
        axes.set_ylabel("z (µm)", fontsize=9.5, color=INK)
        axes.set_xlabel("distance from the axis (µm)", fontsize=9.5, color=INK)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        scale = _true_scale(axes)
    bar_left = (boxes[1][0] + boxes[1][2] + 0.30) / width
    low, top = boxes[1][1] / height, (boxes[0][1] + boxes[0][3]) / height
    colours = figure.add_axes((bar_left, low, 0.13 / width, top - low))
    bar = figure.colorbar(picture, cax=colours)
    bar.set_label("froze at (min)", fontsize=9.5, color=INK)
    bar.ax.tick_params(labelsize=8.5, colors=INK)
    note = []
    if last > 0:
        note.append(f"White lines every {nice_length(last / 4.0):g} min.")
    note.append(f"Heights drawn {stretch:g} times too tall." if stretch != 1.0 else "Both axes to one scale.")
    _title(figure, title, "\n".join(line for line in (caption, " ".join(note)) if line))
    return save(figure, path, "icewright.section", um_per_pixel=scale, z_stretch=f"{stretch:g}")
