"""A stretch of breaths as the efforts stage sees it, and the equation's sums over it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import HARMONICS, LONGEST_EXPIRATION_S, Sums, gather
from tidebench.efforts.heartbeat import rate_of_starts
from tidebench.formulas.tube import Rohrer, TubeLaw, nearest_pressure_drop
from tidebench.inflations.leak import Loss
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

LONGEST_WINDOW_S = 0.16  # smoothing: long against noise and secretions, short against a breath
WINDOW_SHARE = 0.2  # of inspiratory time, where that is shorter
STEEP = 0.25  # of the flow scale within two samples: an edge, not a breath
ENOUGH_SAMPLES = 20_000  # for a median known to 1 %
CHANCE = 4.0  # standard deviations that noise hardly ever reaches


@dataclass(frozen=True)
class Stretch:
    """Samples of one stretch without gaps in its breaths, and its breaths as sample indices, shape (n,) each."""

    pressure: Samples
    flow: Samples
    rate_hz: float
    start: Indices
    held: Indices  # where an inspiratory hold has gone on long enough; the turn if there is none
    turn: Indices
    free: Indices  # where expiration ends or is occluded
    end: Indices
    size: Samples  # local pressure scale at each breath
    drive: Samples  # local flow scale at each breath
    timed: Mask  # True where the ventilator's own time began the breath
    tube: TubeLaw | None  # the tube's published law, where one is known
    apart: int = 1  # samples from one to the next with noise of its own: more where a signal was read off a picture

    @property
    def dt(self) -> float:
        """Seconds per sample."""
        return 1.0 / self.rate_hz

    @cached_property
    def beat_of_triggers(self) -> float | None:
        """Heart rate in Hz that inflations keep which the ventilator's time didn't begin; None where they keep none."""
        return rate_of_starts(np.asarray(self.start[~self.timed] * self.dt, np.float64))

    @property
    def square(self) -> float:
        """Flow-squared resistance of the tube by its law, cmH2O·s²/L²; NaN where none of that form is known."""
        return self.tube.k2 if isinstance(self.tube, Rohrer) else np.nan

    def beyond_tube(self) -> Samples:
        """Pressure beyond the tube, where a cuff leaks, cmH2O: p − ΔP(f) by the tube's law."""
        assert self.tube is not None
        return np.asarray(self.pressure - nearest_pressure_drop(self.flow, self.tube), np.float64)


def window(stretch: Stretch) -> int:
    """Width of the smoothing, an odd number of samples."""
    inspiration = float(np.median(stretch.turn - stretch.start)) * stretch.dt
    return max(1, round(min(LONGEST_WINDOW_S, WINDOW_SHARE * inspiration) * stretch.rate_hz)) | 1


def flow_noise(stretch: Stretch) -> float:
    """Standard deviation of the flow sensor's noise, L/s, from second differences, which breathing hardly moves."""
    second = np.diff(stretch.flow, 2)
    second = second[:: max(1, len(second) // ENOUGH_SAMPLES)]
    second = second[np.isfinite(second)]
    return float(1.48 * np.median(np.abs(second)) / np.sqrt(6.0)) if len(second) else 0.0


def steep(stretch: Stretch) -> Samples:
    """Change of flow within two samples beyond which it is an edge, at each breath, L/s; noise doesn't reach it."""
    return np.asarray(np.maximum(STEEP * stretch.drive, CHANCE * np.sqrt(2.0) * flow_noise(stretch)), np.float64)


def longest(stretch: Stretch) -> int:
    """Samples of expiration after which nothing more is learned of a breath."""
    return round(LONGEST_EXPIRATION_S * stretch.rate_hz)


def passed_by(stretch: Stretch, heart_hz: float | None) -> Samples:
    """The share of each of the heartbeat's harmonics that smoothing lets through; empty without a heartbeat."""
    if heart_hz is None:
        return np.zeros(0)
    return np.asarray(np.sinc(np.arange(1, HARMONICS + 1) * heart_hz * window(stretch) * stretch.dt), np.float64)


def sums_with(stretch: Stretch, loss: Loss, phase: Samples, heart_hz: float | None) -> Sums:
    """The equation's sums with a loss taken off, and a heartbeat among the columns where one is given."""
    width = window(stretch)
    arrays = gather(
        stretch.pressure, stretch.flow, stretch.start, stretch.held, stretch.turn, stretch.free, stretch.dt,
        loss.offset, loss.leak, loss.exponent, loss.across, phase, passed_by(stretch, heart_hz), steep(stretch), width,
        longest(stretch), stretch.apart,
    )  # fmt: skip
    return Sums(*arrays, width, stretch.apart)


@kernel
def lost(across: Samples, start: Indices, end: Indices, offset: Samples, leak: Samples, exponent: float) -> Samples:
    """The flow that offset and leak take at every sample of every breath, L/s, shape (len(across),); zero elsewhere."""
    out = np.zeros(len(across))
    for j in range(len(start)):
        for i in range(start[j], end[j]):
            out[i] = offset[j]
            if leak[j] > 0 and across[i] > 0:
                out[i] += leak[j] * across[i] ** exponent
    return out


def loss_flow(stretch: Stretch, loss: Loss) -> Samples:
    """:func:`lost` of a loss."""
    return lost(loss.across, stretch.start, stretch.end, loss.offset, loss.leak, loss.exponent)


def unleaked(stretch: Stretch, loss: Loss) -> Stretch:
    """The stretch with the pressure that its tube would have taken had only the lung's flow passed it.

    What leaks beyond a tube has passed the tube: p − [ΔP(f − offset) − ΔP(f − offset − leak)] belongs to the flow that
    is left when the loss is taken off. A leak at the airway opening changes nothing.
    """
    if loss.across is stretch.pressure or not loss.leaking or stretch.tube is None:
        return stretch
    kept = stretch.flow - loss_flow(stretch, loss)
    through = stretch.flow - loss_flow(stretch, replace(loss, leak=np.zeros_like(loss.leak)))
    more = nearest_pressure_drop(through, stretch.tube) - nearest_pressure_drop(kept, stretch.tube)
    return replace(stretch, pressure=np.asarray(stretch.pressure - more, np.float64))
