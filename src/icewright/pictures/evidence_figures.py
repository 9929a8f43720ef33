"""Pictures of the evidence: what agrees, what does not, and where rival kinetics part.

Verdicts are told by sign as well as by colour; lines by dash and marker as well: grey print and any eye can
part them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from icewright.pictures import plan
from icewright.pictures.figures import BLUE, GREEN, GREY, ORANGE, _head_and_foot
from icewright.pictures.plan import INK, MAP, save

KIND = "icewright.picture.evidence"
_SIGNS = {"agrees": ("o", BLUE), "disagrees": ("X", ORANGE), "cannot tell": ("_", "#9aa5b1")}
_LINES = (
    (BLUE, "-", "o"),
    (ORANGE, (0, (5, 1.5)), "s"),
    (GREEN, (0, (1.2, 1.2)), "^"),
    (INK, (0, (3, 1, 1, 1)), "D"),
)
_KEY = "circle: as the outside says; cross: not; dash: cannot tell"


def draw(found: Sequence[Mapping[str, Any]], folder: Path) -> dict[str, Path]:
    """The picture of each finding that has one, as `NAME.png` in ``folder``; name -> path."""
    drawn: dict[str, Path] = {}
    for each in found:
        how = _HOW.get(each["name"])
        if how is not None and each["finding"]["plots"]:
            figure = how(each["finding"]["plots"], each)
            drawn[each["name"]] = save(figure, folder / f"{each['name']}.png", KIND, comparison=each["name"])
    return drawn


def _foot(each: Mapping[str, Any], words: str) -> str:
    level = each["settings"]["level"]
    return f"{words} Level {level}, code {each['code']}. Source: {each['source']}."


def _matrix(axes: Any, marks: Sequence[Sequence[str]], rows: Sequence[str], columns: Sequence[str]) -> None:
    """Signs on a grid, rows downwards."""
    for i, line in enumerate(marks):
        for j, verdict in enumerate(line):
            marker, colour = _SIGNS[verdict]
            axes.scatter(
                j, i, marker=marker, s=46, color=colour, linewidth=1.4 if marker == "_" else 0.4, zorder=3
            )
    axes.set_xlim(-0.6, len(columns) - 0.4)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_yticks(range(len(rows)), rows, fontsize=8)
    axes.set_xticks(range(len(columns)), columns, fontsize=8)
    axes.xaxis.tick_top()
    axes.tick_params(which="both", length=0)
    axes.set_yticks(np.arange(-0.5, len(rows)), minor=True)
    axes.grid(True, which="minor", axis="y", color="#e5e9ee", linewidth=0.8)
    for side in axes.spines.values():
        side.set_visible(False)


def _moved(plots: Mapping[str, Any], each: Mapping[str, Any]) -> Any:
    """Statements down, kinetics across; filled where nothing that was moved turns the answer."""
    words = list(dict.fromkeys(row[0] for row in plots["rows"]))
    names = list(dict.fromkeys(row[1] for row in plots["rows"]))
    verdict = {(row[0], row[1]): row[2] for row in plots["rows"]}
    width, height = 8.4, 0.3 * len(words) + 2.1
    figure = plan._figure(width, height)
    axes = figure.add_axes((0.56, 0.95 / height, 0.41, 1 - 1.95 / height))
    _matrix(axes, [[verdict[w, n] for n in names] for w in words], words, names)
    _head_and_foot(
        figure,
        "Which statements survive when values from memory move by 50 %",
        _foot(
            each, "Circle: right whatever is moved; cross: wrong whatever is moved; dash: some move turns it."
        ),
        width,
        height,
    )
    return figure


def _rivals(plots: Mapping[str, Any], each: Mapping[str, Any]) -> Any:
    """Candidates against statements; below, where readings part the first two tables."""
    names, words, grid = plots["candidates"], plots["statements"], plots["grid"]
    maps = {
        k: v for k, v in grid.get("deviations", {}).items() if any(x is not None for line in v for x in line)
    }
    width = 9.6
    head = 2.95  # room for the slanted statements
    top, low = 0.215 * len(names) + head, 2.5 if maps else 0.0
    height = top + low + 0.95
    figure = plan._figure(width, height)
    axes = figure.add_axes((0.29, 1 - top / height, 0.5, (top - head) / height))
    _matrix(axes, plots["matrix"], names, [""] * len(words))
    axes.tick_params(axis="y", labelsize=7.5)
    for j, word in enumerate(words):
        axes.text(j, -0.75, word, rotation=52, ha="left", va="bottom", fontsize=7.5, color=INK)
    for k, (key, values) in enumerate(maps.items()):
        left = 0.07 + k * 0.9 / len(maps)
        panel = figure.add_axes((left, 1.35 / height, 0.9 / len(maps) - 0.03, (low - 0.95) / height))
        z = np.array([[np.nan if x is None else x for x in line] for line in values], dtype=float)
        panel.imshow(z, cmap=MAP, vmin=0, vmax=5, aspect="auto")
        panel.set_yticks(
            range(len(grid["temperature_c"])), [f"{t:g}" for t in grid["temperature_c"]], fontsize=7
        )
        panel.set_xticks(
            range(len(grid["water_fraction"])), [f"{w:g}" for w in grid["water_fraction"]], fontsize=7
        )
        panel.set_title(_NAMES.get(key, key), fontsize=9, color=INK)
        panel.set_xlabel("σ over σ(water sat.)", fontsize=7.5)
        if k == 0:
            panel.set_ylabel("°C", fontsize=8)
        else:
            panel.set_yticklabels([])
        for (i, j), value in np.ndenumerate(z):
            if np.isfinite(value):
                dark = value < 3
                panel.text(
                    j, i, f"{value:.1f}", ha="center", va="center", fontsize=5.8, color="w" if dark else INK
                )
    tables = " and ".join(plots["tables"])
    words_below = (
        f"Above: {_KEY}. Below: by how many standard deviations (reading error, and each table's own spread "
        f"when its barriers move by 50 %) a reading parts {tables}; light is more."
    )
    _head_and_foot(figure, "Rival kinetics put to the test", _foot(each, words_below), width, height)
    return figure


def _over_temperature(
    title: str, ylabel: str, key: str, *, marks: Callable[[Any], None], log: bool
) -> Callable[[Mapping[str, Any], Mapping[str, Any]], Any]:
    """A drawer of one quantity over temperature, a line for each kinetics, the default diffusivity thick."""

    def figure_of(plots: Mapping[str, Any], each: Mapping[str, Any]) -> Any:
        width, height = 7.6, 4.6
        figure = plan._figure(width, height)
        axes = figure.add_axes((0.105, 1.2 / height, 0.86, 1 - 1.85 / height))
        lines = {k: v for k, v in plots.items() if "|" in k}
        names = list(dict.fromkeys(k.split("|")[-2] for k in lines))
        first = each["settings"]["diffusivities"][0]
        for k, line in lines.items():
            name, d = k.split("|")[-2:]
            colour, dash, marker = _LINES[names.index(name) % len(_LINES)]
            y = np.array([np.nan if v is None else v for v in line[key]], dtype=float)
            main = d == first
            axes.plot(
                line["temperature_c"],
                y,
                color=colour,
                linestyle=dash,
                marker=marker if main else None,
                markersize=4,
                linewidth=1.7 if main else 0.7,
                alpha=1.0 if main else 0.6,
                label=name if main else None,
            )
        if "published" in plots:
            axes.plot(
                plots["published"]["temperature_c"],
                plots["published"][key],
                color=INK,
                linestyle="none",
                marker="*",
                markersize=9,
                label="published",
            )
        if log:
            _log_axis(axes)
        marks(axes)
        axes.invert_xaxis()
        axes.xaxis.set_major_locator(_every(2))
        axes.set_xlabel("temperature (°C), colder to the right")
        axes.set_ylabel(ylabel)
        axes.grid(True, color="#e5e9ee", linewidth=0.6)
        axes.legend(frameon=False, fontsize=9)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        others = each["settings"]["diffusivities"][1:]
        words = "At water saturation, 1013 hPa, still air, axisymmetric model."
        words += f" Thin lines: other diffusivities ({', '.join(others)})." if others else ""
        _head_and_foot(figure, title, _foot(each, words), width, height)
        return figure

    return figure_of


def _every(kelvin: float) -> Any:
    from matplotlib.ticker import MultipleLocator

    return MultipleLocator(kelvin)


def _log_axis(axes: Any) -> None:
    """Logarithmic upwards, with plain numbers far enough apart to be read."""
    from matplotlib.ticker import FixedLocator, NullLocator

    axes.set_yscale("log")
    axes.yaxis.set_major_locator(
        FixedLocator([0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1, 1.4, 2, 3, 5, 10, 20])
    )
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter("{x:g}")


def _crossing_marks(axes: Any) -> None:
    axes.axhline(1.0, color=GREY, linewidth=0.9)
    for low, high, words in ((-4, -3, "to columns"), (-10, -9, "to plates")):
        axes.axvspan(low, high, color="#dfe6ee", linewidth=0, zorder=0)
        axes.annotate(
            words, ((low + high) / 2, 0.02), xycoords=("data", "axes fraction"), ha="center", fontsize=8
        )


def _ratio_marks(axes: Any) -> None:
    axes.axhline(1.0, color=GREY, linewidth=0.9)
    axes.axvline(-4.4, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))


def _peak_marks(at: float) -> Callable[[Any], None]:
    def marks(axes: Any) -> None:
        axes.axvline(at, color=GREY, linewidth=1.0, linestyle=(0, (4, 2)))
        axes.annotate(
            "published peak", (at, 0.02), xycoords=("data", "axes fraction"), ha="center", fontsize=8
        )
        axes.set_ylim(bottom=0)

    return marks


def _peaks(plots: Mapping[str, Any], each: Mapping[str, Any]) -> Any:
    """Both axes, one below the other."""
    width, height = 7.6, 6.4
    figure = plan._figure(width, height)
    first = each["settings"]["diffusivities"][0]
    for k, (axis, at) in enumerate((("a axis", -15.0), ("c axis", -5.5))):
        axes = figure.add_axes((0.105, (3.75 - 2.55 * k) / height, 0.86, 2.1 / height))
        lines = {key: v for key, v in plots.items() if key.startswith(axis)}
        names = list(dict.fromkeys(key.split("|")[1] for key in lines))
        for key, line in lines.items():
            _, name, d = key.split("|")
            colour, dash, marker = _LINES[names.index(name) % len(_LINES)]
            y = np.array([np.nan if v is None else v for v in line["size_um"]], dtype=float)
            axes.plot(
                line["temperature_c"],
                y,
                color=colour,
                linestyle=dash,
                marker=marker if d == first else None,
                markersize=4,
                linewidth=1.7 if d == first else 0.7,
                label=name if d == first else None,
            )
        _peak_marks(at)(axes)
        axes.invert_xaxis()
        axes.xaxis.set_major_locator(_every(2))
        axes.set_ylabel(f"{axis} (µm)")
        axes.grid(True, color="#e5e9ee", linewidth=0.6)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if k == 0:
            axes.legend(frameon=False, fontsize=9, ncols=2, loc="upper left")
        else:
            axes.set_xlabel("temperature (°C), colder to the right")
    words = "Size after one time from one seed at water saturation, still air, axisymmetric model."
    _head_and_foot(figure, "Where the two axes grow longest", _foot(each, words), width, height)
    return figure


def _masses(plots: Mapping[str, Any], each: Mapping[str, Any]) -> Any:
    """Model over published mass at the last reading, still and ventilated."""
    width, height = 7.6, 4.8
    figure = plan._figure(width, height)
    axes = figure.add_axes((0.105, 1.4 / height, 0.86, 1 - 2.05 / height))
    first = each["settings"]["diffusivities"][0]
    lines = {k: v for k, v in plots["lines"].items() if k.split("|")[1] == first}
    names = list(dict.fromkeys(k.split("|")[0] for k in lines))
    tolerance = plots["tolerance"]
    axes.axhspan(1 - tolerance, 1 + tolerance, color="#dfe6ee", linewidth=0, zorder=0)
    axes.axhline(1.0, color=GREY, linewidth=0.9)
    for key, line in lines.items():
        name, _, how = key.split("|")
        colour, _, marker = _LINES[names.index(name) % len(_LINES)]
        x = np.array(line["temperature_c"]) + (0.12 if names.index(name) else -0.12)
        face = colour if how == "still air" else "none"
        axes.plot(x, line["ratio"], linestyle="none", marker=marker, markersize=8, color=colour,
                  markerfacecolor=face, markeredgewidth=1.5, label=f"{name}, {how}")  # fmt: skip
    _log_axis(axes)
    axes.invert_xaxis()
    axes.set_xlabel("temperature (°C), colder to the right")
    axes.set_ylabel(f"model over published mass, {plots['minutes']:g} min")
    axes.legend(frameon=False, fontsize=8.5, ncols=2)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    words = f"Grey band: within {tolerance:.0%}. At water saturation, 1013 hPa, axisymmetric model."
    _head_and_foot(figure, "Free-fall masses", _foot(each, words), width, height)
    return figure


_NAMES = {
    "radius_um": "radius",
    "thickness_um": "thickness",
    "mass_ug": "mass",
    "aspect_ratio": "c/a",
    "hollow_share": "hollow share",
}
_HOW: dict[str, Callable[[Mapping[str, Any], Mapping[str, Any]], Any]] = {
    "moved-values": _moved,
    "rival-kinetics": _rivals,
    "growth-peaks": _peaks,
    "free-fall-masses": _masses,
    "habit-order": _over_temperature(
        "Plate or column: c/a over temperature", "c/a", "aspect_ratio", marks=_crossing_marks, log=True
    ),
    "axis-ratio": _over_temperature(
        "Ratio of axis growth over temperature", "d ln c / d ln a", "ratio", marks=_ratio_marks, log=True
    ),
}
