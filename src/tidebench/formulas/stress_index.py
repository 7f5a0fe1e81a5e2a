"""Stress index: how the airway pressure bends while flow is constant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.formulas._domain import Samples, refuse
from tidebench.kernels import kernel

LOWEST, HIGHEST = 0.2, 5.0
FEWEST_SAMPLES = 8

_GRID = 16
_STEPS = 60
_PRECISION = 1e-7


@dataclass(frozen=True, slots=True)
class StressIndexFit:
    """``P = a·t^b + c`` fitted to one stretch of constant flow.

    Attributes
    ----------
    index : float
        b, without unit. NaN where the pressure does not tell it (level, falling, or b beyond 0.2 to 5).
    index_se : float
        Its standard error, from the residuals taken as independent: a heartbeat makes it too small.
    slope, offset : float
        a [cmH2O/s^b] and c [cmH2O].
    residual_cmh2o : float
        Root mean square of what the curve leaves [cmH2O], by degrees of freedom.
    r_squared : float
        Part of the pressure's variance that the curve explains.
    samples : int
        How many samples it stands on.
    """

    index: float
    index_se: float
    slope: float
    offset: float
    residual_cmh2o: float
    r_squared: float
    samples: int


def fit_stress_index(time_s: Samples, pressure_cmh2o: Samples) -> StressIndexFit:
    """Fit ``P = a·t^b + c`` by least squares.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Time since flow began [s], above zero, rising; at least 8 samples. The stretch must be one of constant flow in a
        passive breath, its first and last moments left out: that is for the caller to see to.
    pressure_cmh2o : ndarray, shape (n,)
        Airway pressure [cmH2O].

    Returns
    -------
    StressIndexFit
        Its numbers are NaN where a sample is NaN or the pressure does not tell b.

    Raises
    ------
    OptionError
        Arrays of different shape, too few samples, or times not above zero and rising.

    Notes
    -----
    Ranieri, Anesthesiology 2000;93:1320 and Grasso, Crit Care Med 2004;32:1018 (from memory): below 0.9 the pressure
    bends down (recruitment), above 1.1 up (overinflation). For any b, a and c follow from a straight line in t^b, so
    only b is searched, from 0.2 to 5, on a grid and then by Gauss–Newton steps, halved where they leave the bracket.
    """
    time = np.ascontiguousarray(time_s, dtype=np.float64)
    pressure = np.ascontiguousarray(pressure_cmh2o, dtype=np.float64)
    if time.ndim != 1 or time.shape != pressure.shape or len(time) < FEWEST_SAMPLES:
        refuse(
            "time_s and pressure_cmh2o",
            f"a pair of shapes {time.shape}, {pressure.shape}",
            f"one shape (n,), n ≥ {FEWEST_SAMPLES}",
        )
    if not (time[0] > 0.0 and np.all(np.diff(time) > 0.0)):
        refuse("time_s", "a clock that does not rise from above zero", "times since flow began, above zero and rising")
    index, index_se, slope, offset, residual, r_squared = stress_index_kernel(time, pressure)
    return StressIndexFit(index, index_se, slope, offset, residual, r_squared, len(time))


@kernel
def _line(log_time: Samples, pressure: Samples, index: float) -> tuple[float, float, float, float, float]:
    """Straight line in t^b: slope, offset, sum of squared residuals; then how b must move to lower it (Gauss–Newton,
    the line in t^b taken out of the derivative a·t^b·ln t), and the square of that derivative, summed.
    """
    n = len(log_time)
    level = float(np.mean(pressure))
    x = xx = xy = w = ww = xw = yw = yy = 0.0
    for i in range(n):
        y = pressure[i] - level
        power = np.exp(index * log_time[i])
        weighted = power * log_time[i]
        x += power
        xx += power * power
        xy += power * y
        w += weighted
        ww += weighted * weighted
        xw += power * weighted
        yw += y * weighted
        yy += y * y
    xx, ww, xw = xx - x * x / n, ww - w * w / n, xw - x * w / n
    slope = xy / xx
    curvature = slope * slope * (ww - xw * xw / xx)
    step = slope * (yw - slope * xw) / curvature if curvature > 0 else np.nan
    return slope, level - slope * x / n, yy - slope * xy, step, curvature


@kernel
def _best_index(log_time: Samples, pressure: Samples) -> float:
    """The b of the least squares between its bounds; NaN where it lies on a bound."""
    ratio = (HIGHEST / LOWEST) ** (1.0 / _GRID)
    best, lowest = 0, np.inf
    for k in range(_GRID + 1):
        squares = _line(log_time, pressure, LOWEST * ratio**k)[2]
        if squares < lowest:
            best, lowest = k, squares
    if best in (0, _GRID):
        return np.nan
    index = LOWEST * ratio**best
    left, right = index / ratio, index * ratio
    for _ in range(_STEPS):
        step = _line(log_time, pressure, index)[3]
        if step > 0:
            left = index
        else:
            right = index
        moved = index + step
        if not left < moved < right:
            moved = 0.5 * (left + right)
        if abs(moved - index) < _PRECISION:
            return float(moved)
        index = moved
    return float(index)


@kernel
def stress_index_kernel(time: Samples, pressure: Samples) -> tuple[float, float, float, float, float, float]:
    """b, its standard error, a, c, residual and R²: the fit without its checks, for loops over breaths."""
    n = len(time)
    log_time = np.log(time / time[n - 1])
    index = _best_index(log_time, pressure)
    slope, offset, squares, _, curvature = _line(log_time, pressure, index)
    if not slope > 0.0:
        return np.nan, np.nan, np.nan, np.nan, np.nan, np.nan
    variance = max(squares, 0.0) / (n - 3)
    explained = 1.0 - squares / (n * np.var(pressure))
    error, left = float(np.sqrt(variance / curvature)), float(np.sqrt(variance))
    return index, error, float(slope / time[n - 1] ** index), offset, left, float(explained)
