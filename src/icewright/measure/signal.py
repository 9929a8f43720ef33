"""What in a picture is not background: how far each pixel departs from the even light around the crystal.

Ice is clear, so its inside may look like the background; what tells it apart is its edge, darker than the
background in bright field, brighter in dark field, both in oblique light, coloured in two-colour light. The
signal is therefore the size of the departure from the background over all channels, whichever its sign.

Arrays are [rows, columns] of the picture, row 0 at the top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from icewright.measure.images import Picture

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

LONG_SIDE = 900  # pixels of the small copy in which crystals are looked for
BORDER = 0.08  # share of each side that is taken for background at first
LEAST_NOISE = 0.0008  # a fifth of a grey level of an 8-bit picture: rounding alone does that


@dataclass(frozen=True)
class Signal:
    """The departure from the background.

    departure : float32[rows, columns, channels], signed. noise : standard deviation of one pixel of the size
    over channels. uneven : rms of what the background fit leaves, noise of the small copy included, where
    there is no crystal. drift : the same over large patches, noise averaged out. contrast : how strong the
    strongest edges are. light : of the background, as such a size. dark_share, bright_share : of pixels at
    either end of the scale, where nothing can be told.
    """

    departure: Image
    noise: float
    uneven: float
    drift: float
    contrast: float
    light: float
    dark_share: float
    bright_share: float


def signal(picture: Picture) -> Signal:
    """Take the background off. ``picture``: float32[rows, columns, channels]."""
    from scipy.ndimage import gaussian_filter

    rows, columns, channels = picture.shape
    factor = max(1, round(max(rows, columns) / 280))
    small = binned(picture, factor)
    height, width = small.shape[:2]
    y, x = np.meshgrid(np.linspace(-1, 1, height), np.linspace(-1, 1, width), indexing="ij")
    border = np.zeros((height, width), bool)
    by, bx = max(2, round(BORDER * height)), max(2, round(BORDER * width))
    border[:by] = border[-by:] = border[:, :bx] = border[:, -bx:] = True
    terms = [x**i * y**j for i in range(5) for j in range(5 - i)]
    low = [k for k, (i, j) in enumerate([(i, j) for i in range(5) for j in range(5 - i)]) if i + j <= 2]
    every = np.stack([t.ravel() for t in terms], axis=1)
    flat = small.reshape(-1, channels)
    use = border.ravel().copy()
    centre = np.median(flat[use], axis=0)
    spread = _mad(flat[use] - centre)
    keep = use & (np.abs(flat - centre) < 4.0 * spread + 0.01).all(axis=1)
    coefficients = np.zeros((every.shape[1], channels))
    fit: NDArray[Any] = np.tile(centre, (flat.shape[0], 1))
    # From the border inwards: a plane bowl first, then all that follows it, then up to the fourth order.
    for turn in range(7):
        chosen = low if turn < 4 else list(range(every.shape[1]))
        if np.count_nonzero(keep) < 6 * len(chosen):
            break
        basis = every[keep][:, chosen]  # well conditioned on -1 to 1, so the normal equations do
        answer = np.linalg.solve(basis.T @ basis + 1e-9 * np.eye(len(chosen)), basis.T @ flat[keep])
        coefficients[:] = 0.0
        coefficients[chosen] = answer
        fit = every @ coefficients
        left = flat - fit
        spread = np.maximum(_mad(left[keep]), 1e-4)
        near = (np.abs(left) < 3.5 * spread).all(axis=1)
        if turn >= 1:
            # Clear ice differs by less than single pixels scatter, but not by less than their local means do.
            soft = gaussian_filter(left.reshape(height, width, channels), (2.0, 2.0, 0.0)).reshape(left.shape)
            calm = np.maximum(_mad(soft[keep]), 2e-5)
            near &= (np.abs(soft - np.median(soft[keep], axis=0)) < 3.0 * calm).all(axis=1)
        keep = near & use if turn < 1 else near
    background = np.empty_like(picture)
    yy, xx = np.linspace(-1, 1, rows), np.linspace(-1, 1, columns)
    powers_x = np.stack([xx**i for i in range(5)])
    powers_y = np.stack([yy**j for j in range(5)])
    order = [(i, j) for i in range(5) for j in range(5 - i)]
    for c in range(channels):
        table = np.zeros((5, 5))
        for k, (i, j) in enumerate(order):
            table[j, i] = coefficients[k, c]
        if not coefficients.any():
            background[:, :, c] = centre[c]
        else:
            background[:, :, c] = powers_y.T @ (table @ powers_x)
    departure = picture - background
    quiet = keep.reshape(height, width)
    noise = max(_noise(departure), LEAST_NOISE)
    size = magnitude(gaussian_filter(binned(departure, factor), (1.0, 1.0, 0.0)))
    uneven = float(np.sqrt(np.mean(np.square(size[quiet])))) if quiet.any() else 0.0
    patches = gaussian_filter(np.where(quiet[..., None], binned(departure, factor), 0.0), (9.0, 9.0, 0.0))
    weight = gaussian_filter(quiet.astype(np.float64), 9.0)[..., None]
    wide = magnitude(patches / np.maximum(weight, 1e-3))
    drift = float(np.sqrt(np.mean(np.square(wide[quiet])))) if quiet.any() else 0.0
    fine = max(1, factor // 2)
    edges = magnitude(gaussian_filter(binned(departure, fine), (1.0, 1.0, 0.0)))
    top = edges[edges > max(4.0 * uneven, 3.0 * noise)]
    contrast = float(np.percentile(top, 80)) if top.size > 20 else 0.0
    grey = picture.mean(axis=2)
    return Signal(
        departure.astype(np.float32),
        noise,
        uneven,
        drift,
        contrast,
        float(np.sqrt(np.mean(np.square(np.median(fit, axis=0))))),
        float(np.mean(grey <= 0.002)),
        float(np.mean(grey >= 0.998)),
    )


def magnitude(departure: Image) -> Image:
    """Root mean square over channels, [rows, columns]."""
    # Channel by channel: a mean over an axis of three is ten times as slow.
    total = np.square(departure[..., 0])
    for channel in range(1, departure.shape[2]):
        total += np.square(departure[..., channel])
    return np.asarray(np.sqrt(total / departure.shape[2]), dtype=np.float32)


def binned(picture: Image, factor: int) -> Image:
    """Mean over squares of ``factor`` pixels; a remainder at the right and the bottom is left out."""
    if factor == 1:
        return picture
    rows, columns = (n // factor for n in picture.shape[:2])
    cut = picture[: rows * factor, : columns * factor]
    # Along rows, then along columns, by whole planes: a mean over four short axes is several times as slow.
    wide = cut[:, ::factor].copy()
    for k in range(1, factor):
        wide += cut[:, k::factor]
    total = wide[::factor].copy()
    for k in range(1, factor):
        total += wide[k::factor]
    return np.asarray(total / factor**2, dtype=np.float32)


def _mad(values: NDArray[Any]) -> FloatArray:
    """Standard deviation by the median absolute deviation, of each channel."""
    return np.asarray(1.4826 * np.median(np.abs(values - np.median(values, axis=0)), axis=0))


def _noise(picture: Image) -> float:
    """Standard deviation of pixel noise, root mean square over channels.

    The mask with two Laplacians subtracted is blind to planes and curves and leaves the noise (Comput. Vis.
    Image Underst. 64, 300, 1996, DOI 10.1006/cviu.1996.0060, from memory); the median in place of the mean
    keeps edges out.
    """
    p = picture
    a = p[:-2, :-2] + p[:-2, 2:] + p[2:, :-2] + p[2:, 2:] + 4.0 * p[1:-1, 1:-1]
    a = a - 2.0 * (p[:-2, 1:-1] + p[2:, 1:-1] + p[1:-1, :-2] + p[1:-1, 2:])
    # The mask's weights have a root sum of squares of 6.
    each = 1.4826 * np.median(np.abs(a[::2, ::2]), axis=(0, 1)) / 6.0
    return float(np.sqrt(np.mean(np.square(each))))
