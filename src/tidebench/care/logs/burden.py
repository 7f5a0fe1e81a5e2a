"""How many alarms, how long, of which priority, at which hour, and the ten that matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench.care.logs.alarms import GRADES, active_s
from tidebench.care.logs.coverage import DAY_S, HOUR_S, LEAST_HOURS, Coverage, exposure_by_hour
from tidebench.records import Spread

MOST_NAMES = 10
HIGH_PLACES = 5
"""Of the ten that matter, places that alarms of high priority take first, however rare (this house's choice)."""
DAY_H = DAY_S / HOUR_S
NOT_AN_HOUR = "the log covers less than an hour"
NOT_A_DAY = "the log covers less than a day, and alarms differ by the hour"


@dataclass(frozen=True, slots=True)
class Rate:
    """A number of alarms, per hour and per bed-day; a rate is None with its reason where too little is covered."""

    count: int
    per_hour: float | None
    per_bed_day: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Grade:
    """Alarms of one priority; ``priority`` is None of those whose priority the log doesn't tell."""

    priority: str | None
    rate: Rate
    duration_s: Spread | None
    minutes_per_hour: float | None
    without_end: int


@dataclass(frozen=True, slots=True)
class Named:
    """Alarms of one name: how many, which part of all, how long, of which highest priority."""

    name: str
    priority: str | None
    rate: Rate
    share: float
    duration_s: Spread | None
    total_s: float
    without_end: int


@dataclass(frozen=True, slots=True)
class Hour:
    """An hour of the day: alarms in it, covered hours of it, alarms per covered hour."""

    hour: int
    count: int
    hours: float
    per_hour: float | None


@dataclass(frozen=True)
class Burden:
    """What the alarms of a log come to.

    Attributes
    ----------
    whole : Grade
        All alarms, ``priority`` None.
    grades : tuple of Grade
        By priority, high first; those without one last.
    ten : tuple of Named
        The ten that matter: up to :data:`HIGH_PLACES` of high priority, then the most frequent.
    names : int
        How many different alarms there are.
    busiest : Spread or None
        Alarms in each covered hour: median, 5th and 95th percentile; ``n`` hours.
    most_in_an_hour : int
    by_hour : tuple of Hour
        Empty where the clock doesn't tell the time of day.
    in_standby : int
        Alarms that came in standby, whose time is taken off: they count in nothing above.
    """

    whole: Grade
    grades: tuple[Grade, ...]
    ten: tuple[Named, ...]
    names: int
    busiest: Spread | None
    most_in_an_hour: int
    by_hour: tuple[Hour, ...]
    in_standby: int


def burden(alarms: pl.DataFrame, covered: Coverage, day_s: float | None) -> Burden:
    """Rates over what is covered, durations, priorities, names and hours.

    Parameters
    ----------
    alarms : DataFrame
        Of :func:`tidebench.care.logs.alarms.alarms_of`.
    covered : Coverage
    day_s : float or None
        Time of day at 0 s, s after midnight; None where the clock doesn't tell it.
    """
    told = alarms.height
    alarms = _exposed(alarms, covered)
    times = alarms.select("bed", "priority", "at_s", "until_s", "duration_s")
    grades = [_grade(times.filter(pl.col("priority") == grade), grade, covered) for grade in GRADES]
    unsaid = _grade(times.filter(pl.col("priority").is_null()), None, covered)
    counts = _each_hour(alarms, covered)
    return Burden(
        whole=_grade(times, None, covered),
        grades=tuple(one for one in (*grades, unsaid) if one.rate.count),
        ten=_ten(alarms, covered),
        names=alarms["name"].n_unique(),
        busiest=spread(counts),
        most_in_an_hour=max(counts.to_list(), default=0),
        by_hour=() if day_s is None else _by_hour(alarms, covered, day_s),
        in_standby=told - alarms.height,
    )


def _exposed(alarms: pl.DataFrame, covered: Coverage) -> pl.DataFrame:
    """Alarms that did not come within standby; one that comes as it begins or ends counts."""
    parts = []
    for (bed,), part in alarms.group_by("bed", maintain_order=True):
        spans, at = covered.standby.get(str(bed), np.empty((0, 2))), part["at_s"].to_numpy()
        resting = np.searchsorted(spans[:, 0], at, side="left") > np.searchsorted(spans[:, 1], at, side="right")
        parts.append(part.filter(~resting))
    return pl.concat(parts) if len(parts) > 1 else parts[0] if parts else alarms


def rate(count: int, hours: float) -> Rate:
    """A count over covered hours: per hour from one hour on, per bed-day from a whole day on."""
    if hours < LEAST_HOURS:
        return Rate(count, None, None, NOT_AN_HOUR)
    if hours < DAY_H:
        return Rate(count, count / hours, None, NOT_A_DAY)
    return Rate(count, count / hours, DAY_H * count / hours)


def spread(values: pl.Series) -> Spread | None:
    """Median, 5th and 95th percentile, nulls left out; None of nothing."""
    known = values.drop_nulls()
    if not known.len():
        return None
    low, middle, high = (known.quantile(share, "linear") for share in (0.05, 0.5, 0.95))
    return Spread(float(middle or 0.0), float(low or 0.0), float(high or 0.0), known.len())


def _grade(alarms: pl.DataFrame, priority: str | None, covered: Coverage) -> Grade:
    enough = covered.hours >= LEAST_HOURS
    exposed = {bed: covered.exposure(bed) for bed in covered.spans}
    minutes = active_s(alarms, exposed) / 60 / covered.hours if enough else None
    told = alarms["duration_s"].count() > 0
    return Grade(
        priority,
        rate(alarms.height, covered.hours),
        spread(alarms["duration_s"]),
        minutes if told else None,
        alarms["duration_s"].null_count(),
    )


def _ten(alarms: pl.DataFrame, covered: Coverage) -> tuple[Named, ...]:
    each = (
        alarms.group_by("name")
        .agg(
            pl.len().alias("n"),
            pl.col("priority").to_physical().min().alias("grade"),
            *(pl.col("duration_s").quantile(q, "linear").alias(f"q{q}") for q in (0.05, 0.5, 0.95)),
            pl.col("duration_s").count().alias("ended"),
            pl.col("duration_s").sum().alias("total"),
        )
        .sort("n", "name", descending=[True, False])
    )
    high = each.filter(pl.col("grade") == 0).head(HIGH_PLACES)
    rest = each.join(high.select("name"), on="name", how="anti", maintain_order="left")
    chosen = pl.concat([high, rest.head(MOST_NAMES - high.height)]).sort("n", "name", descending=[True, False])
    return tuple(
        Named(
            str(row["name"]),
            None if row["grade"] is None else GRADES[row["grade"]],
            rate(row["n"], covered.hours),
            row["n"] / alarms.height,
            Spread(row["q0.5"], row["q0.05"], row["q0.95"], row["ended"]) if row["ended"] else None,
            row["total"],
            row["n"] - row["ended"],
        )
        for row in chosen.iter_rows(named=True)
    )


def _each_hour(alarms: pl.DataFrame, covered: Coverage) -> pl.Series:
    """Alarms in each whole covered hour of each bed, counted from the begin of each covered stretch."""
    counts: list[np.ndarray[tuple[int], np.dtype[np.int64]]] = []
    for bed in covered.spans:
        at = alarms.filter(pl.col("bed") == bed)["at_s"].to_numpy()
        for begin, end in covered.exposure(bed):
            edges = np.arange(begin, end + 1e-6, HOUR_S)
            counts += [np.diff(np.searchsorted(at, edges))] if len(edges) > 1 else []
    return pl.Series("n", np.concatenate(counts) if counts else np.empty(0, np.int64))


def _by_hour(alarms: pl.DataFrame, covered: Coverage, day_s: float) -> tuple[Hour, ...]:
    counts = dict(alarms["hour"].drop_nulls().value_counts().iter_rows())
    exposed = exposure_by_hour([covered.exposure(bed) for bed in covered.spans], day_s, covered.set_back) / HOUR_S
    return tuple(
        Hour(hour, counts.get(hour, 0), float(hours), counts.get(hour, 0) / float(hours) if hours >= 1.0 else None)
        for hour, hours in enumerate(exposed)
    )


def course(
    alarms: pl.DataFrame, covered: Coverage, bins: int = 96
) -> tuple[float, Sequence[float], dict[str, list[int]]]:
    """Alarms over time by priority, for a figure: width of a bin [s], starts of the bins [s], counts by priority.

    A bin is the shortest of :data:`WIDTHS` with which at most ``bins`` of them hold the log.
    """
    whole = covered.last_s - covered.first_s
    width = next((one for one in WIDTHS if whole <= one * bins), WIDTHS[-1] * np.ceil(whole / WIDTHS[-1] / bins))
    begin = np.floor(covered.first_s / width) * width
    edges = np.arange(begin, covered.last_s + width, width)
    edges = np.append(edges, edges[-1] + width) if edges[-1] <= covered.last_s else edges
    counts = {}
    for grade in (*GRADES, None):
        of = pl.col("priority").is_null() if grade is None else pl.col("priority") == grade
        counts[grade or "not stated"] = np.histogram(alarms.filter(of)["at_s"].to_numpy(), edges)[0].tolist()
    return float(width), edges[:-1].tolist(), counts


WIDTHS = (600.0, 1800.0, 3600.0, 7200.0, 21600.0, 86400.0, 604800.0)
"""Widths of a bin of time: ten minutes to a week."""
