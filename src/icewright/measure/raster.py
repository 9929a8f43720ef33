"""Which points of a grid lie inside of a closed outline."""

from __future__ import annotations

import numpy as np

from icewright.measure.signal import FloatArray, Mask


def filled(loop: FloatArray, shape: tuple[int, int]) -> Mask:
    """Grid points (row, column) inside of a closed loop, float64[n, 2] column and row; even-odd rule.

    Along each row the outline is crossed at certain columns, and every crossing turns outside into inside:
    the running count of crossings, odd or even, says it for all columns at once. The cost is that of the
    outline's length plus that of the grid, however many points the outline has.
    """
    rows, columns = shape
    x0, y0, x1, y1 = loop[:-1, 0], loop[:-1, 1], loop[1:, 0], loop[1:, 1]
    low, high = np.minimum(y0, y1), np.maximum(y0, y1)
    # A row is crossed where low < row <= high: an end that two edges share counts once.
    first = np.floor(low).astype(np.int64) + 1
    count = np.maximum(np.floor(high).astype(np.int64) - first + 1, 0)
    edge = np.repeat(np.arange(count.size), count)
    row = np.arange(edge.size) - np.repeat(np.cumsum(count) - count, count) + first[edge]
    keep = (row >= 0) & (row < rows)
    edge, row = edge[keep], row[keep]
    share = (row - y0[edge]) / (y1[edge] - y0[edge])
    at = np.ceil(x0[edge] + share * (x1[edge] - x0[edge])).astype(np.int64)
    turns = np.zeros((rows, columns + 1), np.int32)
    np.add.at(turns, (row, np.clip(at, 0, columns)), 1)
    return np.asarray(np.cumsum(turns, axis=1)[:, :columns] % 2 == 1)
