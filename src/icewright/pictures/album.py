"""All pictures of one run, written into one folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from icewright.pictures import figures, mesh, plan, render
from icewright.pictures.plan import PictureError
from icewright.shape.solid import Solid


def make_album(
    frames: Sequence[tuple[float, Solid]],
    series: Mapping[str, NDArray[Any]],
    recipe_title: str,
    caption: str,
    sigma_water: NDArray[Any] | None,
    out_dir: Path,
    *,
    hero_pixels: int = 1600,
    set_air: tuple[NDArray[Any], NDArray[Any], NDArray[Any]] | None = None,
) -> list[Path]:
    """Write plan, side, section, thickness, curves, timeline and hero as PNG, and the solid as STL and GLB.

    Parameters
    ----------
    frames : (time in s, Solid), growing in time; the last one is the crystal that is shown.
    series : columns of the run in SI, see `figures.curves_png`.
    caption : the conditions in words, set beneath each picture.
    sigma_water : supersaturation over ice at water saturation for each row of the series, or None.
    set_air : time (s), temperature (K) and sigma that were set, where the air lags behind them, or None.

    Returns
    -------
    Paths written, in the order above.

    Raises
    ------
    PictureError : no frames, or the last one holds no ice.
    """
    if not frames or not frames[-1][1].ice.any():
        raise PictureError(
            "There is no crystal to draw.",
            got="no frames" if not frames else "a last frame without ice",
            wanted="at least one frame with ice",
        )
    out = Path(out_dir)
    out.mkdir(parents=True, exist_ok=True)
    time_s, last = frames[-1]
    when = f"{caption} After {time_s / 60.0:.4g} min." if caption else f"After {time_s / 60.0:.4g} min."
    written = [
        plan.plan_png(last, out / "plan.png", recipe_title, when),
        plan.side_png(last, out / "side.png", recipe_title, when),
        plan.section_png(last, out / "section.png", recipe_title, when),
        plan.thickness_png(last, out / "thickness.png", recipe_title, when),
        figures.curves_png(series, out / "curves.png", recipe_title, caption, sigma_water, set_air),
        figures.timeline_png(frames, out / "timeline.png", recipe_title, caption),
    ]
    render.hero(last, out / "hero.png", pixels=hero_pixels)
    vertices, triangles = mesh.surface(last)
    written += [
        out / "hero.png",
        mesh.write_stl(out / "solid.stl", vertices, triangles),
        mesh.write_glb(out / "solid.glb", vertices, triangles),
    ]
    return written
