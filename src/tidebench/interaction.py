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


def under_way(onset: Times, over: Times, start: Times) -> npt.NDArray[np.int64]:
    """Index of the effort that is under way when each inflation begins; −1 where there is none."""
    if not len(onset):
        return np.full(len(start), -1, np.int64)
    latest = np.searchsorted(onset, start, side="right").astype(np.int64) - 1
    return np.where((latest >= 0) & (start <= over[np.maximum(latest, 0)]), latest, -1)


def double_triggers(effort: npt.NDArray[np.int64], by_patient: Flags, entrained: Flags) -> Flags:
    """Inflations triggered within an effort that already has one, or that a timed inflation called for.

    Parameters
    ----------
    effort : ndarray of int, shape (n,)
        The effort under way when each inflation begins, as :func:`under_way` gives it.
    by_patient : ndarray of bool, shape (n,)
        True where the trigger's criterion was met.
    entrained : ndarray of bool, shape (m,)
        True for efforts locked in time to timed inflations.
    """
    known = effort >= 0
    again = known & (effort == np.concatenate([[-1], effort[:-1]])) if len(effort) else known
    called = known & entrained[np.maximum(effort, 0)] if len(entrained) else np.zeros(len(effort), bool)
    return np.asarray(by_patient & (again | called), bool)


def auto_triggers(effort: npt.NDArray[np.int64], by_patient: Flags, free: Flags) -> Flags:
    """Inflations whose trigger criterion was met with no effort under way."""
    return np.asarray(by_patient & (effort < 0) & ~free, bool)


def cycling_margins(
    effort: npt.NDArray[np.int64], double: Flags, by_patient: Flags, onset: Times, top: Times, turn: Times
) -> Times:
    """How much longer neural inspiration lasted than the inflation, as a share of neural inspiratory time.

    ``(top − turn) / (top − onset)`` for triggered inflations that are the only one of their effort; NaN for others.
    Above 0.35 the inflation ended early, below −0.5 late: this house's limits.
    """
    out = np.full(len(effort), np.nan)
    if not len(onset):
        return out
    followed = np.append(double[1:] & (effort[1:] == effort[:-1]), False) if len(effort) else double
    single = np.asarray(by_patient & (effort >= 0) & ~double & ~followed, bool)
    k = effort[single]
    out[single] = (top[k] - turn[single]) / (top[k] - onset[k])
    return out


PREMATURE, DELAYED = 0.35, -0.5
"""Cycling margins beyond which an inflation ended too early or too late (this house's choice)."""
