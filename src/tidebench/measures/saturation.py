"""Samples at the end of a sensor's range: the signal went on, the sensor did not.

A noisy signal never holds one value to the last digit. Where its highest or lowest value is held for several samples,
in breath after breath, while it moves from sample to sample everywhere else, that value is the end of the range. A
signal without noise (a model's, a coarse converter's) may stand at its set pressure or flow quite as exactly; of that
nothing is said.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

STANDING = 4
"""Equal samples in a row that make a stand: noise of one digit or more does that in 1 of 50 samples at the most."""
AGAIN = 3  # stands from which on it is no chance
ELSEWHERE = 0.05  # share of other samples in stands, above which the signal stands of itself
NOISY = 0.1  # share of samples at which the signal turns about: hardly any without noise, two thirds in noise alone
MOSTLY = 0.5  # of the samples at the extreme value belong to stands

PRESSURE, FLOW = 1, 2
"""Bits of the column ``clipped``: which channel stood at the end of its range."""


def saturated(x: Samples) -> Mask:
    """True for samples that stand at the end of the sensor's range, shape (n,).

    Parameters
    ----------
    x : ndarray, shape (n,)
        One channel, NaN in gaps.
    """
    ends = range_ends(x)
    return np.isin(x, ends) & standing(x) if ends else np.zeros(len(x), bool)


def range_ends(x: Samples) -> list[float]:
    """The values at which a channel stood at an end of its sensor's range; empty where it never did."""
    if not np.isfinite(x).any():
        return []
    found = []
    for extreme in (float(np.nanmax(x)), float(np.nanmin(x))):
        at = x == extreme
        if np.count_nonzero(at) < AGAIN * STANDING:
            continue
        stands = standing(x)
        others = np.isfinite(x) & ~at
        again = np.count_nonzero(np.diff((at & stands).astype(np.int8)) == 1)
        if extreme == 0 or again < AGAIN or (at & stands).sum() < MOSTLY * at.sum():
            continue
        if (others & stands).sum() < ELSEWHERE * others.sum() and turning(x[others]) > NOISY:
            found.append(extreme)
    return found


def standing(x: Samples) -> Mask:
    """True for samples among :data:`STANDING` or more equal ones in a row, shape (n,)."""
    begins = np.flatnonzero(np.concatenate([[True], x[1:] != x[:-1]])) if len(x) else np.zeros(0, np.int64)
    lengths = np.diff(np.append(begins, len(x)))
    return np.repeat(lengths >= STANDING, lengths)


def turning(x: Samples) -> float:
    """Share of samples that are higher or lower than both neighbours."""
    steps = np.diff(x)
    return float(np.mean(steps[1:] * steps[:-1] < 0)) if len(steps) > 1 else 0.0


def clipped_breaths(p: Samples, f: Samples, start: Indices, end: Indices) -> npt.NDArray[np.int8]:
    """Which channels stood at the end of their range within each breath, bits :data:`PRESSURE` and :data:`FLOW`."""
    out = np.zeros(len(start), np.int8)
    for bit, x in ((PRESSURE, p), (FLOW, f)):
        before = np.concatenate([[0], np.cumsum(saturated(x))])
        out |= np.where(before[end] > before[start], bit, 0).astype(np.int8)
    return out
