"""Outlines that a person drew: laid out evenly, and looked at for crossings of themselves."""

from __future__ import annotations

import numpy as np

from icewright.measure.signal import FloatArray

MOST_PAIRS = (
    4_000_000  # pieces near to each other; an outline of 100,000 evenly laid points has a tenth of it
)


def close_points(loop: FloatArray, step_px: float = 1.0) -> FloatArray:
    """The same closed outline, float64[n, 2], with points at most ``step_px`` apart; its corners stay.

    What is measured on an outline counts on points as near to each other as those of one that was found.
    """
    way = np.diff(loop, axis=0)
    parts = np.maximum(1, np.ceil(np.hypot(way[:, 0], way[:, 1]) / step_px - 1e-9).astype(int))
    start = np.repeat(loop[:-1], parts, axis=0)
    step = np.repeat(way / parts[:, None], parts, axis=0)
    first = np.repeat(np.cumsum(parts) - parts, parts)
    out = start + step * (np.arange(start.shape[0]) - first)[:, None]
    return np.concatenate([out, out[:1]])


def crosses(loop: FloatArray) -> bool:
    """Whether a closed outline crosses itself; touching is not crossing. A tangle is taken for a crossing.

    Two pieces that cross have their middles no further apart than the longest piece, so only near ones are
    tried.
    """
    from scipy.spatial import cKDTree

    a, b = loop[:-1], loop[1:]
    length = np.hypot(*(b - a).T)
    solid = length > 0.0
    a, b, length = a[solid], b[solid], length[solid]
    n = a.shape[0]
    if n < 4:
        return False
    tree, near = cKDTree(0.5 * (a + b)), float(length.max()) + 1e-9
    if int(tree.count_neighbors(tree, near)) > MOST_PAIRS:
        return True
    pairs = tree.query_pairs(near, output_type="ndarray")
    apart = pairs[:, 1] - pairs[:, 0]
    i, j = pairs[(apart > 1) & (apart < n - 1)].T

    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> FloatArray:
        return np.asarray(
            (q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0])
        )

    return bool(
        np.any(
            (side(a[i], b[i], a[j]) * side(a[i], b[i], b[j]) < 0.0)
            & (side(a[j], b[j], a[i]) * side(a[j], b[j], b[i]) < 0.0)
        )
    )
