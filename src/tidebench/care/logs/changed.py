"""One limit held against another: which alarms would have gone, and what would have gone with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.replay import Runs, Series, Table, replay, runs, series, sounds
from tidebench.care.logs.tradeoff import GRACE_S
from tidebench.care.logs.watched import WATCHED, Asked, Watched, events_of
from tidebench.errors import OptionError
from tidebench.limits import Limit
from tidebench.quantities import quantity

GONE: dict[str, pl.DataType | type[pl.DataType]] = {
    "start_s": pl.Float64,
    "end_s": pl.Float64,
    "furthest": pl.Float64,
    "event": pl.Boolean,
    "findings": pl.List(pl.String),
}
"""Alarms that would have gone: ``furthest`` is the value furthest from the usual, ``event`` whether it told of one."""


@dataclass(frozen=True)
class Changed:
    """One limit against another: what would have sounded with each, and which alarms would have gone."""

    now: Asked
    then: Asked
    alarms: tuple[int, int]
    minutes: tuple[float, float]
    missed: tuple[int, int]
    events: int
    gone: pl.DataFrame


def changed(
    now: Asked,
    then: Asked,
    breaths: pl.DataFrame,
    findings: pl.DataFrame,
    further: Sequence[Asked] = (),
    limits: Sequence[Limit] = (),
) -> Changed:
    """One limit against another on the same quantity and side.

    Raises
    ------
    OptionError
        They are not of the same alarm, or its quantity is not known.
    """
    if (now.key, now.side) != (then.key, then.side):
        raise OptionError(
            f"{now.key}.{now.side} and {then.key}.{then.side} are two alarms",
            where="--now and --then",
            expected="the same",
        )
    of = series(breaths, now.key)
    if not np.isfinite(of.value).any():
        raise OptionError(f"{quantity(now.key).label} is not known of any breath", where="--now")
    watched = next(
        (one for one in WATCHED if (one.key, one.side) == (now.key, now.side)), Watched(now.key, now.side, ())
    )
    events = events_of(watched, findings, of, further, limits)
    played = [replay(of, asked.side, [asked.limit], [asked.delay_s], events, GRACE_S) for asked in (now, then)]
    alarms, minutes, missed = zip(
        *((int(one.alarms[0, 0]), float(one.sounding_s[0, 0]) / 60, int(one.missed[0, 0])) for one in played),
        strict=True,
    )
    sounding, later = (sounds(runs(of, asked.limit, asked.side), asked.delay_s) for asked in (now, then))
    gone = _gone(sounding, later, of, findings, events)
    return Changed(now, then, alarms, minutes, missed, len(events), gone)


def _gone(now: Runs, then: Runs, of: Series, findings: pl.DataFrame, events: Table) -> pl.DataFrame:
    """Soundings during which nothing sounds then, each with its furthest value, an event near, findings in it."""
    kept = _overlap(now.start_s, now.end_s, then.start_s, then.end_s)
    start, end = now.start_s[~kept], now.end_s[~kept]
    told = _overlap(start, end, events[:, 0], events[:, 1] + GRACE_S)
    ordered = findings.sort("start_s")
    begins, ends = ordered["start_s"].to_numpy(), ordered["end_s"].to_numpy()
    kinds, latest = ordered["kind"].to_list(), np.maximum.accumulate(ends)
    first, after = np.searchsorted(latest, start, side="right"), np.searchsorted(begins, end, side="left")
    usual = float(np.nanmedian(of.value))
    rows = [
        {
            "start_s": float(a),
            "end_s": float(b),
            "furthest": _furthest(of, a, b, usual),
            "event": bool(event),
            "findings": sorted({kinds[k] for k in range(low, high) if ends[k] > a}),
        }
        for a, b, event, low, high in zip(start, end, told, first.tolist(), after.tolist(), strict=True)
    ]
    return pl.DataFrame(rows, schema=GONE)


def _furthest(of: Series, start_s: float, end_s: float, usual: float) -> float:
    """The value furthest from the usual while it sounded; values are known one after the other."""
    inside = of.value[np.searchsorted(of.until_s, start_s, side="right") : np.searchsorted(of.known_s, end_s)]
    return float(inside[np.nanargmax(np.abs(inside - usual))])


def _overlap(
    start: npt.NDArray[np.float64],
    end: npt.NDArray[np.float64],
    other: npt.NDArray[np.float64],
    until: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Which spans any of the other spans meets; the others in order of their begin."""
    if not len(other):
        return np.zeros(len(start), bool)
    latest = np.maximum.accumulate(until)
    k = np.searchsorted(other, end, side="left") - 1
    return (k >= 0) & (latest[np.maximum(k, 0)] > start)
