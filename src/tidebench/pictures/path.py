"""The way of a curve through a panel: from left to right along ink, up and down only where ink is.

The cheapest path over columns (dynamic programming, Bellman 1957). A column costs what its pixel lacks in ink; a step
up or down costs little on ink and much off it, and nothing worth the name in a column without any.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Shares = npt.NDArray[np.float32]
Rows = npt.NDArray[np.intp]

_STEP, _OFF = 0.01, 0.35
_EMPTY = 0.3
_RUNS = 0.35  # share of ink from which on a steep edge costs nothing: a thin pen, blurred, leaves no more of it


@kernel
def _forward(share: Shares, came: npt.NDArray[np.int32]) -> npt.NDArray[np.float64]:
    """Costs of ending in each row, and for each pixel the row in which the path entered its column."""
    rows, columns = share.shape
    cost = np.zeros(rows)
    for x in range(columns):
        most = 0.0
        for y in range(rows):
            came[y, x] = y
            most = max(most, share[y, x])
        off = _OFF if most >= _EMPTY else 0.0
        for y in range(1, rows):
            step = _STEP * (1.0 if off > 0 else 0.01) + off * max(0.0, 1.0 - min(share[y, x], share[y - 1, x]) / _RUNS)
            if cost[y - 1] + step < cost[y]:
                cost[y] = cost[y - 1] + step
                came[y, x] = came[y - 1, x]
        for y in range(rows - 2, -1, -1):
            step = _STEP * (1.0 if off > 0 else 0.01) + off * max(0.0, 1.0 - min(share[y, x], share[y + 1, x]) / _RUNS)
            if cost[y + 1] + step < cost[y]:
                cost[y] = cost[y + 1] + step
                came[y, x] = came[y + 1, x]
        for y in range(rows):
            cost[y] += max(0.0, 1.0 - share[y, x])
    return cost


def way(share: Shares) -> tuple[Rows, Rows]:
    """Row at which the path enters each column, and at which it leaves it."""
    rows, columns = share.shape
    came = np.empty((rows, columns), dtype=np.int32)
    cost = _forward(share, came)
    leaves = np.empty(columns, dtype=np.intp)
    enters = np.empty(columns, dtype=np.intp)
    row = int(cost.argmin())
    for x in range(columns - 1, -1, -1):
        leaves[x] = row
        row = enters[x] = came[row, x]
    return enters, leaves
