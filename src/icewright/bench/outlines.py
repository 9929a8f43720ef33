"""Outlines that are dropped on the page: read with care, kept in the folder as plain pixels or polygons.

What is kept is never the file that came in. A picture is decoded and written anew as PNG (its transparency,
if it has any, is its outline); of an SVG only the closed shapes are kept, as one path of straight pieces.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np

from icewright.bench.design_shapes import OutlineKept
from icewright.bench.photos import read_picture
from icewright.bench.security import BenchError, inside, plain_name
from icewright.design.portrait import DesignError, FloatArray
from icewright.notebook.files import write_atomic

FOLDER = "outlines"
MOST = 200  # kept in a folder
_SVG_BYTES = 2_000_000
_SIDE = 1200  # pixels: an outline needs no more, and each look at it costs with their number
_POINTS = 8000  # of all loops together, after what lies closer than half a pixel is left out
_PIXELS_ACROSS = 460  # that the loops of an SVG are later drawn on


def keep(data: bytes, name: str, folder: Path, most_pixels: int, radius_m: float) -> OutlineKept:
    """Read an outline and keep it as `outlines/NAME` in the folder.

    Raises:
        BenchError: 413 for too large, 415 for what is no outline, 409 where too many are kept.
        DesignError: where it holds no closed shape.
    """
    from icewright.bench.targets import shown
    from icewright.design import outlines

    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", Path(name.replace("\\", "/")).stem).strip("-. ")[:40] or "outline"
    if _looks_like_svg(data):
        ready, suffix = svg(data), ".svg"
    else:
        ready, suffix = picture(data, most_pixels), ".png"
    home = inside(folder, FOLDER)
    home.mkdir(exist_ok=True)
    path = _place(home, stem, suffix, ready)
    new = not path.exists()
    if new:
        write_atomic(path, ready)
    try:
        found = outlines.read(path, radius_m)
    except DesignError:
        if new:
            path.unlink(missing_ok=True)
        raise
    return OutlineKept(
        file=f"{FOLDER}/{path.name}", fold=found.fold, notes=list(found.notes), portrait=shown(found.portrait)
    )


def _place(home: Path, stem: str, suffix: str, ready: bytes) -> Path:
    """Where it is kept: a file that says the same is used again, another of that name stays."""
    for count in range(1, MOST + 1):
        name = plain_name(stem + ("" if count == 1 else f"-{count}"), suffix)
        path = inside(home, name)
        if not path.exists() or (path.is_file() and path.read_bytes() == ready):
            if not path.exists() and sum(1 for _ in home.iterdir()) >= MOST:
                break
            return path
    raise BenchError(409, f"{MOST} outlines are kept at most.", do=f"delete some in the folder {FOLDER}")


def _looks_like_svg(data: bytes) -> bool:
    head = data[:2000].lstrip(b"\xef\xbb\xbf \t\r\n")
    return head.startswith(b"<") and (b"<svg" in data[:20_000] or head.startswith(b"<?xml"))


def picture(data: bytes, most_pixels: int) -> bytes:
    """A PNG of grey or colour, of at most 1200 pixels a side. Raises BenchError 413, 415."""
    from PIL import Image

    png, width, height, _ = read_picture(_alpha(data, most_pixels), most_pixels)
    if max(width, height) <= _SIDE:
        return png
    shrunk = Image.open(io.BytesIO(png))
    shrunk.thumbnail((_SIDE, _SIDE))
    out = io.BytesIO()
    shrunk.save(out, "PNG")
    return out.getvalue()


def _alpha(data: bytes, most_pixels: int) -> bytes:
    """A picture that is partly transparent as a grey one that is light where it covers; else as it came."""
    from PIL import Image

    try:
        got: Any = Image.open(io.BytesIO(data), formats=("PNG", "TIFF", "WEBP"))
        if got.size[0] * got.size[1] > most_pixels or not (
            got.mode in ("RGBA", "LA", "PA") or "transparency" in got.info
        ):
            return data
        cover = got.convert("RGBA").getchannel("A")
        low, high = cover.getextrema()
        if low == high:
            return data
        out = io.BytesIO()
        cover.save(out, "PNG", compress_level=1)
        return out.getvalue()
    except Exception:  # what cannot be read is refused in words by the reader that comes next
        return data


def svg(data: bytes) -> bytes:
    """An SVG of one path that holds the closed shapes of another. Raises BenchError 413, 415, DesignError."""
    from icewright.design.outlines import svg_loops

    if len(data) > _SVG_BYTES:
        raise BenchError(
            413, "The drawing is too large.", got=f"{len(data) / 1e6:.1f} MB", wanted="2 MB at most"
        )
    text = re.sub(r"<!DOCTYPE[^>\[]*>", "", data.decode("utf-8", errors="replace"))
    if re.search(r"<!(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise BenchError(
            415, "That SVG defines entities of its own.", wanted="a plain SVG", do='save it as "plain SVG"'
        )
    try:
        loops = [_thinned(loop) for loop in svg_loops(text)]
    except (ValueError, ArithmeticError, RecursionError) as cause:
        raise BenchError(
            415, "That SVG cannot be read.", got=str(cause)[:100], do='save it as "plain SVG"'
        ) from cause
    loops = [loop for loop in loops if len(loop) >= 3]
    if not loops:
        raise DesignError("The outline holds no shape.", got="no closed shape", wanted="a path or a polygon")
    if sum(len(loop) for loop in loops) > _POINTS:
        raise BenchError(
            413, "The drawing has too many lines.", wanted="the outline alone", do="leave out its hatching"
        )
    every = np.concatenate(loops)
    low, span = every.min(axis=0), float(np.ptp(every, axis=0).max())
    drawn = [(loop - low) * 1000 / span for loop in loops]
    d = " ".join("M" + " L".join(f"{x:.2f} {y:.2f}" for x, y in loop) + " Z" for loop in drawn)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1000 1000">'
        f'<path fill-rule="evenodd" d="{d}"/></svg>\n'
    ).encode()


def _thinned(loop: FloatArray) -> FloatArray:
    """A loop without the points that no pixel of the later drawing could tell from the ones before."""
    if not np.isfinite(loop).all() or np.abs(loop).max() > 1e9:
        raise ValueError("coordinates beyond all measure")
    span = float(np.ptp(loop, axis=0).max())
    if span <= 0:
        return loop[:1]
    least = 0.5 * span / _PIXELS_ACROSS
    kept = [loop[0]]
    for point in loop[1:]:
        if np.abs(point - kept[-1]).max() >= least:
            kept.append(point)
    return np.array(kept)
