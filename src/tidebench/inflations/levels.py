"""Local levels and scales of a recording: what "baseline" and "large" mean here, from preterm to adult.

Nothing in the search for inflations compares a sample with a number in L/min or cmH2O; it compares with these.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]

HOP_S = 0.5  # grid on which levels are given
WINDOW_S = 15.0  # longer than any hold, so that every window sees an expiration
GRID_HZ = 10.0  # density of samples that the percentiles are taken from
LEAST_PRESSURE_SCALE = 3.0  # cmH2O: no support is smaller; below it, pressure is not evidence of an inflation
BINS = 256


@dataclass(frozen=True)
class Levels:
    """Levels on a grid of ``hop`` samples; index a sample i with ``i // hop``.

    ``baseline`` is the pressure at rest between inflations, steps kept sharp; ``pressure`` and ``flow`` are the local
    sizes of inflations (cmH2O, L/s); ``flow_baseline`` is the resting inflow that a leak or base flow leaves;
    ``valve`` is the resistance of the expiratory valve, cmH2O·s/L, from p = baseline + valve·(−flow) in expiration.
    """

    hop: int
    baseline: Samples
    pressure: Samples
    flow: Samples
    flow_baseline: Samples
    valve: float


@kernel
def running_percentiles(
    x: Samples, stride: int, hop: int, window: int, shares: Samples, lo: float, hi: float
) -> Samples:
    """Percentiles of x in a centred window, on a grid; shape (len(shares), ceil(n / hop)).

    A histogram of ``BINS`` bins between lo and hi is updated sample by sample; values are drawn straight within a bin.
    """
    n = len(x)
    points = (n + hop - 1) // hop
    out = np.full((len(shares), points), np.nan)
    counts = np.zeros(BINS, np.int64)
    scale = BINS / (hi - lo)
    total = 0
    head = 0
    tail = 0
    for g in range(points):
        first = max(0, g * hop + hop // 2 - window // 2)
        last = min(n, g * hop + hop // 2 + window // 2 + 1)
        while head < last:
            if np.isfinite(x[head]):
                counts[min(BINS - 1, max(0, int((x[head] - lo) * scale)))] += 1
                total += 1
            head += stride
        while tail < first:
            if np.isfinite(x[tail]):
                counts[min(BINS - 1, max(0, int((x[tail] - lo) * scale)))] -= 1
                total -= 1
            tail += stride
        if total == 0:
            continue
        cumulated = 0
        k = 0
        for b in range(BINS):
            cumulated += counts[b]
            while k < len(shares) and cumulated >= shares[k] * total:
                within = (cumulated - shares[k] * total) / counts[b] if counts[b] else 0.5
                out[k, g] = lo + (b + 1.0 - within) / scale
                k += 1
            if k == len(shares):
                break
    return out


@kernel
def valve_resistance(
    p: Samples, f: Samples, hop: int, stride: int, baseline: Samples, size: Samples, flow: Samples
) -> float:
    """Slope of p − baseline on −f over brisk expiration, where p lies in the lower half of its range."""
    xx = 0.0
    xy = 0.0
    for i in range(0, len(p), stride):
        g = i // hop
        if f[i] < -0.15 * flow[g] and p[i] - baseline[g] < 0.5 * size[g]:
            xx += f[i] * f[i]
            xy -= f[i] * (p[i] - baseline[g])
    return max(0.0, xy / xx) if xx > 0 else 0.0


def sliding_maximum(x: Samples, width: int) -> Samples:
    """Largest value in a centred window; NaN is passed over."""
    known = pl.Series(x).fill_nan(None)
    return known.rolling_max(width, min_samples=1, center=True).fill_null(-np.inf).to_numpy()


def bounds(x: Samples) -> tuple[float, float]:
    """Range for a histogram: a little wider than the finite samples."""
    lo, hi = float(np.nanmin(x)), float(np.nanmax(x))
    return lo - 1e-9, hi + max(1e-9, (hi - lo) * 1e-6)


def find_levels(p: Samples, f: Samples, rate_hz: float) -> Levels:
    """Levels of one stretch of pressure (cmH2O) and flow (L/s), shape (n,), NaN in gaps.

    The baseline is a running low percentile followed by a running maximum of the same width (a morphological opening
    with a percentile for the minimum): inflations and holds are removed, a change of PEEP stays where it is.
    """
    stride = max(1, floor(rate_hz / GRID_HZ))
    hop = max(1, round(HOP_S * rate_hz))
    window = round(WINDOW_S * rate_hz)
    low, high = running_percentiles(p, stride, hop, window, np.array([0.10, 0.98]), *bounds(p))
    median_flow, high_flow = running_percentiles(f, stride, hop, window, np.array([0.50, 0.97]), *bounds(f))
    baseline = sliding_maximum(low, round(WINDOW_S / HOP_S))
    size = high - baseline
    size = np.fmax(np.fmax(size, 0.3 * np.nanmedian(size)), LEAST_PRESSURE_SCALE)
    flow_baseline = np.fmax(0.0, median_flow)
    flow = np.fmax(high_flow - flow_baseline, 0.3 * np.nanmedian(high_flow - flow_baseline))
    valve = valve_resistance(p, f, hop, stride, baseline, size, flow)
    return Levels(hop, baseline, size, flow, flow_baseline, valve)
