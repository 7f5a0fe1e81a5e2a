"""Stress index: how the airway pressure bends while flow is constant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.formulas._domain import Samples, refuse
from tidebench.kernels import kernel

LOWEST, HIGHEST = 0.2, 5.0
FEWEST_SAMPLES = 8

_GRID = 24
_GOLDEN = 0.6180339887498949
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
    only b is searched, from 0.2 to 5, on a grid and then by golden section.
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
def _line(log_time: Samples, pressure: Samples, index: float) -> tuple[float, float, float]:
    """Slope, offset and sum of squared residuals of the straight line in t^b."""
    n = len(log_time)
    power = np.exp(index * log_time)
    mean_power, mean_pressure = np.mean(power), np.mean(pressure)
    spread = product = total = 0.0
    for i in range(n):
        x, y = power[i] - mean_power, pressure[i] - mean_pressure
        spread += x * x
        product += x * y
        total += y * y
    slope = product / spread
    return slope, float(mean_pressure - slope * mean_power), total - slope * product


@kernel
def _best_index(log_time: Samples, pressure: Samples) -> float:
    """The b of the least squares between its bounds; NaN where it lies on a bound."""
    step = np.log(HIGHEST / LOWEST) / _GRID
    best, lowest = 0, np.inf
    for k in range(_GRID + 1):
        squares = _line(log_time, pressure, LOWEST * np.exp(k * step))[2]
        if squares < lowest:
            best, lowest = k, squares
    if best in (0, _GRID):
        return np.nan
    left, right = (best - 1) * step, (best + 1) * step
    while right - left > _PRECISION:
        lower, upper = right - _GOLDEN * (right - left), left + _GOLDEN * (right - left)
        at_lower = _line(log_time, pressure, LOWEST * np.exp(lower))[2]
        at_upper = _line(log_time, pressure, LOWEST * np.exp(upper))[2]
        if at_lower < at_upper:
            right = upper
        else:
            left = lower
    return float(LOWEST * np.exp(0.5 * (left + right)))


@kernel
def _index_error(log_time: Samples, index: float, slope: float, variance: float) -> float:
    """Standard error of b: what its derivative a·t^b·ln t keeps when the line in t^b is taken out of it."""
    power = np.exp(index * log_time)
    weighted = power * log_time
    mean_power, mean_weighted = np.mean(power), np.mean(weighted)
    powers = products = squares = 0.0
    for i in range(len(log_time)):
        x, y = power[i] - mean_power, weighted[i] - mean_weighted
        powers += x * x
        products += x * y
        squares += y * y
    return float(np.sqrt(variance / (slope * slope * (squares - products * products / powers))))


@kernel
def stress_index_kernel(time: Samples, pressure: Samples) -> tuple[float, float, float, float, float, float]:
    """b, its standard error, a, c, residual and R²: the fit without its checks, for loops over breaths."""
    n = len(time)
    log_time = np.log(time / time[n - 1])
    index = _best_index(log_time, pressure)
    slope, offset, _ = _line(log_time, pressure, index)
    if not slope > 0.0:
        return np.nan, np.nan, np.nan, np.nan, np.nan, np.nan
    left = pressure - (slope * np.exp(index * log_time) + offset)
    variance = np.sum(left * left) / (n - 3)
    error = _index_error(log_time, index, slope, variance)
    explained = 1.0 - variance * (n - 3) / (n * np.var(pressure))
    return index, error, slope / time[n - 1] ** index, offset, np.sqrt(variance), explained
