"""What was measured, to be judged at a glance: outlines laid over the pictures, and curves against time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.pictures.stamp import metadata, write_png

TILE, CAPTION = (360, 270), 34
ACROSS, DOWN = 4, 4
# Word and colour both tell the quality; the colours differ in lightness too.
COLOURS = {"good": (0, 158, 115), "fair": (240, 200, 60), "poor": (230, 110, 20), "none": (200, 40, 90)}
GROUND, INK = (250, 250, 250), (16, 35, 58)
TIP = (86, 200, 255)


def tile(
    picture: NDArray[np.float32], readings: Sequence[Mapping[str, Any]], size: tuple[int, int] = TILE
) -> NDArray[np.uint8]:
    """A picture made small with its outlines, numbers and tips, uint8[rows, columns, 3].

    ``picture``: float32[rows, columns, channels], 0 to 1. Each reading is a plain record with ``outline_px``
    (column, row), ``quality``, and perhaps ``tips_px``, ``centre_px`` and ``holes_px``. Dim pictures are
    brightened for the eye; nothing was measured on what is shown here.
    """
    from PIL import Image, ImageDraw

    rows, columns = picture.shape[:2]
    box = _box(readings, rows, columns, size)
    left, top, right, bottom = box
    cut = picture[top:bottom, left:right]
    thin = max(1, min((bottom - top) // (2 * size[1]), (right - left) // (2 * size[0])))
    cut = cut[::thin, ::thin]  # twice as fine as it is shown
    low, high = np.percentile(cut[::3, ::3], (0.2, 99.8))
    if high - low > 1e-6:
        cut = (cut - low) / (high - low) * 0.92 + 0.04
    grey = np.clip(cut * 255.0, 0, 255).astype(np.uint8)
    image = Image.fromarray(grey if grey.shape[2] == 3 else np.repeat(grey[:, :, :1], 3, axis=2))
    zoom = min(size[0] / image.width, size[1] / image.height)
    shown = image.resize(
        (max(1, round(image.width * zoom)), max(1, round(image.height * zoom))), reducing_gap=2.0
    )
    zoom /= thin  # from here on of the whole picture's pixels
    sheet = Image.new("RGB", size, (28, 32, 38))
    at = ((size[0] - shown.width) // 2, (size[1] - shown.height) // 2)
    sheet.paste(shown, at)
    pen = ImageDraw.Draw(sheet)
    font = _font()

    def place(xy: Sequence[float]) -> tuple[float, float]:
        return at[0] + (xy[0] - left + 0.5) * zoom, at[1] + (xy[1] - top + 0.5) * zoom

    for number, one in enumerate(readings, start=1):
        colour = COLOURS.get(str(one["quality"]), INK)
        for loop in (one["outline_px"], *one.get("holes_px", ())):
            pen.line([place(p) for p in loop], fill=colour, width=1)
        if one.get("centre_px") is not None and one["quality"] != "none":
            x, y = place(one["centre_px"])
            for tip in one.get("tips_px", ()):
                tx, ty = place(tip)
                pen.ellipse((tx - 2.5, ty - 2.5, tx + 2.5, ty + 2.5), outline=TIP, width=1)
            pen.line((x - 4, y, x + 4, y), fill=TIP, width=1)
            pen.line((x, y - 4, x, y + 4), fill=TIP, width=1)
        if len(readings) > 1:
            x, y = place(np.min(np.asarray(one["outline_px"]), axis=0))
            pen.text((min(max(x, 2), size[0] - 14), max(y - 14, 0)), str(number), fill=colour, font=font)
    return np.asarray(sheet, dtype=np.uint8)


def _font(size: int = 12) -> Any:
    """The typeface that the figures are set in, which has the letter of micrometres."""
    import matplotlib
    from PIL import ImageFont

    return ImageFont.truetype(
        str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size
    )


def _box(
    readings: Sequence[Mapping[str, Any]], rows: int, columns: int, size: tuple[int, int]
) -> tuple[int, int, int, int]:
    """The part of the picture that is shown: all of it, or what is measured with room around it."""
    if not readings:
        return 0, 0, columns, rows
    points = np.concatenate([np.asarray(r["outline_px"], dtype=float) for r in readings])
    low, high = points.min(axis=0), points.max(axis=0)
    middle, half = 0.5 * (low + high), 0.5 * (high - low) * 1.35 + 12.0
    half = np.array([max(half[0], half[1] * size[0] / size[1]), max(half[1], half[0] * size[1] / size[0])])
    left, top = (max(0, math.floor(v)) for v in middle - half)
    right, bottom = min(columns, math.ceil(middle[0] + half[0])), min(rows, math.ceil(middle[1] + half[1]))
    return left, top, max(right, left + 2), max(bottom, top + 2)


def sheets(tiles: Sequence[tuple[NDArray[np.uint8], str, str]], stem: Path) -> list[Path]:
    """Contact sheets of tiles with a line of words and a quality word each; one file for each sixteen.

    ``tiles``: (tile, words, quality). Files are ``stem-01.png`` and so on. Gives back their paths.
    """
    from PIL import Image, ImageDraw

    font = _font()
    each, out = ACROSS * DOWN, []
    for page in range(0, len(tiles), each):
        part = tiles[page : page + each]
        across = min(ACROSS, len(part))
        down = -(-len(part) // across)
        gap = 8
        wide, tall = TILE[0] + gap, TILE[1] + CAPTION + gap
        sheet = Image.new("RGB", (across * wide + gap, down * tall + gap), GROUND)
        pen = ImageDraw.Draw(sheet)
        for k, (shown, words, quality) in enumerate(part):
            x, y = gap + (k % across) * wide, gap + (k // across) * tall
            sheet.paste(Image.fromarray(shown), (x, y))
            pen.rectangle((x, y + TILE[1], x + TILE[0] - 1, y + TILE[1] + 3), fill=COLOURS.get(quality, INK))
            for line, text in enumerate(_wrapped(pen, words, font, TILE[0] - 4)[:2]):
                pen.text((x + 2, y + TILE[1] + 4 + 15 * line), text, fill=INK, font=font)
        path = stem.with_name(f"{stem.name}-{page // each + 1:02d}.png")
        out.append(write_png(path, np.asarray(sheet, dtype=np.uint8), "icewright.measure-sheet"))
    return out


def _wrapped(pen: Any, words: str, font: Any, width: float) -> list[str]:
    lines, line = [], ""
    for word in words.split():
        longer = f"{line} {word}".strip()
        if pen.textlength(longer, font=font) <= width:
            line = longer
        else:
            if line:
                lines.append(line)
            line = word
    return [*lines, line]


def curves_png(crystals: Sequence[Mapping[str, Any]], path: Path, title: str, caption: str = "") -> Path:
    """Sizes and velocities against time, a row of two panels for each crystal.

    Each crystal is a record: ``name``, ``time_s``, and ``sizes``: name -> record of ``value``, ``u``,
    ``flagged`` (bool[n]), and, where there are points enough, ``smooth``, ``velocity``, ``u_velocity``; and
    ``changes`` (times in s with uncertainty).
    """
    from icewright.pictures import plan
    from icewright.pictures.figures import BLUE, GREEN, GREY, ORANGE

    colours = {"radius_tip_m": BLUE, "radius_facet_m": ORANGE, "length_m": BLUE, "width_m": GREEN}
    names = {
        "radius_tip_m": "to the tips",
        "radius_facet_m": "to the facets",
        "length_m": "length",
        "width_m": "width",
    }
    shown = list(crystals)[:6]
    height = 1.1 + 2.7 * len(shown)
    figure = plan._figure(9.0, height)
    grid = figure.add_gridspec(
        len(shown),
        2,
        left=0.085,
        right=0.98,
        top=1 - 0.62 / height,
        bottom=0.85 / height,
        wspace=0.24,
        hspace=0.42,
    )
    for row, crystal in enumerate(shown):
        left, right = figure.add_subplot(grid[row, 0]), figure.add_subplot(grid[row, 1])
        minutes = np.asarray(crystal["time_s"]) / 60.0
        for name, size in crystal["sizes"].items():
            colour = colours.get(name, GREY)
            value, u = np.asarray(size["value"]) * 1e6, np.asarray(size["u"]) * 1e6
            known = np.isfinite(value)
            doubt = known & np.asarray(size["flagged"])
            sure = known & ~doubt
            left.errorbar(
                minutes[sure],
                value[sure],
                u[sure],
                fmt="o",
                ms=3.2,
                lw=0.8,
                color=colour,
                label=names.get(name, name),
            )
            left.plot(minutes[doubt], value[doubt], "o", ms=4, mfc="none", color=colour, mew=0.8)
            if size.get("smooth") is not None:
                left.plot(minutes, np.asarray(size["smooth"]) * 1e6, color=colour, lw=1.3)
                v, e = np.asarray(size["velocity"]) * 1e9, np.asarray(size["u_velocity"]) * 1e9
                right.plot(minutes, v, color=colour, lw=1.4)
                right.fill_between(minutes, v - e, v + e, color=colour, alpha=0.2, lw=0)
        for change in crystal.get("changes", ()):
            for axes in (left, right):
                axes.axvline(change["time_s"] / 60.0, color=GREY, lw=1.0, ls=(0, (4, 2)))
        left.set_title(str(crystal["name"]), fontsize=10, loc="left", color=plan.INK)
        left.set_ylabel("size (µm)")
        right.set_ylabel("velocity (nm/s)")
        if left.get_legend_handles_labels()[0]:
            left.legend(fontsize=8, frameon=False, loc="best")
        for axes in (left, right):
            axes.grid(True, color="#e5e9ee", linewidth=0.6)
            axes.set_axisbelow(True)
            axes.tick_params(labelsize=8.5)
            for side in ("top", "right"):
                axes.spines[side].set_visible(False)
            if row == len(shown) - 1:
                axes.set_xlabel("time (min)")
    figure.text(
        0.02, 1 - 0.12 / height, title, ha="left", va="top", fontsize=12, color=plan.INK, weight="bold"
    )
    words = caption + (f" {len(crystals) - 6} more crystals are in the table." if len(crystals) > 6 else "")
    figure.text(0.02, 0.10 / height, words, ha="left", va="bottom", fontsize=8.5, color="#3a4a5c")
    return plan.save(figure, path, "icewright.growth-curves")


def compare_png(
    first: NDArray[np.float64],
    second: NDArray[np.float64],
    path: Path,
    title: str,
    names: tuple[str, str],
    caption: str,
) -> Path:
    """Two outlines laid over each other, float64[n, 2] in metres; what only one covers is filled."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Curve

    from icewright.pictures import plan
    from icewright.pictures.figures import BLUE, ORANGE

    figure = plan._figure(7.0, 7.7)
    axes = figure.add_axes((0.04, 0.12, 0.92, 0.82))
    half = 1.12 * 1e6 * float(max(np.abs(first).max(), np.abs(second).max()))
    # Each is filled pale, the common part white over both: what is left in colour is the difference.
    for loop, colour, order in ((first, BLUE, 1), (second, ORANGE, 2)):
        patch = PathPatch(Curve(loop * 1e6, closed=True), facecolor=colour, alpha=0.45, lw=0, zorder=order)
        axes.add_patch(patch)
    common = PathPatch(Curve(first * 1e6, closed=True), facecolor="white", lw=0, zorder=3)
    axes.add_patch(common)
    axes.set_xlim(-half, half)
    axes.set_ylim(-half, half)
    axes.set_aspect("equal")
    common.set_clip_path(PathPatch(Curve(second * 1e6, closed=True), transform=axes.transData, lw=0))
    for loop, colour, name, dash in ((first, BLUE, names[0], "-"), (second, ORANGE, names[1], (0, (5, 2)))):
        axes.plot(loop[:, 0] * 1e6, loop[:, 1] * 1e6, color=colour, lw=1.3, ls=dash, label=name, zorder=5)
    axes.set_axis_off()
    axes.legend(loc="upper right", fontsize=9, frameon=False)
    plan.scale_bar(axes, plan.nice_length(0.5 * half))
    plan._title(figure, title, caption)
    return plan.save(figure, path, "icewright.comparison")


__all__ = ["compare_png", "curves_png", "metadata", "sheets", "tile"]
