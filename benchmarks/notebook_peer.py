"""What a competent notebook does, one stage at a time: NumPy and SciPy, a loop over breaths, arrays within a breath.

Each stage gives what the same stage of the line gives, by the same definitions; thresholds are the line's own, so that
they can't drift apart. Whatever NumPy or SciPy does in one call over the whole recording is done so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.optimize import curve_fit

from tidebench.efforts import stretch
from tidebench.efforts.equation import LONGEST_EXPIRATION_S
from tidebench.inflations import holds, leak, levels, phases
from tidebench.measures import stress, sweep

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


class Levels(NamedTuple):
    """Baseline, size of inflations in pressure and flow, and resting inflow at every sample; and the valve's slope."""

    baseline: Samples
    pressure: Samples
    flow: Samples
    flow_baseline: Samples
    valve: float


class Loss(NamedTuple):
    """Flow to take off each breath, offset + leak·max(p, 0)^exponent, arrays of shape (n,)."""

    offset: Samples
    leak: Samples
    exponent: float

    def of(self, breath: int, pressure: Samples) -> Samples | float:
        """The flow lost during one breath, L/s."""
        if self.leak[breath] <= 0:
            return float(self.offset[breath])
        lost: Samples = self.offset[breath] + self.leak[breath] * np.maximum(pressure, 0) ** self.exponent
        return lost


class Fit(NamedTuple):
    """Coefficients of V, f, f|f|, min(f, 0) over all breaths, and each breath's own numbers, shape (n,)."""

    theta: Samples
    elastance: Samples
    intercept: Samples
    residual: Samples
    floor: Samples


def running_volume(flow: Samples, dt: float) -> Samples:
    """Trapezoidal integral, 0 at the first sample."""
    volume = np.empty_like(flow)
    volume[0] = 0.0
    np.cumsum(0.5 * dt * (flow[1:] + flow[:-1]), out=volume[1:])
    return volume


