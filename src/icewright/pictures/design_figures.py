"""A designed crystal beside the one wanted, with the difference drawn and measured; a search's progress.

Plans and sections are drawn from portraits, so that a crystal of any voxel size, an outline and a twin that
was never grown look alike. All panels of one row have one scale. In a difference, what is in common is grey;
what the target has more is blue and hatched, what the prediction has more is orange, so that print without
colour still parts them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from icewright.design.portrait import PLAN_SHAPE, SECTION_SHAPE, Portrait
from icewright.pictures.plan import INK, UM, _figure, ice_map, nice_length, save, scale_bar

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]

COMMON, WANTED, GROWN, GREY = "#c9d1d9", "#00507f", "#e08a3c", "#6b7280"
_PIXELS = 420
_WORDS = {
    "size": "size",
    "thickness": "thickness",
    "outline": "outline",
    "arms": "arms",
    "section": "section",
}


def plan_of(crystal: Portrait, half_m: float, pixels: int = _PIXELS) -> FloatArray:
    """The plan of a portrait on a square of ``half_m`` to each side; shares 0..1, [pixels, pixels]."""
    from scipy.ndimage import map_coordinates

    n, m = PLAN_SHAPE
    at = (np.arange(pixels) + 0.5) / pixels * 2 - 1
    x, y = np.meshgrid(at * half_m, at * half_m)
    rho = np.hypot(x, y) / max(crystal.radius_m, 1e-12)
    angle = np.abs((np.arctan2(y, x) + math.pi / 6) % (math.pi / 3) - math.pi / 6)
    inside = map_coordinates(
        crystal.plan,
        [np.clip(rho * n - 0.5, 0, n - 1), angle / (math.pi / 6) * m - 0.5],
        order=1,
        mode="nearest",
    )
    return np.where(rho <= 1.0, inside, 0.0)


def section_of(crystal: Portrait, half_w_m: float, half_h_m: float, pixels: int = _PIXELS) -> FloatArray:
    """The azimuthal section of a portrait, axis in the middle, c upward; shares, [rows, pixels]."""
    from scipy.ndimage import map_coordinates

    n, k = SECTION_SHAPE
    rows = max(8, round(pixels * half_h_m / half_w_m))
    x = np.abs((np.arange(pixels) + 0.5) / pixels * 2 - 1) * half_w_m / max(crystal.radius_m, 1e-12)
    z = ((np.arange(rows) + 0.5) / rows * 2 - 1) * half_h_m / max(crystal.thickness_m, 1e-12) + 0.5
    zz, xx = np.meshgrid(z, x, indexing="ij")
    inside = map_coordinates(
        crystal.section,
        [np.clip(xx * n - 0.5, 0, n - 1), np.clip(zz * k - 0.5, 0, k - 1)],
        order=1,
        mode="nearest",
    )
    return np.where((xx <= 1.0) & (zz >= 0) & (zz <= 1), inside, 0.0)


def beside_png(
    wanted: Portrait,
    grown: Portrait,
    path: Path,
    title: str,
    caption: str,
    terms: Mapping[str, float],
    *,
    level: float,
) -> Path:
    """Target, prediction and their difference in plan and section, and the misfit term by term."""
    thick = wanted.thickness_m > 0
    half = 1.08 * max(wanted.radius_m, grown.radius_m)
    tall = 0.5 * max(wanted.thickness_m, grown.thickness_m) if thick else 0.0
    panel = 2.55
    stretch = _stretch(tall, half)
    ratio = min(2.0, max(0.16, 1.15 * tall * stretch / half)) if thick else 0.0
    low = panel * ratio
    height = panel + low + 3.15 + 0.16 * len(terms)
    width = 3 * panel + 1.0
    figure = _figure(width, height)
    names = ("wanted", "predicted", "difference")
    for i, name in enumerate(names):
        left = (0.3 + i * (panel + 0.2)) / width
        axes = figure.add_axes((left, 1 - (0.72 + panel) / height, panel / width, panel / height))
        pair = [plan_of(p, half) for p in (wanted, grown)]
        _show(axes, pair[i] if i < 2 else _difference(*pair), half, half)
        axes.set_title(name, fontsize=10.5, color=INK, loc="left", pad=2)
        if i == 0:
            scale_bar(axes, nice_length(0.6 * half * UM), size=9)
        if thick:
            axes = figure.add_axes((left, 1 - (0.95 + panel + low) / height, panel / width, low / height))
            box = (half, ratio * half / stretch)
            pair = [section_of(p, *box) for p in (wanted, grown)]
            _show(axes, pair[i] if i < 2 else _difference(*pair), *box)
            axes.set_aspect("auto")
    y = (1.72 + 0.16 * len(terms)) / height
    words = "plan above, section through the axis (averaged round it) below"
    if thick and stretch != 1:
        words += f", heights drawn {stretch:g} times too tall"
    if not thick:
        words = "plan; the outline says nothing of the thickness"
    figure.text(0.3 / width, y, words, fontsize=8.5, color=GREY)
    _key(figure, width, height, y - 0.24 / height)
    _bars(figure, width, height, terms, level)
    _heads(figure, width, height, title, caption)
    return save(figure, path, "icewright.design.beside")


def stages_png(
    stages: Sequence[Portrait],
    words: Sequence[str],
    path: Path,
    title: str,
    caption: str,
    terms: Mapping[str, float],
    *,
    level: float,
) -> Path:
    """The predicted crystal at the end of each stage, in plan and section, and what it misses."""
    half = 1.08 * max(p.radius_m for p in stages)
    tall = 0.5 * max(p.thickness_m for p in stages)
    n, panel = len(stages), 2.5 if len(stages) > 1 else 3.2
    stretch = _stretch(tall, half)
    ratio = min(2.0, max(0.16, 1.15 * tall * stretch / half))
    low = panel * ratio
    height = panel + low + 3.1 + 0.16 * len(terms)
    width = max(6.2, n * (panel + 0.2) + 0.6)
    figure = _figure(width, height)
    for i, (crystal, word) in enumerate(zip(stages, words, strict=True)):
        left = (0.3 + i * (panel + 0.2)) / width
        axes = figure.add_axes((left, 1 - (1.0 + panel) / height, panel / width, panel / height))
        _show(axes, plan_of(crystal, half), half, half)
        axes.set_title(
            f"{i + 1}. {word}, {crystal.time_s / 60:.3g} min\nradius {crystal.radius_m * UM:.3g} µm, "
            f"thickness {crystal.thickness_m * UM:.3g} µm",
            fontsize=9,
            color=INK,
            loc="left",
            pad=3,
        )
        if i == 0:
            scale_bar(axes, nice_length(0.6 * half * UM), size=9)
        axes = figure.add_axes((left, 1 - (1.2 + panel + low) / height, panel / width, low / height))
        box = (half, ratio * half / stretch)
        _show(axes, section_of(crystal, *box), *box)
        axes.set_aspect("auto")
    y = (1.45 + 0.16 * len(terms)) / height
    said = "plan above, section through the axis (averaged round it) below"
    if stretch != 1:
        said += f", heights drawn {stretch:g} times too tall"
    figure.text(0.3 / width, y, said, fontsize=8.5, color=GREY)
    _bars(figure, width, height, terms, level)
    _heads(figure, width, height, title, caption)
    return save(figure, path, "icewright.design.stages")


def progress_png(history: Sequence[tuple[float, float]], path: Path, title: str, *, level: float) -> Path:
    """The best distance so far against the trials spent, with the level that counts as the same crystal."""
    from matplotlib.ticker import LogLocator, NullFormatter

    figure = _figure(6.4, 3.4)
    axes = figure.add_axes((0.11, 0.17, 0.85, 0.66))
    x = [c for c, _ in history]
    y = [d for _, d in history]
    axes.step([*x, x[-1] * 1.02 + 1], [*y, y[-1]], where="post", color=WANTED, linewidth=1.8)
    axes.plot(x, y, "o", color=WANTED, markersize=3.5)
    axes.axhline(level, color=GROWN, linewidth=1.2, linestyle="--")
    axes.text(
        axes.get_xlim()[1], level, "the same crystal ", ha="right", va="bottom", fontsize=8.5, color=GROWN
    )
    axes.set_yscale("log")
    # Plain decimals: powers of ten of this size are wider than the margin, and harder to read.
    low, high = axes.get_ylim()
    axes.yaxis.set_major_locator(LogLocator(subs=(1, 2, 3, 4, 6) if high < 15 * low else (1, 2, 5)))
    axes.yaxis.set_major_formatter(lambda v, _: f"{v:g}")
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel("trials spent (in crystals of middle fineness)", fontsize=9.5, color=INK)
    axes.set_ylabel("distance from the target", fontsize=9.5, color=INK)
    axes.tick_params(labelsize=8.5, colors=INK, which="both")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    figure.text(0.02, 0.93, title, fontsize=12, color=INK)
    return save(figure, path, "icewright.design.progress")


def _show(axes: Axes, picture: FloatArray, half_w: float, half_h: float) -> None:
    extent = (-half_w * UM, half_w * UM, -half_h * UM, half_h * UM)
    if picture.ndim == 3:
        axes.imshow(picture, origin="lower", extent=extent, interpolation="bilinear")
    else:
        shown = np.ma.masked_less(picture, 0.02)
        axes.imshow(
            shown, origin="lower", extent=extent, cmap=ice_map(), vmin=0.0, vmax=1.6, interpolation="bilinear"
        )
        if picture.max() > 0.5:
            axes.contour(picture, levels=[0.5], colors=[INK], linewidths=0.8, extent=extent, origin="lower")
    axes.set_xlim(-half_w * UM, half_w * UM)
    axes.set_ylim(-half_h * UM, half_h * UM)
    axes.set_axis_off()


def _difference(wanted: FloatArray, grown: FloatArray) -> FloatArray:
    """Common, wanted only and grown only, mixed by their shares into colours; white where neither is."""
    from matplotlib.colors import to_rgb

    common, more, less = (
        np.minimum(wanted, grown),
        np.clip(wanted - grown, 0, 1),
        np.clip(grown - wanted, 0, 1),
    )
    out = np.ones((*wanted.shape, 3))
    for share, colour in ((common, COMMON), (more, WANTED), (less, GROWN)):
        out += share[..., None] * (np.array(to_rgb(colour)) - 1.0)
    rows, columns = np.indices(wanted.shape)
    hatch = ((rows + columns) % 14 < 3) & (more > 0.5)
    out[hatch] = 1.0
    return np.clip(out, 0, 1)


def _stretch(tall: float, half: float) -> float:
    """How much too tall a thin plate is drawn, so that it is more than a line."""
    return nice_length(0.22 * half / tall) if 0 < tall < 0.1 * half else 1.0


def _key(figure: Any, width: float, height: float, y: float) -> None:
    from matplotlib.patches import Rectangle

    x = 0.3 / width
    for colour, words in (
        (COMMON, "in common"),
        (WANTED, "only wanted (hatched)"),
        (GROWN, "only predicted"),
    ):
        box = Rectangle((x, y), 0.14 / width, 0.12 / height, transform=figure.transFigure, facecolor=colour)
        figure.add_artist(box)
        figure.text(x + 0.2 / width, y, words, fontsize=8.5, color=INK, va="baseline")
        x += (0.45 + 0.075 * len(words)) / width


def _bars(figure: Any, width: float, height: float, terms: Mapping[str, float], level: float) -> None:
    names = list(terms)[::-1]
    values = [terms[n] for n in names]
    axes = figure.add_axes(
        (2.05 / width, 0.5 / height, (width - 2.75) / width, (0.35 + 0.16 * len(names)) / height)
    )
    axes.barh(range(len(names)), values, color=[GROWN if v > level else WANTED for v in values], height=0.62)
    right = max([*values, 1.3 * level])
    for i, v in enumerate(values):
        axes.text(v + 0.01 * right, i, f"{v:.3f}", va="center", fontsize=8, color=INK)
    axes.axvline(level, color=GREY, linewidth=1.0, linestyle="--")
    axes.set_xlim(0, 1.12 * right)
    axes.set_ylim(-0.6, len(names) - 0.4)
    axes.set_yticks(
        range(len(names)),
        [_WORDS.get(n, n.replace("_um", ", µm").replace("_", " ")) for n in names],
        fontsize=8.5,
    )
    axes.set_xlabel(f"relative misfit; dashed: {level:g}, what counts as the same", fontsize=8.5)
    axes.tick_params(labelsize=8.5, colors=INK, length=2)
    axes.xaxis.label.set_color(INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _heads(figure: Any, width: float, height: float, title: str, caption: str) -> None:
    figure.text(0.3 / width, 1 - 0.28 / height, title, fontsize=13, color=INK)
    figure.text(0.3 / width, 1 - 0.47 / height, caption, fontsize=9, color=GREY)
