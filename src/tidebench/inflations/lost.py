"""Lost pressure: the airway is open to the room, by a disconnection or a suction; what flows then is no breath."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LEAST_LEVEL, REMAINS, LEAST_S = 3.0, 0.3, 1.5
"""Below a third of the level kept, where that is 3 cmH2O or more, for 1.5 s: an effort pulls pressure down less deep or
not as long (common practice, no source).
"""


def lost_pressure(p: Samples, rate_hz: float, level: float) -> tuple[Indices, Indices]:
    """First samples of each stretch of lost pressure, and those after its last.

    Parameters
    ----------
    p : ndarray, shape (n,)
        Airway pressure, cmH2O, NaN in gaps.
    level : float
        Pressure kept between inflations, cmH2O; nothing is found below :data:`LEAST_LEVEL`.
    """
    if not level >= LEAST_LEVEL:
        none = np.zeros(0, np.int64)
        return none, none
    edges = np.diff(np.concatenate([[0], p < REMAINS * level, [0]]).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long = last - first >= LEAST_S * rate_hz
    return first[long], last[long]


def open_breaths(p: Samples, rate_hz: float, start: Indices, end: Indices) -> npt.NDArray[np.bool_]:
    """True for breaths (from ``start`` to ``end``, samples) in which pressure was lost, shape (n,)."""
    first, last = lost_pressure(p, rate_hz, float(np.nanmedian(p[start])))
    return np.asarray(np.searchsorted(first, end) > np.searchsorted(last, start), bool)
