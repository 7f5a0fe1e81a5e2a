"""Weaning as pages show it: criteria as rows, the trial in sentences and minutes, for report and handover alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.care.weaning import Item, Trial, Weaning
from tidebench.care.weaning.effort import EffortNumber, words_of
from tidebench.care.weaning.item import F_VT_WARNING
from tidebench.care.weaning.page import PEOPLE_DECIDE, ago, cell, counts, f_vt_words, no_trial, trend_words
from tidebench.care.weaning.trial import KEYS, LENGTH_MIN, MINUTE_S
from tidebench.quantities import Quantity, quantity
from tidebench.views.wording import clock, duration, sentence

if TYPE_CHECKING:
    from tidebench.review import Review


@dataclass(frozen=True, slots=True)
class CriterionRow:
    """One criterion: how it stands, what is asked, the number with its age, and why it isn't judged or known."""

    state: str
    name: str
    value: str
    criterion: str
    where: str
    why: str


@dataclass(frozen=True, slots=True)
class MinuteRow:
    """A minute of the trial: its number, breaths, and cells in the order of ``WeaningView.columns``."""

    minute: int
    breaths: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class WeaningView:
    """Everything that is told of weaning; what is empty has no place on the page."""

    lead: tuple[str, ...]
    readiness_lead: str
    readiness: tuple[CriterionRow, ...]
    trial: tuple[str, ...]
    columns: tuple[Quantity, ...]
    minutes: tuple[MinuteRow, ...]
    trends: tuple[str, ...]
    failure_lead: str
    failure: tuple[CriterionRow, ...]
    effort: tuple[str, ...]
    classes: tuple[str, ...]


def weaning_view(told: Weaning) -> WeaningView:
    """What a page of weaning shows."""
    trial = told.trial
    return WeaningView(
        lead=tuple(filter(None, (PEOPLE_DECIDE, told.refused, told.doubt, told.policy, *told.questions))),
        readiness_lead=_readiness_lead(told),
        readiness=tuple(_row(item) for item in told.readiness),
        trial=(no_trial(told),) if trial is None else tuple(_trial(told, trial)),
        columns=tuple(quantity(key) for key in KEYS),
        minutes=() if trial is None else tuple(_minutes(trial)),
        trends=() if trial is None else tuple(trend_words(key, trial.trends.get(key)) for key in KEYS if trial.minutes),
        failure_lead=sentence(counts(told.failure)) if told.failure else "",
        failure=tuple(_row(item) for item in told.failure),
        effort=tuple(_effort(one) for one in told.effort if one.spread is not None),
        classes=tuple(_classes(told)),
    )


def reviewed_weaning(review: Review) -> WeaningView | None:
    """What a review's case shows of a breathing trial; None where it shows none, or one too long to be a trial."""
    from tidebench.care.weaning import wean

    told = wean(review.case, review)
    trial = told.trial
    if trial is None or told.refused or trial.duration_s > MINUTE_S * LENGTH_MIN[1]:
        return None
    return weaning_view(told)


def _readiness_lead(told: Weaning) -> str:
    if not told.readiness:
        return ""
    when = "" if told.group == "child" else f"At {clock(told.moment_s)}: "
    return sentence(f"{when}{counts(told.readiness)}")


def _row(item: Item) -> CriterionRow:
    where = "" if item.origin in ("", "said") else item.origin if item.age_s is None else _aged(item)
    return CriterionRow(
        item.state, item.name, item.value or "–", item.criterion, where, item.why.removesuffix(f". {F_VT_WARNING}")
    )


def _aged(item: Item) -> str:
    at = "" if item.at_s is None else f" at {clock(item.at_s)}"
    return f"{item.origin}{at}, {ago(item.age_s)} old"


def _trial(told: Weaning, trial: Trial) -> Iterator[str]:
    lasts = f"from {clock(trial.start_s)} for {duration(trial.duration_s)}"
    yield sentence(f"{lasts}, found by {trial.found_by}; {trial.support.words}")
    yield from trial.notes
    if words := f_vt_words(told, trial):
        yield words
    if told.trials_seen > 1 and trial.found_by != "options":
        yield f"The longest of {told.trials_seen} that the case shows."


def _minutes(trial: Trial) -> Iterator[MinuteRow]:
    for minute in trial.minutes:
        cells = tuple(cell(key, minute.values[key]) for key in KEYS)
        yield MinuteRow(round((minute.from_s - trial.start_s) / MINUTE_S), minute.breaths, cells)


def _effort(one: EffortNumber) -> str:
    limit = f"; {one.standing}: {one.limit}" if one.limit else ""
    return f"{quantity(one.key).label} {words_of(one)}, {one.origin}{limit}"


def _classes(told: Weaning) -> Iterable[str]:
    if told.classes is None:
        return
    for name, one in (("2007 consensus", told.classes.consensus_2007), ("WIND 2017", told.classes.wind_2017)):
        yield f"{name}: {one.name or 'not known'}. {one.text}"
