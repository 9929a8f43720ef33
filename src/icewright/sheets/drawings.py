"""The small pictures of a sheet: the crystal in plan and side view with its bar, and the curves.

Nothing hangs on colour: ice is darker where there is more of it, and lines are parted by dash and by name.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from icewright.ground.units import kelvin_to_celsius, minutes, percent, um
from icewright.pictures import plan
from icewright.pictures.plan import nice_length

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from icewright.shape.solid import Solid
    from icewright.sheets.content import Sheet

_DPI = 500
_MM = 1.0 / 25.4
STRIP_MM = 4.2  # beneath, for the bar
_LIGHT = "#9aa3ad"


def crystal_png(solid: Solid, width_mm: float = 37.0) -> bytes:
    """Plan view on the left and side view on the right, both to one scale, a bar beneath each; a PNG."""
    from icewright.shape.sizes import measure

    sizes = measure(solid)
    half = 1.10 * max(um(sizes.radius_max_m), 0.5 * um(plan.height_m(solid)))
    tall = 0.5 * width_mm + STRIP_MM
    figure = _blank(width_mm, tall)
    top = STRIP_MM / tall
    first = figure.add_axes((0.0, top, 0.5, 1.0 - top))
    plan.draw_plan(
        first, solid, half, 1.5 * um(float(solid.column_ice_m.max()) * solid.halves), line=0.6, pixels=480
    )
    second = figure.add_axes((0.5, top, 0.5, 1.0 - top))
    plan.draw_side(second, solid, half, half, 0.0, pixels=480)
    bar = nice_length(0.9 * half)
    strip = figure.add_axes((0.0, 0.0, 1.0, top))
    strip.set_xlim(-half, 3 * half)
    strip.set_ylim(0.0, 1.0)
    strip.set_axis_off()
    for middle in (0.0, 2 * half):
        strip.plot([middle - bar / 2] * 2, [0.72, 0.98], color="black", linewidth=0.7)
        strip.plot([middle + bar / 2] * 2, [0.72, 0.98], color="black", linewidth=0.7)
        strip.plot(
            [middle - bar / 2, middle + bar / 2],
            [0.85, 0.85],
            color="black",
            linewidth=1.1,
            solid_capstyle="butt",
        )
        strip.text(middle, 0.62, f"{bar:g} µm", ha="center", va="top", fontsize=5.6, color="black")
    return _png(figure)


def curves_svg(sheet: Sheet, width_mm: float = 182.0, height_mm: float = 45.0) -> bytes:
    """Sizes, supersaturation and temperature against minutes, with the numbers of the steps; SVG."""
    from icewright.vapour.supersaturation import sigma_at_water_saturation

    t = minutes(np.asarray(sheet.series["time_s"], dtype=float))
    kelvin = np.asarray(sheet.series["temperature_k"], dtype=float)
    panels: list[tuple[str, list[tuple[str, Any, Any]]]] = [
        (
            "size (µm)",
            [
                ("radius", um(np.asarray(sheet.series["radius_tip_m"], dtype=float)), "-"),
                ("thickness", um(np.asarray(sheet.series["thickness_m"], dtype=float)), (0, (4, 1.5))),
            ],
        ),
        (
            "supersaturation (% over ice)",
            [
                ("at the crystal", percent(np.asarray(sheet.series["sigma"], dtype=float)), "-"),
                (
                    "fog above",
                    percent(np.asarray(sigma_at_water_saturation(kelvin), dtype=float)),
                    (0, (1, 1.5)),
                ),
            ],
        ),
        ("temperature (°C)", [("air", kelvin_to_celsius(kelvin), "-")]),
    ]
    figure = _blank(width_mm, height_mm)
    each, left, gap = 48.5, 9.0, 12.5
    for k, (label, lines) in enumerate(panels):
        box = (
            (left + k * (each + gap)) / width_mm,
            7.5 / height_mm,
            each / width_mm,
            (height_mm - 13.5) / height_mm,
        )
        axes = figure.add_axes(box)
        for name, y, dash in lines:
            axes.plot(t, y, color="black", linestyle=dash, linewidth=1.1, label=name)
        axes.set_xlim(0.0, float(t[-1]) or 1.0)
        if k == 2:
            low, high = float(np.min(lines[0][1])), float(np.max(lines[0][1]))
            room = max(1.0 - (high - low), 0.16 * (high - low)) / 2
            axes.set_ylim(low - room, high + room)
        else:
            most = max(float(np.nanmax(y)) for _, y, _ in lines)
            axes.set_ylim(min(0.0, 1.1 * min(float(np.nanmin(y)) for _, y, _ in lines)), 1.12 * most or 1.0)
        if len(lines) > 1:
            axes.legend(
                fontsize=5.6,
                loc="best",
                frameon=True,
                facecolor="white",
                edgecolor="none",
                framealpha=0.85,
                borderpad=0.2,
                handlelength=2.6,
                labelspacing=0.25,
            )
        for place, station in enumerate(sheet.stations):
            begins, ends = minutes(station.start.time_s), minutes(station.end.time_s)
            if place:
                axes.axvline(begins, color=_LIGHT, linewidth=0.6, zorder=0)
            if ends - begins > 0.05 * float(t[-1]):
                axes.text(
                    (begins + ends) / 2,
                    1.02,
                    station.label.replace(" to ", "-"),
                    transform=axes.get_xaxis_transform(),
                    ha="center",
                    va="bottom",
                    fontsize=5.8,
                )
        axes.text(
            0.0, 1.11, label, transform=axes.transAxes, ha="left", va="bottom", fontsize=6.4, weight="bold"
        )
        axes.set_xlabel("minutes", fontsize=6, labelpad=1.0)
        axes.tick_params(labelsize=5.8, length=2, width=0.5, pad=1.5)
        for name, spine in axes.spines.items():
            spine.set_linewidth(0.5)
            spine.set_visible(name in ("left", "bottom"))
    return _svg(figure)


def _blank(width_mm: float, height_mm: float) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_mm * _MM, height_mm * _MM), dpi=_DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def _png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=_DPI)
    return out.getvalue()


def _svg(figure: Figure) -> bytes:
    import matplotlib

    out = io.BytesIO()
    # Letters as outlines: the same on every machine, and no text of the picture between that of the page.
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": "icewright"}):
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
