"""Floods, chatter and standing alarms, by the rules of the process industry, which were not made for a bed.

A flood begins when ten alarms or more come in ten minutes and ends when fewer than five do (ANSI/ISA-18.2; secondary
sources, which differ in "ten or more" and "more than ten"). An alarm chatters when it comes three times or more in one
minute (the same; secondary). The chatter index is that of Kondaveeti, Chem Eng Res Des 2013;91:2550 (from memory): the
mean of one over the seconds from each coming of an alarm to its next, at least one second each; 0.05 is three in a
minute. There an alarm is called stale after 24 hours (secondary); at a bed this house tells of those that stand for
ten minutes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.alarms import group_of
from tidebench.care.logs.coverage import Coverage, clipped, length

Times = npt.NDArray[np.float64]

FLOOD_FROM, FLOOD_UNTIL, FLOOD_S = 10, 5, 600.0
CHATTER_TIMES, CHATTER_S = 3, 60.0
STANDING_S, STALE_S = 600.0, 86400.0
LEAST_RUN_S = 1.0
MOST_TOLD = 10


@dataclass(frozen=True, slots=True)
class Flood:
    """A flood: where, from the first alarm that made it to the instant at which fewer than five were left."""

    bed: str
    start_s: float
    end_s: float
    count: int
    most: int


@dataclass(frozen=True, slots=True)
class Chatter:
    """An alarm that comes again and again: how many of its comings lie in chatter, in how many bouts, and its index."""

    name: str
    count: int
    chattering: int
    bouts: int
    index_per_s: float


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that stood: from when, how long, and whether its end was logged; ``at least`` where it wasn't."""

    bed: str
    name: str
    priority: str | None
    at_s: float
    lasted_s: float
    ended: bool


@dataclass(frozen=True)
class Crowding:
    """How alarms crowd.

    Attributes
    ----------
    floods : tuple of Flood
        All of them, in the order of time.
    flood_share : float
        Part of the covered time that lies in floods.
    in_floods : int
        Alarms within them.
    chatter : tuple of Chatter
        Alarms that chatter, the worst first.
    standing : tuple of Standing
        The longest ten that stood for ten minutes or more.
    stood : int
        How many did in all.
    """

    floods: tuple[Flood, ...]
    flood_share: float
    in_floods: int
    chatter: tuple[Chatter, ...]
    standing: tuple[Standing, ...]
    stood: int


def crowding(alarms: pl.DataFrame, covered: Coverage) -> Crowding:
    """Floods, chatter and standing alarms."""
    floods = floods_of(alarms)
    exposed = {bed: covered.exposure(bed) for bed in covered.spans}
    whole = sum(length(spans) for spans in exposed.values())
    each = ((np.array([[flood.start_s, flood.end_s]]), exposed[flood.bed]) for flood in floods)
    flooded = sum(length(clipped(flood, spans)) for flood, spans in each)
    standing, stood = _standing(alarms, covered)
    return Crowding(
        floods,
        min(1.0, flooded / whole) if whole else 0.0,
        sum(flood.count for flood in floods),
        _chatter(alarms),
        standing,
        stood,
    )


def floods_of(alarms: pl.DataFrame) -> tuple[Flood, ...]:
    """Floods of each bed, in the order of time.

    The alarms of the last ten minutes are counted at each coming, and at each instant at which one grows older than
    that; a window doesn't include its own begin. A flood starts with the first of the ten, though not before the end of
    the one before it.
    """
    found = [
        flood
        for (bed,), part in alarms.select("bed", "at_s").group_by("bed", maintain_order=True)
        for flood in _of_bed(str(bed), part["at_s"].to_numpy())
    ]
    return tuple(sorted(found, key=lambda flood: (flood.start_s, flood.bed)))


def _of_bed(bed: str, at: Times) -> Iterator[Flood]:
    leaving = at + FLOOD_S
    instants = np.sort(np.concatenate([at, leaving]), kind="stable")
    come = np.searchsorted(at, instants, side="right")
    inside = come - np.searchsorted(leaving, instants, side="right")
    told = np.where(inside >= FLOOD_FROM, 1, np.where(inside < FLOOD_UNTIL, 0, -1))  # -1: as it was
    latest = np.maximum.accumulate(np.where(told >= 0, np.arange(len(told)), 0))
    flooded = np.concatenate([[False], told[latest] == 1])
    begins, ends = (
        np.flatnonzero(np.diff(flooded.astype(np.int8)) == 1),
        np.flatnonzero(np.diff(flooded.astype(np.int8)) == -1),
    )
    until = -np.inf
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        start = max(float(at[come[begin] - inside[begin]]), until)
        until = float(instants[end])
        count = int(np.searchsorted(at, until) - np.searchsorted(at, start))
        yield Flood(bed, start, until, count, int(inside[begin:end].max()))


def _chatter(alarms: pl.DataFrame) -> tuple[Chatter, ...]:
    """Names with a bout of chatter; a coming lies in chatter when it is one of three within a minute."""
    group, last = group_of(alarms), CHATTER_TIMES - 1
    order = np.argsort(group, kind="stable")
    at, group = alarms["at_s"].to_numpy()[order], group[order]
    third = np.zeros(len(at), bool)
    third[last:] = (group[last:] == group[:-last]) & (at[last:] - at[:-last] <= CHATTER_S)
    inside = third.copy()
    for k in range(1, CHATTER_TIMES):
        inside[:-k] |= third[k:]
    same = np.diff(group) == 0
    run = np.where(same, 1.0 / np.maximum(np.diff(at), LEAST_RUN_S), np.nan)
    begins = third & ~np.concatenate([[False], third[:-1] & same])[: len(third)]
    each = (
        alarms.select("name")[order]
        .with_columns(
            pl.Series("inside", inside),
            pl.Series("begins", begins),
            pl.Series("run", np.append(run, np.nan), nan_to_null=True),
        )
        .group_by("name")
        .agg(pl.len().alias("n"), pl.col("inside").sum(), pl.col("begins").sum(), pl.col("run").mean())
        .filter(pl.col("inside") > 0)
        .sort("inside", "name", descending=[True, False])
    )
    return tuple(Chatter(str(name), *numbers) for name, *numbers in each.iter_rows())


def _standing(alarms: pl.DataFrame, covered: Coverage) -> tuple[tuple[Standing, ...], int]:
    """Alarms that stood long; the last of a name without an end is taken to have stood until its bed's log ends."""
    if not alarms["duration_s"].count():
        return (), 0
    last = pl.Series("bed", list(covered.spans)), pl.Series([float(span[-1, 1]) for span in covered.spans.values()])
    end = pl.col("bed").cast(pl.String).replace_strict(*last, return_dtype=pl.Float64)
    lasted = (
        pl.when(pl.col("ends") == "not logged")
        .then(pl.coalesce("duration_s", end - pl.col("at_s")))
        .otherwise("duration_s")
    )
    stood = (
        alarms.with_columns(lasted=lasted)
        .filter(pl.col("lasted") >= STANDING_S)
        .sort("lasted", "at_s", descending=[True, False])
    )
    told = stood.head(MOST_TOLD).select("bed", "name", "priority", "at_s", "lasted", pl.col("duration_s").is_not_null())
    return tuple(Standing(*row) for row in told.iter_rows()), stood.height
