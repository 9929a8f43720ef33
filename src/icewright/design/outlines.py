"""An outline drawn or photographed, as a target: SVG or PNG in, the plan of a six-fold crystal out.

The drawing's own scale does not count (the target says the radius), nor does its rotation: it is turned until
its sixth angular harmonic stands at a corner. The average of its six arms is what can be asked of a crystal
of ice. How many-fold the drawing is itself is found from its angular harmonics and told: of five arms the
mean arm is taken, and six of it are asked for.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from icewright.design.portrait import (
    PLAN_SHAPE,
    SECTION_SHAPE,
    DesignError,
    FloatArray,
    Portrait,
    plan_points,
)
from icewright.design.twin import hull_share
from icewright.shape.sizes import NOTHING

_GRID = 481  # pixels across a drawing of curves
_TURNS = 720
_BLUNT = 0.88  # a sharp tip alone never looks shorter than this
_LONE = 0.6  # harmonics this much of the strongest are worth a word


@dataclass(frozen=True)
class Outline:
    """What was drawn: the portrait of its six-fold average, how many-fold it is itself, and what to say."""

    portrait: Portrait
    fold: int
    notes: tuple[str, ...]


def read(path: Path, radius_m: float) -> Outline:
    """The outline in a file, drawn to a farthest reach of ``radius_m`` (m).

    Raises ``DesignError`` for a file that is missing, of another kind, or holds no closed shape.
    """
    kind = path.suffix.lower()
    if not path.is_file():
        raise DesignError(got=f"no file {path}", wanted="an outline as .svg or .png", do='file = "star.svg"')
    if kind == ".svg":
        mask = _filled(svg_loops(path.read_text(encoding="utf-8", errors="replace")))
    elif kind in (".png", ".tif", ".tiff", ".jpg", ".jpeg"):
        mask = _photograph(path)
    else:
        raise DesignError(got=path.name, wanted="an outline as .svg or .png", do='file = "star.svg"')
    return of_mask(mask, radius_m)


def of_mask(mask: NDArray[np.bool_], radius_m: float) -> Outline:
    """The outline of a picture ``mask[row, column]`` that is True inside, to a reach of ``radius_m``.

    Raises ``DesignError`` for an empty picture.
    """
    if mask.sum() < 30:
        raise DesignError(
            "The outline holds no shape.", got=f"{int(mask.sum())} pixels inside", wanted="a closed shape"
        )
    rows, columns = np.nonzero(mask)
    cy, cx = float(rows.mean()), float(columns.mean())
    reach = float(np.hypot(rows - cy, columns - cx).max()) + 0.5
    angle = np.arange(_TURNS) * 2 * math.pi / _TURNS
    rho = (np.arange(200) + 0.5) / 200
    x = cx + reach * rho[:, None] * np.cos(angle)
    y = cy - reach * rho[:, None] * np.sin(angle)  # rows run downward
    polar = _read_at(mask, y, x)
    spread = (polar * rho[:, None]).sum(axis=0)
    waves = np.abs(np.fft.rfft(spread - spread.mean()))
    fold = int(np.argmax(waves[2:13])) + 2
    round_ = waves[2:13].max() < 0.01 * spread.sum()
    # Two and three are six-fold crystals drawn unevenly; twelve is six-fold with side branches of its own.
    lone = not (round_ or fold in (6, 12) or (fold in (2, 3) and waves[6] >= _LONE * waves[fold]))
    fold = fold if lone else 6
    phase = -float(np.angle(np.fft.rfft(spread)[fold])) / fold if not round_ else 0.0
    n = PLAN_SHAPE[0]
    px, py = plan_points(1.0)
    total = np.zeros(PLAN_SHAPE)
    r = np.hypot(px, py) * reach
    for k in range(fold):
        for sign in (1.0, -1.0):
            # The sector of one arm of n is opened or closed to the sector of one of six.
            a = sign * np.arctan2(py, px) * 6 / fold + phase + k * 2 * math.pi / fold
            total += _read_at(mask, cy - r * np.sin(a), cx + r * np.cos(a))
    plan = total / (2 * fold)
    # Unequal arms: their average reaches less far than the farthest of them did.
    rings = np.flatnonzero((plan >= 0.2).any(axis=1))
    far = (rings.max() + 1) / n if rings.size else 1.0
    if far < _BLUNT:
        at = (np.arange(n) + 0.5) / n
        plan = np.stack([np.interp(at * far, at, column) for column in plan.T], axis=1)
    uneven = float(
        (plan * (1 - plan) * np.arange(1, n + 1)[:, None]).sum() / (plan * np.arange(1, n + 1)[:, None]).sum()
    )
    notes = []
    if round_:
        notes.append("the outline is nearly round: it says little of corners and arms")
    elif lone:
        notes.append(
            f"the outline is {fold}-fold; a single crystal of ice has six-fold sides, so a crystal of "
            "six such arms is sought"
        )
    elif uneven > 0.08:
        notes.append("the six arms of the outline are unequal; their average is sought")
    made = _portrait(plan, radius_m)
    return Outline(made, fold, tuple(notes))


def _portrait(plan: FloatArray, radius_m: float) -> Portrait:
    n, m = PLAN_SHAPE
    area = float((plan * ((np.arange(n) + 0.5) / n)[:, None]).sum()) / (n * m) * 2 * math.pi * radius_m**2
    hull = hull_share(plan) * radius_m**2
    facet = np.flatnonzero(plan[:, -1] >= 0.5)
    made = replace(
        NOTHING,
        radius_tip_m=radius_m,
        radius_max_m=radius_m,
        radius_facet_m=radius_m * ((facet.max() + 1) / n if facet.size else 0.0),
        area_m2=area,
        hull_area_m2=hull,
        solidity=min(1.0, area / hull) if hull > 0 else 1.0,
    )
    return Portrait(made, plan, np.zeros(SECTION_SHAPE))


def _read_at(mask: NDArray[np.bool_], y: FloatArray, x: FloatArray) -> FloatArray:
    from scipy.ndimage import map_coordinates

    return np.asarray(map_coordinates(mask.astype(float), [y, x], order=1, mode="constant"), dtype=np.float64)


def _photograph(path: Path) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_fill_holes
    from skimage.filters import threshold_otsu
    from skimage.io import imread
    from skimage.measure import label

    try:
        picture = np.asarray(imread(path), dtype=float)
    except (OSError, ValueError, SyntaxError) as error:
        raise DesignError(
            f"{path.name} cannot be read as a picture.", got=str(error).splitlines()[0]
        ) from error
    if picture.ndim == 3:
        picture = (
            picture[..., 3]
            if picture.shape[2] == 4 and np.ptp(picture[..., 3]) > 0
            else picture[..., :3].mean(axis=2)
        )
    if np.ptp(picture) == 0:
        raise DesignError(
            "The outline holds no shape.", got=f"{path.name} is of one colour", wanted="a closed shape"
        )
    inside = picture > threshold_otsu(picture)  # type: ignore[no-untyped-call]
    rim = np.concatenate([inside[0], inside[-1], inside[:, 0], inside[:, -1]])
    if rim.mean() > 0.5:  # a dark crystal on bright ground
        inside = ~inside
    found = label(np.asarray(binary_fill_holes(inside)))  # type: ignore[no-untyped-call]
    if not found.any():
        return np.zeros(found.shape, dtype=bool)
    return np.asarray(found == np.argmax(np.bincount(found.ravel())[1:]) + 1)


def _filled(loops: list[FloatArray]) -> NDArray[np.bool_]:
    """Even-odd fill of closed loops, on a grid that holds them."""
    from skimage.draw import polygon2mask

    if not loops:
        raise DesignError(
            "The outline holds no shape.",
            got="no path, polygon, rect, circle or ellipse in the SVG",
            wanted="a closed shape",
        )
    every = np.concatenate(loops)
    low, span = every.min(axis=0), float(np.ptp(every, axis=0).max()) or 1.0
    scale = (_GRID - 21) / span
    mask = np.zeros((_GRID, _GRID), dtype=bool)
    for loop in loops:
        mask ^= polygon2mask((_GRID, _GRID), ((loop - low) * scale + 10)[:, ::-1])  # type: ignore[no-untyped-call]
    return mask


# -- SVG: the shapes that drawing programs write ----------------------------------------------------------

_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_PIECE = re.compile(r"([MmLlHhVvCcSsQqTtAaZz])([^MmLlHhVvCcSsQqTtAaZz]*)")
_CURVE = 24


def svg_loops(text: str) -> list[FloatArray]:
    """Closed loops, float64[n, 2] each, of an SVG's paths, polygons, rectangles, circles and ellipses.

    ``transform`` attributes are ignored except for what a rotation, shift or uniform scale would do, which
    does not count here when there is only one shape. Raises ``DesignError`` for text that is not XML.
    """
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as error:
        raise DesignError("The outline is not SVG.", got=str(error)) from error
    loops: list[FloatArray] = []
    for item in root.iter():
        tag = item.tag.rsplit("}", 1)[-1]
        if tag == "path":
            loops += path_loops(item.get("d", ""))
        elif tag in ("polygon", "polyline"):
            flat = [float(v) for v in _NUMBER.findall(item.get("points", ""))]
            loops.append(np.array(flat[: len(flat) // 2 * 2]).reshape(-1, 2))
        elif tag in ("circle", "ellipse"):
            a = np.arange(180) * math.pi / 90
            rx = float(item.get("r", item.get("rx", "0")))
            ry = float(item.get("r", item.get("ry", "0")))
            cx, cy = float(item.get("cx", "0")), float(item.get("cy", "0"))
            loops.append(np.column_stack([cx + rx * np.cos(a), cy + ry * np.sin(a)]))
        elif tag == "rect" and (item.get("width") or "").replace(".", "").isdigit():
            x, y = float(item.get("x", "0")), float(item.get("y", "0"))
            w, h = float(item.get("width", "0")), float(item.get("height", "0"))
            loops.append(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]))
    return [loop for loop in loops if len(loop) >= 3]


def path_loops(d: str) -> list[FloatArray]:
    """The loops of one path's data; curves are cut into straight pieces."""
    loops: list[list[complex]] = []
    at = start = handle = 0j
    for letter, rest in _PIECE.findall(d):
        v = [float(n) for n in _NUMBER.findall(rest)]
        origin = 0j if letter.isupper() else None
        kind = letter.upper()
        if kind == "Z":
            at = handle = start
            continue
        size = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7}[kind]
        for i in range(0, len(v) - size + 1, size):
            base = at if origin is None else 0j
            w = v[i : i + size]
            points = (
                [base + complex(w[j], w[j + 1]) for j in range(0, size - 1, 2)] if kind not in "HVA" else []
            )
            if kind == "M" and i == 0:
                at = start = handle = points[0]
                loops.append([at])
                continue
            if not loops:
                loops.append([at])
            if kind in "ML":
                new = [points[0]]
                handle = points[0]
            elif kind == "H":
                new = [complex(w[0] + base.real, at.imag)]
                handle = new[0]
            elif kind == "V":
                new = [complex(at.real, w[0] + base.imag)]
                handle = new[0]
            elif kind in "CS":
                c1 = points[0] if kind == "C" else 2 * at - handle
                c2, end = points[-2], points[-1]
                new = [_cubic(at, c1, c2, end, k / _CURVE) for k in range(1, _CURVE + 1)]
                handle = c2
            elif kind in "QT":
                c1, end = (points[0], points[-1]) if kind == "Q" else (2 * at - handle, points[0])
                new = [
                    (1 - t) ** 2 * at + 2 * t * (1 - t) * c1 + t * t * end
                    for t in (k / _CURVE for k in range(1, _CURVE + 1))
                ]
                handle = c1
            else:
                end = base + complex(w[5], w[6])
                new = _arc(at, end, abs(w[0]), abs(w[1]), math.radians(w[2]), w[3] != 0, w[4] != 0)
                handle = end
            loops[-1] += new
            at = new[-1]
    return [np.array([[p.real, p.imag] for p in loop]) for loop in loops if len(loop) >= 3]


