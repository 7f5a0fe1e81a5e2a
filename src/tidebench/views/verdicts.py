"""Published limits held against what was measured, each with its kind and source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import polars as pl

from tidebench.limits import Kind, Limit, conditions_of, judge, limits_of_case, on_oxygen, policy_statement, population
from tidebench.quantities import quantity
from tidebench.records import BREATH_COLUMNS, Spread
from tidebench.views.numbers import OF_VOLUME, Number, breath_values, mostly_leak, summary_number
from tidebench.views.wording import clock, sentence

if TYPE_CHECKING:
    from tidebench.review import Review

State = Literal["met", "crossed", "crossed at times", "can't be told"]
AT_TIMES = 0.05
"""From which share of breaths beyond it a limit counts as crossed at times, though the median is within."""

KINDS: dict[Kind, str] = {
    "trial target": "what a trial aimed at",
    "consensus": "what experts agreed on",
    "association": "linked with harm, not a tested target",
    "common practice": "common practice",
    "house policy": "this house's policy",
}
"""What a limit is, in plain words."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """One limit and what became of it: ``beyond`` of ``of`` breaths lie outside its bounds."""

    limit: Limit
    number: Number
    state: State
    beyond: int = 0
    of: int = 0
    why: str = ""

    @property
    def text(self) -> str:
        """The state in words, with the breaths beyond the limit: ``crossed, 89 of 91 breaths``."""
        if self.why:
            return f"{self.state} ({self.why})"
        if not self.beyond or self.of < 2:
            return self.state
        beyond = f"all {self.of}" if self.beyond == self.of else f"{self.beyond} of {self.of}"
        return f"{self.state}{' except on' if self.state == 'met' else ','} {beyond} breaths"

    @property
    def side(self) -> str:
        """``above``, ``below`` or ``outside`` the limit: where the breaths beyond it lie."""
        spread, limit = self.number.spread, self.limit
        over = limit.high is not None and spread is not None and spread.p95 > limit.high
        under = limit.low is not None and spread is not None and spread.p05 < limit.low
        return "outside" if over == under else "above" if over else "below"

    @property
    def kind(self) -> str:
        """What the limit is, in plain words."""
        return KINDS[self.limit.kind]


def verdicts(review: Review) -> tuple[Verdict, ...]:
    """Every limit for this patient of which something is known, or that people look for first."""
    return tuple(_all(review))


def why_these(review: Review) -> str:
    """From which group the limits were taken, and why."""
    found = population(review.case.patient)
    needed = "" if found.group else " They need at least the age (age_years or age_days under [patient])."
    return sentence(f"limits: {found.reason}") + needed


def policy_used(review: Review) -> str:
    """Which policy of the house was used and what it changed; empty where the published limits were."""
    case = review.case
    said = conditions_of(case.patient, case.condition)
    return policy_statement(review.policy, case.patient, conditions=said) if review.policy else ""


def _all(review: Review) -> Iterator[Verdict]:
    case = review.case
    fio2 = {setting.fio2 for setting in case.settings if setting.fio2 is not None}
    for held in limits_of_case(case, policy=review.policy):
        limit = on_oxygen(held, max(fio2, default=None))
        shown = summary_number(review, limit.key)
        if shown.spread is not None and limit.key in OF_VOLUME and mostly_leak(review):
            yield Verdict(limit, shown, "can't be told", why="volume doubtful: more than half leaks away")
        elif shown.spread is not None:
            yield _on_breaths(limit, shown, breath_values(review, limit.key))
        elif (noted := _noted(review, limit.key)) is not None:
            yield Verdict(limit, noted, _state(limit, noted, 0, 1), 0, 1)
        elif limit.key in BREATH_COLUMNS or limit.key.startswith("vt_per_"):
            yield Verdict(limit, shown, "can't be told")


def _on_breaths(limit: Limit, shown: Number, values: pl.Series) -> Verdict:
    high = float("inf") if limit.high is None else limit.high
    low = float("-inf") if limit.low is None else limit.low
    beyond = int(((values > high) | (values < low)).sum())
    return Verdict(limit, shown, _state(limit, shown, beyond, len(values)), beyond, len(values))


def _state(limit: Limit, shown: Number, beyond: int, of: int) -> State:
    standing = judge(limit, shown.spread.median if shown.spread else None)
    if standing == "can't be told":
        return standing
    if standing != "within":
        return "crossed"
    return "crossed at times" if of and beyond / of >= AT_TIMES else "met"


def _noted(review: Review, key: str) -> Number | None:
    """The last number that a person noted, where the signals give none."""
    for row in reversed(review.case.observed):
        if key in row.numbers:
            value = row.numbers[key]
            spread = Spread(value, value, value, 1)
            return Number(quantity(key, "observed"), spread, origin="noted", source=f"noted at {clock(row.at_s)}")
    return None
