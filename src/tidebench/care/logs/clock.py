"""The clock of a log: stamps in any usual form, or numbers with a unit, become microseconds."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import product

import polars as pl

from tidebench.care.logs.columns import Column
from tidebench.care.logs.words import Role
from tidebench.errors import LogError
from tidebench.readers.stamps import stamp_format
from tidebench.units import factor

DAYS = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%Y/%m/%d", "%Y.%m.%d", "%d %b %Y", "%d-%b-%Y", "%d.%m.%y")
TIMES = ("%H:%M:%S%.f", "%H:%M", "%I:%M:%S %p", "%I:%M %p")
FORMATS = tuple(f"{day}{join}{time}" for day, join, time in product(DAYS, (" ", ", ", "T"), TIMES))
"""Forms that are tried where stamps are not ISO 8601; a day and a month that could be swapped are asked about."""
EPOCH_S = (6e8, 4e9)
"""Seconds since 1970 of the years 1989 to 2096: numbers of that size are taken for them."""
YEARS = (0, 7_258_118_400_000_000)
"""Microseconds of 1970 to 2199: a year of two digits is none of the first century."""
SAMPLE = 500
LEAST_READ = 0.5
"""Share of rows whose time must be read."""
MICRO = 1_000_000
EPOCH_DAY = datetime(1970, 1, 1)
_TIME_ALONE = re.compile(r"\d{1,2}:\d\d(:\d\d([.,]\d+)?)?( ?[AaPp][Mm])?")
_ZONE = r"(?:Z|[+-]\d\d:?\d?\d?)$"


@dataclass(frozen=True)
class Times:
    """Times of the rows of one file.

    Attributes
    ----------
    at, until : polars.Series
        Microseconds, ``Int64``: since 1970 where the clock is the wall's (UTC where stamps have a zone), else since
        the log's own zero. Null where a cell can't be read, or says nothing.
    local : polars.Series
        Wall time in microseconds, for the hour of the day; equal to ``at`` where stamps have no zone.
    wall : bool
        True where the clock tells the date.
    zone : str
        ``"+01:00"``, ``"mixed"``, or empty.
    notes : tuple of str
    """

    at: pl.Series
    until: pl.Series
    local: pl.Series
    wall: bool
    zone: str
    notes: tuple[str, ...] = ()


def read_times(
    cells: pl.DataFrame, columns: Mapping[Role, Column], form: str, where: str, *, decimal_comma: bool
) -> Times:
    """The times of a file's rows.

    Parameters
    ----------
    cells : DataFrame
        Text columns by role: ``time``, and where they are there ``date``, ``until``, ``duration``.
    columns : mapping of str to Column
    form : str
        As strptime has it; found where empty.
    where : str
        The file, for messages.
    decimal_comma : bool

    Raises
    ------
    LogError
        Times without a date or unit, a day that could be a month, a form that no row or too few have.
    """
    column = columns["time"]
    place = f"{where}, column {column.header!r}"
    stamps = cells["time"]
    if "date" in cells.columns:
        stamps = cells.select(pl.concat_str("date", "time", separator=" ")).to_series()
    first = next(iter(stamps.drop_nulls().head(1)), "")
    if column.unit is not None:
        return _numbers(cells, columns, place, decimal_comma=decimal_comma)
    form = form or _iso(first) or _found(stamps, first, place)
    at = _parsed(stamps, form)
    _require(at, stamps, form, place)
    zoned = "%#z" in form
    until = _parsed(cells["until"], form) if "until" in cells.columns else pl.Series(at).clear(len(at))
    if "duration" in columns:
        until = at + _seconds(cells["duration"], columns["duration"], where, decimal_comma=decimal_comma)
    zone = _zone(stamps) if zoned else ""
    local = _parsed(stamps.str.replace(_ZONE, ""), form.replace("%#z", "")) if zoned else at
    return Times(at, until, local, wall=True, zone=zone)


def _iso(cell: str) -> str:
    """The form of an ISO 8601 stamp; without a fraction where it has none, since that is read five times as fast."""
    form = stamp_format(cell)
    return form if re.search(r":\d\d[.,]", cell) else form.replace("%.f", "")


def _parsed(stamps: pl.Series, form: str) -> pl.Series:
    """Microseconds; null where a cell is of another form. Some seconds may have a fraction and others none."""
    at = _by_form(stamps, form)
    if at.null_count() > stamps.null_count() and "%S" in form:
        other = (
            form.replace("%.f", "").replace(",%f", "")
            if "%.f" in form or ",%f" in form
            else form.replace("%S", "%S%.f")
        )
        at = at.fill_null(_by_form(stamps, other))
    return at


def _by_form(stamps: pl.Series, form: str) -> pl.Series:
    pointed = stamps.str.replace(",", ".", literal=True) if ",%f" in form else stamps
    moments = pointed.str.to_datetime(form.replace(",%f", ".%f"), time_unit="us", strict=False, cache=False)
    at = moments.dt.timestamp("us")
    return pl.select(pl.when(at.is_between(*YEARS)).then(at)).to_series()


def _found(stamps: pl.Series, first: str, place: str) -> str:
    """The form that most stamps have."""
    if not first or re.fullmatch(r"[+-]?\d+([.,]\d+)?", first):
        raise LogError(
            f"the times are numbers without a unit, such as {first!r}",
            where=place,
            expected="s, ms, min or h, or stamps with their date",
            remedy='Say it: --column "their header=time [s]".',
        )
    if _TIME_ALONE.fullmatch(first):
        raise LogError(
            f"the times have no date, such as {first!r}",
            where=place,
            expected="stamps with their date, or a column of dates",
            remedy='Name it: --column "their header=date".',
        )
    sample = stamps.drop_nulls().head(SAMPLE)
    counted = {form: _parsed(sample, form).count() for form in FORMATS}
    most = max(counted.values())
    fitting = [form for form, count in counted.items() if count == most and count > 0]
    if len(fitting) > 1:
        counted = {form: _parsed(stamps, form).count() for form in fitting}
        fitting = [form for form, count in counted.items() if count == max(counted.values())]
    days = {form[:5] for form in fitting}
    if len(days) > 1:
        raise LogError(
            f"{first!r} may have its day first or its month",
            where=place,
            expected="a form",
            remedy=f'Say it in a file of words: [clock], format = "{fitting[0].replace("%.f", "")}", for example.',
        )
    if not fitting:
        raise LogError(
            f"{first[:40]!r} is no date and time in a form that is known",
            where=place,
            expected="ISO 8601, such as 2031-05-04T13:20:00, or a form that you name",
            remedy='Say it in a file of words: [clock], format = "%d.%m.%Y %H:%M:%S", for example.',
        )
    return fitting[0]


def _require(at: pl.Series, stamps: pl.Series, form: str, place: str) -> None:
    """Enough of the rows have a time."""
    said = stamps.drop_nulls().len()
    if said and at.count() >= LEAST_READ * said:
        return
    lost = stamps.filter(at.is_null() & stamps.is_not_null())
    cell = lost[0] if lost.len() else ""
    raise LogError(
        f"{at.count()} of {said} times can be read by the form {form!r}; {cell[:40]!r} can't",
        where=place,
        expected="one form in the whole column",
        remedy="Say the form in a file of words: [clock], format.",
    )


def _zone(stamps: pl.Series) -> str:
    zones: Sequence[str] = stamps.str.extract(f"({_ZONE})").drop_nulls().unique().to_list()
    return zones[0] if len(zones) == 1 else "mixed"


def _seconds(cells: pl.Series, column: Column, where: str, *, decimal_comma: bool) -> pl.Series:
    """Numbers with a unit as microseconds."""
    if column.unit is None:
        raise LogError(
            "the durations have no unit",
            where=f"{where}, column {column.header!r}",
            remedy=f'Say it: --column "{column.header}=duration [s]".',
        )
    pointed = cells.str.replace(",", ".", literal=True) if decimal_comma else cells
    numbers = pointed.cast(pl.Float64, strict=False).fill_nan(None) * (factor(column.unit, "s") * MICRO)
    usable = numbers.is_finite() & (numbers.abs() < 9e17)
    return pl.select(pl.when(usable).then(numbers)).to_series().round().cast(pl.Int64)


def _numbers(cells: pl.DataFrame, columns: Mapping[Role, Column], place: str, *, decimal_comma: bool) -> Times:
    """Times as numbers: seconds since 1970 where they are as large as that, else since the log's own zero."""
    at = _seconds(cells["time"], columns["time"], place, decimal_comma=decimal_comma)
    _require(at, cells["time"], "a number", place)
    until = pl.Series(at).clear(len(at))
    if "until" in cells.columns:
        until = _seconds(cells["until"], columns["time"], place, decimal_comma=decimal_comma)
    if "duration" in columns:
        until = at + _seconds(cells["duration"], columns["duration"], place, decimal_comma=decimal_comma)
    middle = at.median()
    wall = isinstance(middle, float) and EPOCH_S[0] <= middle / MICRO <= EPOCH_S[1]
    notes = ("Times are taken for seconds since 1970, in UTC: hours of the day are those of UTC.",) if wall else ()
    return Times(at, until, at, wall=wall, zone="Z" if wall else "", notes=notes)
