"""Weaning of one case: what is asked, and everything that is told, gated by age."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tidebench.care.weaning.classes import Classes, History, classify
from tidebench.care.weaning.cuff import CuffLeak, cuff_leak
from tidebench.care.weaning.effort import EffortNumber, effort_numbers
from tidebench.care.weaning.failure import Course, failure
from tidebench.care.weaning.item import Item
from tidebench.care.weaning.readiness import Moment, readiness
from tidebench.care.weaning.said import Said
from tidebench.care.weaning.trial import Trial, stretch, trials_in, with_numbers
from tidebench.case import Case
from tidebench.limits import Policy, policy_statement, population, predicted_weight_kg
from tidebench.review import Review

ADULTS_ONLY = {
    "child": "Adult weaning criteria are not applied to a child: paediatric ones are those of their own guideline "
    "(Abu-Sultaneh 2023, from memory), which is not held here.",
    "newborn": "Adult weaning criteria are not applied to a newborn, term or preterm, and none of their own are held "
    "here.",
}
TUBES = ("endotracheal tube", "tracheostomy tube")
NO_TUBE = "The criteria were published for patients with a tube, and this case says {}."
NO_AGE = "No age is given, so no weaning criteria are applied: age_years under [patient]."


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
        The time that readiness speaks of: the trial's start, else the end of the case.
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
        A house's limits for effort, where there is no review that holds them.

    Raises
    ------
    OptionError
        A stretch that is none of the case, or volumes that can't be.
    """
    asked = asked or Asked()
    house = review.policy if review else policy
    until = end_of(case, review)
    breaths, efforts = (review.breaths, review.efforts) if review else (None, None)
    seen = trials_in(case, until)
    named = asked.from_s is not None or asked.to_s is not None
    chosen = (
        stretch(case, asked.from_s, asked.to_s, until)
        if named
        else max(seen, key=lambda trial: trial.duration_s, default=None)
    )
    trial = None if chosen is None else with_numbers(chosen, case, breaths, efforts, until)
    moment_s = until if trial is None else trial.start_s
    who = population(case.patient)
    refused = NO_AGE if who.group is None else ADULTS_ONLY.get(who.group, "")
    moment = Moment(case, breaths, asked.said, moment_s, predicted_weight_kg(case.patient))
    inspired = asked.leak_inspired_ml
    leak = None if inspired is None else cuff_leak(inspired, asked.leak_expired_ml)
    return Weaning(
        case=case,
        refused=refused,
        group_reason=who.reason,
        moment_s=moment_s,
        readiness=() if refused else readiness(moment),
        trial=trial,
        trials_seen=len(seen),
        failure=() if refused or trial is None else failure(Course(trial, case, breaths, asked.said)),
        effort=() if trial is None else effort_numbers(trial, case, review, house),
        cuff=None if refused else leak,
        classes=None if refused else classify(_history(case, asked.history)),
        policy="" if house is None else policy_statement(house, case.patient),
        doubt="" if case.airway.interface in (None, *TUBES) else NO_TUBE.format(case.airway.interface),
    )


def end_of(case: Case, review: Review | None) -> float:
    """When the case ends: its recording, or the last thing that was noted."""
    if review is not None:
        return float(review.recording.duration_s)
    times = [row.at_s for rows in (case.settings, case.events, case.observed) for row in rows]
    times += [gas.at_s for gas in case.blood_gases if gas.at_s is not None]
    return max(times, default=0.0)


def _history(case: Case, told: History) -> History:
    """What is told; failed trials as the case has noted them, where nobody tells."""
    noted = [row.failed_breathing_trials for row in case.observed if row.failed_breathing_trials is not None]
    if told.failed is not None or not noted:
        return told
    return History(told.trials, noted[-1], told.days, told.ended)
