"""The scale of a picture from a stage micrometer: evenly ruled lines, found without being pointed at.

Lines are where ``a x + b y + c`` is a whole number, with x the column and y the row of a pixel. A first
(a, b) is the strongest peak of the picture's power spectrum. Then the picture is cut into cells, one division
wide and a strip of the lines long; in each the place of the line is read from the phase of the first
harmonic, and (a, b, c) is fitted to all places by least squares, again and again, until every line sits in
the middle of its cell, where the reading has no bias whatever the line's profile. Longer lines at every fifth
or tenth division do not matter, as long as the short ones are in the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from icewright.ground.errors import IcewrightError
from icewright.measure.scale import Scale

FloatArray = NDArray[np.float64]
STRIPS = 24  # pieces along the lines
FEWEST = 5  # lines in a picture
ROUGH = 0.12  # rms of places, in divisions, above which it is no ruling
ROUNDS = 8
READING_PX = 0.015  # no line is trusted better than this: uneven light leans on its profile
COHERENT = 0.9  # share of all marks in the picture that must lie on the ruling
ORDERS = 4  # the spectrum's peak may be a harmonic of the ruling up to this order


class MicrometerError(IcewrightError):
    """A picture in which no even ruling is found."""


@dataclass(frozen=True, eq=False)
class Ruling:
    """Evenly spaced lines in a picture.

    per_column, per_row, offset : a, b, c above, in divisions per pixel and divisions.
    covariance : float64[2, 2] of (a, b).
    lines : number of divisions' lines that were used.
    scatter_px : rms distance of single lines from the even ruling (pixels), along its normal.
    dark : whether the lines are darker than the ground.
    places : float64[n, 3], column, row and number of the line of each piece that was used.
    shape : rows and columns of the picture.
    """

    per_column: float
    per_row: float
    offset: float
    covariance: FloatArray
    lines: int
    scatter_px: float
    dark: bool
    places: FloatArray
    shape: tuple[int, int]

    @property
    def spacing_px(self) -> float:
        """From line to line along the normal, in pixels (for square pixels)."""
        return 1.0 / math.hypot(self.per_column, self.per_row)

    @property
    def u_spacing_px(self) -> float:
        """Standard uncertainty of `spacing_px`, with the scatter of the lines, without the maker's error."""
        k = np.array([self.per_column, self.per_row])
        return self.spacing_px**2 * float(np.sqrt(k @ self.covariance @ k) / np.linalg.norm(k))

    @property
    def angle_deg(self) -> float:
        """Direction of the normal, against the clock from the right (rows run down), -90 to 90."""
        angle = math.degrees(math.atan2(-self.per_row, self.per_column))
        return (angle + 90.0) % 180.0 - 90.0

    def ends(self) -> list[tuple[int, tuple[float, float], tuple[float, float]]]:
        """Number and two ends (column, row) of each line within the picture, for drawing it."""
        rows, columns = self.shape
        found = []
        used = np.unique(self.places[:, 2].astype(int))
        along = np.array([-self.per_row, self.per_column])
        for k in used:
            on = self.places[self.places[:, 2] == k, :2]
            t = (on @ along) / (along @ along)
            foot = np.array([self.per_column, self.per_row]) * (k - self.offset) / (along @ along)
            ends = [foot + along * s for s in (t.min(), t.max())]
            inside = [(float(np.clip(x, 0, columns - 1)), float(np.clip(y, 0, rows - 1))) for x, y in ends]
            found.append((int(k), inside[0], inside[1]))
        return found