def running_percentiles(x: Samples, stride: int, hop: int, window: int, shares: tuple[float, float]) -> Samples:
    """Two percentiles of every ``stride``-th sample in a centred window, one pair for every ``hop`` samples."""
    half = window // stride // 2
    windows = sliding_window_view(np.pad(x[::stride], half, mode="reflect"), 2 * half + 1)
    return np.asarray(np.percentile(windows[hop // stride // 2 :: hop // stride], shares, axis=1), np.float64)


def local_levels(p: Samples, f: Samples, rate_hz: float) -> Levels:
    """Levels and scales around every sample."""
    stride, hop = int(rate_hz // levels.GRID_HZ), round(levels.HOP_S * rate_hz)
    window = round(levels.WINDOW_S * rate_hz)
    low, high = running_percentiles(p, stride, hop, window, (10, 98))
    middle, brisk = running_percentiles(f, stride, hop, window, (50, 97))
    baseline = maximum_filter1d(low, round(levels.WINDOW_S / levels.HOP_S), mode="nearest")
    size = high - baseline
    size = np.maximum(np.maximum(size, 0.3 * np.median(size)), levels.LEAST_PRESSURE_SCALE)
    resting = np.maximum(0.0, middle)
    flow = np.maximum(brisk - resting, 0.3 * np.median(brisk - resting))
    baseline, size, flow, resting = (np.repeat(x, hop)[: len(p)] for x in (baseline, size, flow, resting))
    above = (p - baseline)[::stride]
    out = (f[::stride] < -0.15 * flow[::stride]) & (above < 0.5 * size[::stride])
    x = -f[::stride][out]
    return Levels(baseline, size, flow, resting, max(0.0, float(x @ above[out] / (x @ x))))


def foot(p: Samples, f: Samples, at: int, size: float, flow: float, reach: int, lag: int, sign: float) -> int:
    """The foot of the edge before a crossing: the last sample before slopes exceed a fifth of the steepest."""
    a, b = max(lag, at - reach), min(len(p), at + lag + 1)
    slope = sign * ((p[a:b] - p[a - lag : b - lag]) / size + (f[a:b] - f[a - lag : b - lag]) / flow)
    top = int(slope.argmax())
    if slope[top] <= 0:
        return at
    floor = max(0, at - reach) + lag
    flat = np.flatnonzero(slope[floor + 1 - a : top + 1] < 0.2 * slope[top])
    return floor + 1 + int(flat[-1]) if len(flat) else min(floor, a + top)


def inflations(p: Samples, f: Samples, rate_hz: float) -> tuple[Indices, Indices, Levels]:
    """Stage 1: first sample of every inflation, first sample after it, and the levels they were found by."""
    level = local_levels(p, f, rate_hz)
    width = 2 * round(0.015 * rate_hz) // 2 * 2 + 1
    smooth_p, smooth_f = uniform_filter1d(p, width), uniform_filter1d(f, width)
    lift = (smooth_p - level.baseline - level.valve * np.maximum(0.0, -smooth_f)) / level.pressure
    drive = (smooth_f - level.flow_baseline) / level.flow
    out = drive < -phases.OCCLUDED_FLOW
    begins = ((lift > phases.BEGIN) & ~out) | (drive > phases.BEGIN) | (lift + drive > 1.5 * phases.BEGIN)
    stays = (lift > phases.STAY) | (drive > phases.STAY)
    held = (np.abs(drive) < phases.OCCLUDED_FLOW) & (lift > phases.OCCLUDED_PRESSURE)
    rest = max(1, round(phases.LEAST_REST_S * rate_hz))
    reach, lag = round(phases.EDGE_S * rate_hz), max(1, round(phases.SLOPE_S * rate_hz))
    starts: list[int] = []
    turns: list[int] = []
    at = int((~begins).argmax())
    while begins[at:].any():
        begin = at + int(begins[at:].argmax())
        exhaled = begin + int(out[begin:].argmax())
        until = exhaled + 2 * reach
        while until < len(p) and stays[until - rest : until].any():
            until += reach
        on = stays[begin:until].copy()
        on[: exhaled - begin] |= held[begin:exhaled]
        going = np.append(np.flatnonzero(on), until - begin + rest)
        end = begin + int(going[(np.diff(going) > rest).argmax()]) + 1
        if end - begin >= phases.LEAST_INFLATION_S * rate_hz:
            for found, crossing, sign in ((starts, begin, 1.0), (turns, min(end, len(p) - 1), -1.0)):
                size, flow = level.pressure[crossing], level.flow[crossing]
                found.append(foot(p, f, crossing, size, flow, reach, lag, sign))
        at = end + rest
    return np.array(starts), np.array(turns), level


def slopes(x: Samples, y: Samples, reach: int) -> Samples:
    """Slope of y on x between each point and the next, from a parabola through ``reach`` points on either side."""
    found = np.empty(len(x) - 1)
    for j in range(len(x) - 1):
        near = slice(max(0, j - reach), j + reach + 2)
        u = x[near] - 0.5 * (x[j] + x[j + 1])
        scale = max(-u[0], u[-1])
        u /= scale
        columns = [np.ones_like(u), u, u * u] if len(u) >= leak.STRAIGHT else [np.ones_like(u), u]
        found[j] = np.linalg.lstsq(np.column_stack(columns), y[near] - y[j], rcond=None)[0][1] / scale
    return found


def as_offset(f: Samples, start: Indices, end: Indices, dt: float) -> Loss:
    """The loss as a sensor's offset: what each breath and its neighbours do not give back, per second."""
    net = np.array([f[s:e].sum() * dt for s, e in zip(start, end, strict=True)])
    slope = slopes(np.append(0, np.cumsum((end - start) * dt)), np.append(0, np.cumsum(net)), leak.NEIGHBOURS)
    return Loss(slope, np.zeros(len(start)), 1.0)


def as_leak(p: Samples, f: Samples, start: Indices, end: Indices, dt: float, exponent: float) -> Loss:
    """The loss as a leak that follows the pressure to a power."""
    spans = list(zip(start, end, strict=True))
    net = np.array([f[s:e].sum() * dt for s, e in spans])
    driven = np.array([(np.maximum(p[s:e], 0) ** exponent).sum() * dt for s, e in spans])
    found = slopes(np.append(0, np.cumsum(driven)), np.append(0, np.cumsum(net)), leak.NEIGHBOURS)
    offset = np.where(found < 0, found * driven / ((end - start) * dt), 0.0)
    return Loss(offset, np.maximum(found, 0.0), exponent)


def sensor_lag(f: Samples, turn: Indices, end: Indices, dt: float) -> float:
    """The median time constant with which flow falls at the turns, s; 0 where it is too long to be the sensor's."""
    found = []
    for t, e in zip(turn, end, strict=True):
        edge = f[t : min(e, t + max(3, round(0.1 / dt)))]
        low = int(edge.argmin())
        share = (edge[: low + 1] - edge[low]) / (edge[0] - edge[low] or np.nan)
        below = np.flatnonzero(share[1:low] < 0.9)
        if len(below):
            a, b = share[below[0] + 1], share[below[0] + 2]
            if a > 0.2 and b > 0.02 and a > b:
                found.append(dt / np.log(a / b))
    lag = float(np.median(found)) if len(found) >= 5 else 0.0
    return lag if lag <= max(sweep.FASTEST_VALVE_S, 1.5 * dt) else 0.0


def pauses(f: Samples, rate_hz: float, start: Indices, turn: Indices, drive: Samples, offset: Samples) -> Indices:
    """Where the flow stops before each turn; the turn itself where it does not."""
    width = 2 * round(0.5 * holds.STILL_S * rate_hz) + 1
    differences = np.abs(f[1 :: holds.NOISE_STRIDE] - f[: len(f) - 1 : holds.NOISE_STRIDE])
    limit = np.maximum(holds.NO_FLOW * drive, holds.NOISES * 1.05 * np.median(differences) / np.sqrt(width))
    even, spare = uniform_filter1d(f, width), width // 2 + 1
    pause = turn.copy()
    for j, (s, t) in enumerate(zip(start, turn, strict=True)):
        last = t - spare
        moving = np.abs(0.5 * (even[s + 1 : last] + even[s : last - 1]) - offset[j]) >= limit[j]
        if not moving[-1]:
            pause[j] = s + 2 + np.flatnonzero(moving)[-1] if moving.any() else s + 1
    return pause


def quiet_ends(
    p: Samples, f: Samples, turn: Indices, end: Indices, size: Samples, drive: Samples, most: int
) -> tuple[Indices, Indices]:
    """First and last sample of the stretch, late in each expiration, in which pressure and flow move least."""
    sum_p, sum_f = np.append(0, np.cumsum(p)), np.append(0, np.cumsum(f))
    first, last = turn.copy(), turn.copy()
    for j, (t, e) in enumerate(zip(turn, end, strict=True)):
        length = e - t
        width = max(4, min(most, length // 5))
        half = width // 2
        i = np.arange(e - width, t + length // 2 - 1, -max(1, half // 2))
        if not len(i):
            continue
        dp = np.abs(sum_p[i + 2 * half] - 2 * sum_p[i + half] + sum_p[i]) / (half * size[j])
        df = np.abs(sum_f[i + 2 * half] - 2 * sum_f[i + half] + sum_f[i]) / (half * drive[j])
        first[j] = i[int((dp + df + 0.05 * (e - width - i) / length).argmin())]
        last[j] = first[j] + width
    return first, last


def limb(flow: Samples, dt: float, expired: float) -> float:
    """Time constant from the volume–flow limb of an expiration, from 75 to 15 % of volume left, s."""
    left = 1.0 + running_volume(flow, dt)[1:] / expired
    empty = left < 0.15
    last = int(empty.argmax()) if empty.any() else len(left)
    part = left[:last] <= 0.75
    x, y = flow[1 : last + 1][part], left[:last][part]
    if len(x) < 6:
        return np.nan
    x = x - x.mean()
    return float(-expired * (x @ y) / (x @ x))


def excursion(volume: Samples, turn: int) -> tuple[float, float]:
    """Highest volume from just before the turn, and how far it falls after that."""
    late = volume[turn - 1 :]
    top = int(late.argmax())
    return float(late[top]), float(late[top] - late[top:].min())


def volumes_and_pressures(
    p: Samples, f: Samples, rate_hz: float, start: Indices, turn: Indices, end: Indices, size: Samples, drive: Samples
) -> Samples:
    """Stage 2: offset, pause, rest and lag, then :data:`tidebench.measures.sweep.COLUMNS`, shape (n, 15)."""
    dt = 1.0 / rate_hz
    loss = as_offset(f, start, end, dt)
    pause = pauses(f, rate_hz, start, turn, drive, loss.offset)
    first, last = quiet_ends(p, f, turn, end, size, drive, round(0.5 * rate_hz))
    lag = sensor_lag(f, turn, end, dt)
    late = int(sweep.CHANNEL_DELAY_S / dt)
    rows = np.full((len(start), len(sweep.COLUMNS)), np.nan)
    for j, (s, t, e) in enumerate(zip(start, turn, end, strict=True)):
        pressure, m = p[s:e], t - s
        flow, raw = f[s:e] - loss.of(j, pressure), f[s:e] - loss.offset[j]
        moved = lag * (flow - flow[0])
        inspired = flow[: m + 1]
        rows[j, 0:2] = vti, vte = excursion(running_volume(flow, dt) + moved, m)
        rows[j, 2:4] = (vti, vte) if loss.leak[j] <= 0 else excursion(running_volume(raw, dt) + moved, m)
        inhaled = np.maximum(raw, 0).sum()
        rows[j, 4:6] = dt * inhaled, dt * (inhaled - raw.sum())
        rows[j, 6] = pressure[: m + late + 1].max()
        rows[j, 7] = pressure.mean()
        if (t - pause[j]) * dt >= sweep.LEAST_PAUSE_S:
            rows[j, 8] = p[max(pause[j] + (t - pause[j]) // 2, t - int(0.5 / dt)) : t - 1].mean()
        rows[j, 9] = max(0.0, inspired.max())
        rows[j, 10] = max(0.0, -flow[m + 1 :].min())
        if last[j] > first[j]:
            rows[j, 11] = -flow[first[j] - s : last[j] - s].mean()
            rows[j, 12] = dt * flow[(first[j] + last[j]) // 2 - s :].sum()
        rows[j, 13] = limb(flow[m:], dt, vte)
        rows[j, 14] = dt * (pressure[: m + 1] @ np.maximum(inspired, 0))
    return rows


@dataclass(frozen=True)
class Design:
    """One breath's quiet samples, columns demeaned: V, f, f|f|, min(f, 0), the same smoothed, the same smoothed without
    their own sample, and the pressure.
    """

    x: Samples
    z: Samples
    instruments: Samples
    y: Samples
    smooth_y: Samples
    mean_x: Samples
    mean_y: float
    steps: Samples


def quiet(f: Samples, turn: int, held: int, half: int, steep: float) -> Mask:
    """The samples of one breath that are half a window away from its edges and from steep flow, and not held."""
    n, clear = len(f), half + 2
    mask = np.zeros(n, bool)
    mask[clear : n - half] = True
    mask[max(0, turn - clear + 1) : turn + clear] = False
    mask[held:turn] = False
    edge = np.zeros(n)
    edge[1:-1] = np.abs(f[2:] - f[:-2]) > steep
    mask &= np.convolve(edge, np.ones(2 * clear))[clear : clear + n] == 0
    return mask


def design(p: Samples, f: Samples, loss: Samples | float, mask: Mask, dt: float, width: int) -> Design:
    """The equation's columns for one breath."""
    flow = f - loss
    volume = running_volume(flow, dt)
    smooth_f, smooth_p = uniform_filter1d(flow, width)[mask], uniform_filter1d(p, width)[mask]
    both = mask[1:] & mask[:-1]
    steps = np.column_stack([np.diff(p)[both], np.diff(flow)[both]])
    flow, volume, y = flow[mask], volume[mask], p[mask]
    x = np.column_stack([volume, flow, flow * np.abs(flow), np.minimum(flow, 0)])
    z = np.column_stack([volume, smooth_f, smooth_f * np.abs(smooth_f), np.minimum(smooth_f, 0)])
    mean_x, mean_y = x.mean(axis=0), float(y.mean())
    others = (width * z - x) / (width - 1)
    others -= others.mean(axis=0)
    return Design(x - mean_x, z - z.mean(axis=0), others, y - mean_y, smooth_p - smooth_p.mean(), mean_x, mean_y, steps)


def designs(
    p: Samples, f: Samples, rate_hz: float, start: Indices, turn: Indices, end: Indices, drive: Samples, loss: Loss
) -> tuple[list[Design], int]:
    """The design of every breath, and the width of the smoothing."""
    inspiration = float(np.median(turn - start)) / rate_hz
    width = max(1, round(min(stretch.LONGEST_WINDOW_S, stretch.WINDOW_SHARE * inspiration) * rate_hz)) | 1
    found = []
    for j, (s, t, e) in enumerate(zip(start, turn, end, strict=True)):
        span = slice(s, min(e, t + round(LONGEST_EXPIRATION_S * rate_hz)))
        mask = quiet(f[span], t - s, t - s, width // 2, stretch.STEEP * drive[j])
        found.append(design(p[span], f[span], loss.of(j, p[span]), mask, 1.0 / rate_hz, width))
    return found, width


def fit(breaths: Sequence[Design], width: int, columns: Sequence[int]) -> Fit:
    """Instrumental variables over all breaths, and what each breath says under that estimate."""
    used = list(columns)
    zx = np.array([b.instruments.T @ b.x for b in breaths])
    zy = np.array([b.instruments.T @ b.y for b in breaths])
    theta = np.zeros(4)
    theta[used] = np.linalg.lstsq(zx.sum(axis=0)[np.ix_(used, used)], zy.sum(axis=0)[used], rcond=None)[0]
    residual, floor = np.empty(len(breaths)), np.empty(len(breaths))
    for j, b in enumerate(breaths):
        left = b.smooth_y - b.z @ theta
        taken = b.z[:, 1] @ (b.z[:, 1:] @ theta[1:]) / (b.z[:, 1] @ b.z[:, 1])
        rough = b.steps[:, 0] - taken * b.steps[:, 1]
        residual[j] = np.sqrt(left @ left / len(left))
        floor[j] = np.sqrt(rough @ rough / (2 * len(left) * width))
    own = (zy[:, 0] - zx[:, 0, 1:] @ theta[1:]) / zx[:, 0, 0]
    intercept = np.array([b.mean_y - theta @ b.mean_x for b in breaths])
    return Fit(theta, own, intercept, residual, floor)


def equation_of_motion(
    p: Samples,
    f: Samples,
    rate_hz: float,
    start: Indices,
    turn: Indices,
    end: Indices,
    drive: Samples,
    losses: Sequence[Loss],
) -> list[Fit]:
    """Stage 3: for each loss, the fit with flow squared, and with expiratory resistance besides."""
    found = []
    for loss in losses:
        breaths, width = designs(p, f, rate_hz, start, turn, end, drive, loss)
        found += [fit(breaths, width, columns) for columns in ((0, 1, 2), (0, 1, 2, 3))]
    return found


def power_curve(time: Samples, slope: float, index: float, offset: float) -> Samples:
    """P = a·t^b + c."""
    return np.asarray(slope * time**index + offset, np.float64)


def stress_indices(p: Samples, rate_hz: float, start: Indices, last: Indices) -> Samples:
    """Stage 4: b of P = a·t^b + c over the settled part of every inflation, from its means over twelve parts."""
    found = np.full(len(start), np.nan)
    for j, (s, e) in enumerate(zip(start, last, strict=True)):
        a = s + max(int(stress.SETTLED_S * rate_hz), (e - s) // 4)
        b = e - max(1, int(0.05 * rate_hz))
        if b - a < 12:
            continue
        cuts = a + np.arange(stress.STRESS_POINTS + 1) * (b - a) // stress.STRESS_POINTS
        pressure = np.add.reduceat(p[:b], cuts[:-1]) / np.diff(cuts)
        time = (0.5 * (cuts[:-1] + cuts[1:] - 1) - s + 1) / rate_hz
        rise = (pressure[-1] - pressure[0]) / (time[-1] - time[0])
        try:
            found[j] = curve_fit(power_curve, time, pressure, p0=(rise, 1.0, pressure[0] - rise * time[0]))[0][1]
        except RuntimeError:
            continue
    return found
