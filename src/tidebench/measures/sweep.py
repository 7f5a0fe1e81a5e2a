"""One pass over the samples of every breath: volumes, pressures, flows, the loop's work.

Volumes are integrals of flow without what leak and offset took. A flow sensor with a first-order lag τ reads
f_m = f − τ·f_m′, so the volume of the gas is the integral of what it reads plus τ·f_m; without that term the volume at
the turn, where flow steps from in to out, comes out short by about τ times the step. ``moved_since`` is what has
come in from the middle of the quiet stretch at the end of expiration to the breath's end, litres.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

COLUMNS = (
    "vti",
    "vte",
    "vti_measured",
    "vte_measured",
    "inhaled",
    "exhaled",
    "peak_pressure",
    "mean_pressure",
    "plateau_pressure",
    "peak_inspiratory_flow",
    "peak_expiratory_flow",
    "end_expiratory_flow",
    "moved_since",
    "time_constant",
    "work",
)
FASTEST_VALVE_S = 0.015  # a faster fall of flow at the turn is the sensor's, not the gas's
LEAST_PAUSE_S = 0.1
CHANNEL_DELAY_S = 0.03  # pressure may be recorded later than flow by this much, so its peak is sought beyond the turn


@kernel
def sensor_lag(f: Samples, turn: Indices, end: Indices, dt: float, most: int) -> Samples:
    """Time constant with which flow falls at each turn, s, shape (n,); NaN where the edge is too small to tell.

    From the first two samples that are between a tenth and nine tenths of the way to the lowest flow after the turn.
    """
    n = len(turn)
    out = np.full(n, np.nan)
    for j in range(n):
        last = min(end[j], turn[j] + most)
        low = turn[j]
        for i in range(turn[j], last):
            if f[i] < f[low]:
                low = i
        top = f[turn[j]]
        step = top - f[low]
        if step <= 0:
            continue
        for i in range(turn[j] + 1, low):
            a = (f[i] - f[low]) / step
            if a < 0.9:
                b = (f[i + 1] - f[low]) / step
                if a > 0.2 and b > 0.02:
                    out[j] = dt / np.log(a / b)
                break
    return out


def usual_lag(f: Samples, turn: Indices, end: Indices, dt: float) -> float:
    """The sensor's lag, s: the median over the turns if it is short enough to be the sensor's; else 0."""
    lags = sensor_lag(f, turn, end, dt, max(3, round(0.1 / dt)))
    usable = lags[np.isfinite(lags) & (lags > 0)]
    if len(usable) < 5:
        return 0.0
    lag = float(np.median(usable))
    return lag if lag <= max(FASTEST_VALVE_S, 1.5 * dt) else 0.0


@kernel
def limb(f: Samples, lost: Samples, turn: int, end: int, dt: float, expired: float) -> float:
    """Time constant from the volume–flow limb, s: minus the slope of volume on flow, from 75 to 15 % of volume left."""
    volume = 0.0
    count = 0
    sf = sv = sff = sfv = 0.0
    before = f[turn] - lost[turn]
    for i in range(turn + 1, end):
        flow = f[i] - lost[i]
        volume -= 0.5 * (flow + before) * dt
        before = flow
        left = 1.0 - volume / expired
        if left < 0.15:
            break
        if left <= 0.75:
            count += 1
            sf += flow
            sv += volume
            sff += flow * flow
            sfv += flow * volume
    if count < 6:
        return np.nan
    spread = sff - sf * sf / count
    if spread <= 0:
        return np.nan
    return (sfv - sf * sv / count) / spread


@kernel
def sweep(  # noqa: PLR0912, PLR0915 - one pass over the samples
    p: Samples,
    f: Samples,
    lost: Samples,
    offset: Samples,
    start: Indices,
    pause: Indices,
    turn: Indices,
    end: Indices,
    quiet_first: Indices,
    quiet_last: Indices,
    dt: float,
    lag: float,
    level: bool,
) -> Samples:
    """The columns of :data:`COLUMNS` for every breath, shape (n, 15); litres, cmH2O, L/s, s, cmH2O·L.

    Parameters
    ----------
    f, lost : ndarray
        Flow as recorded and the flow that leak and offset take of it, L/s.
    offset : ndarray, shape (n,)
        The part of ``lost`` that the sensor adds, which measured volumes are free of too.
    level : bool
        True for bi-level ventilation: volume at the turn is what it is there, not the highest after it.
    """
    n = len(start)
    late = int(CHANNEL_DELAY_S / dt)
    out = np.full((n, 15), np.nan)
    for j in range(n):
        s = start[j]
        t = turn[j]
        e = end[j]
        volume = 0.0
        gross = 0.0
        inhaled = 0.0
        exhaled = 0.0
        total = 0.0
        work = 0.0
        peak = p[s]
        fast_in = 0.0
        fast_out = 0.0
        top = -np.inf
        gross_top = -np.inf
        bottom = np.inf
        gross_bottom = np.inf
        first = lag * (f[s] - lost[s])
        for i in range(s, e):
            flow = f[i] - lost[i]
            raw = f[i] - offset[j]
            if i > s:
                volume += 0.5 * (flow + f[i - 1] - lost[i - 1]) * dt
                gross += 0.5 * (raw + f[i - 1] - offset[j]) * dt
            total += p[i]
            if raw > 0:
                inhaled += raw * dt
            else:
                exhaled -= raw * dt
            here = volume + lag * flow - first
            gross_here = gross + lag * flow - first
            if i <= t + late:
                peak = max(peak, p[i])
            if i <= t:
                fast_in = max(fast_in, flow)
                if flow > 0:
                    work += p[i] * flow * dt
            else:
                fast_out = min(fast_out, flow)
                bottom = min(bottom, here)
                gross_bottom = min(gross_bottom, gross_here)
            if i >= t - 1 and (not level or i <= t):
                if here > top:
                    top = here
                    bottom = here
                if gross_here > gross_top:
                    gross_top = gross_here
                    gross_bottom = gross_here
        if np.isfinite(top):
            out[j, 0] = top
            out[j, 1] = top - bottom
        if np.isfinite(gross_top):
            out[j, 2] = gross_top
            out[j, 3] = gross_top - gross_bottom
        out[j, 4] = inhaled
        out[j, 5] = exhaled
        out[j, 6] = peak
        out[j, 7] = total / (e - s)
        if (t - pause[j]) * dt >= LEAST_PAUSE_S:
            a = max(pause[j] + (t - pause[j]) // 2, t - int(0.5 / dt))
            out[j, 8] = np.mean(p[a : t - 1])
        out[j, 9] = fast_in
        out[j, 10] = -fast_out
        if quiet_last[j] > quiet_first[j]:
            ending = 0.0
            for i in range(quiet_first[j], quiet_last[j]):
                ending -= (f[i] - lost[i]) / (quiet_last[j] - quiet_first[j])
            out[j, 11] = ending
            out[j, 12] = 0.0
            for i in range((quiet_first[j] + quiet_last[j]) // 2, e):
                out[j, 12] += (f[i] - lost[i]) * dt
        out[j, 13] = limb(f, lost, t, e, dt, out[j, 1])
        out[j, 14] = work
    return out
