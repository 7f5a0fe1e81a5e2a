"""What was going on at each alarm: the breath, the findings about it, a setting changed just before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.coverage import clipped, length, united

BEFORE_S, AFTER_S = 30.0, 10.0
"""A finding is near an alarm when it lies, in part, in the 30 s before it or the 10 s after (this house's choice: an
alarm comes with delay, and clocks are set by hand)."""
HEARD_S = 30.0
"""An alarm that comes up to so long after a finding's end may have told of it (this house's choice)."""
SET_S = 120.0
WHOLE = "the whole recording"
KEYS = ("peak_pressure_cmh2o", "vte_ml", "rate_per_min", "peep_cmh2o", "leak_fraction")
"""Numbers of the breath at an alarm."""
FEWEST = 3
TIMES = 2.0
"""A finding is told of when it is near alarms at least so many times as often as by chance (this house's choice)."""
ALARMING = (
    "obstruction", "disconnection", "leak", "leak-change", "mechanics-change", "incomplete-expiration", "cough",
    "double-trigger", "auto-trigger", "beyond-limit", "overdistension",
)  # fmt: skip
"""Findings that some alarm of a ventilator may tell of (common practice)."""

Times = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Near:
    """A kind of finding near alarms of one name, beside how often it would be near by chance.

    ``share`` is the part of the alarms that had it near, ``by_chance`` the part of the recording's time at which an
    alarm would have it near.
    """

    name: str
    kind: str
    near: int
    alarms: int
    by_chance: float

    @property
    def share(self) -> float:
        """Part of the alarms that had the finding near."""
        return self.near / self.alarms


@dataclass(frozen=True, slots=True)
class Heard:
    """Findings of one kind, and how many of them had any alarm: on during them, or within half a minute after."""

    kind: str
    findings: int
    heard: int


@dataclass(frozen=True, slots=True)
class Numbers:
    """Medians of :data:`KEYS` over the breaths in which alarms of a name came; None where not known."""

    name: str
    breaths: int
    medians: Mapping[str, float | None]


@dataclass(frozen=True)
class Beside:
    """Alarms beside a reviewed recording.

    Attributes
    ----------
    alarms : DataFrame
        Those within the recording, each with ``breath`` and its numbers, ``findings`` near, ``set_before_s``.
    within, outside : int
        Alarms within the recording and outside it.
    near : tuple of Near
        By name, the most telling first.
    heard : tuple of Heard
    at_alarms : tuple of Numbers
        By name, and last the whole recording, to hold them against.
    """

    alarms: pl.DataFrame
    within: int
    outside: int
    near: tuple[Near, ...]
    heard: tuple[Heard, ...]
    at_alarms: tuple[Numbers, ...]


def beside(alarms: pl.DataFrame, breaths: pl.DataFrame, findings: pl.DataFrame, settings_s: Sequence[float]) -> Beside:
    """Lay alarms beside breaths and findings.

    Parameters
    ----------
    alarms : DataFrame
        On the case clock, one bed.
    breaths, findings : DataFrame
        Of a review.
    settings_s : sequence of float
        When settings were changed, by case and log.
    """
    begin, end = recorded(breaths)
    inside = alarms.filter(pl.col("at_s").is_between(begin, end)).sort("at_s")
    told = _with_breath(inside, breaths)
    told = told.with_columns(
        _findings_near(told["at_s"].to_numpy(), findings), _set_before(told["at_s"].to_numpy(), settings_s)
    )
    return Beside(
        told,
        inside.height,
        alarms.height - inside.height,
        _near(told, findings, (begin, end)),
        _heard(alarms, findings),
        _numbers(told, breaths),
    )


def recorded(breaths: pl.DataFrame) -> tuple[float, float]:
    """From the first breath's start to the last one's end, s; nothing where there are none."""
    if not breaths.height:
        return 0.0, -1.0
    return float(breaths["start_s"][0]), float(breaths["end_s"][-1])


def _with_breath(alarms: pl.DataFrame, breaths: pl.DataFrame) -> pl.DataFrame:
    """Alarms with the breath in which they came, null between breaths."""
    about = breaths.select("breath", "start_s", "end_s", *KEYS).sort("start_s")
    joined = alarms.join_asof(about, left_on="at_s", right_on="start_s", strategy="backward")
    within = pl.col("at_s") < pl.col("end_s")
    return joined.with_columns(pl.when(within).then(pl.col(key)).alias(key) for key in ("breath", *KEYS)).drop(
        "end_s", "start_s", strict=False
    )


def _numbers(told: pl.DataFrame, breaths: pl.DataFrame) -> tuple[Numbers, ...]:
    """Medians at alarms of the names that have the most, and over the whole recording."""
    medians = [pl.col(key).median() for key in KEYS]
    each = told.drop_nulls("breath").group_by("name").agg(pl.len().alias("n"), *medians)
    each = each.sort("n", "name", descending=[True, False]).with_columns(pl.col("name").cast(pl.String))
    whole = breaths.select(pl.lit(WHOLE).alias("name"), pl.len().alias("n"), *medians)
    rows = pl.concat([each, whole], how="vertical_relaxed").iter_rows(named=True)
    return tuple(Numbers(row["name"], row["n"], {key: row[key] for key in KEYS}) for row in rows)


def _findings_near(at: Times, findings: pl.DataFrame) -> pl.Series:
    """Kinds of findings near each alarm, in order and each once."""
    found: list[set[str]] = [set() for _ in at]
    for kind, start, end in findings.select("kind", "start_s", "end_s").iter_rows():
        first, last = np.searchsorted(at, (start - AFTER_S, end + BEFORE_S), side="left")
        for k in range(int(first), int(last)):
            found[k].add(kind)
    return pl.Series("findings", [sorted(kinds) for kinds in found], pl.List(pl.String))


def _set_before(at: Times, settings_s: Sequence[float]) -> pl.Series:
    """Seconds since the last change of settings, null where there was none within two minutes."""
    changed = np.sort(np.asarray(settings_s, float))
    k = np.searchsorted(changed, at, side="right") - 1
    since = np.where(k >= 0, at - changed[np.maximum(k, 0)], np.inf) if len(changed) else np.full(len(at), np.inf)
    return pl.Series("set_before_s", np.where(since <= SET_S, since, np.nan), nan_to_null=True)


def _near(told: pl.DataFrame, findings: pl.DataFrame, recording: tuple[float, float]) -> tuple[Near, ...]:
    """Kinds near alarms of a name, well oftener than by chance, those first that differ most from it."""
    whole = np.array([recording])
    chance = {}
    for (kind,), part in findings.select("kind", "start_s", "end_s").group_by("kind"):
        about = part.select(pl.col("start_s") - AFTER_S, pl.col("end_s") + BEFORE_S).to_numpy()
        chance[str(kind)] = length(united(clipped(united(about), whole))) / max(recording[1] - recording[0], 1e-9)
    counts = told.group_by("name").agg(
        pl.len().alias("alarms"), pl.col("findings").explode().value_counts().alias("kinds")
    )
    found = [
        Near(str(name), one["findings"], one["count"], alarms, chance[one["findings"]])
        for name, alarms, kinds in counts.iter_rows()
        if alarms >= FEWEST
        for one in kinds
        if one["findings"] is not None and one["count"] > 1 and one["count"] >= TIMES * chance[one["findings"]] * alarms
    ]
    return tuple(sorted(found, key=lambda one: (one.by_chance - one.share, one.name, one.kind)))


def _heard(alarms: pl.DataFrame, findings: pl.DataFrame) -> tuple[Heard, ...]:
    """Of each kind of finding, how many had an alarm."""
    on = alarms.select("at_s", pl.max_horizontal("at_s", "until_s").alias("end")).sort("at_s").to_numpy()
    found = []
    told = findings.filter(pl.col("kind").is_in(ALARMING)).select("kind", "start_s", "end_s")
    for (kind,), part in told.group_by("kind"):
        start, end = part["start_s"].to_numpy(), part["end_s"].to_numpy() + HEARD_S
        found.append(Heard(str(kind), part.height, int(meets(on, start, end).sum())))
    return tuple(sorted(found, key=lambda one: (-one.findings, one.kind)))


def meets(on: npt.NDArray[np.float64], start: Times, end: Times) -> npt.NDArray[np.bool_]:
    """Which of the spans from ``start`` to ``end`` any of the spans ``on``, sorted by their begin, meets."""
    if not len(on):
        return np.zeros(len(start), bool)
    latest = np.maximum.accumulate(on[:, 1])
    k = np.searchsorted(on[:, 0], end, side="right") - 1
    return (k >= 0) & (latest[np.maximum(k, 0)] >= start)
