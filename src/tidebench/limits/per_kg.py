"""The weight that volumes are held against: predicted for adults, actual for the young."""

from __future__ import annotations

from tidebench.case import Patient
from tidebench.formulas.weight import predicted_body_weight_kg
from tidebench.limits.record import population


def predicted_weight_kg(patient: Patient) -> float | None:
    """An adult's predicted body weight, where height and sex are known."""
    if patient.sex is None or patient.height_cm is None or population(patient).group != "adult":
        return None
    return float(predicted_body_weight_kg(patient.height_cm, patient.sex))


def volume_weight_kg(patient: Patient) -> float | None:
    """The weight that volumes are given by; None where it isn't known."""
    young = population(patient).group in ("child", "newborn")
    return patient.weight_kg if young else predicted_weight_kg(patient)
