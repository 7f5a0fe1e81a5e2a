"""Entries that are possible one by one and unlikely together: asked about, never refused."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.case import Case

ADULT_YEARS = 15.0
SHORT_ADULT_CM = 120.0
BODY_MASS_INDEX = (4.0, 80.0)
"""kg/m²; a preterm newborn of 24 weeks is near 5 (common practice, no source)."""
TIDAL_VOLUME_ML_KG = (1.0, 20.0)
"""Set tidal volume by actual weight; outside, one of the two is probably mistyped (common practice, no source)."""


def doubts(case: Case) -> Iterator[str]:
    """Questions about a case's entries, each one sentence."""
    patient = case.patient
    height, weight = patient.height_cm or patient.length_cm, patient.weight_kg
    if height and height < SHORT_ADULT_CM and (patient.age_years or 0.0) >= ADULT_YEARS:
        yield f"The case says an adult of {height:g} cm: is that in inches, {height * 2.54:.0f} cm?"
    if height and weight and not BODY_MASS_INDEX[0] <= weight / (height / 100) ** 2 <= BODY_MASS_INDEX[1]:
        yield f"The case says {weight:g} kg at {height:g} cm: are both right?"
    for setting in case.settings:
        volume = setting.tidal_volume_ml
        if weight and volume and not TIDAL_VOLUME_ML_KG[0] <= volume / weight <= TIDAL_VOLUME_ML_KG[1]:
            at = f"at {setting.at_s:g} s"
            yield f"The case says a set tidal volume of {volume:g} mL {at} for {weight:g} kg: are both right?"
