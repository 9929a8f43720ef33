"""A photograph that was sent to be measured: decoded with care, kept as plain PNG at its full depth."""

from __future__ import annotations

import io
import re
import warnings
from pathlib import Path
from typing import Any

from icewright.bench.photos import _FORMATS
from icewright.bench.security import BenchError, inside, plain_name
from icewright.bench.settings import Settings
from icewright.notebook.files import write_atomic

_MOST_OF_A_NAME = 99


def kept_picture(data: bytes, file: str, name: str, settings: Settings) -> tuple[Path, Path]:
    """(a new folder inside of the chosen one, the picture in it).

    ``name``: of the folder; from the file's name if it is empty, then made to be none that is there.

    Raises:
        BenchError: 413 for too many pixels, 415 for what is no picture, 409 where the name is taken.
    """
    png = _plain_png(data, settings.photo_pixels)
    stem = re.sub(r"[^A-Za-z0-9 _-]+", "-", Path(file).stem).strip(" -_")[:40] or "photograph"
    if name:
        folder = inside(settings.folder, plain_name(name))
        if folder.exists():
            raise BenchError(409, f"{plain_name(name)} is there already.", do="another name")
    else:
        tries = [f"{stem} measured", *(f"{stem} measured {k}" for k in range(2, _MOST_OF_A_NAME))]
        free = [t for t in tries if not inside(settings.folder, plain_name(t)).exists()]
        if not free:
            raise BenchError(409, "Too many folders of that name.", got=stem, do="another name")
        folder = inside(settings.folder, plain_name(free[0]))
    path = folder / f"{plain_name(stem)}.png"
    try:
        folder.mkdir()
    except FileExistsError as cause:
        raise BenchError(409, f"{folder.name} is there already.", do="another name") from cause
    write_atomic(path, png)
    return folder, path


def _plain_png(data: bytes, most_pixels: int) -> bytes:
    from PIL import Image

    from icewright.measure.images import LEAST_SIDE

    refused = BenchError(415, "That is no picture that can be read here.", wanted="PNG, JPEG, TIFF or WebP")
    out = io.BytesIO()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            picture: Any = Image.open(io.BytesIO(data), formats=_FORMATS)
            width, height = picture.size
            if width * height > most_pixels:
                raise BenchError(
                    413,
                    "The picture has too many pixels.",
                    got=f"{width} x {height}",
                    wanted=f"{most_pixels // 1_000_000} million at most",
                    do="crop it to the crystal",
                )
            if min(width, height) < LEAST_SIDE:
                raise BenchError(
                    415, "The picture is too small to measure.", got=f"{width} x {height} pixels",
                    wanted=f"{LEAST_SIDE} at least on each side",
                )  # fmt: skip
            if picture.mode.startswith(("I", "F")):
                picture = _sixteen_bit(picture)
            else:
                picture = picture.convert("L" if picture.mode in ("1", "L", "LA") else "RGB")
            picture.save(out, "PNG", compress_level=3)
    except BenchError:
        raise
    except Image.DecompressionBombError as cause:
        raise BenchError(413, "The picture has too many pixels.", do="crop it to the crystal") from cause
    except Exception as cause:  # a broken picture breaks its reader in a hundred ways
        raise refused from cause
    return out.getvalue()


def _sixteen_bit(picture: Any) -> Any:
    """Deeper than 8 bits: as a grey picture of 16, as `icewright measure` reads it from a file."""
    import numpy as np
    from PIL import Image

    from icewright.measure.images import scaled

    return Image.fromarray(np.round(scaled(np.asarray(picture))[:, :, 0] * 65535.0).astype(np.uint16))
