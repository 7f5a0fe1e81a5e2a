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
    """

    rate_hz: float
    channels: Mapping[str, Samples]
    gaps: tuple[Interval, ...] = ()
    start: datetime | None = None
    steps: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    source: str = ""
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
