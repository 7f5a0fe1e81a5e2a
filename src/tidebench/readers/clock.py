"""The clock: from a column of times to one even grid, told what was done.

An even clock costs one pass and no sample moves. Anything else (lost rows, repeats, jumps, jitter) is set right here,
and every step is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from tidebench.errors import SignalError

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

BRIDGED_S = 0.05
"""The longest stretch without samples that may be interpolated; anything longer is a gap."""
RATES_HZ = (20.0, 1000.0)
MOST_SAMPLES = 400_000_000
SHORTEST_S = 1.0
UNKNOWN_GAP_S = 1.0
"""Length given to the gap where a clock was set back: the true one can't be known."""
EVEN = 0.1
"""How far, in samples, a time may lie from its place on the grid before the samples are interpolated."""


@dataclass
class Sampled:
    """Channels on an even grid: NaN where nothing was recorded. ``offset_s`` is the time column's value at sample 0."""

    rate_hz: float
    channels: dict[str, Samples]
    offset_s: float
    steps: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def on_grid(time_s: Samples, channels: Mapping[str, Samples], where: str) -> Sampled:
    """Channels on one even grid.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Time of each row [s], any origin; NaN where the cell was empty.
    channels : mapping of str to ndarray, shape (n,)
        Any unit; NaN where the cell was empty.
    where : str
        The file, for messages.

    Raises
    ------
    SignalError
        A clock that stands still or tells no time, a rate outside 20 to 1000 Hz, too few or too many samples.
    """
    rate = _even_rate(time_s)
    if rate is not None:
        _check_extent(rate, len(time_s) / rate, where)
        return Sampled(rate, dict(channels), float(time_s[0]))
    return _set_right(time_s, channels, where)


def _even_rate(time_s: Samples) -> float | None:
    """The rate of a clock that needs nothing done to it, else None."""
    n = len(time_s)
    if n < 2 or not time_s[-1] > time_s[0]:
        return None
    period = (time_s[-1] - time_s[0]) / (n - 1)
    allowed = EVEN * period
    for start in range(0, n, 1 << 17):
        block = time_s[start : start + (1 << 17)]
        off = block - (time_s[0] + period * np.arange(start, start + len(block)))
        if not (off.max() <= allowed and off.min() >= -allowed):
            return None
    return _sensible(1.0 / period, (n - 1) * period)


def _sensible(rate_hz: float, duration_s: float) -> float:
    """The roundest rate (or round period) that does not drift a twentieth of a sample over the whole recording."""
    allowed = 0.05 / duration_s
    for digits in range(7):
        for candidate in (round(rate_hz, digits), 1.0 / max(round(1.0 / rate_hz, digits + 3), 1e-12)):
            if abs(candidate - rate_hz) <= allowed:
                return candidate
    return rate_hz


def _check_extent(rate_hz: float, duration_s: float, where: str) -> None:
    low, high = RATES_HZ
    if not low * 0.999 <= rate_hz <= high * 1.001:
        raise SignalError(
            f"the time column gives {rate_hz:.4g} samples per second",
            where=where,
            expected=f"{low:g} to {high:g}",
            remedy="If that is not the true rate, the unit of the time column is wrong: say it in [recording.columns].",
        )
    if duration_s < SHORTEST_S:
        raise SignalError(f"the recording lasts {duration_s:.2f} s", where=where, expected="one breath at the least")
    if duration_s * rate_hz > MOST_SAMPLES:
        raise SignalError(
            f"the time column spans {duration_s / 3600:.0f} h, {duration_s * rate_hz:.3g} samples",
            where=where,
            expected=f"at most {MOST_SAMPLES:.0e} samples",
            remedy="If the clock is right, cut the recording into parts and review each.",
        )


