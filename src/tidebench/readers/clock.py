"""The clock: from a column of times to one even grid, told what was done.

An even clock costs one pass and no sample moves. Anything else (lost rows, repeats, jumps, jitter) is set right here,
and every step is said. Times printed with few decimals are even as long as they lie where rounding puts them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import polars as pl

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
MOST_JUMPS = 1000
"""How often a clock may be set back, and no oftener than once in a thousand rows, before it is no clock."""
REPEATED = 0.05
"""The share of rows that may repeat the time of the row before, before the clock is called too coarse."""

_EVEN = 0.1  # samples that a time may lie from its place on the grid before the channels are interpolated
_MOST_UNEVEN = 0.45  # the same where times are printed coarsely; a lost or repeated row shows as half a sample or more
_DRIFT = 0.25  # samples by which a rounded rate may be off at the end of the recording
_BLOCK = 1 << 15
_MORE_DECIMALS = "If the times are only printed too coarsely, export them with more decimals."


@dataclass
class Sampled:
    """Channels on an even grid: NaN where nothing was recorded. ``offset_s`` is the time column's value at sample 0."""

    rate_hz: float
    channels: dict[str, Samples]
    offset_s: float
    steps: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def on_grid(time_s: pl.Series, channels: Mapping[str, Samples], where: str) -> Sampled:
    """Channels on one even grid.

    Parameters
    ----------
    time_s : Series of Float64, length n
        Time of each row [s], any origin; null or NaN where the cell was empty.
    channels : mapping of str to ndarray, shape (n,)
        Any unit; NaN where the cell was empty.
    where : str
        The file, for messages.

    Raises
    ------
    SignalError
        A clock that stands still, runs to and fro or is too coarse; a rate outside 20 to 1000 Hz; a recording shorter
        than a second or of more than 400 million samples.
    """
    rate = _even_rate(time_s)
    if rate is not None:
        _check_extent(rate, len(time_s) / rate, where)
        return Sampled(rate, dict(channels), float(time_s[0]))
    return _set_right(time_s.to_numpy(), channels, where)


