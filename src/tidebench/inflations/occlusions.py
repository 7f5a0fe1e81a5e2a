"""Efforts against a closed airway: pressure falls and comes back while gas stands still.

An open airway gives an effort gas. Where one pulls pressure down by some cmH2O and no more flows than the circuit's own
gas gives as it expands, valves are closed: by an occlusion, or by an expiratory hold in which somebody breathes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.formulas.effort import P01_TIME_S, occlusion_pressure_p01_cmh2o
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LEAST_SWING = 2.0  # cmH2O: a trigger's phase moves less, or is over before pressure comes back
LEAST_FALL = 0.5  # cmH2O in a trigger's phase: less is noise
BACK = 0.5  # of the swing that has to come back before gas flows
CIRCUIT = 0.01  # L/cmH2O per L/s of usual flow: more than a circuit of that size gives (common practice, no source)
EARLY, LATER = 0.05, 0.2  # of the swing; the straight line through both leads back to the effort's onset


@dataclass(frozen=True)
class Pull:
    """One effort against a closed airway.

    Attributes
    ----------
    onset : float
        Where pressure begins to fall, in samples.
    lowest : int
        The sample of the lowest pressure.
    level, swing : float
        Pressure before it, and how far it falls below (negative), cmH2O.
    """

    onset: float
    lowest: int
    level: float
    swing: float


@kernel
def closed_runs(
    p: Samples, f: Samples, turn: Indices, end: Indices, limit: Samples, circuit: Samples, offset: Samples
) -> tuple[Indices, Indices]:
    """First sample, and the one after the last, of the stretch of each expiration in which an effort meets a closed
    airway; both the breath's end where there is none.

    ``p`` and ``f`` are smoothed over some 50 ms. ``circuit`` is what a closed circuit gives at most when pressure falls
    by 1 cmH2O from one sample to the next, L/s.
    """
    first, last = end.copy(), end.copy()
    for j in range(len(turn)):
        best = LEAST_SWING
        begun = -1
        highest = lowest = fall = 0.0
        back = False
        for i in range(turn[j] + 1, end[j]):
            gives = -circuit[j] * 0.5 * (p[min(i + 1, len(p) - 1)] - p[i - 1])
            flow = f[i] - offset[j]
            shut = min(0.0, gives) - limit[j] < flow < max(0.0, gives) + limit[j]
            if not shut:
                if begun >= 0 and back and fall > best:
                    best, first[j], last[j] = fall, begun, i
                begun = -1
                continue
            if begun < 0:
                begun, back, fall = i, False, 0.0
                highest = lowest = p[i]
            if p[i] < lowest:
                lowest = p[i]
                if highest - lowest > fall:
                    fall, back = highest - lowest, False
            if p[i] - lowest > BACK * fall and fall >= LEAST_SWING:
                back = True
            if p[i] > highest:
                highest = lowest = p[i]
        if begun >= 0 and back and fall > best:
            first[j], last[j] = begun, end[j]
    return first, last


@kernel
def trigger_phases(
    p: Samples, f: Samples, turn: Indices, end: Indices, limit: Samples, circuit: Samples, offset: Samples, spare: int
) -> tuple[Indices, Samples]:
    """Where gas stops to flow for good before the next inflation, and how far pressure then falls (cmH2O).

    Arrays as for :func:`closed_runs`; the last ``spare`` samples, into which the inflation is smoothed, are left out.
    """
    first, fall = end.copy(), np.zeros(len(end))
    for j in range(len(turn)):
        last = end[j] - 1 - spare
        i = last
        while i > turn[j]:
            gives = -circuit[j] * 0.5 * (p[min(i + 1, len(p) - 1)] - p[i - 1])
            flow = f[i] - offset[j]
            if not min(0.0, gives) - limit[j] < flow < max(0.0, gives) + limit[j]:
                break
            first[j] = i
            fall[j] = max(fall[j], p[i] - p[last])
            i -= 1
    return first, fall


def early_fall(p: Samples, rate_hz: float) -> float:
    """P0.1 (cmH2O) of the one effort in a stretch of closed airway that it outlasts; NaN where it begins too late."""
    pull = _pull(p, int(np.argmax(p[:-1])), len(p) - 1)
    return early_fall_of(p, pull, rate_hz)


def early_fall_of(p: Samples, pull: Pull, rate_hz: float) -> float:
    """P0.1 (cmH2O) of an effort in the pressure of a closed airway; NaN where the airway opens before 0.1 s."""
    at = np.arange(0.0, 2 * P01_TIME_S, 1 / rate_hz) * rate_hz + pull.onset
    after = np.interp(at, np.arange(len(p)), p, right=np.nan)
    after[0] = pull.level
    return occlusion_pressure_p01_cmh2o(after, 1 / rate_hz)


def pulls_in(p: Samples) -> list[Pull]:
    """The efforts in a stretch of closed airway, of its smoothed pressure."""
    from scipy.signal import find_peaks

    lowest, _ = find_peaks(-np.append(p, np.max(p)), prominence=LEAST_SWING)
    found, begin = [], 0
    for at in lowest.tolist():
        top = begin + int(np.argmax(p[begin:at]))
        found.append(_pull(p, top, at))
        begin = at
    return found


def _pull(p: Samples, top: int, lowest: int) -> Pull:
    level, swing = float(p[top]), float(p[lowest] - p[top])
    falling = p[top : lowest + 1]
    early, later = (top + int(np.flatnonzero(falling > level + share * swing)[-1]) for share in (EARLY, LATER))
    steep = (LATER - EARLY) / max(1, later - early)
    return Pull(max(float(top), early - EARLY / steep), lowest, level, swing)