def find_ruling(image: ArrayLike) -> Ruling:
    """Find the lines of a stage micrometer.

    Parameters
    ----------
    image : [rows, columns] or [rows, columns, channels], any number type; more light is a larger number.

    Raises
    ------
    MicrometerError : too small a picture, no ruling, fewer than five lines.
    """
    grey = np.asarray(image, dtype=np.float64)
    if grey.ndim == 3:
        grey = grey[..., :3].mean(axis=2)
    if grey.ndim != 2 or min(grey.shape) < 32:
        raise MicrometerError(
            "This is no picture of a stage micrometer.",
            got=f"an array of shape {np.shape(image)}",
            wanted="at least 32 rows and 32 columns",
        )
    if not np.isfinite(grey).all() or float(np.ptp(grey)) == 0.0:
        raise _none("an even field")
    from scipy.ndimage import gaussian_filter

    flat = grey - gaussian_filter(grey, 0.125 * min(grey.shape), mode="nearest")
    a, b = _first_guess(flat)
    dark = _dark(grey - gaussian_filter(grey, 1.5 / math.hypot(a, b), mode="reflect"), a, b)
    return _refined(-flat if dark else flat, a, b, dark)


def scale_of(
    ruling: Ruling, division_m: float, *, u_division_share: float = 0.0, pitch_ratio: float = 1.0
) -> Scale:
    """Metres in a pixel from one picture.

    Parameters
    ----------
    division_m : from line to line, as the maker says (m).
    u_division_share : the maker's standard uncertainty as a share.
    pitch_ratio : height over width of a pixel; one picture cannot tell, see `scale_of_two`.

    Raises
    ------
    MicrometerError : a length or ratio that is not positive.
    """
    _positive(division_m=division_m, pitch_ratio=pitch_ratio)
    # (a / x)^2 + (b / y)^2 = 1 / division^2 with y = ratio x.
    a, b = ruling.per_column, ruling.per_row / pitch_ratio
    x = division_m * math.hypot(a, b)
    slope = np.array([a, b / pitch_ratio]) / (a * a + b * b)
    share = math.sqrt(float(slope @ ruling.covariance @ slope))
    said = f"stage micrometer, {ruling.lines} lines {ruling.spacing_px:.3f} pixels apart"
    return Scale(x, x * pitch_ratio, math.hypot(share, u_division_share), said)


def scale_of_two(one: Ruling, other: Ruling, division_m: float, *, u_division_share: float = 0.0) -> Scale:
    """Metres in a pixel along columns and rows from two pictures of the ruling, turned against each other.

    Raises
    ------
    MicrometerError : the two stand too nearly alike (or mirrored) to tell columns from rows.
    """
    _positive(division_m=division_m)
    m = np.array([[r.per_column**2, r.per_row**2] for r in (one, other)])
    if abs(np.linalg.det(m)) < 0.1 * float(np.linalg.norm(m[0]) * np.linalg.norm(m[1])):
        raise MicrometerError(
            "The two rulings stand too nearly alike to tell the two sides of a pixel apart.",
            got=f"normals at {one.angle_deg:.1f} and {other.angle_deg:.1f} degrees",
            wanted="lines upright in one picture and level in the other",
        )
    inverse = np.linalg.solve(m, np.full(2, division_m**-2.0))
    if not (inverse > 0).all():
        raise MicrometerError("No pixel fits both rulings.", got="one spacing that contradicts the other")
    x, y = (float(v) for v in inverse**-0.5)
    shares = [r.u_spacing_px / r.spacing_px for r in (one, other)]
    share = math.hypot(max(shares), u_division_share)
    return Scale(x, y, share, f"two pictures of a stage micrometer, {one.lines} and {other.lines} lines")


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise MicrometerError(got=f"{name} = {value}", wanted="a positive number")


def _none(got: str) -> MicrometerError:
    return MicrometerError(
        "No evenly ruled lines were found.",
        got=got,
        wanted=f"at least {FEWEST} parallel lines, evenly spaced, sharp and larger than anything else",
        do="crop the picture to the ruling, or give the scale as a number: --scale 0.65",
    )


