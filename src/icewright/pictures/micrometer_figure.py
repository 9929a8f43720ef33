"""What was found in the picture of a stage micrometer, drawn over it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from icewright.measure.micrometer import Ruling
from icewright.measure.scale import Scale
from icewright.pictures.stamp import metadata


def micrometer_png(image: ArrayLike, ruling: Ruling, path: Path, scale: Scale | None = None) -> Path:
    """Draw the lines that were found over the picture, and how far each piece lies off the even ruling.

    Parameters
    ----------
    image : the picture that `find_ruling` was given.
    scale : from `scale_of`, to be written beside it.
    """
    from matplotlib.figure import Figure

    picture = np.asarray(image, dtype=np.float64)
    if picture.ndim == 3:
        picture = picture[..., :3].mean(axis=2)
    figure = Figure(
        figsize=(9.0, 9.0 * picture.shape[0] / picture.shape[1] * 0.78 + 2.6), layout="constrained"
    )
    above, below = figure.subplots(2, 1, height_ratios=[3.2, 1.0])
    above.imshow(picture, cmap="gray", interpolation="nearest")
    for number, (x0, y0), (x1, y1) in ruling.ends():
        above.plot([x0, x1], [y0, y1], color="#e8590c" if number % 10 else "#1c7ed6", linewidth=0.8)
    above.set_xlabel("column, pixels")
    above.set_ylabel("row, pixels")
    said = (
        f"{ruling.lines} lines, {ruling.spacing_px:.4f} +- {ruling.u_spacing_px:.4f} pixels apart, "
        f"normal at {ruling.angle_deg:.3f} degrees"
    )
    if scale is not None:
        said += (
            f"\n{scale.x_m * 1e6:.5g} um from column to column, {scale.y_m * 1e6:.5g} um from row to row, "
            f"+- {100 * scale.u_share:.2g} % (68 %)"
        )
    above.set_title(said, fontsize=10, loc="left")
    x, y, number = ruling.places.T
    off = (ruling.per_column * x + ruling.per_row * y + ruling.offset - number) * -ruling.spacing_px
    below.axhline(0.0, color="0.7", linewidth=0.8)
    below.plot(number, off, ".", color="0.6", markersize=3, label="pieces of lines")
    lines = np.unique(number)
    below.plot(
        lines, [off[number == n].mean() for n in lines], "o", color="#e8590c", markersize=4, label="lines"
    )
    below.set_xlabel("number of the line")
    below.set_ylabel("off the even\nruling, pixels")
    below.legend(loc="upper right", fontsize=8, ncols=2)
    figure.savefig(path, dpi=110, metadata=metadata("icewright.micrometer"))
    return Path(path)
