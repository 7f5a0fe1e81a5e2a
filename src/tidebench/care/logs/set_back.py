"""A clock that was set back while a log went on: rows in the order of the file step back, and hours overlap.

Only a file that is otherwise in order, oldest or newest first, shows it. Rows after the step are moved on, so that
nothing is folded or taken for a repeat, and it is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.clock import EPOCH_DAY, MICRO

LEAST_S, AUTUMN_S = 60.0, 3600.0
"""Smaller steps are rows written late; clocks go back by an hour in autumn."""
LEAST_ELSEWHERE_S, LEAST_ROWS = 300.0, 3
"""Outside the night of that change, a step and the rows under it from which on it is no row written late (this house's
choice)."""
MOST_STEPS, ROWS_PER_STEP = 2, 10
"""A file with more steps back, or fewer rows for each, is in no order (this house's choice)."""
MOST_PART = 0.5
"""Of the time before a step, from which on it is another order of rows (this house's choice)."""
SAME_ROWS = 0.5
"""Part of the rows under a step that repeat others from which on two exports lie in one file (this house's choice)."""
DAY_S = 86400.0
"""A step back from which on it is said, where it isn't taken for a clock that was set back (this house's choice)."""
AUTUMN_MONTHS, SUNDAY, LAST_HOUR = (3, 4, 10, 11), 6, 3

Whole = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SetBack:
    """A clock set back: what it showed last and first after, and by how much later rows are moved on, all in µs."""

    before: int
    after: int
    moved: int


def moved_on(rows: pl.DataFrame, name: str, *, wall: bool) -> tuple[pl.DataFrame, tuple[SetBack, ...], tuple[str, ...]]:
    """Rows of one file with those after a step back moved on, the steps, and what is to be said.

    Parameters
    ----------
    rows : DataFrame
        In the order of the file, with ``bed``, ``at``, ``until`` in microseconds, and what tells rows apart.
    name : str
        The file's.
    wall : bool
        True where the clock tells the date.
    """
    moved: Whole = np.zeros(rows.height, np.int64)
    steps: dict[tuple[int, int], SetBack] = {}
    numbered = rows.with_row_index("place").drop_nulls("at")
    for part in numbered.partition_by("bed", maintain_order=True):
        for place, step in _steps(part, wall=wall):
            moved[place] += step.moved
            steps.setdefault((step.before, step.after), step)
    if not steps:
        return rows, (), _undecided(numbered, name, wall=wall)
    by = pl.Series(moved)
    crossing = (pl.col("until") < pl.col("at")).fill_null(value=False)
    most = max(step.moved for step in steps.values())
    rows = rows.with_columns(until=pl.when(crossing & (by == 0)).then(pl.col("until") + most).otherwise("until"))
    rows = rows.with_columns(pl.col("at") + by, pl.col("until") + by)
    found = tuple(steps.values())
    return rows, found, tuple(_said(step, name, wall=wall) for step in found)


def _steps(part: pl.DataFrame, *, wall: bool) -> list[tuple[Whole, SetBack]]:
    """Each step back of one bed, with the places of the rows after it."""
    if part.height < ROWS_PER_STEP:
        return []
    part = _oldest_first(part)
    at = part["at"].to_numpy()
    back = np.flatnonzero(np.diff(at) < -LEAST_S * MICRO) + 1
    if not 1 <= len(back) <= MOST_STEPS or len(at) < ROWS_PER_STEP * len(back):
        return []
    place = part["place"].to_numpy()
    found = ((place[first:], _step(part, at, int(first), wall=wall)) for first in back)
    return [(after, step) for after, step in found if step is not None]


def _step(part: pl.DataFrame, at: Whole, first: int, *, wall: bool) -> SetBack | None:
    """A step back as a clock that was set back; None where it looks like something else."""
    before, after = int(at[first - 1]), int(at[first])
    size = before - after
    if wall and _autumn(after) and size <= AUTUMN_S * MICRO and after > at[0]:
        return SetBack(before, after, int(AUTUMN_S * MICRO))
    goes_on = at[-1] > before and after > at[0]
    under = int(np.argmax(at[first:] > before)) if goes_on else 0
    if not goes_on:
        return None
    if size < LEAST_ELSEWHERE_S * MICRO or under < LEAST_ROWS or size > MOST_PART * (before - int(at[0])):
        return None
    return None if _repeats(part, first, under) else SetBack(before, after, size + MICRO)


def _undecided(rows: pl.DataFrame, name: str, *, wall: bool) -> tuple[str, ...]:
    """What is said of a file's step back that may be a clock set back, or another order of rows."""
    for in_file in rows.partition_by("bed", maintain_order=True):
        part = _oldest_first(in_file)
        at = part["at"].to_numpy()
        back = np.flatnonzero(np.diff(at) < -LEAST_ELSEWHERE_S * MICRO) + 1
        if len(back) != 1 or len(at) < ROWS_PER_STEP or len(at) - back[0] < LEAST_ROWS:
            continue
        first = int(back[0])
        before, after = (_shown(int(at[first - k]), wall=wall) for k in (1, 0))
        stepped = f"In {name} the times step back once, from {before} to {after}"
        if at[first] < at[0]:
            return (
                f"{stepped}, to before its first row. Whether a clock was set back there, or the file begins in its "
                "middle, can't be told: rows stand as their clock has them, and coverage and rates are right only in "
                "the second case.",
            )
        under = int(np.count_nonzero(at[first:] <= at[first - 1]))
        if at[first - 1] - at[first] >= DAY_S * MICRO and not _repeats(part, first, under):
            return (
                f"{stepped}, and {under} rows lie in hours that were told before. Whether a clock was set back there, "
                "or two exports stand one behind the other, can't be told: rows stand as their clock has them, and in "
                "the first case hours count once that happened twice.",
            )
    return ()


def _oldest_first(part: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of the file, turned round where that is the newest first."""
    apart = np.diff(part["at"].to_numpy())
    return part.reverse() if np.count_nonzero(apart < 0) > np.count_nonzero(apart > 0) else part


def _repeats(part: pl.DataFrame, first: int, under: int) -> bool:
    """True where most rows under a step say again what rows before it say: two exports, one behind the other."""
    told = part.drop("place")
    again = told[first : first + under].join(told[:first].unique(), on=told.columns, how="semi", nulls_equal=True)
    return again.height > SAME_ROWS * under


def _autumn(stamp: int) -> bool:
    """True in a night in which clocks go back somewhere: a Sunday of spring or autumn, before four."""
    told = EPOCH_DAY + timedelta(microseconds=stamp)
    return told.month in AUTUMN_MONTHS and told.weekday() == SUNDAY and told.hour <= LAST_HOUR


def _said(step: SetBack, name: str, *, wall: bool) -> str:
    before, after = (_shown(moment, wall=wall) for moment in (step.before, step.after))
    hour = step.moved == AUTUMN_S * MICRO and step.before - step.after != step.moved
    how = (
        "by an hour, as clocks are in that night: later rows stand an hour on"
        if hour
        else f"by {_long(step.moved / MICRO)} at least: later rows are put right behind"
    )
    return (
        f"In {name} the clock steps back from {before} to {after} and the log goes on: it was set back {how}, by the "
        "clock before the step. Hours of the day are those that were shown."
    )


def _long(seconds: float) -> str:
    """Minutes, or days and hours where it is more than two days."""
    days, hours = divmod(round(seconds / 3600.0), 24)
    return f"{days} days {hours} h" if seconds >= 2.0 * DAY_S else f"{seconds / 60.0:.0f} min"


def _shown(moment: int, *, wall: bool) -> str:
    if not wall:
        return f"{moment / MICRO:g} s"
    told: datetime = EPOCH_DAY + timedelta(microseconds=moment)
    return f"{told:%Y-%m-%d %H:%M:%S}"