def _first_guess(flat: FloatArray) -> tuple[float, float]:
    """Divisions per column and row from the strongest peak of the spectrum."""
    rows, columns = flat.shape
    window = np.hanning(rows)[:, None] * np.hanning(columns)[None, :]
    # Twice the size: peaks then fall within a quarter of a cycle per picture.
    power = np.abs(np.fft.rfft2(flat * window, s=(2 * rows, 2 * columns))) ** 2
    ky = np.fft.fftfreq(2 * rows)[:, None]
    kx = np.fft.rfftfreq(2 * columns)[None, :]
    cycles = np.hypot(kx * columns, ky * rows)
    power[(cycles < FEWEST - 1.0) | (np.hypot(kx, ky) > 0.45)] = 0.0
    if not power.max() > 0:
        raise _none("nothing that repeats")
    j, i = np.unravel_index(int(np.argmax(power)), power.shape)
    best, a, b = float(power[j, i]), *_peak(power, int(j), int(i), rows, columns)
    for order in range(ORDERS, 1, -1):
        jj = round(b / order * 2 * rows) % (2 * rows)
        ii = round(a / order * 2 * columns)
        around = power.take(range(jj - 1, jj + 2), axis=0, mode="wrap").take(
            range(ii - 1, ii + 2), axis=1, mode="clip"
        )
        if float(around.max()) > 0.4 * best:
            return a / order, b / order
    return a, b


def _peak(power: FloatArray, j: int, i: int, rows: int, columns: int) -> tuple[float, float]:
    """The top of a parabola through the logarithms around a peak."""

    def shift(low: float, mid: float, high: float) -> float:
        if min(low, mid, high) <= 0:
            return 0.0
        x, y, z = math.log(low), math.log(mid), math.log(high)
        bend = x - 2 * y + z
        return float(np.clip(0.5 * (x - z) / bend, -0.5, 0.5)) if bend < 0 else 0.0

    n, m = power.shape
    left, right = power[j, abs(i - 1)], power[j, min(i + 1, m - 1)]
    up, down = power[(j - 1) % n, i], power[(j + 1) % n, i]
    row = j if j <= n // 2 else j - n
    a = (i + shift(float(left), float(power[j, i]), float(right))) / (2 * columns)
    b = (row + shift(float(up), float(power[j, i]), float(down))) / (2 * rows)
    return a, b


def _dark(flat: FloatArray, a: float, b: float) -> bool:
    """Whether lines are dark: what is thinner than the ground between is the line."""
    from scipy.ndimage import gaussian_filter

    sharp = gaussian_filter(flat, 0.08 / math.hypot(a, b))
    spread = sharp - sharp.mean()
    return bool((spread**3).mean() < 0)


def _refined(ink: FloatArray, a: float, b: float, dark: bool) -> Ruling:
    rows, columns = ink.shape
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float64)
    x, y = x.ravel(), y.ravel()
    weight = ink.ravel()
    # The first offset: the phase of the whole picture.
    turn = np.exp(2j * math.pi * (a * x + b * y))
    c = -float(np.angle((weight * turn).sum())) / (2.0 * math.pi)
    k = np.array([a, b])
    along = np.array([-b, a]) / math.hypot(a, b)
    t = x * along[0] + y * along[1]
    strip = np.minimum(((t - t.min()) / max(float(np.ptp(t)), 1e-9) * STRIPS).astype(np.int64), STRIPS - 1)
    places = np.zeros((0, 3))
    coherence = 0.0
    for _ in range(ROUNDS):
        places, coherence = _read(weight, x, y, strip, k, c)
        if np.unique(places[:, 2]).size < FEWEST:
            raise _none(f"{np.unique(places[:, 2]).size} lines")
        design = np.column_stack([places[:, :2], np.ones(places.shape[0])])
        keep = np.ones(places.shape[0], dtype=bool)
        for _ in range(3):
            fit, *_ = np.linalg.lstsq(design[keep], places[keep, 2], rcond=None)
            off = places[:, 2] - design @ fit
            middle = float(np.median(np.abs(off[keep])))
            keep = np.abs(off) <= max(5.0 * 1.4826 * middle, 1e-6)
        moved = float(np.abs(design @ (fit - np.array([*k, c]))).max())
        k, c = fit[:2], float(fit[2])
        if moved < 1e-5:
            break
    places, off = places[keep], off[keep]
    rms = float(np.sqrt(np.mean(off**2)))
    numbers = np.unique(places[:, 2])
    if rms > ROUGH or numbers.size < FEWEST or keep.mean() < 0.5:
        raise _none(f"lines that scatter by {rms:.2f} of their spacing")
    if coherence < COHERENT or numbers.size < 0.6 * (np.ptp(numbers) + 1):
        raise _none(f"marks of which {100 * max(coherence, 0.0):.0f} % lie on an even ruling")
    # Pieces of one line err together (the ruling's own faults), so errors are counted by lines.
    mean = np.array([off[places[:, 2] == n].mean() for n in numbers])
    line_rms = float(np.sqrt((mean**2).sum() / max(numbers.size - 2, 1)))
    of_line = (line_rms**2 + (READING_PX * math.hypot(*k)) ** 2) / float(
        ((numbers - numbers.mean()) ** 2).sum()
    )
    spacing = 1.0 / math.hypot(*k)
    across = k * spacing
    design = np.column_stack([places[:, :2], np.ones(places.shape[0])])
    cov = np.linalg.inv(design.T @ design)[:2, :2] * rms**2
    # Stretch of the ruling: a share of (a, b) along itself.
    cov = cov + np.outer(across, across) * of_line * float(np.hypot(*k)) ** 2
    import os

    if os.environ.get("DBG"):
        print(coherence, end=" ")
    return Ruling(
        float(k[0]), float(k[1]), c, cov, int(numbers.size), line_rms * spacing, dark, places, (rows, columns)
    )


