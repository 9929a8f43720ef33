"""The morphology diagram computed: temperature across, humidity upward, each tile a crystal.

Tiles are of one size, one for each value of the sweep, so the axes step with the sweep and are to scale only
where its values are even. Curves of water saturation and of equal excess vapour density run through the same
steps. A tile above water saturation is greyed and hatched, because fog would form and no laboratory holds it;
one outside its kinetics table's range holds no crystal and says so. Words on each tile tell what its colour
does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from icewright.pictures import plan
from icewright.pictures.mesh import surface
from icewright.pictures.plan import INK, UM, PictureError, nice_length
from icewright.pictures.render import fragments, project
from icewright.shape.solid import Solid

if TYPE_CHECKING:
    import xarray

At = Callable[[int, int], Solid | None]  # row (humidity), column (temperature) -> crystal
Tile = tuple[NDArray[np.uint8], float, float]  # picture, half its width in um, angle of sight in degrees
Tiles = dict[tuple[int, int], Tile | None]

FLAT, EVEN, LONG = "#fbeeda", "#ffffff", "#dfecf8"
FOG, NONE = "#c9ccd1", "#e9e9e9"
TILE_PIXELS = 220
FLAT_DEG, LONG_DEG, SPIN_DEG = 42.0, 66.0, 12.0
EXCESS_G_M3 = (0.05, 0.1, 0.2, 0.3)
HUMIDITY = {
    "sigma_percent": "supersaturation over ice (%)",
    "water_fraction": "vapour pressure over that of supercooled water (1)",
    "excess_g_m3": "excess vapour density over ice (g/m³)",
}
_FLAT_BELOW, _LONG_ABOVE = 0.8, 1.25  # the bounds of "compact" in icewright.shape.habit


def slug(page: xarray.Dataset, dims: Sequence[str]) -> str:
    """`-layer-fits-50`: what tells this page's file from those of the sweep's other pages."""
    parts = []
    for dim in dims:
        value = page.coords[dim].item()
        text = value if isinstance(value, str) else f"{value:g}"
        parts.append("".join(c if c.isalnum() or c in "-." else "-" for c in text))
    return "".join(f"-{part}" for part in parts)


def tiles(page: xarray.Dataset, at: At) -> Tiles:
    """The view of every crystal of a page, None where there is none; drawn once and used by every chart."""
    rows, columns = page["sigma"].shape
    return {(iy, ix): _tile_of(at, iy, ix) for iy in range(rows) for ix in range(columns)}


def tile(solid: Solid, pixels: int = TILE_PIXELS) -> Tile:
    """A small shaded view of a crystal for print, seen from above the basal face if flat, else from the side.

    Returns
    -------
    picture : uint8[pixels, pixels, 4], transparent around the crystal.
    half_um : half the picture's width in micrometres, in the plane of the picture.
    angle_deg : from the c axis to the line of sight.
    """
    from scipy.ndimage import binary_erosion, gaussian_filter

    big = 2 * pixels
    tall, wide = plan.height_m(solid), 2.0 * plan._reach(solid)
    angle = FLAT_DEG if tall < wide else LONG_DEG
    # A tile has few pixels; what is finer than they are only costs time.
    vertices, triangles = surface(solid, most_cells=1_500_000)
    p = project(vertices, math.radians(angle), math.radians(SPIN_DEG))
    centre = 0.5 * (p.max(axis=0) + p.min(axis=0))
    half = 0.5 * float((p.max(axis=0) - p.min(axis=0))[:2].max()) * 1.04
    scale = big / (2.0 * half)
    corners = np.column_stack(
        [
            big / 2 + (p[:, 0] - centre[0]) * scale,
            big / 2 - (p[:, 1] - centre[1]) * scale,
            (p[:, 2] - centre[2]) * scale,
        ]
    )
    pixel, depth, _ = fragments(corners, triangles, big)
    flat = np.full(big * big, -1e9, np.float32)
    np.maximum.at(flat, pixel, depth)
    front = flat.reshape(big, big)
    ice = front > -1e8
    # Facets made of cells are stepped; blurred over a cell or two they shine as one.
    blur = float(np.clip(1.2 * solid.spacing_m * scale, 1.0, 6.0))
    weight = gaussian_filter(ice.astype(np.float32), blur)
    soft = gaussian_filter(np.where(ice, front, 0.0), blur) / np.maximum(weight, 1e-3)
    gy, gx = np.gradient(soft)
    normal = np.stack([-gx, gy, np.ones_like(gx)])
    normal /= np.linalg.norm(normal, axis=0)
    light = np.array([-0.45, 0.60, 0.66])
    shade = np.clip(np.tensordot(light, normal, axes=1), 0.0, 1.0) ** 0.9
    dark, pale = np.array([18.0, 62.0, 112.0]), np.array([226.0, 241.0, 251.0])
    colour = dark + (pale - dark) * shade[..., None]
    # Lines where the surface breaks: the outline, and edges between facets.
    rim = ice & ~binary_erosion(ice, iterations=2)
    turn = np.hypot(*np.gradient(normal[0])) + np.hypot(*np.gradient(normal[1]))
    line = np.clip(turn * 5.0 * blur / 3.0, 0.0, 0.75)[..., None]
    ink = np.array([16.0, 35.0, 58.0])
    colour = colour * (1.0 - line) + ink * line
    colour[rim] = ink
    rgba = np.dstack([colour, np.where(ice, 255.0, 0.0)])
    # Two by two means; colour weighted by cover, so that no dark fringe stands around the ice.
    cover = rgba[..., 3:].reshape(pixels, 2, pixels, 2, 1).mean(axis=(1, 3))
    mean = (rgba[..., :3] * rgba[..., 3:]).reshape(pixels, 2, pixels, 2, 3).mean(axis=(1, 3))
    out = np.dstack([mean / np.maximum(cover, 1.0), cover])
    return np.clip(np.rint(out), 0, 255).astype(np.uint8), half * UM, angle


def steps(values: NDArray[Any], at: NDArray[Any]) -> NDArray[Any]:
    """Where values lie on an axis whose k-th tile is ``values[k]``; straight between and beyond them."""
    v = np.asarray(values, dtype=float)
    if v.size == 1:
        return np.where(np.isfinite(at), (np.asarray(at, float) - v[0]) / max(abs(v[0]), 1e-9), np.nan)
    order = np.argsort(v)
    v, place = v[order], np.arange(v.size, dtype=float)[order]
    at = np.asarray(at, dtype=float)
    k = np.clip(np.searchsorted(v, at) - 1, 0, v.size - 2)
    return np.asarray(place[k] + (at - v[k]) / (v[k + 1] - v[k]) * (place[k + 1] - place[k]))


def humidity_of(page: xarray.Dataset) -> str:
    """The key of the humidity axis. Raises ``PictureError`` if the page has no two axes to draw along."""
    key = next((name for name in HUMIDITY if name in page.dims), None)
    if key is None or "temperature_c" not in page.dims or page["sigma"].ndim != 2:
        raise PictureError(
            "This is no page of an atlas.",
            got="axes " + ", ".join(str(d) for d in page.dims),
            wanted="temperature and one humidity",
            do="page = data.isel(kinetics=0)",
        )
    return key


def chart_png(
    page: xarray.Dataset, seen: Tiles, path: Path, caption: str = "", *, one_scale: bool = False
) -> Path:
    """Draw one page of an atlas as a chart of its crystals.

    Parameters
    ----------
    page : data set with the two axes humidity and temperature_c, in this order.
    seen : the views of its crystals, from `tiles`.
    one_scale : all crystals to one scale with one bar; else each fills its tile and has a bar of its own.
    """
    from icewright.sweep.dataset import words

    key = humidity_of(page)
    t, h = page["temperature_c"].to_numpy(), page[key].to_numpy()
    from matplotlib.patheffects import withStroke

    state, habit = words(page, "state"), words(page, "habit")
    # Cold to the right, as the morphology diagram is drawn; moist upward.
    across = {int(ix): k for k, ix in enumerate(np.argsort(-t))}
    upward = {int(iy): k for k, iy in enumerate(np.argsort(h))}
    side = float(np.clip(11.5 / max(t.size, 1), 0.62, 1.5))
    text = caption + _sight(seen)
    width = max(side * t.size + 1.75, 6.2)
    low = foot_height(text, width) + 1.05
    height = side * h.size + low + 1.03
    figure = plan._figure(width, height)
    axes = figure.add_axes((0.85 / width, low / height, side * t.size / width, side * h.size / height))
    axes.set_xlim(-0.5, t.size - 0.5)
    axes.set_ylim(-0.5, h.size - 0.5)
    largest = max((half for found in seen.values() if found for half in (found[1],)), default=1.0)
    size = float(np.clip(side * 5.6, 4.4, 7.5))
    for (iy, ix), found in seen.items():
        x, y = across[ix], upward[iy]
        _ground(axes, x, y, page, iy, ix, str(state[iy, ix]))
        if found is not None:
            picture, half, _ = found
            reach = 0.37 * (half / largest if one_scale else 1.0)
            axes.imshow(
                picture,
                extent=(x - reach, x + reach, y + 0.07 - reach, y + 0.07 + reach),
                interpolation="bilinear",
                zorder=3,
                aspect="auto",
            )
            if not one_scale:
                bar = nice_length(0.8 * half)
                length = bar / half * reach
                axes.plot(
                    [x + 0.45 - length, x + 0.45],
                    [y + 0.45] * 2,
                    color=INK,
                    lw=1.3,
                    zorder=4,
                    solid_capstyle="butt",
                )
                axes.text(
                    x + 0.45,
                    y + 0.42,
                    f"{bar:g}",
                    ha="right",
                    va="top",
                    fontsize=size * 0.82,
                    color=INK,
                    zorder=4,
                )
        axes.text(
            x,
            y - 0.475,
            _label(page, iy, ix, str(state[iy, ix]), str(habit[iy, ix])),
            ha="center",
            va="bottom",
            fontsize=size,
            color=INK,
            zorder=5,
            linespacing=0.95,
            path_effects=[withStroke(linewidth=2.4, foreground="white", alpha=0.9)],
        )
    axes.set_aspect("auto")
    axes.set_xlim(-0.5, t.size - 0.5)
    axes.set_ylim(-0.5, h.size - 0.5)
    draw_curves(axes, key, -np.sort(-t), np.sort(h), size)
    axes.set_xticks(range(t.size), [f"{value:g}" for value in -np.sort(-t)])
    axes.set_yticks(range(h.size), [f"{value:.4g}" for value in np.sort(h)])
    axes.tick_params(labelsize=9, colors=INK, length=0)
    axes.set_xlabel("air temperature (°C)", fontsize=10.5, color=INK)
    axes.set_ylabel(HUMIDITY[key], fontsize=10.5, color=INK)
    for spine in axes.spines.values():
        spine.set_color(INK)
    _key(figure, width, height, low, page, state)
    scale = ""
    if one_scale:
        bar = nice_length(0.8 * largest)
        length = bar / largest * 0.37 * side
        right = 0.85 + side * t.size
        figure.add_artist(_line([right - length, right], [height - 0.30] * 2, width, height, 2.4))
        figure.text(
            (right - length - 0.06) / width,
            1 - 0.30 / height,
            f"{bar:g} µm",
            ha="right",
            va="center",
            fontsize=9,
            color=INK,
        )
        scale = f"{bar:g}"
    else:
        right = 0.85 + side * t.size
        figure.text(
            right / width, 1 - 0.30 / height, "bars: µm", ha="right", va="center", fontsize=9, color=INK
        )
    title = str(page.attrs.get("title", "")) or "Atlas"
    name = page.coords["kinetics"].item() if "kinetics" in page.coords else page.attrs.get("kinetics", "")
    head_and_foot(figure, f"{title}: {name}", text, width, height)
    return plan.save(figure, path, "icewright.atlas-chart", scale_bar_um=scale)


def _tile_of(at: At, iy: int, ix: int) -> Tile | None:
    solid = at(iy, ix)
    if solid is None or not solid.ice.any():
        return None
    return tile(solid)


def _ground(axes: Any, x: int, y: int, page: Any, iy: int, ix: int, state: str) -> None:
    from matplotlib.patches import Rectangle

    ratio = float(page["aspect_ratio"].to_numpy()[iy, ix])
    over = bool(page["above_water"].to_numpy()[iy, ix])
    colour = NONE
    if np.isfinite(ratio):
        colour = FLAT if ratio < _FLAT_BELOW else LONG if ratio > _LONG_ABOVE else EVEN
    box = (x - 0.5, y - 0.5)
    axes.add_patch(
        Rectangle(box, 1, 1, facecolor=FOG if over else colour, edgecolor="white", lw=1.2, zorder=1)
    )
    if over or state in ("outside", "failed", "not grown"):
        hatch = "////" if over else "xxx" if state == "outside" else "..."
        axes.add_patch(
            Rectangle(
                box, 1, 1, facecolor="none", edgecolor="#8d949e", hatch=hatch, lw=0, zorder=1.5, alpha=0.55
            )
        )


def _label(page: Any, iy: int, ix: int, state: str, habit: str) -> str:
    if state == "outside":
        return "outside the\ntable's range"
    if state in ("failed", "not grown"):
        return state
    ratio = float(page["aspect_ratio"].to_numpy()[iy, ix])
    time_min = float(page["time_s"].to_numpy()[iy, ix]) / 60.0
    cut = "*" if state == "cut" else ""
    return f"{habit}{cut}\nc/a {short(ratio)}, {short(time_min)} min"


def short(value: float) -> str:
    """Two significant digits without powers of ten, where that is short."""
    return f"{value:.0f}" if 100 <= abs(value) < 1e5 else f"{value:.2g}"


def draw_curves(
    axes: Any, key: str, t: NDArray[Any], h: NDArray[Any], size: float, *, bare: bool = False
) -> None:
    """Water saturation, and equal excess vapour density, through the steps of both axes.

    ``bare`` draws water saturation alone, over everything, without words.
    """
    import matplotlib.patheffects as effects

    from icewright.ground.constants import RV
    from icewright.vapour.saturation import ice_pressure
    from icewright.vapour.supersaturation import sigma_at_water_saturation, sigma_from_excess_density

    if t.size < 2:
        return
    halo = [effects.withStroke(linewidth=3.2, foreground="white")]
    x = np.linspace(-0.5, t.size - 0.5, 40 * t.size)
    celsius = np.interp(x, np.arange(t.size), t)
    celsius = np.where(x < 0, t[0] + x * (t[1] - t[0]), celsius)
    last = t.size - 1
    celsius = np.where(x > last, t[-1] + (x - last) * (t[-1] - t[-2]), celsius)
    kelvin = np.minimum(celsius, -0.01) + 273.15
    water = sigma_at_water_saturation(kelvin)

    def value(sigma: NDArray[Any]) -> NDArray[Any]:
        if key == "sigma_percent":
            return sigma * 100.0
        if key == "water_fraction":
            return np.asarray((1.0 + sigma) / (1.0 + water))
        return np.asarray(sigma * ice_pressure(kelvin) / (RV * kelvin) * 1e3)

    lines: list[tuple[NDArray[Any], str, Any, float]] = [(value(water), "water saturation", "-", 2.2)]
    if key != "excess_g_m3" and not bare:
        lines += [
            (value(sigma_from_excess_density(kelvin, excess * 1e-3)), f"{excess:g} g/m³", (0, (4, 2)), 1.1)
            for excess in EXCESS_G_M3
        ]
    top: list[float] = []
    for values, words, dash, weight in lines:
        y = steps(h, values)
        inside = (y > -0.5) & (y < h.size - 0.5)
        if not inside.any():
            continue
        axes.plot(
            x, np.where(inside, y, np.nan), color=INK, ls=dash, lw=weight, zorder=2.5, path_effects=halo
        )
        if bare:
            continue
        # Words stand outside, where the curve leaves by the top or the right, and so never on a crystal.
        k = int(np.flatnonzero(inside)[-1])
        look = {"fontsize": size + 0.8, "color": INK, "weight": "bold" if weight > 2 else "normal"}
        if k >= x.size - 2:
            axes.text(t.size - 0.45, y[k], words, ha="left", va="center", clip_on=False, **look)
            continue
        level = sum(abs(x[k] - other) < 1.3 for other in top)
        top.append(float(x[k]))
        axes.annotate(
            words,
            (x[k], h.size - 0.5),
            (0, 3 + 10 * level),
            textcoords="offset points",
            ha="center",
            va="bottom",
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "lw": 0.6, "color": INK, "shrinkA": 0, "shrinkB": 0}
            if level
            else None,
            **look,
        )


def _key(figure: Any, width: float, height: float, low: float, page: Any, state: NDArray[Any]) -> None:
    """The legend beneath the axes: what grounds and marks mean."""
    from matplotlib.patches import Patch

    marks = [
        Patch(facecolor=FLAT, edgecolor="#999999", label=f"flat (c/a < {_FLAT_BELOW:g})"),
        Patch(facecolor=EVEN, edgecolor="#999999", label="compact"),
        Patch(facecolor=LONG, edgecolor="#999999", label=f"long (c/a > {_LONG_ABOVE:g})"),
    ]
    if bool((page["above_water"] > 0).any()):
        words = "above water saturation: fog would form,\nno laboratory holds this"
        marks.append(Patch(facecolor=FOG, edgecolor="#8d949e", hatch="////", label=words))
    if (state == "outside").any():
        marks.append(
            Patch(facecolor=NONE, edgecolor="#8d949e", hatch="xxx", label="outside the table's range")
        )
    if (state == "cut").any():
        marks.append(Patch(facecolor="none", edgecolor="none", label="* cut by the wall limit"))
    legend = figure.legend(
        handles=marks,
        loc="lower left",
        bbox_to_anchor=(0.22 / width, (low - 0.98) / height),
        ncol=min(len(marks), max(3, int(width / 2.1))),
        frameon=False,
        fontsize=8,
        handlelength=1.4,
        columnspacing=1.2,
        borderpad=0,
    )
    for words in legend.get_texts():
        words.set_color(INK)


def _sight(seen: Tiles) -> str:
    angles = sorted({found[2] for found in seen.values() if found is not None})
    if not angles:
        return ""
    parts = [f"{'flat' if a == FLAT_DEG else 'long'} ones from {a:g}°" for a in angles]
    return f" Crystals seen at an angle off the c axis, {' and '.join(parts)}. Axes step with the sweep."


def _line(x: Sequence[float], y: Sequence[float], width: float, height: float, weight: float) -> Any:
    from matplotlib.lines import Line2D

    return Line2D(
        [v / width for v in x], [v / height for v in y], color=INK, lw=weight, solid_capstyle="butt"
    )


def _wrapped(caption: str, width: float) -> list[str]:
    import textwrap

    return textwrap.wrap(caption, int(width * 14.5))


def foot_height(caption: str, width: float) -> float:
    """Inches that the caption takes beneath a figure of that width."""
    return 0.10 + 0.135 * len(_wrapped(caption, width)) + 0.12


def head_and_foot(figure: Any, title: str, caption: str, width: float, height: float) -> None:
    """Title above, caption beneath, both to the left edge."""
    lines = "\n".join(_wrapped(caption, width))
    figure.text(
        0.25 / width, 1 - 0.16 / height, title, ha="left", va="top", fontsize=14, color=INK, weight="bold"
    )
    figure.text(0.25 / width, 0.10 / height, lines, ha="left", va="bottom", fontsize=8.2, color="#3a4a5c")
