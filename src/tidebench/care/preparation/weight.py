"""The weight that volumes are given by, its rule, and what other rules would say."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.care.preparation.request import Request
from tidebench.care.preparation.sheet import Line, Section, Subject, number, told, untold
from tidebench.formulas.weight import (
    LOWEST_FITTED_HEIGHT_CM,
    devine_weight_kg,
    is_extrapolated,
    predicted_body_weight_kg,
    traub_johnson_weight_kg,
    weight_by_age_kg,
)
from tidebench.limits.growth import STANDARD, height_for_age, weight_for_age, weight_source
from tidebench.limits.reference_weight import TAUGHT, Reference, child_reference, lower_kg

ARDS_NETWORK = "ARDS Network, N Engl J Med 2000;342:1301"
PALICC_2 = "PALICC-2, Pediatr Crit Care Med 2023;24:143 (from memory)"


def weight_section(request: Request, subject: Subject) -> tuple[float | None, Section]:
    """The weight that volumes are given by [kg], and the section that says how it came about."""
    found = _reference(request, subject)
    actual = request.patient.weight_kg
    used, lines = found.kg, []
    if subject.group == "child":
        lines.append(_line("reference_weight_kg", "reference weight", found))
        if actual is not None:
            used = lower_kg(actual, used)
            lines.append(told("actual_weight_kg", "actual weight", actual, actual, "kg", "As stated.", decimals=2))
        lines.append(_used(used, found, actual))
    else:
        label = "predicted weight" if subject.group == "adult" else "weight"
        lines.append(_line("weight_for_volumes_kg", label, found))
    lines += _others(request, subject)
    return used, Section("weight", "Weight for volumes", tuple(lines), tuple(_notes(request, subject)))


def _reference(request: Request, subject: Subject) -> Reference:
    patient = request.patient
    if subject.group == "adult":
        height = patient.height_cm or patient.length_cm
        if height is None or patient.sex is None:
            lacking = "height" if height is None else "sex"
            return Reference(None, f"No {lacking} is given: predicted weight needs height_cm and sex.")
        return Reference(
            predicted_body_weight_kg(height, patient.sex),
            f"{'50' if patient.sex == 'male' else '45.5'} + 0.91·({height:g} − 152.4)",
            ARDS_NETWORK,
        )
    if subject.group == "newborn":
        return _newborn(request)
    assert subject.age_years is not None
    return child_reference(request.patient, subject.age_years)


def _newborn(request: Request) -> Reference:
    patient = request.patient
    if patient.weight_kg is not None:
        return Reference(patient.weight_kg, "The actual weight: newborns are ventilated by it.")
    if patient.sex is None:
        return Reference(None, "Neither weight nor sex is given.")
    age = patient.age_days / 365.25 if patient.age_days is not None else patient.age_years or 0.0
    curve = weight_for_age(patient.sex, age)
    kg = None if curve is None else curve.median
    return Reference(kg, "Not weighed: the median of infants at term of that age, an estimate.", STANDARD)


def _line(key: str, label: str, found: Reference) -> Line:
    if found.kg is None:
        return untold(key, label, found.rule)
    kind = "trial target" if found.source == ARDS_NETWORK else "common practice"
    return told(key, label, found.kg, found.kg, "kg", found.rule, decimals=_decimals(found.kg), kind=kind,
                source=found.source)  # fmt: skip


def _used(used: float | None, found: Reference, actual: float | None) -> Line:
    if used is None:
        return untold("weight_for_volumes_kg", "weight for volumes", found.rule)
    why = "The reference weight." if actual is None else "The lower of actual and reference weight."
    return told("weight_for_volumes_kg", "weight for volumes", used, used, "kg", why, decimals=_decimals(used),
                kind="consensus", source=PALICC_2)  # fmt: skip


def _decimals(kg: float) -> int:
    return 2 if kg < 10 else 1


def _others(request: Request, subject: Subject) -> Iterator[Line]:
    """What other rules would say, so that their spread is seen."""
    patient = request.patient
    height = patient.height_cm or patient.length_cm
    if subject.group == "adult" and height is not None and patient.sex is not None:
        kg = devine_weight_kg(height, patient.sex)
        yield _other(
            "devine_weight_kg", "by inches, as cards print it", kg, "Devine, Drug Intell Clin Pharm 1974;8:650"
        )
    if subject.group != "child":
        return
    age = subject.age_years or 0.0
    if height is not None and age >= 1.0 and 45.0 <= height <= LOWEST_FITTED_HEIGHT_CM:
        yield _other("traub_johnson_weight_kg", "by height alone", traub_johnson_weight_kg(height),
                     "Traub & Johnson, Am J Hosp Pharm 1980;37:195 (from memory)")  # fmt: skip
    if 0.1 <= age < 13.0 and patient.sex is not None:
        yield _other("taught_weight_kg", "by age alone", weight_by_age_kg(age), TAUGHT)


def _other(key: str, label: str, kg: float, source: str) -> Line:
    return told(key, label, kg, kg, "kg", "For comparison, not used.", source=source)


def _notes(request: Request, subject: Subject) -> Iterator[str]:
    patient = request.patient
    height = patient.height_cm or patient.length_cm
    if subject.group == "adult" and height is not None and is_extrapolated(height):
        yield "Below 152.4 cm the line for predicted weight is an extrapolation."
    if patient.height_method in ("tape", "by eye") and height is not None:
        error = 5.0 if patient.height_method == "by eye" else 3.0
        per_cm = 0.91 if subject.group == "adult" else None
        shift = f": {error:g} cm more or less are {number(error * per_cm)} kg" if per_cm else ""
        yield f"Height was estimated ({patient.height_method}), and its error goes into every volume{shift}."
    if subject.group == "newborn" and not subject.at_term:
        yield "No preterm growth standard with a free licence is held, so the weight is not placed among others."
    elif subject.group != "adult" and patient.sex and patient.weight_kg and subject.age_years is not None:
        yield from _place(patient.sex, patient.weight_kg, height, subject.age_years)


def _place(sex: str, weight: float, height: float | None, age: float) -> Iterator[str]:
    parts, sources = [], []
    curve = weight_for_age(sex, age)
    if curve is not None:
        parts.append(f"weight {curve.z(weight, restricted=True):+z.1f}")
        sources.append(weight_source(age))
    tall = height_for_age(sex, age) if height is not None else None
    if tall is not None and height is not None:
        parts.append(f"height {tall.z(height):+z.1f}")
        sources.append(STANDARD)
    if parts:
        whose = "; ".join(dict.fromkeys(sources))
        yield f"Standard deviations from the median of that age: {', '.join(parts).replace('-', '−')} ({whose})."
