"""A log, a case and a reviewed recording laid side by side: everything that is told of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import Any

import polars as pl

from tidebench.care.logs.alarms import alarms_of
from tidebench.care.logs.beside import Beside, beside, recorded
from tidebench.care.logs.burden import Burden, burden
from tidebench.care.logs.case_clock import CaseClock, case_clock, offset_by_holds, on_case_clock, recording_start
from tidebench.care.logs.changed import Changed, changed
from tidebench.care.logs.columns import listed
from tidebench.care.logs.coverage import Coverage, coverage
from tidebench.care.logs.crowding import Crowding, crowding
from tidebench.care.logs.log import Log
from tidebench.care.logs.pauses import Pauses, pauses
from tidebench.care.logs.rebuilt import Rebuilt, rebuilt
from tidebench.care.logs.timeline import Picture, changed_at, timeline
from tidebench.care.logs.tradeoff import Tradeoff, tradeoffs
from tidebench.care.logs.watched import WATCHED, Asked
from tidebench.care.logs.words import Words
from tidebench.case import Case
from tidebench.errors import LogError, OptionError
from tidebench.limits import Policy, conditions_of, limits_of_case, policy_statement

MOST_HOLDS = 200


@dataclass(frozen=True)
class Reviewed:
    """What a review found, as its result holds it: breaths, findings, and holds as in ``summary.json``."""

    breaths: pl.DataFrame
    findings: pl.DataFrame
    holds: Sequence[Mapping[str, Any]] = ()


@dataclass(frozen=True)
class Question:
    """What is asked beside the log.

    Attributes
    ----------
    words : Words
    zero : datetime or None
        What the log's clock showed at the first sample of the recording.
    bed : str or None
        The bed of the case, where the log has several.
    now, then : Asked or None
        A limit to hold another against.
    must : sequence of Asked
        Stretches beyond these count as true events.
    pictures : sequence of (str, float or datetime)
        Name and moment: seconds on the case clock, or a wall time.
    policy : Policy or None
    """

    words: Words = field(default_factory=Words)
    zero: datetime | None = None
    bed: str | None = None
    now: Asked | None = None
    then: Asked | None = None
    must: Sequence[Asked] = ()
    pictures: Sequence[tuple[str, float | datetime]] = ()
    policy: Policy | None = None


@dataclass(frozen=True)
class Heard:
    """A log by itself: what it covers, its alarms, and what they come to; no burden where there is no alarm."""

    coverage: Coverage
    alarms: pl.DataFrame
    burden: Burden | None
    crowding: Crowding | None


@dataclass(frozen=True)
class Told:
    """What is told; what needs a log, a case or a review is None where there is none.

    All times stand on the case clock where there is a case, else on the log's. ``start`` is the wall's at 0 s.
    ``offset`` is by how much holds say that the log's clock is off, and how many then agree.
    """

    log: Log | None
    case: Case | None
    clock: CaseClock | None
    heard: Heard | None
    alarms: pl.DataFrame | None
    offset: tuple[float, int] | None
    settings: Rebuilt
    beside: Beside | None
    tradeoffs: tuple[Tradeoff, ...]
    pauses: Pauses | None
    changed: Changed | None
    reviewed: Reviewed | None
    pictures: tuple[Picture, ...]
    start: datetime | None
    policy: str

    @cached_property
    def timeline(self) -> pl.DataFrame:
        """Log, case, review and pictures in the order of time."""
        events = self.log.events if self.log else None
        findings, holds = (self.reviewed.findings, self.reviewed.holds) if self.reviewed else (None, ())
        return timeline(events, self.case, findings, holds, self.pictures, self.start)


def tell(log: Log | None, case: Case | None, reviewed: Reviewed | None, asked: Question | None = None) -> Told:
    """Everything that a log, a case and a review tell together.

    Parameters
    ----------
    log : Log or None
        None: limits are replayed alone.
    case : Case or None
    reviewed : Reviewed or None
        A review of the case's recording; without a case, limits are replayed for a patient of unknown age.
    asked : Question, optional

    Raises
    ------
    LogError, OptionError
        Clocks that can't be compared, a bed that is not named or not there, limits without a review.
    """
    asked = asked or Question()
    _refuse_loose_ends(asked, reviewed, case, log)
    clock = case_clock(log, case, asked.zero) if log and case else None
    placed = None if log is None else _of_bed(on_case_clock(log, clock.shift_s if clock else 0.0), asked.bed, case)
    heard = None if placed is None else _heard(placed)
    settings = rebuilt(placed.events, asked.words, case) if placed else Rebuilt()
    laid, alarms = None, heard.alarms if heard else None
    if alarms is not None and reviewed is not None:
        laid, alarms = _laid(alarms, reviewed, case, settings)
    start = placed.start if placed else recording_start(case) if case else None
    return Told(
        log=placed,
        case=case,
        clock=clock,
        heard=heard,
        alarms=alarms,
        offset=_offset(placed, reviewed),
        settings=settings,
        beside=laid,
        tradeoffs=_tradeoffs(reviewed, case, asked),
        pauses=None if reviewed is None else pauses(reviewed.breaths, case or Case(), asked.policy),
        changed=_changed(asked, reviewed, case),
        reviewed=reviewed,
        pictures=tuple(_pictures(asked.pictures, start)),
        start=None if start is None else start.replace(tzinfo=None),
        policy=_house(asked.policy, case, reviewed),
    )


def _house(policy: Policy | None, case: Case | None, reviewed: Reviewed | None) -> str:
    """Which of a house's limits bound what is offered: those of quantities that are replayed, and no others."""
    if policy is None:
        return ""
    if case is None or reviewed is None:
        lacking = "--review" if reviewed is None else "--case"
        return f"Limits of this house were not used: {policy.name}. They bound limits replayed, which needs {lacking}."
    said = conditions_of(case.patient, case.condition)
    return policy_statement(policy, case.patient, conditions=said, among={one.key for one in WATCHED})


