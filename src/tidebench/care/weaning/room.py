"""Weaning of one case: what is asked, and everything that is told, gated by age."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from tidebench.care.weaning import children
from tidebench.care.weaning.classes import Classes, History, classify
from tidebench.care.weaning.cuff import CuffLeak, cuff_leak
from tidebench.care.weaning.effort import EFFORT_KEYS, EffortNumber, effort_numbers
from tidebench.care.weaning.failure import Course, failure
from tidebench.care.weaning.item import Item
from tidebench.care.weaning.readiness import Moment, readiness
from tidebench.care.weaning.said import Said
from tidebench.care.weaning.trial import MOST_SUPPORT_CMH2O, Trial, stretch, trials_in, with_numbers, without_tube
from tidebench.case import Case
from tidebench.doubts import doubts
from tidebench.limits import Condition, Group, Policy, criteria, policy_statement, population, predicted_weight_kg
from tidebench.review import Review

NOT_HELD = {
    "newborn": "Neither adult nor paediatric weaning criteria are applied to a newborn, term or preterm, and none of "
    "their own are held here.",
}
FOR_CHILDREN = (
    "Adult weaning criteria are not applied to a child. The paediatric guideline recommends methods; numbers to "
    "pass by are those of a test used in trials. f/VT is shown and judged by nothing."
)
CRITERIA: tuple[Condition, ...] = ("readiness to wean", "breathing trial")
NO_TUBE = "The criteria were published for patients with a tube, and this case says {}."
NO_AGE = "No age is given, so no weaning criteria are applied: age_years under [patient]."


Items = tuple[Item, ...]


@dataclass(frozen=True)
class Asked:
    """What is asked of a case.

    Attributes
    ----------
    from_s, to_s : float or None
        The trial, where a person names it.
    said : Said
        What only a person can tell.
    history : History
        Breathing trials so far.
    leak_inspired_ml, leak_expired_ml
        Volumes with the cuff deflated.
    """

    from_s: float | None = None
    to_s: float | None = None
    said: Said = field(default_factory=Said)
    history: History = field(default_factory=History)
    leak_inspired_ml: float | None = None
    leak_expired_ml: Sequence[float] = ()


@dataclass(frozen=True)
class Weaning:
    """What is told of weaning.

    Attributes
    ----------
    case : Case
    refused : str
        Why the criteria are not applied; empty where they are. Items, classes and cuff leak are then absent.
    moment_s : float
        The time that readiness speaks of: the trial's start, else the last thing that the case tells.
    group_reason : str
        By what the patient is taken for an adult, a child or a newborn.
    readiness, failure : tuple of Item
    trial : Trial or None
        The last breathing trial, or the one that was named.
    trials_seen : int
        How many the case shows.
    effort : tuple of EffortNumber
    cuff : CuffLeak or None
    classes : Classes or None
    policy : str
        Which house's limits were used; empty where published ones were.
    doubt : str
        Why the criteria may not be meant for this patient; empty where nothing says so.
    questions : tuple of str
        Entries that are unlikely together, asked about.
    group : str or None
        ``adult``, ``child`` or ``newborn``; None where no age is known.
    """

    case: Case
    refused: str
    group_reason: str
    moment_s: float
    readiness: tuple[Item, ...]
    trial: Trial | None
    trials_seen: int
    failure: tuple[Item, ...]
    effort: tuple[EffortNumber, ...]
    cuff: CuffLeak | None
    classes: Classes | None
    policy: str
    doubt: str
    group: Group | None
    questions: tuple[str, ...] = ()


def wean(
    case: Case, review: Review | None = None, asked: Asked | None = None, *, policy: Policy | None = None
) -> Weaning:
    """What a case tells of weaning.

    Parameters
    ----------
    case : Case
    review : Review, optional
        Of the case's recording; numbers that were noted do where there is none.
    asked : Asked, optional
    policy : Policy, optional
        A house's limits for criteria and effort, where there is no review that holds them.

    Raises
    ------
    OptionError
        A stretch that is none of the case, or volumes that can't be.
    """
    asked = asked or Asked()
    house = review.policy if review else policy
    until = end_of(case, review)
    who = population(case.patient)
    child = who.group == "child"
    most = children.MOST_SUPPORT_CMH2O if child else MOST_SUPPORT_CMH2O
    seen = trials_in(case, until, most)
    chosen = _chosen(case, asked, seen, until)
    breaths, efforts = (review.breaths, review.efforts) if review else (None, None)
    trial = None if chosen is None else with_numbers(chosen, case, breaths, efforts, until, most)
    moment_s = last_told_s(case, review) if trial is None else trial.start_s
    refused = NO_AGE if who.group is None else NOT_HELD.get(who.group, "")
    inspired = asked.leak_inspired_ml
    leak = None if inspired is None else cuff_leak(inspired, asked.leak_expired_ml)
    ready: Items = ()
    failed: Items = ()
    if child:
        ready, failed = _for_child(case, asked, breaths, trial, leak, until, house)
    elif not refused:
        ready, failed = _for_adult(case, asked, breaths, trial, moment_s, house)
    return Weaning(
        case=case,
        refused=refused,
        group_reason=who.reason,
        moment_s=moment_s,
        readiness=ready,
        trial=trial,
        trials_seen=len(seen),
        failure=failed,
        effort=() if trial is None else effort_numbers(trial, case, review, house),
        cuff=None if refused or child else leak,
        classes=None if refused or child else classify(_history(case, asked.history)),
        policy="" if house is None else policy_statement(house, case.patient, among=EFFORT_KEYS, criteria_of=CRITERIA),
        doubt=_doubt(case, child=child),
        group=who.group,
        questions=tuple(doubts(case)),
    )


def _for_adult(
    case: Case, asked: Asked, breaths: pl.DataFrame | None, trial: Trial | None, moment_s: float, house: Policy | None
) -> tuple[Items, Items]:
    """The 2007 consensus: its list of readiness, and its criteria of failure where there is a trial."""
    ready, failing = (criteria(case.patient, name, policy=house) for name in CRITERIA)
    moment = Moment(case, breaths, asked.said, moment_s, predicted_weight_kg(case.patient), ready)
    failed = () if trial is None else failure(Course(trial, case, breaths, asked.said, failing))
    return readiness(moment), failed


def _for_child(
    case: Case, asked: Asked, breaths: pl.DataFrame | None, trial: Trial | None, leak: CuffLeak | None, until_s: float,
    house: Policy | None,
) -> tuple[Items, Items]:  # fmt: skip
    """The paediatric guideline's steps, and the numbers of the trial."""
    bounds = children.limits_of(case.patient, house)
    course = None if trial is None else Course(trial, case, breaths, asked.said, bounds, children.GUIDELINE)
    steps = children.steps(case, trial, asked.said, leak, until_s)
    return steps, () if course is None else children.signs(course)