def _cubic(a: complex, b: complex, c: complex, d: complex, t: float) -> complex:
    u = 1 - t
    return u**3 * a + 3 * u * u * t * b + 3 * u * t * t * c + t**3 * d


def _arc(
    a: complex, b: complex, rx: float, ry: float, turn: float, large: bool, sweep: bool
) -> list[complex]:
    """An elliptic arc from its ends, by the conversion of the W3C SVG 1.1 recommendation, appendix F.6."""
    if rx == 0 or ry == 0 or a == b:
        return [b]
    spin = complex(math.cos(turn), -math.sin(turn))
    p = (a - b) / 2 * spin
    grow = math.sqrt(max(1.0, (p.real / rx) ** 2 + (p.imag / ry) ** 2))
    rx, ry = rx * grow, ry * grow
    top = max(0.0, (rx * ry) ** 2 - (rx * p.imag) ** 2 - (ry * p.real) ** 2)
    s = math.sqrt(top / ((rx * p.imag) ** 2 + (ry * p.real) ** 2)) * (-1 if large == sweep else 1)
    c = complex(s * rx * p.imag / ry, -s * ry * p.real / rx)
    first = math.atan2((p.imag - c.imag) / ry, (p.real - c.real) / rx)
    last = math.atan2((-p.imag - c.imag) / ry, (-p.real - c.real) / rx)
    way = (last - first) % (2 * math.pi) if sweep else -((first - last) % (2 * math.pi))
    middle = c * spin.conjugate() + (a + b) / 2
    out = []
    for k in range(1, _CURVE + 1):
        angle = first + way * k / _CURVE
        out.append(complex(rx * math.cos(angle), ry * math.sin(angle)) * spin.conjugate() + middle)
    return [*out[:-1], b]
