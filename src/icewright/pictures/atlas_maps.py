"""Maps and curves of an atlas: numbers cell by cell, growth rates at water saturation, two tables compared.

Every number is printed in its tile, so that no colour need be read; colour maps are even in lightness.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from icewright.pictures import plan
from icewright.pictures.atlas_chart import (
    HUMIDITY,
    draw_curves,
    foot_height,
    head_and_foot,
    humidity_of,
    short,
)
from icewright.pictures.plan import INK, PictureError

if TYPE_CHECKING:
    import xarray

# name: title, factor to the unit shown, logarithmic
PANELS: dict[str, tuple[str, float, bool]] = {
    "aspect_ratio": ("aspect ratio c/a (1)", 1.0, True),
    "solidity": ("solidity of the outline (1)", 1.0, False),
    "radial_rate_m_s": ("radial growth rate, tips (µm/min)", 6e7, True),
    "axial_rate_m_s": ("axial growth rate, one face (µm/min)", 6e7, True),
    "mass_kg": ("mass (ng)", 1e12, True),
    "time_s": ("time to that size (min)", 1 / 60.0, True),
}
COLOURS = ("#00507f", "#c8590a", "#00705a", "#6b4c9a", "#333333")
DASHES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.2, 1.2)), (0, (5, 1, 1, 1)), "-")


def maps_png(page: xarray.Dataset, path: Path, caption: str = "") -> Path:
    """One page of an atlas as maps of aspect ratio, solidity, growth rates, mass and time."""
    key = humidity_of(page)
    t, h = page["temperature_c"].to_numpy(), page[key].to_numpy()
    columns, rows = 2, 3
    wide = float(np.clip(0.42 * t.size + 1.6, 3.6, 9.0))
    tall = float(np.clip(0.34 * h.size + 1.0, 2.0, 5.0))
    caption += " Hatched: above water saturation; the line on the first map is water saturation."
    width = columns * wide + 0.4
    base = foot_height(caption, width) + 0.45
    height = rows * tall + base + 0.45
    figure = plan._figure(width, height)
    for place, (name, (title, factor, log)) in enumerate(PANELS.items()):
        row, column = divmod(place, columns)
        left = 0.75 + column * wide
        low = base + (rows - 1 - row) * tall
        axes = figure.add_axes((left / width, low / height, (wide - 1.55) / width, (tall - 0.85) / height))
        values = page[name].to_numpy() * factor
        if name == "solidity" and page.attrs.get("model") == "round":
            axes.set_axis_off()
            axes.text(0.0, 0.5, "solidity: 1 in every cell of the axisymmetric model", fontsize=9, color=INK)
            continue
        picture = _map(axes, t, h, values, log, page)
        axes.set_title(title, fontsize=10, color=INK, loc="left")
        bar = figure.add_axes(
            ((left + wide - 1.45) / width, low / height, 0.11 / width, (tall - 0.85) / height)
        )
        if picture is not None:
            _bar(figure, picture, bar)
        else:
            bar.set_axis_off()
        _ticks(axes, t, h, HUMIDITY[key] if column == 0 else "", row == rows - 1)
        if place == 0:
            draw_curves(axes, key, -np.sort(-t), np.sort(h), 6.0, bare=True)
    head_and_foot(figure, _title(page), caption, width, height)
    return plan.save(figure, path, "icewright.atlas-maps")


def difference_png(one: xarray.Dataset, two: xarray.Dataset, path: Path, caption: str = "") -> Path:
    """Two kinetics tables tile by tile: second over first, tiles of another habit framed."""
    from icewright.sweep.dataset import words

    key = humidity_of(one)
    t, h = one["temperature_c"].to_numpy(), one[key].to_numpy()
    a, b = str(one.coords["kinetics"].item()), str(two.coords["kinetics"].item())
    names = {
        "aspect_ratio": "aspect ratio c/a",
        "radial_rate_m_s": "radial growth rate",
        "axial_rate_m_s": "axial growth rate",
        "mass_kg": "mass at that size",
    }
    wide = float(np.clip(0.62 * t.size + 1.6, 4.0, 10.0))
    tall = float(np.clip(0.42 * h.size + 1.0, 2.2, 5.5))
    first, second = words(one, "habit"), words(two, "habit")
    other = first != second
    caption += (
        f" Framed: the two tables give different habit words ({int(other.sum())} of {other.size} tiles)."
    )
    width = 2 * wide + 0.4
    base = foot_height(caption, width) + 0.45
    height = 2 * tall + base + 0.45
    figure = plan._figure(width, height)
    for place, (name, title) in enumerate(names.items()):
        row, column = divmod(place, 2)
        left, low = 0.75 + column * wide, base + (1 - row) * tall
        axes = figure.add_axes((left / width, low / height, (wide - 1.55) / width, (tall - 0.85) / height))
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = two[name].to_numpy() / one[name].to_numpy()
            picture = _map(axes, t, h, np.log2(ratio), False, one, shown=ratio, middle=True)
        axes.set_title(f"{title}: {b} over {a}", fontsize=9.5, color=INK, loc="left")
        bar = figure.add_axes(
            ((left + wide - 1.45) / width, low / height, 0.11 / width, (tall - 0.85) / height)
        )
        if picture is not None:
            colours = figure.colorbar(picture, cax=bar)
            ticks = [v for v in colours.get_ticks() if picture.norm.vmin <= v <= picture.norm.vmax]
            colours.set_ticks(ticks, labels=[f"{2.0**v:.2g}" for v in ticks])
            colours.ax.tick_params(labelsize=7.5, colors=INK)
        if place == 0:
            _frame(axes, t, h, other)
        _ticks(axes, t, h, HUMIDITY[key] if column == 0 else "", row == 1)
    head_and_foot(figure, f"{one.attrs.get('title', '') or 'Atlas'}: {b} against {a}", caption, width, height)
    return plan.save(figure, path, "icewright.atlas-difference")


def rates_png(data: xarray.Dataset, path: Path, caption: str = "") -> Path | None:
    """Growth rates against temperature at water saturation, one line a kinetics table; None if not reached.

    Between two humidities of the sweep that lie on both sides of water saturation the rate is interpolated
    along a straight line; temperatures at which the sweep does not reach it are left out.
    """
    lines = at_water_saturation(data)
    if not lines:
        return None
    caption += (
        " Mean speeds from the seed to the end, still air; interpolated to water saturation where needed."
    )
    width = 7.6
    base = foot_height(caption, width) + 0.5
    height = base + 4.3
    figure = plan._figure(width, height)
    first: Any = None
    for k, (name, title) in enumerate(
        (("radial_rate_m_s", "radial, tips\n(µm/min)"), ("axial_rate_m_s", "axial, one face\n(µm/min)"))
    ):
        axes = figure.add_axes(
            (0.95 / width, (base + (1 - k) * 1.9) / height, (width - 1.25) / width, 1.75 / height),
            sharex=first,
        )
        first = first or axes
        for i, (label, t, rates) in enumerate(lines):
            axes.plot(
                t,
                rates[name] * 6e7,
                color=COLOURS[i % len(COLOURS)],
                ls=DASHES[i % len(DASHES)],
                marker="osD^v"[i % 5],
                ms=4,
                lw=1.6,
                label=label,
            )
        axes.set_ylabel(title, fontsize=9.5, color=INK)
        axes.set_ylim(bottom=0.0)
        axes.tick_params(labelsize=8.5, colors=INK, labelbottom=k == 1)
        axes.grid(True, color="#dfe6ee", lw=0.7)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if k == 0:
            axes.legend(frameon=False, fontsize=8, ncol=2)
        else:
            axes.set_xlabel("air temperature (°C)", fontsize=10, color=INK)
    first.invert_xaxis()
    title = f"{data.attrs.get('title', '') or 'Atlas'}: growth at water saturation"
    head_and_foot(figure, title, caption, width, height)
    return plan.save(figure, path, "icewright.atlas-rates")


def at_water_saturation(
    data: xarray.Dataset,
) -> list[tuple[str, NDArray[Any], dict[str, NDArray[Any]]]]:
    """(label, temperatures in degC, rates in m/s by name) for each combination of the other axes."""
    import itertools

    key = next((name for name in HUMIDITY if name in data.dims), None)
    if key is None or "temperature_c" not in data.dims:
        raise PictureError("This is no atlas.", wanted="axes temperature and humidity")
    others = [str(dim) for dim in data.dims if dim not in (key, "temperature_c")]
    found = []
    for place in itertools.product(*[range(data.sizes[dim]) for dim in others]):
        page = data.isel(dict(zip(others, place, strict=True))).transpose(key, "temperature_c")
        excess = (page["sigma"] - page["sigma_water"]).to_numpy()
        t, rates = [], {"radial_rate_m_s": [], "axial_rate_m_s": []}  # type: ignore[var-annotated]
        for ix in range(page.sizes["temperature_c"]):
            order = np.argsort(excess[:, ix])
            x = excess[order, ix]
            ys = {name: page[name].to_numpy()[order, ix] for name in rates}
            good = np.isfinite(x) & np.isfinite(ys["radial_rate_m_s"])
            x = x[good]
            if not x.size or not (x[0] <= 1e-6 and x[-1] >= -1e-6):
                continue
            t.append(float(page["temperature_c"].to_numpy()[ix]))
            for name, y in ys.items():
                rates[name].append(float(np.interp(0.0, x, y[good])))
        if t:
            label = ", ".join(f"{page.coords[dim].item()}" for dim in others)
            label = label or str(data.attrs.get("kinetics", ""))
            found.append((label, np.asarray(t), {name: np.asarray(y) for name, y in rates.items()}))
    return found


def _map(
    axes: Any,
    t: NDArray[Any],
    h: NDArray[Any],
    values: NDArray[Any],
    log: bool,
    page: Any,
    *,
    shown: NDArray[Any] | None = None,
    middle: bool = False,
) -> Any:
    """Draw values [humidity, temperature] as tiles with their numbers, cold to the right, moist upward."""
    from matplotlib.colors import LogNorm, Normalize, TwoSlopeNorm
    from matplotlib.patches import Rectangle

    order = np.ix_(np.argsort(h), np.argsort(-t))
    grid = np.asarray(values, dtype=float)[order]
    numbers = grid if shown is None else np.asarray(shown, dtype=float)[order]
    over = page["above_water"].to_numpy()[order] > 0
    axes.set_xlim(-0.5, t.size - 0.5)
    axes.set_ylim(-0.5, h.size - 0.5)
    axes.set_facecolor("#e9e9e9")
    good = grid[np.isfinite(grid) & ((grid > 0) | (not log))]
    if not good.size:
        return None
    low, high = float(good.min()), float(good.max())
    if low == high:
        low, high = low - 0.5 * abs(low) - 1e-9, high + 0.5 * abs(high) + 1e-9
    norm: Any = LogNorm(max(low, high * 1e-4), high) if log else Normalize(low, high)
    if middle:
        most = max(abs(low), abs(high), 0.1)
        norm = TwoSlopeNorm(0.0, -most, most)
    picture = axes.imshow(
        np.ma.masked_invalid(grid),
        origin="lower",
        norm=norm,
        cmap="PuOr" if middle else "cividis",
        aspect="auto",
        extent=(-0.5, t.size - 0.5, -0.5, h.size - 0.5),
    )
    size = float(np.clip(60.0 / max(t.size, 4), 5.0, 8.0))
    for iy, ix in np.ndindex(*grid.shape):
        if np.isfinite(numbers[iy, ix]):
            red, green, blue, _ = picture.cmap(norm(grid[iy, ix]))
            bright = 0.299 * red + 0.587 * green + 0.114 * blue
            axes.text(
                ix,
                iy,
                short(float(numbers[iy, ix])),
                ha="center",
                va="center",
                fontsize=size,
                color="#111111" if bright > 0.5 else "white",
            )
        if over[iy, ix]:
            axes.add_patch(
                Rectangle((ix - 0.5, iy - 0.5), 1, 1, facecolor="none", edgecolor="#dddddd", hatch="//", lw=0)
            )
    return picture


def _bar(figure: Any, picture: Any, place: Any) -> None:
    """A colour bar with plain numbers."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    bar = figure.colorbar(picture, cax=place)
    bar.ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: short(value)))
    low, high = picture.norm.vmin, picture.norm.vmax
    few = high / low < 30 if low > 0 else False
    bar.ax.yaxis.set_minor_formatter(
        FuncFormatter(lambda value, _: short(value) if f"{value:e}"[0] in "25" else "")
        if few
        else NullFormatter()
    )
    bar.ax.tick_params(labelsize=7.5, colors=INK, which="both")


