"""Stretches without flow: the pause at the end of an inflation, and occlusions in either phase.

A hold is zero flow for at least 1.0 s beyond the set pause, with the airway closed. In inspiration that is plain: the
pressure stays up. In expiration a lung at rest has no flow either; what shows that the airway was closed is that flow
stops at once while the pressure leaves the valve's line for the recoil of the lung, or that a ventilator which keeps
time does not give its breath; or an effort that meets a closed airway (:mod:`tidebench.inflations.occlusions`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.formulas.effort import P01_TIME_S
from tidebench.inflations.occlusions import CIRCUIT, LEAST_FALL, closed_runs, early_fall, trigger_phases
from tidebench.inflations.phases import smooth
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

NO_FLOW = 0.03  # share of the local flow scale
LEAST_HOLD_S = 1.0
PLATEAU_S = 0.5
NOISE_STRIDE = 11  # every so many samples one difference is enough to know the noise
NOISES = 4.0  # standard deviations of averaged noise that no flow may show
STILL_S = 0.05  # over which flow is averaged before it is called none
STEP_S = 0.08  # in which an occlusion is complete
PRESSURE_STEP = 0.02  # share of the local pressure scale


@dataclass(frozen=True)
class Still:
    """Zero flow in each breath, as sample indices, shape (n,).

    ``pause`` is where zero flow begins that lasts to the turn (the turn itself if there is none); ``occluded`` where
    an expiratory hold begins, and ``released`` where it ends (the end of the breath if there is none). ``hold`` marks
    inspiratory holds, ``pulled`` expiratory ones in which somebody pulls. ``p01`` is the fall of pressure in 0.1 s
    (cmH2O) of the effort before the next inflation, NaN where the trigger's phase does not last so long.
    """

    pause: Indices
    occluded: Indices
    released: Indices
    hold: Mask
    pulled: Mask
    p01: Samples


@kernel
def trailing_rest(
    f: Samples,
    p: Samples,
    start: Indices,
    turn: Indices,
    limit: Samples,
    circuit: Samples,
    offset: Samples,
    spare: int,
) -> Indices:
    """First sample of the run without flow that ends ``spare`` samples before ``turn``; else the turn.

    No flow is less than ``limit`` beyond what the circuit gives or takes as pressure changes, see
    :func:`tidebench.inflations.occlusions.closed_runs`.
    """
    out = turn.copy()
    for j in range(len(start)):
        i = turn[j] - 1 - spare
        while i > start[j]:
            gives = -circuit[j] * (p[i] - p[i - 1])
            flow = 0.5 * (f[i] + f[i - 1]) - offset[j]
            if not min(0.0, gives) - limit[j] < flow < max(0.0, gives) + limit[j]:
                break
            i -= 1
        if i < turn[j] - 1 - spare:
            out[j] = i + 1
    return out


@kernel
def step_at(p: Samples, f: Samples, at: Indices, before: int, after: int) -> tuple[Samples, Samples]:
    """Means of pressure and flow shortly after minus those shortly before each index; NaN at the edges."""
    n = len(at)
    dp = np.full(n, np.nan)
    df = np.full(n, np.nan)
    for j in range(n):
        i = at[j]
        if i - before - after < 0 or i + before + after > len(p):
            continue
        dp[j] = np.mean(p[i + before : i + before + after]) - np.mean(p[i - before - after : i - before])
        df[j] = np.mean(f[i + before : i + before + after]) - np.mean(f[i - before - after : i - before])
    return dp, df


def find_still(
    p: Samples,
    f: Samples,
    rate_hz: float,
    start: Indices,
    turn: Indices,
    end: Indices,
    size: Samples,
    drive: Samples,
    offset: Samples,
    set_pause_s: Samples,
    period_s: Samples,
) -> Still:
    """Pauses and holds of every breath.

    Parameters
    ----------
    size, drive, offset : ndarray, shape (n,)
        Local pressure scale (cmH2O), flow scale (L/s) and flow that the sensor adds (L/s).
    set_pause_s : ndarray, shape (n,)
        Pause that is set, 0 where none is known; the recording's usual pause is allowed for too.
    period_s : ndarray, shape (n,)
        Time between breaths that the ventilator keeps, NaN where it keeps none.
    """
    width = 2 * round(0.5 * STILL_S * rate_hz) + 1
    noise = 1.05 * float(np.median(np.abs(f[1::NOISE_STRIDE] - f[: len(f) - 1 : NOISE_STRIDE]))) / np.sqrt(width)
    limit = np.maximum(NO_FLOW * drive, NOISES * noise)
    even, level, spare = smooth(f, width), smooth(p, width), width // 2 + 1
    circuit, none = CIRCUIT * drive * rate_hz, np.zeros(len(drive))
    pause = trailing_rest(even, level, start, turn, limit, none, offset, spare)
    paused_s = (turn - pause) / rate_hz
    usual = np.median(paused_s) if len(paused_s) else 0.0
    least_s = np.maximum(set_pause_s, usual) + LEAST_HOLD_S
    beating = trailing_rest(even, level, start, turn, limit, circuit, offset, spare)
    pause = np.where((turn - beating) / rate_hz >= least_s, beating, pause)
    inflated_s = (turn - start) / rate_hz
    hold = (turn - pause) / rate_hz >= least_s
    hold &= inflated_s >= (np.median(inflated_s) if len(inflated_s) else 0.0) + LEAST_HOLD_S
    rest = trailing_rest(even, level, turn, end, limit, none, offset, spare + 1)
    rest_s = (end - rest) / rate_hz
    dp, df = step_at(p, f, rest, round(0.5 * STEP_S * rate_hz), max(2, round(0.05 * rate_hz)))
    closed = (df > 2 * limit) & (dp > PRESSURE_STEP * size)
    overdue = (end - start) / rate_hz - period_s >= LEAST_HOLD_S
    overdue &= ~hold
    first, last = closed_runs(level, even, turn, end, limit, circuit, offset)
    pulled = first < end
    held = (rest_s >= LEAST_HOLD_S) & (closed | overdue) & ~pulled
    phase, fall = trigger_phases(level, even, turn, end, limit, circuit, offset, spare)
    p01 = np.full(len(end), np.nan)
    for j in np.flatnonzero((fall >= LEAST_FALL) & (end - spare - phase >= P01_TIME_S * rate_hz) & ~pulled):
        p01[j] = early_fall(level[phase[j] : end[j] - spare], rate_hz)
    return Still(pause, np.where(held, rest, first).astype(np.int64), last, hold, pulled, p01)
