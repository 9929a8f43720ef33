"""Photographs that are laid over the prediction: read with care, kept as plain PNG of grey or colour.

What a browser is later given is never the file that came in: it is decoded and written anew, so that nothing
but pixels survives. The size in pixels is read from the header before anything is decoded.
"""

from __future__ import annotations

import io
import json
import warnings
from pathlib import Path
from typing import Any

from icewright.bench import shapes
from icewright.bench.security import BenchError
from icewright.notebook.files import write_atomic

MOST = 12  # photographs a session
_FORMATS = ("PNG", "JPEG", "TIFF", "WEBP")
_SIDE = 4096  # stored no larger: a screen shows no more, and the page must hold it


class Photos:
    """The photographs of one session, in its folder."""

    def __init__(self, folder: Path, kept: list[dict[str, Any]] | None = None) -> None:
        self.folder = folder / "photos"
        self.items = {p["number"]: shapes.Photo(**p) for p in kept or []}
        self._next = max(self.items, default=0) + 1

    def shown(self) -> list[shapes.Photo]:
        """All of them."""
        return list(self.items.values())

    def dump(self) -> list[dict[str, Any]]:
        """For the session's record."""
        return [json.loads(p.model_dump_json()) for p in self.items.values()]

    def path(self, number: int) -> Path:
        """The stored picture. Raises BenchError 404."""
        self.get(number)
        return self.folder / f"{number}.png"

    def get(self, number: int) -> shapes.Photo:
        """One of them. Raises BenchError 404."""
        if number not in self.items:
            raise BenchError(404, "There is no such photograph.", got=str(number))
        return self.items[number]

    def keep(self, ready: tuple[bytes, int, int, float], name: str, width_um: float) -> shapes.Photo:
        """Keep a picture that `read_picture` has made ready; first it is laid `width_um` wide.

        Raises:
            BenchError: 409 where there are too many.
        """
        if len(self.items) >= MOST:
            raise BenchError(
                409, f"{MOST} photographs are kept at most.", do="delete one that is no longer needed"
            )
        png, width, height, _ = ready
        self.folder.mkdir(exist_ok=True)
        number = self._next
        write_atomic(self.folder / f"{number}.png", png)
        self._next += 1
        shown = "".join(c for c in name if c.isprintable() and c not in "<>\"'&/\\")[:80] or "photograph"
        photo = shapes.Photo(number=number, name=shown, width=width, height=height,
                             um_per_pixel=width_um / width,
                             x_um=0, y_um=0, rotation_deg=0, opacity=0.5)  # fmt: skip
        self.items[number] = photo
        return photo

    def place(self, number: int, to: shapes.PhotoPlace) -> shapes.Photo:
        """Lay it differently."""
        changed = self.get(number).model_copy(update=to.model_dump(exclude_none=True))
        self.items[number] = changed
        return changed

    def remove(self, number: int) -> None:
        """Delete it."""
        self.path(number).unlink(missing_ok=True)
        del self.items[number]


def read_picture(data: bytes, most_pixels: int) -> tuple[bytes, int, int, float]:
    """(PNG, width, height, by how much it was shrunk) of a picture that came from anywhere.

    Raises:
        BenchError: 413 for too many pixels, 415 for what is no picture of a known kind.
    """
    from PIL import Image

    refused = BenchError(415, "That is no picture that can be read here.", wanted="PNG, JPEG, TIFF or WebP")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            picture = Image.open(io.BytesIO(data), formats=_FORMATS)
            width, height = picture.size
            if width * height > most_pixels or min(width, height) < 1:
                raise BenchError(
                    413,
                    "The picture has too many pixels.",
                    got=f"{width} x {height}",
                    wanted=f"{most_pixels // 1_000_000} million at most",
                    do="crop or shrink it first",
                )
            if picture.mode.startswith(("I;16", "I", "F")):
                picture = _eight_bit(picture)
            plain = picture.convert("L" if picture.mode in ("L", "1") else "RGB")
    except BenchError:
        raise
    except Image.DecompressionBombError as cause:
        raise BenchError(413, "The picture has too many pixels.", do="crop or shrink it first") from cause
    except Exception as cause:  # a broken picture breaks its reader in a hundred ways
        raise refused from cause
    scale = 1.0
    if max(plain.size) > _SIDE:
        scale = max(plain.size) / _SIDE
        plain = plain.resize((max(1, round(width / scale)), max(1, round(height / scale))))
    out = io.BytesIO()
    plain.save(out, "PNG", compress_level=3)
    return out.getvalue(), plain.size[0], plain.size[1], scale


def _eight_bit(picture: Any) -> Any:
    """A microscope's 12 or 16 bits stretched over the 8 that a screen shows."""
    import numpy as np
    from PIL import Image

    values = np.asarray(picture, dtype=np.float64)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    span = high - low if high > low else 1.0
    return Image.fromarray(np.nan_to_num((values - low) / span * 255).astype(np.uint8))
