"""Mean breaths: the present simulated over the recording, and the band within which the doubt of a fit leaves them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.fitting.effort import muscle_pressure
from tidebench.fitting.fit import Fit
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.predict import Prediction
from tidebench.fitting.records import HIGH, LOW, Samples
from tidebench.fitting.ventilator import some_waves
from tidebench.simulation.solution import Solution

Curves = tuple[Samples, Samples, Samples]
Band = tuple[Curves, Curves]
"""The lower and the upper edge of mean breaths."""
FEWEST_IN_BAND = 20  # patients: a twentieth of fewer is nobody
SHIFT_S = 0.1  # by which a breath's beginning as seen may lie from the one that is known


@dataclass(frozen=True)
class Overlay:
    """Mean breaths, recorded and simulated: time (s), pressure (cmH2O), flow (L/s), volume (L), shape (n,).

    ``shift`` is by how many samples later than the machine's beginning of a breath the simulated are cut.
    ``muscle_cmh2o`` is the mean muscle pressure by the fitted lung, None where nobody breathes.
    ``pressure_error_cmh2o`` and ``volume_error_percent`` are root mean square over the breath, and of the inspired
    volume.
    """

    time_s: Samples
    recorded: Curves
    simulated: Curves
    shift: int
    muscle_cmh2o: Samples | None
    pressure_error_cmh2o: float
    volume_error_percent: float


def mean_breath(curves: list[Curves], n: int) -> Curves:
    """Means over breaths cut, or held at their last value, to ``n`` samples."""
    told = np.empty((3, len(curves), n))
    for j, curve in enumerate(curves):
        for k, values in enumerate(curve):
            told[k, j, : len(values)] = values[:n]
            told[k, j, len(values) :] = values[-1]
    pressure, flow, volume = told.mean(axis=1)
    return pressure, flow, volume


def of_recording(fit: Fit) -> list[Curves]:
    """Breaths of the window at the simulation's rate."""
    out = []
    for each in some_waves(fit.window, fit.window.breaths):
        at = np.arange(0.0, len(each.flow) * each.dt, 1.0 / RATE_HZ)
        own = np.arange(len(each.flow)) * each.dt
        out.append((np.interp(at, own, each.pressure), np.interp(at, own, each.flow), np.interp(at, own, each.volume)))
    return out


def of_prediction(told: Prediction, shift: int = 0) -> list[Curves]:
    """Settled breaths of the estimate, cut ``shift`` samples later."""
    return settled(*told.simulated[0], shift)


def settled(done: Solution, settled_s: float, shift: int = 0) -> list[Curves]:
    """Breaths of one drawn patient from ``settled_s`` on, cut ``shift`` samples later."""
    rows, channels = done.breath_rows, done.channels
    out = []
    for start, end in zip(rows["start"], rows["end"], strict=True):
        if start >= settled_s and np.isfinite(end):
            part = slice(round(start * RATE_HZ) + shift, round(end * RATE_HZ) + shift)
            p, f, v = (channels[name][part] for name in ("airway_pressure", "flow", "lung_volume"))
            out.append((p, f, v - v[:1]))
    return out


def band(told: Prediction, estimate: Curves, shift: int = 0) -> Band | None:
    """Where nine tenths of drawn patients' mean breaths lie at each moment of the estimate's; None of too few patients.

    As the intervals of the table do, it holds the estimate. A shorter breath stays at its last value.
    """
    n = len(estimate[0])
    drawn = [mean_breath(curves, n) for one in told.simulated if (curves := settled(*one, shift))]
    if not n or len(drawn) < FEWEST_IN_BAND:
        return None
    low, high = np.quantile(np.array(drawn), [LOW, HIGH], axis=0)
    low, high = np.minimum(low, estimate), np.maximum(high, estimate)
    return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def aligned(told: Prediction, recorded: Curves) -> tuple[Curves, int]:
    """Mean breath of the estimate, cut where its pressure and flow, as shares of their ranges, lie nearest the
    recorded, and by how many samples later that is.

    In a recording a breath begins where it is seen to, in a simulation where the machine begins it.
    """
    n, most = len(recorded[1]), round(SHIFT_S * RATE_HZ)
    means = ((mean_breath(of_prediction(told, shift), n), shift) for shift in range(-most, most + 1))
    return min(means, key=lambda mean: sum(_apart(mean[0][k], recorded[k]) for k in (0, 1)))


def _apart(one: Samples, other: Samples) -> float:
    """Mean square of the difference, as a share of the other's range."""
    return float(np.mean((one - other) ** 2)) / max(float(np.ptp(other)) ** 2, 1e-12)


def mean_muscle(fit: Fit, n: int) -> Samples | None:
    """Mean muscle pressure of the window's breaths by the fitted lung, cmH2O, shape (n,); None if nobody breathes."""
    if fit.drive is None:
        return None
    curves = []
    for each in some_waves(fit.window, fit.window.breaths):
        own = np.arange(len(each.flow)) * each.dt
        curve = np.interp(np.arange(n) / RATE_HZ, own, muscle_pressure(each, fit.mechanics))
        curves.append(curve)
    return np.asarray(np.mean(curves, axis=0), np.float64)


def overlay(fit: Fit, now: Prediction) -> Overlay:
    """Recorded against simulated, on the settings of the recording."""
    recorded = of_recording(fit)
    n = int(np.median([len(p) for p, _, _ in recorded]))
    left = mean_breath(recorded, n)
    right, shift = aligned(now, left)
    volume = max(float(np.ptp(left[2])), 1e-6)
    return Overlay(
        np.arange(n) / RATE_HZ, left, right, shift, mean_muscle(fit, n),
        float(np.sqrt(np.mean((left[0] - right[0]) ** 2))),
        100 * abs(float(right[2].max() - left[2].max())) / volume,
    )  # fmt: skip
