"""The weight that volumes are held against: predicted for adults, lower of actual and reference for children."""

from __future__ import annotations

from tidebench.case import Patient
from tidebench.formulas.weight import predicted_body_weight_kg
from tidebench.limits.growth import DAYS_PER_YEAR
from tidebench.limits.record import age_in_days, population
from tidebench.limits.reference_weight import child_reference, lower_kg


def predicted_weight_kg(patient: Patient) -> float | None:
    """An adult's predicted body weight, where height and sex are known."""
    if patient.sex is None or patient.height_cm is None or population(patient).group != "adult":
        return None
    return float(predicted_body_weight_kg(patient.height_cm, patient.sex))


def volume_weight_kg(patient: Patient) -> float | None:
    """The weight that volumes are given by; None where it isn't known.

    Newborns' is the actual weight; a child's the lower of actual and reference weight, as on the set-up sheet. Age
    alone, without weight and height, makes none: one child may weigh twice another.
    """
    group = population(patient).group
    if group == "newborn":
        return patient.weight_kg
    return _child_kg(patient) if group == "child" else predicted_weight_kg(patient)


def _child_kg(patient: Patient) -> float | None:
    days = age_in_days(patient)
    if days is None or (patient.weight_kg is None and patient.height_cm is None and patient.length_cm is None):
        return patient.weight_kg
    return lower_kg(patient.weight_kg, child_reference(patient, days / DAYS_PER_YEAR).kg)
