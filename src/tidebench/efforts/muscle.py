"""Muscle pressure from the equation of motion, where the lung is known: pmus = P0 + E·V + R·f + K·f|f| + … − p."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Mask = npt.NDArray[np.bool_]
Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]


@kernel
def asked(theta: Samples, volume: float, flow: float, beat: float) -> float:
    """The pressure above P0 that volume and flow ask for, with the heart's at its phase ``beat``, cmH2O."""
    value = theta[0] * volume + theta[1] * flow + theta[2] * flow * abs(flow) + theta[3] * min(flow, 0.0)
    for h in range((len(theta) - 4) // 2):
        value += theta[4 + 2 * h] * np.sin((h + 1) * beat) + theta[5 + 2 * h] * np.cos((h + 1) * beat)
    return float(value)


@kernel
def muscle_pressure(
    p: Samples,
    f: Samples,
    start: Indices,
    turn: Indices,
    end: Indices,
    dt: float,
    theta: Samples,
    heart: Samples,
    width: int,
    steep: Samples,
) -> Samples:
    """Muscle pressure plus a constant per breath, smoothed over ``width`` samples, cmH2O, shape (len(p),).

    ``f`` is without loss; ``theta`` (n, k) as in :mod:`tidebench.efforts.equation`. NaN outside breaths, without a
    lung, and within half a window of an edge (start, turn, steep flow), where delays between the channels would show.
    """
    out = np.full(len(p), np.nan)
    half = width // 2
    room = 0
    for j in range(len(start)):
        room = max(room, end[j] - start[j])
    raw = np.zeros(room + 1)
    edge = np.zeros(room + 1, np.bool_)
    for j in range(len(start)):
        if not np.isfinite(theta[j, 0]):
            continue
        first = start[j]
        m = end[j] - first
        volume = 0.0
        for i in range(m):
            flow = f[first + i]
            if i > 0:
                volume += 0.5 * (flow + f[first + i - 1]) * dt
            raw[i] = asked(theta[j], volume, flow, heart[first + i]) - p[first + i]
            edge[i] = i < 2 or abs(i - (turn[j] - first)) < 2
            if i > 0 and i < m - 1:
                edge[i] = edge[i] or abs(f[first + i + 1] - f[first + i - 1]) > steep[j]
        near = -half - 1
        total = 0.0
        for i in range(m + half):
            if i < m:
                total += raw[i]
                if edge[i]:
                    near = i
            if i >= width and i - width < m:
                total -= raw[i - width]
            c = i - half
            if c >= half and i < m and i - near >= width:
                out[first + c] = total / width
    return out


@kernel
def rise_at_end(
    p: Samples, f: Samples, turn: Indices, end: Indices, dt: float, theta: Samples, heart: Samples, short: int
) -> Samples:
    """How far muscle pressure has risen over the last ``short`` samples of each expiration, cmH2O, shape (n,).

    The effort that triggers the next inflation begins here. The rest level is the mean of four times ``short``, which
    ends two times ``short`` before; NaN without a lung or where expiration is too short.
    """
    n = len(turn)
    out = np.full(n, np.nan)
    m = 7 * short
    raw = np.zeros(m)
    for j in range(n):
        first = end[j] - 1 - m
        if first < turn[j] + short or not np.isfinite(theta[j, 0]):
            continue
        volume = 0.0
        for i in range(m):
            flow = f[first + i]
            volume += flow * dt
            raw[i] = asked(theta[j], volume, flow, heart[first + i]) - p[first + i]
        rest = np.mean(raw[: 4 * short])
        out[j] = np.mean(raw[m - short :]) - rest
    return out


AROUND = 4  # breaths before and after from which a level of rest is known
WAIT = 0.2  # of expiration, in which muscles still relax
LOW = 0.2  # of the rest of expiration in which muscles rest, even where efforts come in it
ABOVE = 0.5  # cmH2O above the level of rest: not at rest
FEWEST = 3
QUIET = 0.5  # of the scatter of whole expirations: a heartbeat is left in both halves


@kernel
def gained(f: Samples, start: Indices, end: Indices, dt: float, elastance: Samples) -> Samples:
    """Recoil that the lung gains over each breath from its net volume, cmH2O, shape (n,)."""
    out = np.zeros(len(start))
    for j in range(len(start)):
        for i in range(start[j] + 1, end[j] + 1):
            if i < len(f):
                out[j] += 0.5 * (f[i] + f[i - 1]) * dt * elastance[j]
    return out


@kernel
def lowest(raw: Samples, turn: Indices, end: Indices) -> Samples:
    """The level that muscle pressure, plus a constant, keeps to or comes back to in each expiration; else NaN."""
    out = np.full(len(turn), np.nan)
    for j in range(len(turn)):
        inside = raw[turn[j] + int(WAIT * (end[j] - turn[j])) : end[j]]
        inside = inside[np.isfinite(inside)]
        if len(inside):
            out[j] = np.quantile(inside, LOW)
    return out


@kernel
def scatter(values: Samples) -> float:
    """Robust standard deviation of the known among some values; NaN where none is."""
    known = values[np.isfinite(values)]
    return 1.4826 * np.median(np.abs(known - np.median(known))) if len(known) else np.nan


def ripple(muscle: Samples, turn: Indices, end: Indices, timed: Mask) -> float:
    """Robust standard deviation of muscle pressure within the usual expiration, cmH2O; 0 where nothing is known.

    Heartbeat, noise, and what the lung does otherwise than its equation: an effort fills less than half of it. Where
    inflations that the ventilator's time began are each followed by an effort, it may fill more: if one half of those
    expirations is far quieter than all of them, that half counts.
    """
    parts = scatters(muscle, turn, end)
    known = parts[np.isfinite(parts).all(axis=1)]
    usual = float(np.median(known[:, 0])) if len(known) else 0.0
    entrained = parts[timed & np.isfinite(parts).all(axis=1)]
    if len(entrained) > 0.5 * len(known):
        whole, early, late = np.median(entrained, axis=0)
        quieter = float(min(early, late))
        usual = quieter if quieter < QUIET * whole else usual
    return usual


@kernel
def scatters(muscle: Samples, turn: Indices, end: Indices) -> Samples:
    """:func:`scatter` of each expiration, of its first half and of its second, shape (n, 3)."""
    out = np.empty((len(turn), 3))
    for j in range(len(turn)):
        first = turn[j] + int(WAIT * (end[j] - turn[j]))
        middle = (first + end[j]) // 2
        out[j, 0] = scatter(muscle[first : end[j]])
        out[j, 1], out[j, 2] = scatter(muscle[first:middle]), scatter(muscle[middle : end[j]])
    return out


@kernel
def neighbours(
    low: Samples, gain: Samples, lung: Indices, joined: npt.NDArray[np.int8], j: int
) -> tuple[Samples, Samples]:
    """How many breaths away the breaths about ``j`` are that share its lung, and their lowest values as of ``j``."""
    x, y = np.empty(2 * AROUND + 1), np.empty(2 * AROUND + 1)
    m = 0
    for side in (-1, 1):
        moved = 0.0
        k = j
        for step in range(AROUND + 1):
            if step > 0:
                k += side
                if not 0 <= k < len(low) or lung[k] != lung[j] or joined[max(k, k - side)] == 0:
                    break
                moved += gain[k - 1] if side > 0 else -gain[k]
            if np.isfinite(low[k]) and (step > 0 or side > 0):
                x[m], y[m] = side * step, low[k] + moved
                m += 1
    return x[:m].copy(), y[:m].copy()


@kernel
def lower_line(x: Samples, y: Samples) -> float:
    """Value at 0 of the straight line through the lower points: the one furthest above is left out, again and again."""
    kept = np.ones(len(x), np.bool_)
    level = np.nan
    while kept.any():
        count = np.sum(kept)
        middle, mean = np.mean(x[kept]), np.mean(y[kept])
        spread = np.sum((x[kept] - middle) ** 2)
        slope = np.sum((x[kept] - middle) * y[kept]) / spread if count > FEWEST and spread > 0 else 0.0
        level = float(mean - slope * middle)
        above = np.where(kept, y - level - slope * x, -np.inf)
        if count <= FEWEST or np.max(above) <= ABOVE:
            break
        kept[np.argmax(above)] = False
    return level


@kernel
def resting_levels(low: Samples, gain: Samples, lung: Indices, joined: npt.NDArray[np.int8]) -> Samples:
    """What each breath's muscle pressure, plus a constant, is at rest, cmH2O, shape (n,); NaN where it can't be told.

    Volume that stays in the lung moves the constant from breath to breath by what the lung gains, and a sensor's drift
    moves it slowly; an effort can only raise the lowest value of its expiration. So a straight line is laid through the
    lowest values of the breaths around, those left out that lie above it.
    """
    out = np.full(len(low), np.nan)
    for j in range(len(low)):
        x, y = neighbours(low, gain, lung, joined, j)
        out[j] = lower_line(x, y)
    return out