def _even_rate(time_s: pl.Series) -> float | None:
    """The rate of a clock that needs nothing done to it, else None. The column is passed over block by block."""
    n = len(time_s)
    if n < 2 or time_s.null_count() or not time_s[-1] > time_s[0]:
        return None
    first, period = time_s[0], (time_s[-1] - time_s[0]) / (n - 1)
    resolution = _resolution(time_s.gather_every(max(1, n // 1000)).to_numpy())
    allowed = min(max(_EVEN * period, 1.05 * resolution), _MOST_UNEVEN * period)
    ramp, off = first + period * np.arange(_BLOCK), np.empty(_BLOCK)
    for start in range(0, n, _BLOCK):
        block = time_s[start : start + _BLOCK].to_numpy()
        here = np.subtract(block, ramp[: len(block)], out=off[: len(block)])
        if not (here.max() <= start * period + allowed and here.min() >= start * period - allowed):
            return None
    return _sensible(1.0 / period, (n - 1) * period)


def _resolution(time_s: Samples) -> float:
    """The decimal step in which the times are printed [s]; 0 where there is none down to a microsecond."""
    some = time_s[:: max(1, len(time_s) // 1000)]
    for digits in range(7):
        scaled = some * 10.0**digits
        if (np.abs(scaled - np.round(scaled)) < 1e-3).all():
            return float(10.0**-digits)
    return 0.0


def _sensible(rate_hz: float, duration_s: float) -> float:
    """The roundest rate, or the rate of the roundest period, that stays true over the whole recording."""
    allowed = _DRIFT / duration_s
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
            remedy="If that is not the true rate, say the unit of the time column in [recording.columns].",
        )
    if duration_s < SHORTEST_S:
        raise SignalError(f"the recording lasts {duration_s:.2f} s", where=where, expected="one breath at the least")
    if duration_s * rate_hz > MOST_SAMPLES:
        raise SignalError(
            f"the time column spans {duration_s / 3600:.4g} h, {duration_s * rate_hz:.3g} samples",
            where=where,
            expected=f"at most {MOST_SAMPLES / 1e6:.0f} million samples",
            remedy="If the clock is right, cut the recording into parts and review each.",
        )


def _set_right(time_s: Samples, channels: Mapping[str, Samples], where: str) -> Sampled:
    """The long way: rows without a time go, repeats go, jumps become gaps, and what is uneven is interpolated."""
    warnings: list[str] = []
    times, rows = _timed(time_s, warnings, where)
    times, rows = _forward(times, rows, channels, warnings, where)
    times, rows = _without_repeats(times, rows, warnings, where)
    if warnings:  # else every row stands where it stood
        channels = {name: samples[rows] for name, samples in channels.items()}
    bounds, usual = _stretches(times)
    rate = _mean_rate(times, bounds, usual)
    _check_extent(rate, float(times[-1] - times[0]) + 1.0 / rate, where)
    sampled = _placed(times, channels, bounds, rate)
    sampled.warnings = warnings
    return sampled


def _timed(time_s: Samples, warnings: list[str], where: str) -> tuple[Samples, Indices]:
    """The times there are, and their rows."""
    timed = np.isfinite(time_s)
    untimed = len(time_s) - int(np.count_nonzero(timed))
    rows = np.flatnonzero(timed) if untimed else np.arange(len(time_s))
    times = time_s[rows] if untimed else time_s
    if len(times) < 2 or times.min() == times.max():
        raise SignalError(
            f"the clock stands still: {len(times)} rows, from row {rows[0] + 1} to row {rows[-1] + 1}, all at "
            f"{times[0]:.6g} s"
            if len(times) > 1
            else "fewer than two rows",
            where=where,
            expected="a row for every sample, with its time",
        )
    if untimed:
        warnings.append(f"rows without a time, left out: {untimed}")
    return times, rows


def _forward(
    times: Samples, rows: Indices, channels: Mapping[str, Samples], warnings: list[str], where: str
) -> tuple[Samples, Indices]:
    """Times that never run backwards: a file from the newest on turned round, swapped rows sorted, rows sent twice
    dropped, a clock set back shifted on.
    """
    back = np.flatnonzero(np.diff(times) < 0) + 1
    if not len(back):
        return times, rows
    if times[-1] < times[0] and (np.diff(times) <= 0).all():
        warnings.append(f"time runs backward throughout: all {len(times)} rows were turned round")
        return times[::-1], rows[::-1]
    order = _healing_order(times, back)
    if order is not None:
        warnings.append(f"rows out of order, sorted by their time: {len(back)}")
        return times[order], rows[order]
    times, rows = _without_strays(times, rows, back, warnings)
    back = np.flatnonzero(np.diff(times) < 0) + 1
    if len(back) > min(MOST_JUMPS, 3 + len(times) // 1000):
        raise SignalError(
            f"the time column runs backwards {len(back)} times, first at row {rows[back[0]] + 1}",
            where=where,
            expected="times in order",
        )
    return _one_after_the_other(times, rows, back, channels, warnings)


def _without_strays(times: Samples, rows: Indices, back: Indices, warnings: list[str]) -> tuple[Samples, Indices]:
    """Without single rows whose time is out of line, while those before and after it are in step with each other."""
    usual = float(np.median(np.diff(times)))
    candidates = np.concatenate((back - 1, back))
    candidates = candidates[(candidates > 0) & (candidates < len(times) - 1)]
    around = times[candidates + 1] - times[candidates - 1]
    stray = np.unique(candidates[(around > 0) & (around < 2.5 * usual)])
    if len(stray):
        warnings.append(f"rows whose time is out of line, left out: {len(stray)}")
    return np.delete(times, stray), np.delete(rows, stray)


def _healing_order(times: Samples, back: Indices) -> Indices | None:
    """The order by time, where rows are hardly displaced, or little and it leaves no two much closer than a step."""
    displaced = (times[back - 1] - times[back]).max()
    order = np.argsort(times, kind="stable")
    step = np.diff(times[order])
    healed = displaced <= UNKNOWN_GAP_S and step.min() >= 0.75 * np.median(step)
    return order if healed or displaced <= BRIDGED_S else None


def _one_after_the_other(
    times: Samples, rows: Indices, back: Indices, channels: Mapping[str, Samples], warnings: list[str]
) -> tuple[Samples, Indices]:
    """What lies between backward jumps: repeats dropped, the rest placed after what came before."""
    edges = [0, *back.tolist(), len(times)]
    parts, shift, end = [np.arange(edges[1])], 0.0, float(times[edges[1] - 1])
    shifts = [np.zeros(edges[1])]
    for start, stop in pairwise(edges[1:]):
        again = int(np.searchsorted(times[start:stop] + shift, end, side="right"))
        at = f"at row {rows[start] + 1}"
        if _sent_twice(times, rows, start, start + again, channels):
            warnings.append(f"rows recorded twice, {at}, left out once: {again}")
        else:
            warnings.append(
                f"the clock jumps back by {times[start - 1] - times[start]:.3g} s {at}: what follows is placed after "
                f"a gap of {UNKNOWN_GAP_S:g} s, whose true length is unknown"
            )
            shift, again = end - float(times[start]) + UNKNOWN_GAP_S, 0
        parts.append(np.arange(start + again, stop))
        shifts.append(np.full(stop - start - again, shift))
        end = max(end, float(times[stop - 1]) + shift)
    kept = np.concatenate(parts)
    return times[kept] + np.concatenate(shifts), rows[kept]


def _sent_twice(times: Samples, rows: Indices, start: int, stop: int, channels: Mapping[str, Samples]) -> bool:
    """True where rows from ``start`` to ``stop`` repeat earlier rows, times and values alike."""
    first = start - (stop - start)
    if first < 0 or not np.array_equal(times[first:start], times[start:stop]):
        return False
    old, new = rows[first:start], rows[start:stop]
    return all(np.array_equal(samples[old], samples[new], equal_nan=True) for samples in channels.values())


def _without_repeats(times: Samples, rows: Indices, warnings: list[str], where: str) -> tuple[Samples, Indices]:
    fresh = np.concatenate(([True], np.diff(times) > 0))
    repeats = len(times) - int(np.count_nonzero(fresh))
    if not repeats:
        return times, rows
    kept = np.flatnonzero(fresh)
    run = np.diff(np.append(kept, len(times)))
    longest = int(run.argmax())
    if (run[longest] - 1) * float(np.median(np.diff(times[kept]))) > BRIDGED_S:
        raise SignalError(
            f"the clock stands still at {times[kept[longest]]:.6g} s for {run[longest]} rows, "
            f"from row {rows[kept[longest]] + 1}",
            where=where,
            expected="a time for every sample",
            remedy=_MORE_DECIMALS,
        )
    if repeats > REPEATED * len(times):
        raise SignalError(
            f"{repeats} of {len(times)} rows repeat the time of the row before",
            where=where,
            expected="times finer than the interval between samples",
            remedy=_MORE_DECIMALS,
        )
    warnings.append(f"rows that repeat the time of the row before, left out: {repeats}")
    return times[fresh], rows[fresh]


def _stretches(times: Samples) -> tuple[Indices, float]:
    """Where stretches between gaps begin, with the number of rows at the end; and the usual step."""
    step = np.diff(times)
    usual = float(np.median(step[:: max(1, len(step) // 100_000)]))
    return np.concatenate(([0], np.flatnonzero(step > usual + BRIDGED_S) + 1, [len(times)])), usual


def _mean_rate(times: Samples, bounds: Indices, usual: float) -> float:
    """Mean rate within the stretches between gaps; a lost row counts, jitter and coarse print don't.

    The period is told from spans of 16 rows, most of which have lost none, and then from ever longer ones. Each span
    takes a whole number of periods, so the phase that is left over, averaged on the circle, corrects the period.
    """
    span = min(16, len(times) - 1)
    elapsed = _elapsed(times, bounds, span)
    if not len(elapsed):
        return 1.0 / usual
    whole = np.abs(elapsed - np.median(elapsed)) < 0.75 * usual
    period = float(elapsed[whole].mean()) / span
    while span < len(times) and len(elapsed := _elapsed(times, bounds, span)):
        phase = np.angle(np.exp(2j * np.pi * elapsed / period).mean()) / (2 * np.pi)
        period *= 1.0 + float(phase / np.median(elapsed / period))
        span *= 3
    longest = (times[bounds[1:] - 1] - times[bounds[:-1]]).max()
    return _sensible(1.0 / period, float(longest))


def _elapsed(times: Samples, bounds: Indices, span: int) -> Samples:
    """Time that passes over ``span`` rows, from places all over the recording, none across a gap."""
    starts = np.arange(0, len(times) - span, max(1, (len(times) - span) // 5000))
    within = np.searchsorted(bounds, starts, side="right") == np.searchsorted(bounds, starts + span, side="right")
    elapsed: Samples = times[starts[within] + span] - times[starts[within]]
    return elapsed


def _placed(times: Samples, channels: Mapping[str, Samples], bounds: Indices, rate: float) -> Sampled:
    """Rows on the grid: by index where each stretch between gaps is even, else interpolated."""
    allowed = min(max(_EVEN, 1.05 * _resolution(times) * rate), _MOST_UNEVEN)
    length = round((times[-1] - times[0]) * rate) + 1
    out = {name: np.full(length, np.nan) for name in channels}
    ahead = 0
    for start, stop in pairwise(bounds.tolist()):
        position = (times[start:stop] - times[0]) * rate
        first = max(ahead, round(float(position[0])))
        slots = np.round(position - position[0]).astype(np.intp)
        off = np.abs(position - position[0] - slots)
        if off.max() > allowed or (np.diff(slots) < 1).any() or first + slots[-1] >= length:
            return _interpolate(times, channels, rate, float(off.max()) / rate)
        ahead = first + int(slots[-1]) + 1
        for name, samples in channels.items():
            out[name][first:ahead][slots] = samples[start:stop]
    return Sampled(rate, out, float(times[0]))


def _interpolate(times: Samples, channels: Mapping[str, Samples], rate: float, off_s: float) -> Sampled:
    grid = times[0] + np.arange(int((times[-1] - times[0]) * rate + 1e-6) + 1) / rate
    before = np.clip(np.searchsorted(times, grid, side="right") - 1, 0, len(times) - 2)
    hole = np.diff(times)[before] > BRIDGED_S + 1.0 / rate
    hole &= (grid - times[before] > 1e-9) & (times[before + 1] - grid > 1e-9)
    placed = {}
    for name, samples in channels.items():
        placed[name] = np.interp(grid, times, samples)
        placed[name][hole] = np.nan
    step = f"uneven clock (up to {1000 * off_s:.2g} ms off): interpolated linearly to {rate:.6g} Hz"
    return Sampled(rate, placed, float(times[0]), [step])
