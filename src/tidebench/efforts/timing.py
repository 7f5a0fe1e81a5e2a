"""Efforts in time, from a muscle pressure: onset, end of neural inspiration, peak."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LEAST_EFFORT = 1.0  # cmH2O of muscle pressure
ONSET = 0.3  # cmH2O: rest, to within noise
RISEN = 0.1  # share of the peak above which an effort is under way: rest is known no better where efforts are strong
RELAXED = 0.25  # share of the peak at which an effort is over
PLATEAU = 0.9  # share of the peak down to which inspiration is still going on
BACK = 0.5  # cmH2O above the lowest before an effort's rise: what was higher still is not its own
LEAST_EFFORT_S = 0.2
BRIDGE_S = 0.35  # gaps in muscle pressure at edges of flow are shorter than this


@kernel
def bridged(muscle: Samples, longest: int) -> Samples:
    """Muscle pressure with gaps of at most ``longest`` samples drawn through straight; longer ones stay NaN."""
    out = muscle.copy()
    last = -1
    for i in range(len(muscle)):
        if not np.isfinite(muscle[i]):
            continue
        if last >= 0 and 1 < i - last <= longest + 1:
            for k in range(last + 1, i):
                out[k] = muscle[last] + (muscle[i] - muscle[last]) * (k - last) / (i - last)
        last = i
    return out


@kernel
def find_efforts(
    muscle: Samples, least: float, rest: float, shortest: int
) -> tuple[Indices, Indices, Indices, Samples]:
    """Efforts in a muscle pressure (cmH2O, NaN where unknown): onset, end of neural inspiration, when over, peak.

    What is left when an effort is over may still be more than ``rest``: the next effort must rise by ``least`` from the
    lowest of it, and begins no earlier. A hump before an effort, as a heartbeat makes it, is not its own.
    """
    n = len(muscle)
    most = n // max(1, shortest) + 1
    onset = np.empty(most, np.int64)
    top = np.empty(most, np.int64)
    over = np.empty(most, np.int64)
    peak = np.empty(most)
    count = 0
    free = 0
    i = 0
    while i < n:
        if not muscle[i] > least:
            i += 1
            continue
        begin = i
        lowest = muscle[i]
        while begin > free and ONSET < muscle[begin - 1] <= lowest + (BACK if lowest > rest else 0.0):
            begin -= 1
            lowest = min(lowest, muscle[begin])
        highest = muscle[i]
        while i < n and muscle[i] > RELAXED * highest:
            highest = max(highest, muscle[i])
            i += 1
        while muscle[begin] <= RISEN * highest:
            begin += 1
        crest = begin
        for k in range(begin, i):
            if muscle[k] >= PLATEAU * highest:
                crest = k
        if i - begin >= shortest:
            onset[count] = begin
            top[count] = crest
            over[count] = i
            peak[count] = highest
            count += 1
        free = i
        lowest = highest
        while i < n and muscle[i] > rest and muscle[i] <= lowest + least:
            if muscle[i] <= lowest:
                lowest = muscle[i]
                free = i
            i += 1
    return onset[:count].copy(), top[:count].copy(), over[:count].copy(), peak[:count].copy()


@kernel
def seen_rising(muscle: Samples, onset: Indices, peak: Samples) -> npt.NDArray[np.bool_]:
    """False for efforts of which no rise was seen: unknown from their onset on, they are at their plateau when seen.

    At a turn that is what a resistance that is a little wrong leaves of expiratory flow: it comes at once and goes with
    the flow, while a muscle takes longer than the unseen stretch (up to 0.16 s) to pull its most.
    """
    seen = np.ones(len(onset), np.bool_)
    for k in range(len(onset)):
        i = onset[k] + 1
        while i < len(muscle) and not np.isfinite(muscle[i]):
            i += 1
        if onset[k] + 1 < i < len(muscle):
            seen[k] = muscle[i] < PLATEAU * peak[k]
    return seen
