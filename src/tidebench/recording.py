"""Sampled channels on one clock: the type that everything else works on, measured or simulated."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from tidebench.interval import Interval

Samples = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Uncertainty:
    """How far the samples of a recording may be off, each number one standard deviation.

    Attributes
    ----------
    samples : mapping of str to ndarray, shape (n,)
        Of each sample by itself, in the channel's unit.
    together_s : float
        Seconds over which neighbouring samples err together.
    jitter_s : float
        Of the moment of each sample, which matters where a channel is steep.
    offset, scale, shift_s : mapping of str to float
        Of a channel as a whole: its zero in its unit, its scale as a share, its clock in seconds.
    clock : float
        Of the length of a second, as a share; all channels together.
    notes : tuple of str
        What a reader of the recording should know about how it was made.
    above, below : mapping of str to ndarray, shape (n,)
        No standard deviations: how far the channel may have gone beyond each sample for an instant, where what it was
        taken from shows the outermost of several.
    """

    samples: Mapping[str, Samples]
    together_s: float
    jitter_s: float = 0.0
    offset: Mapping[str, float] = field(default_factory=dict)
    scale: Mapping[str, float] = field(default_factory=dict)
    shift_s: Mapping[str, float] = field(default_factory=dict)
    clock: float = 0.0
    notes: tuple[str, ...] = ()
    above: Mapping[str, Samples] = field(default_factory=dict)
    below: Mapping[str, Samples] = field(default_factory=dict)

    def drawn(self, recording: Recording, rng: np.random.Generator) -> Recording:
        """The recording as it may as well have been: errors drawn from normal distributions, and where samples fall."""
        time = np.arange(len(recording)) / recording.rate_hz
        phase = rng.uniform(-0.5, 0.5) / recording.rate_hz
        channels = {}
        for name, values in recording.channels.items():
            sd = self.samples.get(name, np.zeros(len(values)))
            late = self.jitter_s * self._together(len(values), recording.rate_hz, rng)
            moved = np.interp(time + phase + late + rng.normal(0.0, self.shift_s.get(name, 0.0)), time, values)
            moved[np.isnan(values)] = np.nan
            err = np.nan_to_num(sd) * self._together(len(values), recording.rate_hz, rng)
            middle = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
            stretched = middle + (moved - middle) * (1 + rng.normal(0.0, self.scale.get(name, 0.0)))
            channels[name] = stretched + rng.normal(0.0, self.offset.get(name, 0.0)) + err
        rate = recording.rate_hz * (1 + rng.normal(0.0, self.clock))
        return replace(recording, rate_hz=rate, channels=channels)

    def apart(self, rate_hz: float) -> int:
        """Samples from one to the next that errs for the most part by itself: half of those that err together."""
        return max(1, round(self.together_s / 2 * rate_hz))

    def _together(self, n: int, rate_hz: float, rng: np.random.Generator) -> Samples:
        """Standard normal numbers, neighbours within ``together_s`` alike."""
        reach = max(1, round(self.together_s * rate_hz))
        summed = np.cumsum(np.concatenate([[0.0], rng.standard_normal(n + reach - 1)]))
        alike: Samples = (summed[reach:] - summed[:-reach]) / np.sqrt(reach)
        return alike


@dataclass(frozen=True)
class Recording:
    """Channels sampled evenly on one clock.

    ::

        sample   0        1        2   ...        n-1
        time     0        1/rate   2/rate         (n-1)/rate        seconds on the case clock

    Attributes
    ----------
    rate_hz : float
        Samples per second.
    channels : mapping of str to ndarray, shape (n,)
        Canonical units (pressure cmH2O, flow L/s, volume L, CO2 mmHg), inspiration positive. Keys are channel
        quantities: ``airway_pressure`` and ``flow`` always, others where recorded. All are NaN inside gaps; pressure
        and flow only there, others also where they alone are missing.
    gaps : tuple of Interval
        Where pressure or flow was not recorded. Never bridged.
    start : datetime or None
        Wall clock of sample 0, where the file tells.
    steps : tuple of str
        What was done to the samples since they were read, in order: conversions, resampling, a turned sign.
    warnings : tuple of str
        What a reader should know about this recording: duplicates, backward jumps, an uneven clock.
    source : str
        File name, or what made it.
    uncertainty : Uncertainty or None
        How far samples may be off, where what made the recording tells (a picture does).
    """

    rate_hz: float
    channels: Mapping[str, Samples]
    gaps: tuple[Interval, ...] = ()
    start: datetime | None = None
    steps: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    source: str = ""
    uncertainty: Uncertainty | None = None
    _length: int = field(init=False, repr=False, default=0)

    def __post_init__(self) -> None:
        lengths = {name: len(samples) for name, samples in self.channels.items()}
        if len(set(lengths.values())) != 1:
            raise ValueError(f"channels differ in length: {lengths}")
        if not self.rate_hz > 0:
            raise ValueError(f"a sampling rate is positive, not {self.rate_hz}")
        for samples in self.channels.values():
            samples.setflags(write=False)
        object.__setattr__(self, "channels", MappingProxyType(dict(self.channels)))
        object.__setattr__(self, "_length", next(iter(lengths.values())))

    def __len__(self) -> int:
        return self._length

    def __getitem__(self, channel: str) -> Samples:
        return self.channels[channel]

    def __contains__(self, channel: str) -> bool:
        return channel in self.channels

    @property
    def duration_s(self) -> float:
        """Length in seconds, gaps included."""
        return len(self) / self.rate_hz

    @property
    def recording_id(self) -> str:
        """Hash of rate and samples: the same signals have the same identity, wherever their file lies."""
        digest = hashlib.blake2b(f"{float(self.rate_hz)!r}".encode(), digest_size=16)
        for name in sorted(self.channels):
            digest.update(name.encode())
            digest.update(np.ascontiguousarray(self.channels[name]).data)
        return digest.hexdigest()

    def with_channel(self, name: str, samples: Samples, step: str) -> Recording:
        """A recording with one more (or another) channel, and the step that made it listed."""
        return replace(self, channels={**self.channels, name: samples}, steps=(*self.steps, step))
