"""Pushes: gas driven out, as by a cough, faster than a lung that only empties lets it go."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.inflations.phases import smooth
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

AT_ONCE = 2.5  # times the usual peak: two breaths on top of each other leave at twice the flow at most
FIRST, DIED, RENEWED = 0.5, 0.4, 1.4  # of the usual peak: a peak, what it must have fallen to, what it rises to anew
USUAL, AROUND = 0.75, 10  # quantile of peaks over so many breaths before and after: of stacked breaths half are small
EVEN_S = 0.03


@kernel
def pushed(f: Samples, turn: Indices, end: Indices) -> tuple[Indices, Samples]:
    """Sample at which outward flow is pushed, −1 where it isn't, and the usual peak of it, L/s; shape (n,) each.

    Either its peak is beyond any that a full lung makes; or it has had a peak, died away, and rises to one anew. An
    effort that holds gas back and then lets it go does neither: flow comes back to where it was at most.
    """
    n = len(turn)
    out, peak, top = np.full(n, -1, np.int64), np.zeros(n), np.zeros(n, np.int64)
    for j in range(n):
        for i in range(turn[j], min(end[j], len(f))):
            if -f[i] > peak[j]:
                peak[j], top[j] = -f[i], i
    most = np.zeros(n)
    for j in range(n):
        usual = most[j] = np.quantile(peak[max(0, j - AROUND) : j + AROUND + 1], USUAL)
        stage = 0
        for i in range(turn[j], min(end[j], len(f))):
            if (stage == 0 and -f[i] > FIRST * usual) or (stage == 1 and -f[i] < DIED * usual):
                stage += 1
            elif stage == 2 and -f[i] > RENEWED * usual:
                stage, out[j] = 3, i
        if peak[j] > AT_ONCE * usual:
            out[j] = top[j]
    return out, most


def find_pushes(f: Samples, rate_hz: float, turn: Indices, end: Indices) -> tuple[Indices, Samples]:
    """Sample of a push in each expiration, −1 where there is none, and the usual peak flow, L/s; shape (n,) each.

    Parameters
    ----------
    f : ndarray
        Flow, L/s, NaN in gaps.
    turn, end : ndarray of int, shape (n,)
        Where expirations begin and breaths end, samples.
    """
    return pushed(smooth(f, 2 * round(0.5 * EVEN_S * rate_hz) + 1), turn, end)
