"""The air in a chamber: temperature, vapour and supersaturation side by side, and where fog forms."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from icewright.apparatus import fog
from icewright.apparatus.basis import Profile
from icewright.pictures import plan
from icewright.pictures.figures import BLUE, GREEN, GREY, ORANGE, _head_and_foot
from icewright.pictures.plan import INK
from icewright.vapour.saturation import ice_pressure

_FOG = "#dfe6ee"
_WIDTH, _HEIGHT = 8.4, 4.8


def chamber_png(
    profile: Profile,
    path: Path,
    *,
    title: str,
    caption: str,
    crystal: tuple[float, float],
    u_temperature_k: float = 0.0,
    u_sigma: float = 0.0,
) -> Path:
    """Three panels that share the height (or share) upwards; the crystal is a hexagon, fog a grey band.

    Parameters
    ----------
    crystal : temperature (K) and vapour pressure (Pa) at the crystal, which may differ from the air beside
    it. u_temperature_k, u_sigma : standard uncertainties, drawn as bars on the crystal.
    """
    figure = plan._figure(_WIDTH, _HEIGHT)
    grid = figure.add_gridspec(
        1, 3, left=0.085, right=0.975, top=1 - 0.92 / _HEIGHT, bottom=1.12 / _HEIGHT, wspace=0.10
    )
    spatial = profile.axis.startswith("height")
    y = profile.x * (1e3 if spatial else 1.0)
    at = profile.crystal_x * (1e3 if spatial else 1.0)
    zones = [(a * (1e3 if spatial else 1.0), b * (1e3 if spatial else 1.0)) for a, b in fog.zones(profile)]
    T, e = crystal
    sigma = e / float(ice_pressure(min(T, 273.16))) - 1.0
    held = fog.capped(profile)
    panels: list[Any] = []
    for k in range(3):
        axes = figure.add_subplot(grid[0, k], sharey=panels[0] if panels else None)
        panels.append(axes)
        for low, high in zones:
            axes.axhspan(low, high, color=_FOG, linewidth=0, zorder=0)
        axes.grid(True, color="#e5e9ee", linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=8.5)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if k:
            axes.tick_params(labelleft=False)
    first, second, third = panels
    first.plot(profile.temperature_k - 273.15, y, color=INK, linewidth=1.8)
    first.set_xlabel("temperature (°C)")
    first.set_ylabel(profile.axis)
    second.plot(
        profile.ice_pa, y, color=GREEN, linestyle=(0, (1.2, 1.2)), linewidth=1.7, label="saturated over ice"
    )
    second.plot(
        profile.water_pa, y, color=GREY, linestyle=(0, (5, 2)), linewidth=1.5, label="saturated over water"
    )
    second.plot(profile.vapour_pa, y, color=BLUE, linewidth=1.8, label="vapour")
    second.set_xlabel("vapour pressure (Pa)")
    shown = 100.0 * profile.sigma
    third.plot(
        100.0 * profile.sigma_water,
        y,
        color=GREY,
        linestyle=(0, (5, 2)),
        linewidth=1.5,
        label="water saturation",
    )
    third.plot(shown, y, color=BLUE, linewidth=1.8, label="over ice")
    if zones:
        in_fog = np.any([(y >= a) & (y <= b) for a, b in zones], axis=0)
        third.plot(
            np.where(in_fog, 100.0 * held.sigma, np.nan),
            y,
            color=ORANGE,
            linestyle=(0, (3, 1)),
            linewidth=1.7,
            label="held by fog",
        )
    third.set_xlabel("supersaturation over ice (%)")
    top = max(float(np.nanmax(shown)), 100.0 * sigma + 200.0 * u_sigma, 1.0)
    low = min(0.0, float(np.nanmin(shown)), 100.0 * (sigma - 2 * u_sigma))
    # Water saturation near the cold end would squeeze everything else into a corner.
    third.set_xlim(
        low - 0.03 * (top - low), min(2.2 * top, max(1.12 * top, 100.0 * float(np.max(profile.sigma_water))))
    )
    mark: dict[str, Any] = {
        "marker": "h",
        "markersize": 7,
        "markerfacecolor": "white",
        "markeredgecolor": ORANGE,
    }
    mark |= {
        "markeredgewidth": 1.5,
        "color": ORANGE,
        "linestyle": "none",
        "zorder": 5,
        "capsize": 3,
        "clip_on": False,
    }
    first.errorbar([T - 273.15], [at], xerr=[u_temperature_k], **mark)
    second.errorbar([e], [at], **mark)
    third.errorbar([100.0 * sigma], [at], xerr=[100.0 * u_sigma], label="crystal", **mark)
    first.set_ylim(float(y[0]), float(y[-1]))
    for axes, words, height in ((first, profile.ends[0], 0.02), (first, profile.ends[1], 0.98)):
        axes.text(
            0.98 if height < 0.5 else 0.02,
            height,
            words,
            transform=axes.transAxes,
            fontsize=8.5,
            color="#3a4a5c",
            ha="right" if height < 0.5 else "left",
            va="bottom" if height < 0.5 else "top",
        )
    for axes in (second, third):
        axes.legend(
            fontsize=7.8,
            frameon=False,
            loc="lower center",
            bbox_to_anchor=(0.5, 1.0),
            ncols=2,
            columnspacing=1.0,
        )
    tall = 0.06 * abs(float(y[-1] - y[0]))
    for low_y, high_y in [zone for zone in zones if zone[1] - zone[0] > tall][:1]:
        third.text(
            0.98,
            (low_y + high_y) / 2.0,
            "fog",
            transform=third.get_yaxis_transform(),
            fontsize=9,
            color="#3a4a5c",
            ha="right",
            va="center",
        )
    _head_and_foot(figure, title, caption, _WIDTH, _HEIGHT)
    return plan.save(figure, path, "icewright.chamber")
