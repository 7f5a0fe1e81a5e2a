"""The stress index of every inflation that bears one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.formulas.stress_index import stress_index_kernel
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

SETTLED_S = 0.15  # until the tubing has taken its share and flow is what it will be
STRESS_POINTS = 12
FLAT_FLOW = 0.15  # range of flow, share of its peak, under which it counts as constant


@kernel
def stress_indices(p: Samples, start: Indices, last: Indices, dt: float, wanted: Mask) -> Samples:
    """Stress index of wanted inflations, from a quarter of delivery (at least 0.15 s) to 50 ms before its end.

    The curve is smooth: means over :data:`STRESS_POINTS` equal parts of it carry what there is to fit.
    """
    n = len(start)
    out = np.full(n, np.nan)
    for j in range(n):
        if not wanted[j]:
            continue
        a = start[j] + max(int(SETTLED_S / dt), (last[j] - start[j]) // 4)
        b = last[j] - max(1, int(0.05 / dt))
        if b - a < 12:
            continue
        time = np.empty(STRESS_POINTS)
        pressure = np.empty(STRESS_POINTS)
        for k in range(STRESS_POINTS):
            begin = a + k * (b - a) // STRESS_POINTS
            until = a + (k + 1) * (b - a) // STRESS_POINTS
            time[k] = (0.5 * (begin + until - 1) - start[j] + 1) * dt
            total = 0.0
            for i in range(begin, until):
                total += p[i]
            pressure[k] = total / (until - begin)
        out[j] = stress_index_kernel(time, pressure)[0]
    return out
