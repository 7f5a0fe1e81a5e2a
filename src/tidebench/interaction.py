"""What an effort and an inflation are to each other: pure predicates, which own every label.

The findings feed them estimates, a simulation feeds them the truth. An effort lasts from its onset until muscle
pressure has fallen to a quarter of its peak. A patient-triggered inflation that begins within an effort belongs to it.
"""

from __future__ import annotations

from dataclasses import dataclass

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
        if free[following[k]] if answered[k] else at[k] >= 0 and free[at[k]]:
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

NEAR_S, NEAR_SHARE = 0.15, 0.08
"""How far a locked effort may lie from the usual delay, s and share of the breath: the spread of entrained efforts in
published recordings is of this order (common practice, no source).
"""
LEAST_LOCKED = 6
CHANCE = 1e-4  # of as many efforts falling as close together, were they free of the ventilator's clock
DRIFTING = 0.6  # correlation of delays with the one before, or with time, above which a free rhythm drifts past
FORETOLD, FORETOLD_AFTER_RESET = 1.0, 0.9
"""Spread of efforts about the clock's next tick, by that about their usual interval, up to which the clock foretells
them. Locked, both ends of an interval deviate: 1/√2. Free, deviations add up on a clock that runs by itself, so more
than 1; on one that the patient's last effort has set, both foretell alike, 1, and less is asked (this house's choice).
"""
NO_PATIENT = 0.01
"""Mean deviation of intervals, as a share, that only a clock keeps: breathing at rest varies by a fifth to a third from
breath to breath (Tobin, Chest 1988;94:1202, from memory), under anaesthesia still by some hundredths (from memory).
"""


@dataclass(frozen=True)
class Locking:
    """Efforts locked in time to timed inflations.

    Attributes
    ----------
    efforts : ndarray of bool, shape (m,)
        Which ones.
    delay_s, spread_s : float
        Median delay from the inflation's start, and its robust standard deviation.
    phase : float
        The delay as a share of the breath.
    per_breath : float
        Locked efforts per timed inflation over the time in which there are any: 1 for 1:1, 0.5 for 1:2.
    """

    efforts: Flags
    delay_s: float
    spread_s: float
    phase: float
    per_breath: float


def locking(onset: Times, start: Times, by_patient: Flags) -> Locking | None:
    """Whether efforts are locked in time to inflations that the ventilator's own time began.

    A rhythm that is locked comes back to its delay after every deviation; one that is free spreads over the breath, or,
    when it happens to be near the ventilator's rate, drifts. A patient who triggers sets the clock, and the timed
    inflation after it is then where the patient's own rhythm would have put it. So three things are asked: more efforts
    near one delay than chance puts there (binomial), deviations that do not follow from the one before, and a clock
    that foretells when the next effort comes better than the effort before it does (Akoumianaki, Chest 2013;143:927,
    describes the locking; this test of it is this house's).
    """
    from scipy.special import bdtrc

    none = np.zeros(len(onset), bool)
    at = owner(onset, start)
    timed = (at >= 0) & ~by_patient[np.maximum(at, 0)] if len(start) else none
    if timed.sum() < LEAST_LOCKED or len(start) < 2:
        return None
    period = float(np.median(np.diff(start)))
    near = min(NEAR_S, NEAR_SHARE * period)
    delay = np.where(timed, onset - start[np.maximum(at, 0)], np.nan)
    known = delay[timed]
    ordered = np.sort(known)
    below, above = np.searchsorted(ordered, known - near), np.searchsorted(ordered, known + near, "right")
    densest = int(np.argmax(above - below))
    centre = float(np.median(ordered[below[densest] : above[densest]]))
    members = timed & (np.abs(delay - centre) <= 2 * near)
    n = int(members.sum())
    share = min(1.0, 4 * near / period)
    if n < LEAST_LOCKED or bdtrc(n - 1, int(timed.sum()), share) > CHANCE:
        return None
    off = delay[members] - np.median(delay[members])
    followed = float(np.sum(off[1:] * off[:-1])) / max(float(np.sum(off * off)), 1e-12)
    if followed > DRIFTING or abs(float(np.corrcoef(np.arange(n), off)[0, 1])) > DRIFTING:
        return None
    if not _foretold(onset, start, by_patient, members):
        return None
    first, last = np.flatnonzero(members)[[0, -1]]
    clock = ~by_patient[at[first] : at[last] + 1]
    middle = float(np.median(delay[members]))
    spread = 1.4826 * float(np.median(np.abs(off)))
    return Locking(members, middle, spread, middle / period, n / max(1, int(clock.sum())))


def _foretold(onset: Times, start: Times, by_patient: Flags, members: Flags) -> bool:
    """Whether the clock foretells the efforts that come after members better than the effort before each does.

    Ticks come a set time after each inflation, whatever began it; an effort that triggers before a tick counts too.
    Whole ticks more or less, of an effort that was not seen or in 1:2, make no difference.
    """
    after = np.flatnonzero(members[:-1]) + 1
    ticking = float(np.median(np.diff(start)[~by_patient[1:]]))
    by_clock = _spread(onset[after] - start[owner(onset[after], start)], ticking)
    interval = onset[after] - onset[after - 1]
    by_effort = _spread(interval, ticking)
    if by_effort < NO_PATIENT * float(np.median(interval)):
        return True
    set_until = np.searchsorted(start[by_patient], onset)
    reset = float(np.mean(set_until[after] > set_until[after - 1]))
    return by_clock <= (FORETOLD_AFTER_RESET if reset > 0.5 else FORETOLD) * by_effort


def _spread(times: Times, ticking: float) -> float:
    """Mean deviation from the median, each to the nearest tick."""
    return float(np.mean(np.abs((times - np.median(times) + ticking / 2) % ticking - ticking / 2)))
