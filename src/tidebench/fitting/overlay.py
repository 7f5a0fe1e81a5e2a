"""The present, simulated over the recording: how well the fitted patient reproduces what was recorded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidebench.fitting.effort import muscle_pressure
from tidebench.fitting.fit import Fit
from tidebench.fitting.measured import RATE_HZ
from tidebench.fitting.predict import Prediction
from tidebench.fitting.records import Samples
from tidebench.fitting.ventilator import some_waves

Curves = tuple[Samples, Samples, Samples]
SHIFT_S = 0.1  # by which a breath's beginning as seen may lie from the one that is known


@dataclass(frozen=True)
class Overlay:
    """Mean breaths, recorded and simulated: time (s), pressure (cmH2O), flow (L/s), volume (L), shape (n,).

    ``muscle_cmh2o`` is the mean muscle pressure by the fitted lung, None where nobody breathes.
    ``pressure_error_cmh2o`` and ``volume_error_percent`` are root mean square over the breath, and of the inspired
    volume.
    """

    time_s: Samples
    recorded: Curves
    simulated: Curves
    muscle_cmh2o: Samples | None
    pressure_error_cmh2o: float
    volume_error_percent: float


def mean_breath(curves: list[Curves], n: int) -> Curves:
    """Means over breaths cut, or held at their last value, to ``n`` samples."""
    told = [
        np.mean([np.pad(curve[k][:n], (0, max(0, n - len(curve[k]))), mode="edge") for curve in curves], axis=0)
        for k in range(3)
    ]
    return told[0], told[1], told[2]


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
    rows, channels = told.estimate.raw_breaths, told.estimate.channels
    out = []
    for start, end in rows.select("start", "end").rows():
        if start >= told.settled_s and np.isfinite(end):
            part = slice(round(start * RATE_HZ) + shift, round(end * RATE_HZ) + shift)
            p, f, v = (channels[name][part] for name in ("airway_pressure", "flow", "lung_volume"))
            out.append((p, f, v - v[:1]))
    return out


def aligned(told: Prediction, recorded: Curves) -> Curves:
    """Mean breath of the estimate, cut where its flow lies nearest the recorded.

    In a recording a breath begins where it is seen to, in a simulation where the machine begins it.
    """
    n, most = len(recorded[1]), round(SHIFT_S * RATE_HZ)
    means = (mean_breath(of_prediction(told, shift), n) for shift in range(-most, most + 1))
    return min(means, key=lambda mean: float(np.sum((mean[1] - recorded[1]) ** 2)))


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
    right = aligned(now, left)
    volume = max(float(np.ptp(left[2])), 1e-6)
    return Overlay(
        np.arange(n) / RATE_HZ, left, right, mean_muscle(fit, n),
        float(np.sqrt(np.mean((left[0] - right[0]) ** 2))),
        100 * abs(float(right[2].max() - left[2].max())) / volume,
    )  # fmt: skip
