"""A picture of a measured folder as it stands on disk, and what a hand may say of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from icewright.bench import corrected_shapes as shapes
from icewright.bench.security import BenchError

if TYPE_CHECKING:
    from icewright.measure.corrections import Correction
    from icewright.measure.scale import Scale

READINGS = "readings.json"
_LONGEST_PX = 300_000  # of an outline by hand


class Held:
    """A picture of a folder as it stands on disk now."""

    def __init__(
        self,
        folder: Path,
        one: Mapping[str, Any],
        scale: Scale,
        options: dict[str, Any],
        fixes: list[Correction],
    ) -> None:
        self.folder, self.one, self.scale, self.options, self.fixes = folder, one, scale, options, fixes
        self.name = str(one["name"])
        self.found: dict[int, Mapping[str, Any]] = dict(enumerate(one.get("readings") or [], start=1))
        size = one.get("pixels") or (0, 0)
        self.size = (int(size[0]), int(size[1]))

    def by_hand(self) -> dict[int, dict[str, Any]]:
        """Centres and outlines, by the crystals' numbers."""
        from icewright.measure import corrections

        return corrections.by_hand(self.fixes, self.name)

    def left_out(self) -> set[int]:
        """Crystals that were found and are not to be used."""
        return {
            c.number for c in self.fixes if c.leave_out and c.picture == self.name and c.number in self.found
        }


def walk(folder: Path, depth: int) -> Iterator[Path]:
    """Measured folders below a folder, links left out."""
    try:
        entries = sorted(p for p in folder.iterdir() if not p.name.startswith(".") and not p.is_symlink())
    except OSError:
        return
    for path in entries:
        if path.is_dir():
            if (path / READINGS).is_file():
                yield path
            elif depth > 1:
                yield from walk(path, depth - 1)


def no_links(folder: Path) -> None:
    """Refuse (BenchError 403) a folder with links in it: what is written there could land elsewhere."""
    try:
        linked = next((p.name for p in folder.iterdir() if p.is_symlink()), None) if folder.is_dir() else None
    except OSError as cause:
        raise BenchError(403, "That folder cannot be read.", got=str(cause)[:100]) from cause
    if linked is not None or folder.is_symlink():
        raise BenchError(
            403, "A measured folder with links in it is not opened.", got=(linked or folder.name)[:100]
        )


def size_of(path: Path) -> tuple[int, int]:
    """Columns and rows by the header. Raises ``ImageError`` for files that are none."""
    import warnings

    from PIL import Image

    from icewright.measure.images import ImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path) as picture:
                return int(picture.size[0]), int(picture.size[1])
    except Exception as cause:  # a broken picture breaks its reader in a hundred ways
        raise ImageError(f"{path.name}: the file is damaged.", got=str(cause)[:120]) from cause


def check_outline(loop: tuple[tuple[float, float], ...], size: tuple[int, int]) -> None:
    """Refuse (BenchError 400) what is no outline of anything in a picture of that size."""
    length = sum(math.dist(a, b) for a, b in zip(loop, (*loop[1:], loop[0]), strict=True))
    xs, ys = [p[0] for p in loop], [p[1] for p in loop]
    area = 0.5 * sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(loop, (*loop[1:], loop[0]), strict=True))
    wide, high = size if all(size) else (50_000, 50_000)
    if min(xs) < -wide or max(xs) > 2 * wide or min(ys) < -high or max(ys) > 2 * high:
        raise BenchError(
            400, "The outline lies far outside of the picture.", wanted=f"{wide} x {high} pixels"
        )
    if length > _LONGEST_PX or length > 40 * (wide + high):
        raise BenchError(400, "The outline is too long.", got=f"{length:.0f} pixels")
    if abs(area) < 9.0 or max(xs) - min(xs) < 3.0 or max(ys) - min(ys) < 3.0:
        raise BenchError(400, "The outline encloses next to nothing.", got=f"{abs(area):.3g} square pixels")


def scale_by_hand(asked: shapes.CorrectScale, now: Scale, picture: str) -> Correction | None:
    """The correction that was asked for; None for "as found". Raises BenchError 400 for half of one."""
    from icewright.measure.corrections import Correction

    u = None if asked.u_percent is None else asked.u_percent / 100.0
    note = " ".join(asked.note.split())
    if asked.points_px is None and asked.distance_um is None:
        if asked.x_um is None:
            return None
        pair = (asked.x_um, asked.x_um if asked.y_um is None else asked.y_um)
        return Correction(picture, 0, pair, note=note, u_scale_share=u)
    if asked.points_px is None or asked.distance_um is None or asked.x_um is not None:
        raise BenchError(400, got="half of a scale", wanted="two points and their distance, or x_um alone")
    (x0, y0), (x1, y1) = asked.points_px
    apart = math.hypot((x1 - x0) * now.x_m, (y1 - y0) * now.y_m)
    length_px = math.hypot(x1 - x0, y1 - y0)
    if length_px < 3.0:
        raise BenchError(400, "The two points lie on each other.", got=f"{length_px:.1f} pixels apart")
    by = asked.distance_um * 1e-6 / apart
    pair = (now.x_m * by * 1e6, now.y_m * by * 1e6)
    if not all(0 < v <= 1000 for v in pair):
        raise BenchError(400, got=f"{pair[0]:g} um in a pixel", wanted="up to 1000")
    if u is None:  # a pixel at each end, across which a person cannot see
        u = math.hypot(math.sqrt(2.0) / length_px, asked.u_distance_um / asked.distance_um)
    said = f"two points {asked.distance_um:g} um apart"
    return Correction(picture, 0, pair, note=f"{said}; {note}" if note else said, u_scale_share=min(u, 0.49))
