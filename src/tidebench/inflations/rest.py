"""The quiet stretch at the end of expiration: where PEEP is read, and the flow of a lung at rest."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@kernel
def quiet_stretch(
    p: Samples, f: Samples, start: Indices, turn: Indices, end: Indices, size: Samples, flow: Samples, most: int
) -> tuple[Indices, Indices, Samples]:
    """Where, late in each expiration, pressure and flow move least; and their mean pressure, cmH2O.

    Windows of a fifth of the expiration (at most ``most`` samples) in its last half compete by how much their halves
    differ, in shares of the local size of inflations; of equals the later wins. The dip of a trigger and the rise of
    an effort lose by their slope. Shape (n,) each; an expiration too short for four samples has NaN.
    """
    n = len(start)
    first = np.zeros(n, np.int64)
    last = np.zeros(n, np.int64)
    pressure = np.full(n, np.nan)
    for j in range(n):
        length = end[j] - turn[j]
        width = max(4, min(most, length // 5))
        half = width // 2
        begin = turn[j] + length // 2
        best = np.inf
        i = end[j] - width
        while i >= begin:
            dp = 0.0
            df = 0.0
            for k in range(half):
                dp += p[i + half + k] - p[i + k]
                df += f[i + half + k] - f[i + k]
            cost = abs(dp) / (half * size[j]) + abs(df) / (half * flow[j]) + 0.05 * (end[j] - width - i) / length
            if cost < best:
                best = cost
                first[j] = i
            i -= max(1, half // 2)
        if best < np.inf:
            last[j] = first[j] + width
            pressure[j] = 0.0
            for k in range(first[j], last[j]):
                pressure[j] += p[k] / width
    return first, last, pressure
