"""What an effort and an inflation are to each other: pure predicates, which own every label.

The findings feed them estimates, a simulation feeds them the truth. An effort lasts from its onset until muscle
pressure has fallen to a quarter of its peak. A patient-triggered inflation that begins within an effort belongs to it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

OUTCOMES = ("triggered", "met-by-machine", "effort-in-inflation", "ineffective", "unassisted")


def owner(onset: Times, start: Times) -> npt.NDArray[np.int64]:
    """Index of the breath in whose interval each effort begins; −1 before the first."""
    return np.searchsorted(start, onset, side="right").astype(np.int64) - 1


def outcomes(onset: Times, over: Times, start: Times, turn: Times, by_patient: Flags, free: Flags) -> list[str]:
    """What became of each effort.

    Parameters
    ----------
    onset, over : ndarray, shape (m,)
        When each effort begins, and when its muscle pressure has fallen to a quarter of its peak, s.
    start, turn : ndarray, shape (n,)
        When each inflation begins and ends, s.
    by_patient : ndarray of bool, shape (n,)
        True where the trigger's criterion was met.
    free : ndarray of bool, shape (n,)
        True where the ventilator does not answer efforts breath by breath (bi-level, unassisted).
    """
    at = owner(onset, start)
    following = np.minimum(at + 1, len(start) - 1)
    answered = (at + 1 < len(start)) & (start[following] <= over) if len(start) else np.zeros(len(onset), bool)
    within = (at >= 0) & (onset < turn[at]) if len(start) else np.zeros(len(onset), bool)
    words = []
    for k in range(len(onset)):
        if at[k] >= 0 and free[at[k]]:
            words.append("unassisted")
        elif answered[k]:
            words.append("triggered" if by_patient[following[k]] else "met-by-machine")
        else:
            words.append("effort-in-inflation" if within[k] else "ineffective")
    return words
