"""A log's clock against the case's: 0 s is the first sample of the first recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import product

import numpy as np
import polars as pl

from tidebench.care.logs.log import Log
from tidebench.case import Case
from tidebench.errors import LogError, SignalError
from tidebench.readers.headers import TIME, understand
from tidebench.readers.sniff import sniff
from tidebench.readers.stamps import stamp_format
from tidebench.readers.text import SUFFIXES

SAME_S = 4.0
"""Holds that lie so near each other, once a clock is moved, are the same (this house's choice)."""
WORTH_S = 15.0
"""An offset below this is not told: a hold is logged at its begin or at its end (this house's choice)."""


@dataclass(frozen=True, slots=True)
class CaseClock:
    """What is added to a log's time to stand on the case clock, and how that is known."""

    shift_s: float
    known_by: str


def case_clock(log: Log, case: Case, zero: datetime | None = None) -> CaseClock:
    """The place of a log on the case clock.

    Parameters
    ----------
    log : Log
    case : Case
    zero : datetime or None
        What the log's clock showed at the first sample of the recording, where a person says so.

    Raises
    ------
    LogError
        The log has dates, and nothing says when the recording began.
    """
    if log.start is None:
        if zero is not None:
            raise LogError("the log counts seconds, and has no dates", where="--zero", expected="--offset in seconds")
        return CaseClock(0.0, "the log counts seconds: taken for those of the case clock")
    begun = zero or recording_start(case)
    if begun is None:
        raise LogError(
            "nothing says when the recording began, so that the log can't be laid beside it",
            where="case.toml: [recording]",
            expected='start = "2031-05-04T13:20:00"',
            remedy="Or say what the log's clock showed then: --zero 2031-05-04T13:20:00.",
        )
    known_by = "what was said of the log's clock" if zero else "the start of the recording"
    if begun.tzinfo is not None and log.utc is not None:
        return CaseClock((log.utc - begun).total_seconds(), known_by)
    if (begun.tzinfo is None) != (log.utc is None):
        known_by += "; only one of the two clocks has a zone, and both are taken for that of the bed"
    shown = begun.replace(tzinfo=None)
    return CaseClock((log.start - shown).total_seconds() - _moved_on(log, shown), known_by)


def _moved_on(log: Log, shown: datetime) -> float:
    """Seconds by which a log's rows of a moment were moved on, since its clock had been set back by then."""
    return sum(moved for before, moved in log.set_back if shown >= before)


def recording_start(case: Case) -> datetime | None:
    """When the first recording began: as the case says, else the first stamp of its file; None where neither tells."""
    how = case.recording
    if how.start is not None or how.file is None:
        return how.start
    path = case.path_of(how)
    if path.suffix.lower() not in SUFFIXES or not path.is_file():
        return None
    try:
        layout = sniff(path)
        column = understand(layout.headers, how.columns, path.name)[0][TIME]
    except SignalError:
        return None
    cell = layout.first_row[column.index].replace(",", ".")
    return datetime.fromisoformat(cell) if stamp_format(cell) else None


def on_case_clock(log: Log, shift_s: float) -> Log:
    """A log with all its times moved."""
    if not shift_s:
        return log
    moved = [
        replace(
            one,
            spans={
                bed: tuple((first + shift_s, last + shift_s) for first, last in spans)
                for bed, spans in one.spans.items()
            },
        )
        for one in log.sources
    ]
    back = timedelta(seconds=shift_s)
    return replace(
        log,
        events=log.events.with_columns(pl.col("at_s", "until_s") + shift_s),
        start=None if log.start is None else log.start - back,
        utc=None if log.utc is None else log.utc - back,
        sources=tuple(moved),
    )


def offset_by_holds(logged_s: Sequence[float], measured_s: Sequence[float]) -> tuple[float, int] | None:
    """How far a log's clock is off, by holds that it and the recording both have; and how many then agree.

    The offset is added to the log's times. None where fewer than two holds agree, where moving the clock lets no more
    of them agree than leaving it, or where it is next to nothing.
    """
    if len(logged_s) < 2 or len(measured_s) < 2:
        return None
    apart = np.array([measured - logged for logged, measured in product(logged_s, measured_s)])
    logged, measured = np.array(logged_s), np.array(measured_s)
    agreeing = [_agreeing(logged + shift, measured) for shift in apart]
    best = max(range(len(apart)), key=lambda k: (agreeing[k], -abs(apart[k])))
    shift = float(np.median(apart[np.abs(apart - apart[best]) <= SAME_S]))
    if agreeing[best] < 2 or agreeing[best] <= _agreeing(logged, measured) or abs(shift) < WORTH_S:
        return None
    return shift, agreeing[best]


def _agreeing(
    logged: np.ndarray[tuple[int], np.dtype[np.float64]], measured: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> int:
    nearest = np.min(np.abs(logged[:, None] - measured[None, :]), axis=1)
    return int((nearest <= SAME_S).sum())
