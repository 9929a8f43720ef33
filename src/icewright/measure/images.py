"""Pictures from disk: single files, folders, TIFF stacks and focus stacks, 8 and 16 bit, colour and grey.

A picture is float32[rows, columns, channels] with values from 0 (black) to 1 (the largest the file can hold);
row 0 is the top. What cannot be read is reported by name as a :class:`Problem`, and the rest goes on. Sizes
are checked from the header, before anything is decoded.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.ground.errors import IcewrightError
from icewright.measure.times import clock_seconds

Picture = NDArray[np.float32]

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".gif", ".webp", ".pgm", ".ppm")
MOST_PIXELS = 150_000_000  # a picture of 12,000 x 12,000 is read, a header of 30,000 x 30,000 is not
LEAST_SIDE = 16  # below this no outline of a crystal can be told from noise
STACKS = ("auto", "time", "focus")


class ImageError(IcewrightError):
    """A picture that cannot be read, or is too small or too large to be measured."""


@dataclass(frozen=True)
class Problem:
    """A file, or a page of one, that was not measured: its name and the reason in words."""

    name: str
    reason: str


@dataclass(frozen=True)
class Item:
    """One picture to be measured.

    path : the file. pages : its pages (more than one for a focus stack); empty for a file of one picture.
    name : what to call it in tables. time_s : seconds, None while unknown; of the day of the epoch where
    ``time_from`` names a clock. time_from : where the time was found. note : what was odd about the file.
    """

    path: Path
    name: str
    pages: tuple[int, ...] = ()
    time_s: float | None = None
    time_from: str = ""
    note: str = ""


def find(places: Iterable[str | Path]) -> tuple[list[Path], list[Problem]]:
    """Files to read: those named, and the pictures of folders named, in the order of their names.

    Numbers within names are ordered as numbers, so that ``t9.png`` comes before ``t10.png``.
    """
    files: list[Path] = []
    problems: list[Problem] = []
    for place in places:
        path = Path(place)
        if path.is_dir():
            inside = [p for p in path.iterdir() if p.is_file() and p.suffix.lower() in SUFFIXES]
            inside = [p for p in inside if not p.name.startswith(".")]
            if not inside:
                problems.append(Problem(str(path), "a folder without pictures"))
            files += sorted(inside, key=lambda p: natural(p.name))
        elif path.is_file():
            files.append(path)
        else:
            problems.append(Problem(str(path), "there is no such file or folder"))
    return list(dict.fromkeys(files)), problems


def natural(text: str) -> list[tuple[int, int, str]]:
    """A key that orders numbers inside names as numbers."""
    parts = re.split(r"(\d+)", text.lower())
    return [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts if part]


def items(path: Path, stack: str = "auto") -> list[Item]:
    """The pictures that a file holds: one, or one for each page of a stack, or one for each focus stack.

    ``stack``: what the pages of a TIFF are: ``time``, ``focus``, or ``auto`` (a z axis in the file's own
    description is focus, all else is time). Raises ``ImageError`` naming what is wrong with the file.
    """
    if stack not in STACKS:
        raise ImageError(got=f"stack {stack!r}", wanted="one of " + ", ".join(STACKS))
    with path.open("rb") as file:
        head = file.read(8)
    if not head:
        raise ImageError(f"{path.name}: the file is empty.")
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        found = _tiff_items(path, stack)
        kind = "TIFF"
    else:
        found, kind = _plain_items(path)
    wanted = {"JPEG": (".jpg", ".jpeg"), "TIFF": (".tif", ".tiff")}.get(kind, (f".{kind.lower()}",))
    if kind != "PPM" and path.suffix.lower() not in wanted:
        note = f"named {path.suffix or 'without ending'}, but its content is {kind}"
        found = [replace(item, note=note) for item in found]
    return found


def load(item: Item) -> Picture:
    """The pixels of a picture; of a focus stack its sharpest page. Raises ``ImageError``."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if _is_tiff(item.path):
                return _load_tiff(item)
            return _load_plain(item.path)
    except ImageError:
        raise
    except MemoryError as error:
        raise ImageError(f"{item.name}: there is not memory enough to read it.") from error
    except Exception as error:  # decoders raise whatever they like on a torn file
        raise ImageError(f"{item.name}: the file is damaged.", got=_short(error)) from error


