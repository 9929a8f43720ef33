"""Figures of a whole run: growth curves above the recipe that made them, and the crystal on a timeline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.pictures import plan
from icewright.pictures.plan import INK, UM, PictureError, nice_length
from icewright.shape.solid import Solid

# No two lines of one panel share a dash or a lightness, so that grey print and any eye can part them.
BLUE, ORANGE, GREEN, GREY = "#00507f", "#c8590a", "#00705a", "#6b7280"
NEEDED = ("time_s", "temperature_k", "sigma", "radius_tip_m", "thickness_m", "mass_kg")


def curves_png(
    series: Mapping[str, NDArray[Any]],
    path: Path,
    title: str = "",
    caption: str = "",
    sigma_water: NDArray[Any] | None = None,
    set_air: tuple[NDArray[Any], NDArray[Any], NDArray[Any]] | None = None,
) -> Path:
    """Growth curves against minutes, with temperature and supersaturation beneath on the same axis.

    Parameters
    ----------
    series : columns of a run by name, SI, each [n]: at least time_s, temperature_k, sigma, radius_tip_m,
        thickness_m, mass_kg; radius_facet_m, aspect_ratio, solidity and tip_velocity_m_s are drawn if there.
    sigma_water : supersaturation over ice at water saturation, [n].
    set_air : time (s), temperature (K) and sigma that were set, [m] each, where the air lags behind them.

    Raises
    ------
    PictureError : a needed column is missing or empty.
    """
    missing = [name for name in NEEDED if name not in series]
    if missing or len(series["time_s"]) == 0:
        raise PictureError(
            "These growth curves cannot be drawn.",
            got=f"no {', '.join(missing)}" if missing else "a series without rows",
            wanted="columns " + ", ".join(NEEDED),
        )
    t = np.asarray(series["time_s"], dtype=float) / 60.0

    def column(name: str, factor: float = 1.0) -> NDArray[Any]:
        return np.asarray(series[name], dtype=float) * factor

    panels: list[str] = ["size", "mass", "shape"]
    if "tip_velocity_m_s" in series and t.size > 1:
        panels.append("velocity")
    panels += ["temperature", "humidity"]
    heights = {"size": 1.7, "mass": 1.0, "shape": 1.0, "velocity": 1.0, "temperature": 0.7, "humidity": 0.9}
    total = 1.55 * sum(heights[p] for p in panels) + 1.9
    figure = plan._figure(7.6, total)
    grid = figure.add_gridspec(
        len(panels),
        1,
        height_ratios=[heights[p] for p in panels],
        left=0.115,
        right=0.80,
        top=1.0 - 0.62 / total,
        bottom=1.05 / total,
        hspace=0.14,
    )
    first: Any = None
    air_words = "temperature" if set_air is None else "at the crystal"
    for k, name in enumerate(panels):
        axes = figure.add_subplot(grid[k, 0], sharex=first)
        first = first or axes
        marker = "o" if t.size < 3 else None
        lines: list[tuple[str, NDArray[Any], str, Any]] = []
        if name == "size":
            lines.append(("tip radius", column("radius_tip_m", UM), BLUE, "-"))
            if "radius_facet_m" in series:
                lines.append(("facet radius", column("radius_facet_m", UM), ORANGE, (0, (5, 1.5))))
            lines.append(("thickness", column("thickness_m", UM), GREEN, (0, (1.2, 1.2))))
            label = "size (µm)"
        elif name == "mass":
            mass = column("mass_kg", 1e9)
            unit, factor = ("µg", 1.0) if np.nanmax(mass) >= 0.1 else ("ng", 1e3)
            lines.append(("mass", mass * factor, BLUE, "-"))
            label = f"mass ({unit})"
        elif name == "shape":
            if "aspect_ratio" in series:
                lines.append(("aspect c/a", column("aspect_ratio"), BLUE, "-"))
            if "solidity" in series:
                lines.append(("solidity", column("solidity"), ORANGE, (0, (5, 1.5))))
            label = "ratio (1)"
        elif name == "velocity":
            # Tips move cell by cell, so single readings jump; the line is their mean over 3 % of the run.
            raw = column("tip_velocity_m_s", UM)
            axes.plot(t, raw, color="#a9c4d6", linewidth=0.6)
            lines.append(("tip velocity", running_mean(t, raw, 0.03 * (t[-1] - t[0])), BLUE, "-"))
            label = "tip (µm/s)"
        elif name == "temperature":
            lines.append((air_words, column("temperature_k") - 273.15, INK, "-"))
            if set_air is not None:
                lines.append(("as set", np.asarray(set_air[1], float) - 273.15, ORANGE, (0, (5, 1.5))))
            label = "air (°C)"
        else:
            lines.append(("over ice" if set_air is None else air_words, column("sigma", 100.0), INK, "-"))
            if set_air is not None:
                lines.append(("as set", 100.0 * np.asarray(set_air[2], float), ORANGE, (0, (5, 1.5))))
            if sigma_water is not None:
                lines.append(("water saturation", 100.0 * np.asarray(sigma_water, float), GREY, (0, (4, 2))))
            label = "supersat. (%)"
        ends = []
        for words, y, colour, dash in lines:
            x = np.asarray(set_air[0], float) / 60.0 if set_air is not None and words == "as set" else t
            axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.7, marker=marker, label=words)
            good = y[np.isfinite(y)]
            ends.append((float(good[-1]) if good.size else 0.0, words, colour))
        if name not in ("temperature",):
            axes.set_ylim(bottom=0.0)
            low, high = axes.get_ylim()
            most = max((float(np.nanmax(y)) for _, y, _, _ in lines if np.isfinite(y).any()), default=1.0)
            axes.set_ylim(0.0, 1.08 * most if most > 0 else high)
        else:
            low, high = axes.get_ylim()
            if high - low < 1.0:
                middle = 0.5 * (low + high)
                axes.set_ylim(middle - 1.0, middle + 1.0)
        _label_ends(axes, ends)
        axes.set_ylabel(label, fontsize=9.5, color=INK)
        axes.tick_params(labelsize=8.5, colors=INK, labelbottom=k == len(panels) - 1)
        axes.grid(True, color="#dfe6ee", linewidth=0.7)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if name in ("temperature", "humidity"):
            axes.set_facecolor("#f5f8fb")
        if k == len(panels) - 1:
            axes.set_xlabel("time (min)", fontsize=10, color=INK)
        axes.set_xlim(float(t[0]), float(t[-1]) if t[-1] > t[0] else float(t[0]) + 1.0)
    figure.align_ylabels()
    _head_and_foot(figure, title, caption, 7.6, total)
    return plan.save(figure, path, "icewright.curves")


def running_mean(t: NDArray[Any], y: NDArray[Any], width: float) -> NDArray[Any]:
    """Mean over time of a stepwise reading within width / 2 on each side, missing readings passed over."""
    good = np.isfinite(y)
    if np.count_nonzero(good) < 2:
        return y
    held, value = t[good], y[good]
    # A reading stands for the time since the one before it, so its integral is the way gone.
    way = np.concatenate([[0.0], np.cumsum(value[1:] * np.diff(held))])
    low = np.clip(t - width / 2, held[0], held[-1])
    high = np.clip(t + width / 2, held[0], held[-1])
    span = high - low
    mean = np.divide(
        np.interp(high, held, way) - np.interp(low, held, way),
        span,
        out=y.astype(float).copy(),
        where=span > 0,
    )
    return np.asarray(mean)


def _label_ends(axes: Any, ends: Sequence[tuple[float, str, str]]) -> None:
    """Names at the right-hand end of each line, pushed apart where they would overlap."""
    low, high = axes.get_ylim()
    box = axes.get_window_extent()
    gap = 1.25 * 8.5 * axes.figure.dpi / 72.0 / max(box.height, 1.0)  # one line of text, in axes heights
    order = sorted(range(len(ends)), key=lambda k: ends[k][0])
    at = [float(np.clip((ends[k][0] - low) / (high - low), 0.04, 0.96)) for k in order]
    for k in range(1, len(at)):
        at[k] = max(at[k], at[k - 1] + gap)
    over = max(0.0, at[-1] - 1.0) if at else 0.0
    for k, y in zip(order, at, strict=True):
        axes.text(
            1.015,
            y - over,
            ends[k][1],
            transform=axes.transAxes,
            fontsize=8.5,
            color=ends[k][2],
            va="center",
        )


def _head_and_foot(figure: Any, title: str, caption: str, width: float, height: float) -> None:
    import textwrap

    lines = "\n".join(textwrap.wrap(caption, int(width * 15))) if caption else ""
    figure.text(
        0.25 / width, 1.0 - 0.16 / height, title, ha="left", va="top", fontsize=13, color=INK, weight="bold"
    )
    figure.text(0.25 / width, 0.14 / height, lines, ha="left", va="bottom", fontsize=8.5, color="#3a4a5c")


def pick(frames: Sequence[tuple[float, Solid]], most: int = 5) -> list[tuple[float, Solid]]:
    """At most ``most`` frames, spread evenly by their number, first and last among them.

    Runs keep frames at even steps of growth, and a frame on disk is read only if it is picked.
    """
    if len(frames) <= most:
        return list(frames)
    return [frames[round(k * (len(frames) - 1) / (most - 1))] for k in range(most)]


def timeline_png(
    frames: Sequence[tuple[float, Solid]], path: Path, title: str = "", caption: str = "", most: int = 5
) -> Path:
    """Plan and side view of the crystal at several times, all to one scale with its bar.

    Raises
    ------
    PictureError : no frame holds ice.
    """
    shown = [(time, solid) for time, solid in pick(frames, most) if solid.ice.any()]
    if not shown:
        raise PictureError("There is no timeline to draw.", got="no frame with ice", wanted="at least one")
    reach = max(plan._reach(solid) for _, solid in shown) * UM
    tall = max(plan.height_m(solid) for _, solid in shown) * UM / 2.0
    half = 1.06 * max(reach, 0.4 * tall)
    half_h = max(1.08 * tall, 0.12 * half)
    each = 2.35 if len(shown) > 3 else 3.0
    side_h = each * half_h / half
    if side_h > 5.5:
        each, side_h = each * 5.5 / side_h, 5.5
    each_w = max(each, 1.25)
    width = max(each_w * len(shown) + 0.5, 5.2)
    bar_strip = 0.52
    height = 0.62 + 0.32 + each + side_h + 0.16 + bar_strip + 0.62
    figure = plan._figure(width, height)
    left = (width - each_w * len(shown)) / 2.0
    thick = max(float(s.column_ice_m.max()) * s.halves for _, s in shown) * UM
    scale = ""
    bar = nice_length(1.0 * half)
    for k, (time, solid) in enumerate(shown):
        x = left + k * each_w + (each_w - each) / 2.0
        low = 0.62 + bar_strip
        side = figure.add_axes((x / width, low / height, each / width, side_h / height))
        plan.draw_side(side, solid, half, half_h, 0.0, pixels=600)
        top = figure.add_axes((x / width, (low + side_h + 0.16) / height, each / width, each / height))
        plan.draw_plan(top, solid, half, 1.35 * thick, line=0.45, pixels=700)
        minutes = time / 60.0
        words = f"{minutes:.0f} min" if minutes >= 9.95 or minutes == 0 else f"{minutes:.1f} min"
        figure.text(
            (x + each / 2) / width,
            (low + side_h + each + 0.24) / height,
            words,
            ha="center",
            va="bottom",
            fontsize=11,
            color=INK,
        )
        # A strip beneath holds the bar, so that it never lies on ice.
        strip = figure.add_axes((x / width, 0.62 / height, each / width, bar_strip / height))
        strip.set_xlim(-half, half)
        strip.set_ylim(0.0, 1.0)
        strip.set_axis_off()
        strip.plot([-bar / 2, bar / 2], [0.72, 0.72], color=INK, linewidth=2.6, solid_capstyle="butt")
        strip.text(0.0, 0.58, f"{bar:g} µm", ha="center", va="top", fontsize=8.5, color=INK)
        scale = plan._true_scale(top)
    _head_and_foot(figure, title, caption, width, height)
    return plan.save(figure, path, "icewright.timeline", um_per_pixel=scale, scale_bar_um=f"{bar:g}")
