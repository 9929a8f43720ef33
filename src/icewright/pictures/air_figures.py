"""Air over time: set beside actual, a logger's record with its gaps and spikes, and two runs side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.pictures import plan
from icewright.pictures.figures import BLUE, GREEN, GREY, ORANGE, _head_and_foot, _label_ends
from icewright.pictures.plan import INK, UM
from icewright.recipe.curves import AirCurves
from icewright.vapour.supersaturation import sigma_at_water_saturation

_WIDTH = 7.6
_DASH = (0, (5, 1.5))
_FOG = "#dfe6ee"
_COLOURS = (BLUE, ORANGE, GREEN, GREY)
_DASHES: tuple[Any, ...] = ("-", _DASH, (0, (1.2, 1.2)), (0, (4, 2)))

Line = tuple[str, NDArray[Any], NDArray[Any], str, Any]  # words, minutes, values, colour, dash


def air_png(
    curves: AirCurves,
    path: Path,
    *,
    title: str = "",
    caption: str = "",
    asked: str = "as set",
    got: str = "at the crystal",
    knobs: str = "set",
    turns_s: Sequence[float] = (),
) -> Path:
    """Settings, temperature and supersaturation over minutes, set and actual; fog is a grey band.

    Parameters
    ----------
    asked, got : what the two curves are called. knobs : what the settings are called.
    turns_s : moments at which a step begins, s, drawn as ticks.
    """
    t = curves.time_s / 60.0
    panels: list[tuple[str, list[Line], float]] = []
    for unit, names in _by_unit(curves.settings).items():
        lines: list[Line] = [
            (
                _bare(name),
                t,
                curves.settings[name],
                _COLOURS[k % 4],
                _DASHES[k % 4],
            )
            for k, name in enumerate(names)
        ]
        panels.append((f"{knobs} ({unit})", lines, 1.0))
    kelvin: list[Line] = [(got, t, curves.temperature_k - 273.15, INK, "-")]
    sigma: list[Line] = [(got, t, 100.0 * curves.sigma, INK, "-")]
    if np.isfinite(curves.set_temperature_k).any():
        kelvin.append((asked, t, curves.set_temperature_k - 273.15, ORANGE, _DASH))
        sigma.append((asked, t, 100.0 * curves.set_sigma, ORANGE, _DASH))
    water = 100.0 * np.asarray(sigma_at_water_saturation(np.minimum(curves.temperature_k, 273.15)))
    panels += [("air (°C)", kelvin, 1.0), ("supersat. (%)", sigma, 1.35)]
    every = np.concatenate([y for _, _, y, _, _ in sigma])
    low, high = min(0.0, float(np.nanmin(every))), float(np.nanmax(every))
    # Fog is shown where it is near: a plan far below it would be pressed flat.
    top = max(1.08 * high, min(1.25 * float(np.nanmax(water)), 2.0 * high), low + 0.5)
    figure, axes = _stack(
        panels,
        1.75,
        {"supersat. (%)": (low, top)},
    )
    axes[-1].fill_between(t, water, np.maximum(water, top), color=_FOG, linewidth=0, zorder=0)
    axes[-1].plot(t, water, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)))
    if float(np.nanmin(water)) < top:
        axes[-1].text(
            0.01, 0.95, "fog", transform=axes[-1].transAxes, fontsize=8.5, color="#3a4a5c", va="top"
        )
    for ax in axes:
        for moment in turns_s:
            ax.axvline(moment / 60.0, ymax=0.04, color=INK, linewidth=1.0)
    return _finish(figure, axes, path, title, caption, "icewright.air-plan")


def log_png(
    time_s: NDArray[Any],
    channels: Mapping[str, tuple[str, NDArray[Any], NDArray[Any]]],
    path: Path,
    *,
    gaps: Sequence[tuple[float, float]] = (),
    spikes: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    title: str = "",
    caption: str = "",
) -> Path:
    """A logger's channels over minutes, one panel each, gaps as bands, spikes as open circles.

    Parameters
    ----------
    channels : name to (unit as drawn, readings as they were [n], readings as used [n]).
    gaps : (begin, end), s. spikes : channel to (moment in s, reading).
    """
    t = time_s / 60.0
    names = list(channels)
    panels: list[tuple[str, list[Line], float]] = [
        (unit, [(_bare(name), t, used, BLUE, "-")], 1.0) for name, (unit, _, used) in channels.items()
    ]
    figure, axes = _stack(panels, 1.35)
    for name, ax in zip(names, axes, strict=True):
        _, raw, _ = channels[name]
        low, high = ax.get_ylim()
        ax.plot(t, raw, linestyle="none", marker=".", markersize=1.6, color=GREY, alpha=0.6, zorder=1)
        found = list((spikes or {}).get(name, ()))
        if found:
            x, y = zip(*found, strict=True)
            # A spike outside the panel is drawn at its edge: stretched to hold it, the rest would be flat.
            edge = 0.06 * (high - low)
            ax.plot(
                np.array(x) / 60.0,
                np.clip(y, low + edge, high - edge),
                "o",
                markersize=6,
                markerfacecolor="none",
                color=ORANGE,
                zorder=5,
            )
            ax.text(
                0.985,
                0.93,
                f"{len(found)} spike{'s' if len(found) > 1 else ''} taken out",
                transform=ax.transAxes,
                fontsize=8.5,
                color=ORANGE,
                va="top",
                ha="right",
            )
        ax.set_ylim(low, high)
        for begin, end in gaps:
            ax.axvspan(begin / 60.0, end / 60.0, color="#f3dccb", linewidth=0, zorder=0)
    said = f"{caption} Bands: {len(gaps)} gap{'s' if len(gaps) > 1 else ''}." if gaps else caption
    return _finish(figure, axes, path, title, said, "icewright.log")


def runs_png(
    runs: Mapping[str, Mapping[str, NDArray[Any]]], path: Path, *, title: str = "", caption: str = ""
) -> Path:
    """Radius, thickness, mass, temperature and supersaturation of two runs (columns of their series, SI)."""
    rows = (
        ("tip radius (µm)", "radius_tip_m", UM, 0.0),
        ("thickness (µm)", "thickness_m", UM, 0.0),
        ("mass (ng)", "mass_kg", 1e12, 0.0),
        ("air (°C)", "temperature_k", 1.0, -273.15),
        ("supersat. (%)", "sigma", 100.0, 0.0),
    )
    panels: list[tuple[str, list[Line], float]] = []
    for label, column, factor, offset in rows:
        lines: list[Line] = [
            (name, np.asarray(s["time_s"]) / 60.0, np.asarray(s[column]) * factor + offset, colour, dash)
            for (name, s), colour, dash in zip(runs.items(), (ORANGE, BLUE), (_DASH, "-"), strict=True)
        ]
        panels.append((label, lines, 1.0))
    figure, axes = _stack(panels, 1.4)
    return _finish(figure, axes, path, title, caption, "icewright.runs")


def _stack(
    panels: Sequence[tuple[str, list[Line], float]],
    each: float,
    limits: Mapping[str, tuple[float, float]] | None = None,
) -> tuple[Any, list[Any]]:
    total = each * sum(height for _, _, height in panels) + 1.9
    figure = plan._figure(_WIDTH, total)
    grid = figure.add_gridspec(
        len(panels),
        1,
        height_ratios=[height for _, _, height in panels],
        left=0.115,
        right=0.80,
        top=1.0 - 0.62 / total,
        bottom=1.05 / total,
        hspace=0.14,
    )
    axes: list[Any] = []
    for k, (label, lines, _) in enumerate(panels):
        ax = figure.add_subplot(grid[k, 0], sharex=axes[0] if axes else None)
        ends = []
        for words, t, y, colour, dash in lines:
            # The dashed curve lies on top: where both agree, both can be seen.
            ax.plot(t, y, color=colour, linestyle=dash, linewidth=1.6 if dash == "-" else 1.9)
            good = np.asarray(y)[np.isfinite(y)]
            ends.append((float(good[-1]) if good.size else 0.0, words, colour))
        low, high = ax.get_ylim()
        if high - low < 0.2:
            ax.set_ylim((low + high) / 2 - 0.1, (low + high) / 2 + 0.1)
        if limits and label in limits:
            ax.set_ylim(*limits[label])
        _label_ends(ax, ends)
        ax.set_ylabel(label, fontsize=9.5, color=INK)
        ax.tick_params(labelsize=8.5, colors=INK, labelbottom=k == len(panels) - 1)
        ax.grid(True, color="#dfe6ee", linewidth=0.7)
        ax.set_axisbelow(True)
        for side in ("top", "right"):
            ax.spines[side].set_visible(False)
        axes.append(ax)
    axes[-1].set_xlabel("time (min)", fontsize=10, color=INK)
    first = [float(np.min(t)) for _, lines, _ in panels for _, t, _, _, _ in lines]
    last = [float(np.max(t)) for _, lines, _ in panels for _, t, _, _, _ in lines]
    axes[-1].set_xlim(min(first), max(max(last), min(first) + 1e-3))
    return figure, axes


def _finish(figure: Any, axes: Sequence[Any], path: Path, title: str, caption: str, kind: str) -> Path:
    figure.align_ylabels(list(axes))
    _head_and_foot(figure, title, caption, *figure.get_size_inches())
    path.parent.mkdir(parents=True, exist_ok=True)
    return plan.save(figure, path, kind)


def _bare(name: str) -> str:
    """A setting or channel without the unit that its name ends in."""
    from icewright.apparatus.basis import UNITS

    suffix = next((suffix for suffix in UNITS if name.endswith(suffix)), "")
    return name.removesuffix(suffix).replace("_", " ")


def _by_unit(settings: Mapping[str, Any]) -> dict[str, list[str]]:
    from icewright.apparatus.basis import unit_of

    found: dict[str, list[str]] = {}
    for name in settings:
        found.setdefault(unit_of(name).replace("degC", "°C"), []).append(name)
    return found
