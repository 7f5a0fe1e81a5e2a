"""Limits: what is published, what a house set instead, and how a value stands to them.

Each limit says what it is: a trial's target, a consensus, an association, common practice, or a house's policy. Age
gates all of them. What is not listed is not judged: f/VT, for one, is shown on support and never held against a cut.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from typing import Protocol, get_args

from tidebench.case import Lungs
from tidebench.errors import OptionError
from tidebench.limits.per_kg import predicted_weight_kg, volume_weight_kg
from tidebench.limits.policy import Policy, load_policy
from tidebench.limits.practice import ITEMS, LUNGS, Item, Practice
from tidebench.limits.published import PUBLISHED, newborn_volume
from tidebench.limits.record import (
    Condition,
    Group,
    Kind,
    Limit,
    Patient,
    Population,
    Standing,
    age_in_days,
    judge,
    population,
)
from tidebench.limits.starts import HIGHER_PEEP, LOWER_PEEP, STARTS, practice
from tidebench.quantities import quantity

__all__ = [
    "CONDITIONS",
    "HIGHER_PEEP",
    "ITEMS",
    "LOWER_PEEP",
    "LUNGS",
    "PUBLISHED",
    "STARTS",
    "Condition",
    "Group",
    "Item",
    "Kind",
    "Limit",
    "Lungs",
    "Patient",
    "Policy",
    "Population",
    "Practice",
    "Standing",
    "conditions_of",
    "criteria",
    "judge",
    "limits_for",
    "limits_of_case",
    "load_policy",
    "on_oxygen",
    "policy_statement",
    "population",
    "practice",
    "predicted_weight_kg",
    "volume_weight_kg",
]

CONDITIONS: tuple[Condition, ...] = get_args(Condition)
OF_LUNGS: dict[tuple[Group, Lungs], Condition] = {
    ("adult", "ARDS"): "ARDS",
    ("child", "ARDS"): "paediatric ARDS",
    ("newborn", "preterm RDS"): "respiratory distress syndrome",
}
"""What limits call a condition of the lungs, by group; those that no limit presupposes are not in it."""
OF_OXYGEN = ("spo2", "pao2_mmhg")
AIR_FIO2 = 0.21


def limits_for(
    patient: Patient, *, conditions: Iterable[Condition] = (), policy: Policy | None = None
) -> tuple[Limit, ...]:
    """The limits that hold for a patient, one for each quantity.

    Parameters
    ----------
    patient : Patient
        Chosen by age, see :func:`population`; none where the group can't be told.
    conditions : iterable of str
        What a person has said of the patient: ``"ARDS"``, ``"stiff chest wall"``, ... A limit with such a condition is
        left out unless it is said, and stands instead of the general one if it is.
    policy : Policy or None
        The house's limits, which stand instead of published ones.

    Raises
    ------
    OptionError
        A condition that no limit knows.
    """
    said = tuple(conditions)
    for condition in said:
        if condition not in CONDITIONS:
            raise OptionError(
                f"{condition!r} is no condition that a limit knows", where="conditions", expected=", ".join(CONDITIONS)
            )
    group = population(patient).group
    chosen: dict[str, Limit] = {}
    for limit in _ranked(policy, patient):
        if limit.group == group and (limit.condition is None or limit.condition in said):
            chosen[limit.key] = limit
    return tuple(chosen.values())


def conditions_of(patient: Patient, lungs: Lungs | None) -> tuple[Condition, ...]:
    """What limits presuppose of a patient whose lungs are said to be in a condition; empty where none asks for it."""
    group = population(patient).group
    said = None if group is None or lungs is None else OF_LUNGS.get((group, lungs))
    return () if said is None else (said,)


class Told(Protocol):
    """What a case must tell for its limits."""

    @property
    def patient(self) -> Patient:
        """Whom it is of."""

    @property
    def condition(self) -> Lungs | None:
        """What is said of the lungs."""


def limits_of_case(
    case: Told, *, policy: Policy | None = None, conditions: Iterable[Condition] = ()
) -> tuple[Limit, ...]:
    """The limits that hold in a case, under the condition that it states; one place for report, findings and rooms."""
    said = dict.fromkeys((*conditions, *conditions_of(case.patient, case.condition)))
    return limits_for(case.patient, conditions=said, policy=policy)


def on_oxygen(limit: Limit, fio2: float | None) -> Limit:
    """The limit at an inspired oxygen: on air nothing can be taken away, so no upper bound of oxygenation holds."""
    if limit.key not in OF_OXYGEN or limit.low is None or fio2 is None or fio2 > AIR_FIO2:
        return limit
    return replace(limit, high=None)


def criteria(patient: Patient, condition: Condition, *, policy: Policy | None = None) -> dict[str, Limit]:
    """The limits of one condition alone, by quantity: a house's over published ones. Others are not judged."""
    group = population(patient).group
    known = (limit for limit in _ranked(policy, patient) if limit.group == group and limit.condition == condition)
    return {limit.key: limit for limit in known}


def _ranked(policy: Policy | None, patient: Patient) -> list[Limit]:
    """Limits, later ones standing instead of earlier: the house's over published ones, conditional over general."""
    unused = policy.unused if policy else frozenset()
    listed = (*PUBLISHED, *newborn_volume(patient.weight_kg, age_in_days(patient)))
    published = [limit for limit in listed if (limit.key, limit.group, limit.condition) not in unused]
    own = policy.limits if policy else ()
    return [
        limit for limits in (published, own) for limit in sorted(limits, key=lambda limit: limit.condition is not None)
    ]


def policy_statement(
    policy: Policy,
    patient: Patient,
    *,
    conditions: Iterable[Condition] = (),
    among: Collection[str] | None = None,
    criteria_of: Iterable[Condition] = (),
) -> str:
    """What a result must say when a house's policy was used: which, and what it changed for this patient.

    ``among`` names the quantities that the result holds against limits, where that is not all of them; ``criteria_of``
    conditions whose criteria it shows besides, each named.
    """
    said = tuple(conditions)
    published, used = (
        {limit.key: limit for limit in limits_for(patient, conditions=said, policy=one) if _asked(limit.key, among)}
        for one in (None, policy)
    )
    told = [
        _differences(f"{name}, ", criteria(patient, name), criteria(patient, name, policy=policy))
        for name in criteria_of
    ]
    return _statement(policy, [_differences("", published, used), *told])


def _asked(key: str, among: Collection[str] | None) -> bool:
    return among is None or key in among


def _statement(policy: Policy, changes: Iterable[list[str]]) -> str:
    told = "; ".join(change for some in changes for change in some)
    return f"Limits of this house were used: {policy.name}. " + (f"{told}." if told else "They change nothing here.")


def _differences(name: str, published: dict[str, Limit], used: dict[str, Limit]) -> list[str]:
    changes = [_change(key, used.get(key), published.get(key)) for key in {**published, **used}]
    return [f"{name}{change}" for change in changes if change]


def _change(key: str, used: Limit | None, published: Limit | None) -> str:
    """One difference in words; empty where there is none."""
    label = quantity(key).label
    if used is None:
        return f"{label}: not judged"
    if published is None:
        return f"{label}: {used.bound}, nothing published is listed"
    if used.bound == published.bound:
        return ""
    return f"{label}: {used.bound} instead of {published.bound}"
