"""Entries that are possible one by one and unlikely together: asked about, never refused."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tidebench.case import Patient, Setting

ADULT_YEARS = 15.0
SHORT_ADULT_CM = 120.0
BODY_MASS_INDEX = (8.0, 80.0)
TIDAL_VOLUME_ML_KG = (1.0, 20.0)
"""Set tidal volume by actual weight; outside, one of the two is probably mistyped (common practice, no source)."""


def doubts(patient: Patient, settings: tuple[Setting, ...]) -> Iterator[str]:
    """Questions about entries, each one sentence."""
    height, weight = patient.height_cm or patient.length_cm, patient.weight_kg
    if height and height < SHORT_ADULT_CM and (patient.age_years or 0.0) >= ADULT_YEARS:
        yield f"An adult of {height:g} cm: is the height in inches, {height * 2.54:.0f} cm?"
    if height and weight:
        index = weight / (height / 100) ** 2
        if not BODY_MASS_INDEX[0] <= index <= BODY_MASS_INDEX[1]:
            yield f"{weight:g} kg at {height:g} cm: are both right?"
    for setting in settings:
        volume = setting.tidal_volume_ml
        if weight and volume and not TIDAL_VOLUME_ML_KG[0] <= volume / weight <= TIDAL_VOLUME_ML_KG[1]:
            yield f"A set tidal volume of {volume:g} mL at {setting.at_s:g} s for {weight:g} kg: are both right?"