def _refuse_loose_ends(asked: Question, reviewed: Reviewed | None, case: Case | None, log: Log | None) -> None:
    """Refuse what has no use without something else."""
    if log is None and reviewed is None:
        raise OptionError("there is neither a log nor a review", where="log", expected="one of them, or both")
    if log is not None and reviewed is not None and case is None:
        raise OptionError(
            "a log is laid beside a review by the clock of its case", where="--review", expected="--case CASE too"
        )
    if (asked.now is None) != (asked.then is None):
        raise OptionError("one limit is held against another", where="--now and --then", expected="both")
    if reviewed is None and (asked.now or asked.must):
        raise OptionError("limits are replayed over a review", where="--now and --must", expected="--review RESULT too")


def _of_bed(log: Log, bed: str | None, case: Case | None) -> Log:
    """The log of one bed, where one is named; a case belongs to one bed."""
    beds = log.events["bed"].unique().cast(pl.String).sort().to_list()
    if bed is None:
        if case is not None and len(beds) > 1:
            raise LogError(
                f"the log is of {len(beds)} beds, and a case belongs to one",
                where=log.sources[0].name,
                expected=f"--bed with one of {listed(beds)}",
            )
        return log
    if bed not in beds:
        raise LogError(f"there is no bed {bed!r}", where="--bed", expected=f"one of {listed(beds)}")
    sources = tuple(replace(one, spans={bed: one.spans[bed]}) for one in log.sources if bed in one.spans)
    return replace(log, events=log.events.filter(pl.col("bed") == bed), sources=sources)


def _heard(log: Log) -> Heard:
    alarms, covered = alarms_of(log), coverage(log)
    if not alarms.height:
        return Heard(covered, alarms, None, None)
    start = log.start
    day_s = None if start is None else start.hour * 3600 + start.minute * 60 + start.second + start.microsecond / 1e6
    return Heard(covered, alarms, burden(alarms, covered, day_s), crowding(alarms, covered))


def _laid(
    alarms: pl.DataFrame, reviewed: Reviewed, case: Case | None, settings: Rebuilt
) -> tuple[Beside, pl.DataFrame]:
    """Alarms beside the review, and all alarms with what was found beside those within it."""
    laid = beside(alarms, reviewed.breaths, reviewed.findings, changed_at(case, settings))
    begin, end = recorded(reviewed.breaths)
    outside = alarms.filter(~pl.col("at_s").is_between(begin, end))
    return laid, pl.concat([laid.alarms, outside], how="diagonal").sort("at_s", "bed", "name", maintain_order=True)


def _offset(log: Log | None, reviewed: Reviewed | None) -> tuple[float, int] | None:
    if log is None or reviewed is None:
        return None
    logged = log.events.filter((pl.col("kind") == "hold") & (pl.col("state") != "off").fill_null(value=True))
    return offset_by_holds(
        logged["at_s"].head(MOST_HOLDS).to_list(), [hold["at_s"] for hold in reviewed.holds][:MOST_HOLDS]
    )


def _tradeoffs(reviewed: Reviewed | None, case: Case | None, asked: Question) -> tuple[Tradeoff, ...]:
    if reviewed is None:
        return ()
    return tradeoffs(reviewed.breaths, reviewed.findings, case or Case(), asked.policy, asked.must)


def _changed(asked: Question, reviewed: Reviewed | None, case: Case | None) -> Changed | None:
    if asked.now is None or asked.then is None or reviewed is None:
        return None
    limits = () if case is None else limits_of_case(case, policy=asked.policy)
    return changed(asked.now, asked.then, reviewed.breaths, reviewed.findings, asked.must, limits)


def _pictures(told: Sequence[tuple[str, float | datetime]], start: datetime | None) -> list[Picture]:
    """Pictures on the clock.

    Raises
    ------
    OptionError
        A wall time, and nothing says what the wall's clock showed at 0 s.
    """
    return [Picture(name, _at(name, moment, start)) for name, moment in told]


def _at(name: str, moment: float | datetime, start: datetime | None) -> float:
    if not isinstance(moment, datetime):
        return moment
    if start is None:
        raise OptionError(f"{name} has a date, and no clock tells one", where="--picture", expected="seconds")
    if start.tzinfo is None or moment.tzinfo is None:
        return (moment.replace(tzinfo=None) - start.replace(tzinfo=None)).total_seconds()
    return (moment - start).total_seconds()