def sharpest(pages: Sequence[Picture]) -> int:
    """The page in focus: the one whose finest details have the most contrast.

    The measure is the mean square of the Laplacian over the variance of the grey values, so that a page is
    not preferred for being brighter (common practice, no source).
    """
    from scipy.ndimage import gaussian_filter, laplace

    scores = []
    for page in pages:
        grey = gaussian_filter(page.mean(axis=2), 1.0)
        scores.append(float(np.mean(np.square(laplace(grey)))) / max(float(grey.var()), 1e-12))
    return int(np.argmax(scores))


def _check_size(name: str, rows: int, columns: int) -> None:
    if rows * columns > MOST_PIXELS:
        raise ImageError(
            f"{name}: too large to measure.",
            got=f"{columns} x {rows} pixels by its header",
            wanted=f"at most {MOST_PIXELS / 1e6:g} megapixels",
            do="crop the picture to the crystal, or average pixels two by two",
        )
    if min(rows, columns) < LEAST_SIDE:
        raise ImageError(
            f"{name}: too small to measure.",
            got=f"{columns} x {rows} pixels",
            wanted=f"at least {LEAST_SIDE} pixels on each side",
        )


def _is_tiff(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def _plain_items(path: Path) -> tuple[list[Item], str]:
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(path) as picture:
                columns, rows = picture.size
                kind = picture.format or "?"
                _check_size(path.name, rows, columns)
                tags = Image.Exif()
                # Asked for a PNG's tags, the decoder would decode all of it: only its head is read.
                if "exif" in picture.info:
                    tags.load(picture.info["exif"])
                exif: dict[int, Any] = dict(tags)
                with_details = tags.get_ifd(0x8769) if exif else {}
    except Image.DecompressionBombError as error:
        raise ImageError(f"{path.name}: too large to measure.", got=_short(error)) from error
    except ImageError:
        raise
    except UnidentifiedImageError as error:
        raise ImageError(
            f"{path.name}: this is no picture that can be read.", wanted="PNG, JPEG, TIFF, BMP, GIF or WebP"
        ) from error
    except Exception as error:
        raise ImageError(f"{path.name}: the file is damaged.", got=_short(error)) from error
    time, source = _exif_time(exif | dict(with_details))
    return [Item(path, path.name, time_s=time, time_from=source)], kind


def _exif_time(tags: dict[int, Any]) -> tuple[float | None, str]:
    """Seconds by the camera's clock: taken, else digitised, else changed; with fractions where there are."""
    for tag, part in ((36867, 37521), (36868, 37522), (306, 37520)):
        text = str(tags.get(tag, "")).strip("\0 ")
        seconds = clock_seconds(text)
        if seconds is not None:
            fraction = str(tags.get(part, "")).strip("\0 ")
            return seconds + (float(f"0.{fraction}") if fraction.isdigit() else 0.0), "camera clock"
    return None, ""


def _load_plain(path: Path) -> Picture:
    from PIL import Image

    with Image.open(path) as picture:
        if picture.mode in ("I;16", "I;16B", "I;16L", "I", "F"):
            return scaled(np.asarray(picture))
        wanted = "L" if picture.mode in ("1", "L", "LA") else "RGB"
        return scaled(np.asarray(picture.convert(wanted)))


def scaled(values: NDArray[Any]) -> Picture:
    """Any integer or float array [rows, columns] or [rows, columns, channels] as a picture from 0 to 1."""
    a = values if values.ndim == 3 else values[:, :, None]
    if a.shape[2] in (2, 4):  # transparency is not light
        a = a[:, :, :-1]
    if a.dtype == np.bool_:
        return a.astype(np.float32)
    if a.dtype == np.int32 or a.dtype == np.uint32:  # 16 bit grey as some decoders hand it over
        most = 65535.0 if int(a.max()) <= 65535 else float(a.max())
        return (a / most).astype(np.float32)
    if np.issubdtype(a.dtype, np.integer):
        return (a.astype(np.float32) / float(np.iinfo(a.dtype).max)).astype(np.float32)
    if not np.isfinite(a).all():
        raise ImageError(got="pixels that are not numbers", wanted="finite values")
    low, high = float(a.min()), float(a.max())
    if low >= 0.0 and high <= 1.0:
        return a.astype(np.float32)
    return ((a - low) / max(high - low, 1e-12)).astype(np.float32)


def _tiff_items(path: Path, stack: str) -> list[Item]:
    import tifffile

    try:
        with tifffile.TiffFile(path) as file:
            pages = len(file.pages)
            first = file.pages[0]
            rows, columns = int(first.imagelength), int(first.imagewidth)  # type: ignore[union-attr]
            axes, shape = file.series[0].axes, file.series[0].shape
            times, source = _tiff_times(file, pages)
    except Exception as error:
        raise ImageError(f"{path.name}: the file is damaged.", got=_short(error)) from error
    _check_size(path.name, rows, columns)
    if pages == 1:
        return [Item(path, path.name, (0,), times[0], source)]
    lead = [(axis, n) for axis, n in zip(axes, shape, strict=True) if axis not in "YXS"]
    grid: NDArray[Any] = np.arange(pages)
    names = "".join(axis for axis, _ in lead)
    sizes = tuple(n for _, n in lead)
    if int(np.prod(sizes)) == pages and stack == "auto" and "Z" in names:
        grid = np.moveaxis(grid.reshape(sizes), names.index("Z"), -1).reshape(-1, sizes[names.index("Z")])
    elif stack == "focus":
        grid = grid.reshape(1, -1)
    else:
        grid = grid.reshape(-1, 1)
    alone = grid.shape[0] == 1
    return [
        Item(
            path,
            path.name if alone else f"{path.name}[{k}]",
            tuple(int(p) for p in row),
            times[int(row[0])],
            source,
        )
        for k, row in enumerate(grid)
    ]


def _tiff_times(file: Any, pages: int) -> tuple[list[float | None], str]:
    known = file.imagej_metadata or {}
    if float(known.get("finterval", 0.0) or 0.0) > 0:
        return [k * float(known["finterval"]) for k in range(pages)], "frame interval in the file"
    if file.ome_metadata:
        found = [float(t) for t in re.findall(r'DeltaT="([-+0-9.eE]+)"', file.ome_metadata)]
        if len(found) == pages:
            return list(found), "plane times in the file"
    stamps: list[float | None] = []
    for page in file.pages:
        tag = page.tags.get(306) if hasattr(page, "tags") else None
        stamps.append(clock_seconds(str(tag.value)) if tag is not None else None)
    if all(t is not None for t in stamps) and (pages == 1 or len(set(stamps)) > 1):
        return stamps, "camera clock"
    return [None] * pages, ""


def _load_tiff(item: Item) -> Picture:
    import tifffile

    with tifffile.TiffFile(item.path) as file:
        read = [_page(file.pages[k]) for k in item.pages or (0,)]
    return read[0] if len(read) == 1 else read[sharpest(read)]


def _page(page: Any) -> Picture:
    values = np.asarray(page.asarray())
    if values.ndim == 3 and "S" in page.axes and not page.axes.endswith("S"):
        values = np.moveaxis(values, page.axes.index("S"), -1)
    if getattr(page, "photometric", None) == 0:  # white is zero
        values = np.iinfo(values.dtype).max - values
    return scaled(values)


def _short(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return text[:160] or type(error).__name__


def pictures(each: Iterable[Item]) -> Iterator[tuple[Item, Picture | Problem]]:
    """Read one after the other, holding one at a time."""
    for item in each:
        try:
            yield item, load(item)
        except ImageError as error:
            yield item, Problem(item.name, reason(error, item.name))


def reason(error: IcewrightError, name: str = "") -> str:
    """An error in one line, for a table that names the file itself."""
    parts = [
        error.message,
        f"got {error.got}" if error.got else "",
        f"wanted {error.wanted}" if error.wanted else "",
    ]
    words = "; ".join(part.rstrip(".") for part in parts if part)
    return words.removeprefix(f"{name}: ")
