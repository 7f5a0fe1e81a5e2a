"""A set-up sheet for one patient: every section, from what the patient file says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tidebench.care.preparation.added_dead_space import dead_space_section
from tidebench.care.preparation.airway import airway_section
from tidebench.care.preparation.alarms import alarm_section
from tidebench.care.preparation.checklist import checklist
from tidebench.care.preparation.circuit import circuit_section
from tidebench.care.preparation.conditions import condition_section
from tidebench.care.preparation.journey import journey_section
from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sensor_checks import sensor_section
from tidebench.care.preparation.sheet import Section, Subject, span
from tidebench.care.preparation.subject import questions, subject_of
from tidebench.care.preparation.supply import supply_section
from tidebench.care.preparation.ventilation import PRESSURES, Chooser, Start, limits_of, pressure_room, start_of
from tidebench.care.preparation.weight import weight_section
from tidebench.doubts import doubts
from tidebench.errors import CaseError
from tidebench.limits import ITEMS, Policy, conditions_of, policy_statement, practice
from tidebench.limits.practice import Practice

VOLUMES = ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg")


@dataclass(frozen=True, slots=True)
class Sheet:
    """All of a set-up sheet.

    Attributes
    ----------
    title : str
        As the patient file has it.
    subject : Subject
        Whom it is for.
    patient : str
        The same in a sentence.
    sections : tuple of Section
    checklist : tuple of (str, tuple of str)
        Headings and the lines to tick.
    questions : tuple of str
        What is possible and unlikely.
    policy : tuple of str
        The house's policy, where one was used, and what it changed.
    policy_identity : dict or None
    """

    title: str
    subject: Subject
    patient: str
    sections: tuple[Section, ...]
    checklist: tuple[tuple[str, tuple[str, ...]], ...]
    questions: tuple[str, ...]
    policy: tuple[str, ...]
    policy_identity: dict[str, str] | None

    def section(self, key: str) -> Section:
        """The section of that key."""
        return next(section for section in self.sections if section.key == key)


def prepare(request: Request, policy: Policy | None = None) -> Sheet:
    """The set-up sheet of a patient.

    Raises
    ------
    CaseError
        Something is impossible or contradictory: see :func:`~tidebench.care.preparation.subject.subject_of`.
    """
    try:
        return _sheet(request, policy)
    except CaseError as error:
        where = f"{request.name}: {error.where}"
        raise CaseError(error.problem, where=where, expected=error.expected, remedy=error.remedy) from None


def _sheet(request: Request, policy: Policy | None) -> Sheet:
    subject = subject_of(request, policy)
    weight_kg, weight = weight_section(request, subject)
    start, ventilation = start_of(request, subject, weight_kg, policy)
    supply, oxygen = supply_section(request, subject, start)
    journey = journey_section(request, subject, supply)
    sections = (
        weight,
        airway_section(request, subject, weight_kg, policy),
        ventilation,
        condition_section(subject),
        alarm_section(subject, start),
        dead_space_section(request, subject, weight_kg, start),
        circuit_section(request, subject, start),
        sensor_section(request),
        oxygen,
        *((journey,) if journey else ()),
    )
    return Sheet(
        request.title,
        subject,
        _patient(request, subject),
        sections,
        checklist(subject, transport=journey is not None),
        (
            *questions(request, subject),
            *doubts(request),
            *_beyond(request, subject, policy),
            *_too_stiff(request, subject, start, policy),
        ),
        _policy_words(request, subject, policy),
        policy.identity if policy else None,
    )


def _beyond(request: Request, subject: Subject, policy: Policy | None) -> Iterator[str]:
    """A question where a house starts beyond the limit that holds; without a tube no volume is set."""
    if subject.mask:
        return
    start = Chooser(subject).get("tidal_volume_ml_kg")
    for limit in limits_of(request, subject, policy):
        beyond = limit.high is not None and start is not None and start.high > limit.high
        if limit.key in VOLUMES and beyond and start is not None and start.kind == "house policy":
            yield (
                f"The tidal volume of {start.source} goes up to {start.high:g} mL/kg, and the limit is {limit.bound} "
                f"({limit.source}): is that meant?"
            )


def _too_stiff(request: Request, subject: Subject, start: Start, policy: Policy | None) -> Iterator[str]:
    """A question where the stated compliance takes the sheet's own volumes beyond the sheet's own pressures."""
    room, above = pressure_room(limits_of(request, subject, policy), start.peep_cmh2o), start.above_peep_cmh2o
    if request.lungs.compliance_ml_cmh2o is None or room is None or above is None or above[1] <= room[0]:
        return
    yield (
        f"By the stated compliance the volumes of this sheet take {span(*above, 0)} cmH2O above PEEP, and what is held "
        f"is {room[1]}: is a smaller volume meant?"
    )


def _patient(request: Request, subject: Subject) -> str:
    patient = request.patient
    parts = [subject.sex or "sex not stated"]
    if patient.age_days is not None:
        parts.append(_age(patient.age_days, "day"))
    elif patient.age_years is not None:
        parts.append(_age(patient.age_years, "year"))
    if patient.gestational_age_weeks is not None:
        parts.append(f"born at {patient.gestational_age_weeks:g} weeks")
    height = patient.height_cm or patient.length_cm
    parts += [f"{height:g} cm"] if height is not None else []
    parts += [f"{patient.weight_kg:g} kg"] if patient.weight_kg is not None else []
    who = {"adult": "Adult", "child": "Child", "newborn": "Newborn"}[subject.group]
    return f"{who} ({subject.reason}): {', '.join(parts)}; {subject.lungs}; {subject.interface}."


def _age(number: float, unit: str) -> str:
    return f"{number:g} {unit}" if number == 1 else f"{number:g} {unit}s"


def _policy_words(request: Request, subject: Subject, policy: Policy | None) -> tuple[str, ...]:
    if policy is None:
        return ()
    changed = [words for item in ITEMS if (words := _instead(item, subject, policy.practice))]
    if subject.lungs == "ARDS" and subject.group in policy.peep_tables:
        changed.append("FiO2 and PEEP by the house's table")
    practices = f"Practice of this house: {'; '.join(changed)}." if changed else ""
    said = conditions_of(request.patient, subject.lungs)
    limits = policy_statement(policy, request.patient, conditions=said, among=_held(subject))
    return tuple(part for part in (limits, practices) if part)


def _held(subject: Subject) -> tuple[str, ...]:
    """Quantities whose limits this sheet tells or asks by."""
    if subject.mask:
        return ()
    tube = ("cuff_pressure_cmh2o",) if subject.interface == "endotracheal tube" else ()
    return *PRESSURES, *VOLUMES, *tube


def _instead(item: str, subject: Subject, own: tuple[Practice, ...]) -> str:
    """What the house put in place of what, in words; empty where nothing."""
    who = (item, subject.group, subject.age_years, subject.lungs)
    used, usual = (practice(*who, records, subject.weight_kg) for records in (own, ()))
    if used is None or used is usual or not _asked(item, subject):
        return ""
    about = ITEMS[item]
    text = f"{subject.by_interface(about.label)} {span(used.low, used.high, 2, about.unit)}"
    if usual is None:
        return f"{text}, nothing is listed"
    return f"{text} instead of {span(usual.low, usual.high, 2, about.unit)} ({usual.kind})"


def _asked(item: str, subject: Subject) -> bool:
    """Whether the sheet of this patient asks for an item: by mask for its own, by tube for none of a mask's."""
    if not subject.mask:
        return not item.startswith("mask_")
    by_mask = practice(f"mask_{item}", subject.group, subject.age_years, subject.lungs, subject.practice,
                       subject.weight_kg)  # fmt: skip
    return by_mask is None and item != "tidal_volume_ml_kg" and "tube" not in item