def _frame(axes: Any, t: NDArray[Any], h: NDArray[Any], marked: NDArray[Any]) -> None:
    from matplotlib.patches import Rectangle

    grid = marked[np.ix_(np.argsort(h), np.argsort(-t))]
    for iy, ix in np.argwhere(grid):
        axes.add_patch(
            Rectangle((ix - 0.46, iy - 0.46), 0.92, 0.92, facecolor="none", edgecolor=INK, lw=1.4, zorder=5)
        )


def _ticks(axes: Any, t: NDArray[Any], h: NDArray[Any], ylabel: str, bottom: bool) -> None:
    axes.set_xticks(range(t.size), [f"{value:g}" for value in -np.sort(-t)])
    axes.set_yticks(range(h.size), [f"{value:.4g}" for value in np.sort(h)])
    axes.tick_params(labelsize=7.5, colors=INK, length=0, labelrotation=0)
    if bottom:
        axes.set_xlabel("air temperature (°C)", fontsize=9, color=INK)
    axes.set_ylabel(ylabel, fontsize=8.5, color=INK)


def _title(page: Any) -> str:
    title = str(page.attrs.get("title", "")) or "Atlas"
    name = page.coords["kinetics"].item() if "kinetics" in page.coords else page.attrs.get("kinetics", "")
    return f"{title}: {name}"