def _set_right(time_s: Samples, channels: Mapping[str, Samples], where: str) -> Sampled:
    """The long way: rows that tell no time go, repeats go, jumps become gaps, and what is uneven is interpolated."""
    warnings: list[str] = []
    time_s, keep = _increasing(time_s, channels, warnings, where)
    kept = {name: samples[keep] for name, samples in channels.items()}
    rate = _mean_rate(time_s)
    _check_extent(rate, time_s[-1] - time_s[0] + 1.0 / rate, where)
    sampled = _place(time_s, kept, rate)
    sampled.warnings = warnings
    return sampled


def _increasing(
    time_s: Samples, channels: Mapping[str, Samples], warnings: list[str], where: str
) -> tuple[Samples, Indices]:
    """Strictly increasing times, and which rows they belong to."""
    rows = np.flatnonzero(np.isfinite(time_s))
    if len(rows) < len(time_s):
        warnings.append(f"{len(time_s) - len(rows)} rows have no time and were left out")
    if len(rows) < 2:
        raise SignalError("fewer than two rows have a time", where=where, expected="rows of time, pressure and flow")
    times = time_s[rows]
    step = np.diff(times)
    if not (step > 0).any():
        raise SignalError("the clock stands still: the time column never advances", where=where)
    back = np.flatnonzero(step < 0) + 1
    if len(back):
        for row in back:
            warnings.append(
                f"the clock jumps back by {times[row - 1] - times[row]:.3g} s at row {rows[row] + 1}: what follows is "
                f"placed after a gap of {UNKNOWN_GAP_S:g} s, whose true length is unknown"
            )
        shifts = np.zeros(len(times))
        shifts[back] = times[back - 1] - times[back] + UNKNOWN_GAP_S
        times = times + np.cumsum(shifts)
        step = np.diff(times)
    fresh = np.concatenate(([True], step > 0))
    if not fresh.all():
        warnings.append(f"{np.count_nonzero(~fresh)} rows repeat the time of the row before and were left out")
    return times[fresh], rows[fresh]


def _mean_rate(time_s: Samples) -> float:
    """Mean rate over all pairs of rows between which no row is missing."""
    step = np.diff(time_s)
    single = step < 1.5 * np.median(step)
    return _sensible(float(np.count_nonzero(single) / step[single].sum()), time_s[-1] - time_s[0])


def _place(time_s: Samples, channels: Mapping[str, Samples], rate: float) -> Sampled:
    """Rows on the grid: moved by index where each stretch is even, else interpolated."""
    position = (time_s - time_s[0]) * rate
    stretch = np.concatenate(([0], np.flatnonzero(np.diff(position) > 1.0 + BRIDGED_S * rate) + 1))
    lengths = np.diff(np.append(stretch, len(position)))
    phase = np.repeat(position[stretch] - np.round(position[stretch]), lengths)
    index = np.round(position - phase)
    if np.abs(position - phase - index).max() <= EVEN and (np.diff(index) > 0).all():
        slots = index.astype(np.intp)
        placed = {name: _scatter(samples, slots) for name, samples in channels.items()}
        return Sampled(rate, placed, float(time_s[0]))
    return _interpolate(time_s, channels, rate)


def _scatter(samples: Samples, slots: Indices) -> Samples:
    out = np.full(slots[-1] + 1, np.nan)
    out[slots] = samples
    return out


def _interpolate(time_s: Samples, channels: Mapping[str, Samples], rate: float) -> Sampled:
    grid = time_s[0] + np.arange(int((time_s[-1] - time_s[0]) * rate + 1e-6) + 1) / rate
    before = np.clip(np.searchsorted(time_s, grid, side="right") - 1, 0, len(time_s) - 2)
    hole = np.diff(time_s)[before] > BRIDGED_S + 1.0 / rate
    hole &= (grid > time_s[before] + 1e-9) & (grid < time_s[before + 1] - 1e-9)
    placed = {}
    for name, samples in channels.items():
        placed[name] = np.interp(grid, time_s, samples)
        placed[name][hole] = np.nan
    return Sampled(rate, placed, float(time_s[0]), [f"uneven clock: interpolated linearly to {rate:g} Hz"])
