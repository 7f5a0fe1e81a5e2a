"""Limits replayed: over breaths that were measured, how often and how long any limit and delay would have sounded.

The model of an alarm is plain, and no ventilator's own: a value is known when its breath is (peak pressure at the turn,
volumes, rates and PEEP at the end of the breath) and holds until the next is known. While it lies beyond the limit the
condition holds; when it has held for the delay the alarm sounds, until the condition ends. A breath of which the value
is not known ends it, and so does a stretch without breaths. A value at the limit is within it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.apnoea import APART_S
from tidebench.errors import OptionError

Side = Literal["high", "low"]
Times = npt.NDArray[np.float64]
Table = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

WINDOW_S = 60.0
"""Rate and minute volume are those of the last minute; ventilators average over some such time (common practice)."""
PER_BREATH = {"peak_pressure_cmh2o": "expiration_s", "vte_ml": "end_s", "peep_cmh2o": "end_s", "leak_fraction": "end_s"}
PER_MINUTE = ("rate_per_min", "minute_volume_l_min")
KEYS = (*PER_BREATH, *PER_MINUTE)
"""Quantities that can be replayed."""


@dataclass(frozen=True)
class Series:
    """A quantity as an alarm would see it.

    Attributes
    ----------
    key : str
    value : ndarray, shape (n,)
        In the unit of its key; NaN where it is not known.
    known_s, until_s : ndarray, shape (n,)
        From when it is known, and until when it holds.
    joined : ndarray of bool, shape (n,)
        True where it follows the one before without a stretch between.
    """

    key: str
    value: Times
    known_s: Times
    until_s: Times
    joined: npt.NDArray[np.bool_]

    @property
    def hours(self) -> float:
        """Hours in which the quantity was known."""
        known = np.isfinite(self.value)
        return float((self.until_s - self.known_s)[known].sum()) / 3600.0


@dataclass(frozen=True)
class Runs:
    """Stretches in which a value lies beyond a limit, in order."""

    start_s: Times
    end_s: Times


@dataclass(frozen=True)
class Replay:
    """Limits and delays replayed over one quantity.

    Attributes
    ----------
    limits : ndarray, shape (m,)
    delays_s : ndarray, shape (k,)
    alarms : ndarray of int, shape (m, k)
        How often each pair would have sounded.
    sounding_s : ndarray, shape (m, k)
        For how long in all.
    missed : ndarray of int, shape (m, k)
        Events during which, and in the time of grace after which, it would not have sounded at all.
    """

    limits: Times
    delays_s: Times
    alarms: Counts
    sounding_s: Table
    missed: Counts


def series(breaths: pl.DataFrame, key: str) -> Series:
    """A quantity of the breath table as an alarm would see it.

    Parameters
    ----------
    breaths : DataFrame
        Of a review, in the order of time.
    key : str
        One of :data:`KEYS`.

    Raises
    ------
    OptionError
        A quantity that can't be replayed.
    """
    if key not in KEYS:
        raise OptionError(f"{key!r} can't be replayed", expected=", ".join(KEYS))
    start, turn, end = (breaths[name].to_numpy() for name in ("start_s", "expiration_s", "end_s"))
    joined = np.concatenate([[False], start[1:] - end[:-1] <= APART_S])[: len(start)]
    known = turn if PER_BREATH.get(key) == "expiration_s" else end
    value = _last_minute(breaths, key, joined) if key in PER_MINUTE else breaths[key].cast(pl.Float64).to_numpy()
    following = np.append(joined[1:], False)
    until = np.where(following, np.append(known[1:], 0.0)[: len(known)], end) if len(known) else known
    return Series(key, np.asarray(value, float), known, np.maximum(until, known), joined)


def _last_minute(breaths: pl.DataFrame, key: str, joined: npt.NDArray[np.bool_]) -> Times:
    """Breaths per minute, or litres, that ended in the last minute; NaN until a minute of breaths is behind."""
    start, end = breaths["start_s"].to_numpy(), breaths["end_s"].to_numpy()
    each = np.ones(len(end)) if key == "rate_per_min" else breaths["vte_ml"].cast(pl.Float64).to_numpy() / 1000.0
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(each))])
    lost = np.concatenate([[0], np.cumsum(~np.isfinite(each))])
    first, last = np.searchsorted(end, end - WINDOW_S, side="right"), np.arange(1, len(end) + 1)
    block = start[np.maximum.accumulate(np.where(joined, 0, np.arange(len(end))))] if len(end) else start
    whole = (end - block >= WINDOW_S) & (lost[last] == lost[first])
    return np.where(whole, (total[last] - total[first]) * 60.0 / WINDOW_S, np.nan)


def runs(of: Series, limit: float, side: Side) -> Runs:
    """Stretches in which a value lies beyond a limit without a break."""
    beyond = of.value > limit if side == "high" else of.value < limit  # NaN is never beyond
    goes_on = np.concatenate([[False], beyond[:-1] & of.joined[1:]])[: len(beyond)]
    first = np.flatnonzero(beyond & ~goes_on)
    last = np.flatnonzero(beyond & ~np.append(goes_on[1:] & beyond[1:], False)[: len(beyond)])
    return Runs(of.known_s[first], of.until_s[last])


def replay(
    of: Series, side: Side, limits: Sequence[float], delays_s: Sequence[float], events: Table, grace_s: float
) -> Replay:
    """Every pair of limit and delay.

    Parameters
    ----------
    of : Series
    side : str
        ``"high"``: an alarm above the limit; ``"low"``: below it.
    limits, delays_s : sequence of float
        A limit in the unit of the quantity; delays of 0 s and more.
    events : ndarray, shape (e, 2)
        Begin and end of what an alarm should have told, s.
    grace_s : float
        How long after its end an alarm still tells of an event.

    Notes
    -----
    Runs of each limit are found once, and every delay follows from their lengths: a run of L s sounds for L − d s where
    that is more than nothing. An event is heard with every delay below the longest stretch from the begin of a run
    that reaches beyond the event's begin to that run's end, or the end of grace, whichever comes first.
    """
    delays = np.asarray(delays_s, float)
    shape = len(limits), len(delays)
    alarms, sounding, missed = np.zeros(shape, np.int64), np.zeros(shape), np.zeros(shape, np.int64)
    for m, limit in enumerate(limits):
        found = runs(of, limit, side)
        lengths = np.sort(found.end_s - found.start_s)
        longer = np.searchsorted(lengths, delays, side="right")
        above = np.concatenate([np.cumsum(lengths[::-1])[::-1], [0.0]])
        alarms[m] = len(lengths) - longer
        sounding[m] = above[longer] - delays * alarms[m]
        missed[m] = (delays[:, None] >= latest_delay(found, events, grace_s)[None, :]).sum(axis=1)
    return Replay(np.asarray(limits, float), delays, alarms, np.maximum(sounding, 0.0), missed)


def latest_delay(found: Runs, events: Table, grace_s: float) -> Times:
    """The delay from which on each event is missed, s; 0 where no run meets it; shape (e,)."""
    if not len(found.start_s) or not len(events):
        return np.zeros(len(events))
    begin, end = events[:, 0], events[:, 1] + grace_s
    first = np.searchsorted(found.end_s, begin, side="right")  # the first run that reaches beyond the begin
    last = np.searchsorted(found.start_s, end, side="left")  # one after the last that starts before the end of grace
    lengths = np.append(found.end_s - found.start_s, 0.0)
    told = np.zeros(len(events))
    several = last - first > 1
    if several.any():  # all runs but the last end within grace: their whole length counts
        pairs = np.column_stack([first[several], last[several] - 1]).ravel()
        told[several] = np.maximum.reduceat(lengths, pairs)[::2]
    some = last > first
    final = np.maximum(last - 1, 0)
    tail = np.minimum(found.end_s[final], end) - found.start_s[final]
    return np.where(some, np.maximum(told, tail), 0.0)


def sounds(found: Runs, delay_s: float) -> Runs:
    """What sounds of runs with a delay."""
    start = found.start_s + delay_s
    return Runs(start[start < found.end_s], found.end_s[start < found.end_s])