def _chosen(case: Case, asked: Asked, seen: Sequence[Trial], until_s: float) -> Trial | None:
    """The trial that a person names, else the longest."""
    if asked.from_s is not None or asked.to_s is not None:
        return stretch(case, asked.from_s, asked.to_s, until_s)
    return max(seen, key=lambda trial: trial.duration_s, default=None)


def _doubt(case: Case, *, child: bool) -> str:
    told = [FOR_CHILDREN] if child else []
    if without_tube(case):
        told.append(NO_TUBE.format(case.airway.interface))
    return " ".join(told)


def end_of(case: Case, review: Review | None) -> float:
    """When the case ends: its recording, or the last thing that was noted."""
    if review is not None:
        return float(review.recording.duration_s)
    return last_told_s(case, None)


def last_told_s(case: Case, review: Review | None) -> float:
    """The last thing that a case tells: the end of its recording, a number, a setting, an event, a gas drawn later."""
    times = [row.at_s for rows in (case.settings, case.events, case.observed) for row in rows]
    times += [at for gas in case.blood_gases if (at := case.drawn_at_s(gas)) is not None]
    times += [] if review is None else [float(review.recording.duration_s)]
    return max(times, default=0.0)


def _history(case: Case, told: History) -> History:
    """What is told; failed trials as the case has noted them, where nobody tells."""
    noted = [row.failed_breathing_trials for row in case.observed if row.failed_breathing_trials is not None]
    if told.failed is not None or not noted:
        return told
    return History(told.trials, noted[-1], told.days, told.ended)