def _read(
    weight: FloatArray, x: FloatArray, y: FloatArray, strip: NDArray[np.int64], k: FloatArray, c: float
) -> tuple[FloatArray, float]:
    """Where each piece of each line lies: column, row, number; and the share of marks on the ruling."""
    u = k[0] * x + k[1] * y + c
    line = np.rint(u)
    rest = u - line
    low = int(line.min())
    cell = (line.astype(np.int64) - low) * STRIPS + strip
    size = (int(line.max()) - low + 1) * STRIPS
    hann = np.cos(math.pi * rest) ** 2
    count = np.bincount(cell, minlength=size)
    # The ground of each cell is a straight line between what its two outer parts show.
    level, at = [], []
    for outer in (rest < -0.35, rest > 0.35):
        here = np.maximum(np.bincount(cell, outer, size), 1.0)
        level.append(np.bincount(cell, outer * weight, size) / here)
        at.append(np.bincount(cell, outer * rest, size) / here)
    slope = (level[1] - level[0]) / np.maximum(at[1] - at[0], 0.1)
    ground = level[0][cell] + slope[cell] * (rest - at[0][cell])
    mark = hann * (weight - ground)
    total = np.maximum(np.bincount(cell, hann, size), 1e-12)
    cosine = np.bincount(cell, mark * np.cos(2 * math.pi * rest), size) / total
    sine = np.bincount(cell, mark * np.sin(2 * math.pi * rest), size) / total
    strength = np.hypot(cosine, sine)
    # Cells cut by the picture's edge hold part of a line only.
    full = count > 0.9 * float(np.median(count[count > 0.5 * count.max()]))
    good = full & (strength > 0.3 * float(np.percentile(strength[full], 90) if full.any() else math.inf))
    good &= cosine > 0
    off = np.arctan2(sine, cosine)[good] / (2.0 * math.pi)
    middle_x = np.bincount(cell, x, size)[good] / count[good]
    middle_y = np.bincount(cell, y, size)[good] / count[good]
    number = np.flatnonzero(good) // STRIPS + low
    # From the middle of the cell along the normal to where the line is.
    away = number + off - (k[0] * middle_x + k[1] * middle_y + c)
    step = away / float(k @ k)
    places = np.column_stack([middle_x + step * k[0], middle_y + step * k[1], number])
    coherence = float(cosine[full].sum() / max(float(strength[full].sum()), 1e-300))
    return places, coherence
