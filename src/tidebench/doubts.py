"""Entries that are possible one by one and unlikely together: asked about, never refused."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.case import Case, Setting
from tidebench.contradictions import contradictions

ADULT_YEARS = 15.0
SHORT_ADULT_CM, TALL_ADULT_CM = 120.0, 215.0
"""Beyond, a height was probably mistyped (common practice, no source)."""
LIGHT_ADULT_KG = 20.0
BODY_MASS_INDEX = (4.0, 80.0)
"""kg/m²; a preterm newborn of 24 weeks is near 5 (common practice, no source)."""
ADULT_TUBE_MM = (4.0, 10.0)
"""Of adults, from the narrowest that is made to pass a narrow larynx (common practice, no source)."""
SWAPPED_INDEX = (12.0, 60.0)
"""kg/m² that make a swap of weight and height likely (common practice, no source)."""
TALLEST_IN = 250.0 / 2.54
"""Of more inches there is nobody: a height is then not taken for one in inches."""
TIDAL_VOLUME_ML_KG = (1.0, 20.0)
"""Set tidal volume by actual weight; outside, one of the two is probably mistyped (common practice, no source)."""


def doubts(case: Case) -> Iterator[str]:
    """Questions about a case's entries, each one sentence."""
    yield from _of_size(case)
    tube = case.airway.tube_inner_diameter_mm
    fits = tube is None or ADULT_TUBE_MM[0] <= tube <= ADULT_TUBE_MM[1]
    if not fits and (case.patient.age_years or 0.0) >= ADULT_YEARS:
        yield f"The case says a tube of {tube:g} mm in an adult: are both right?"
    weight = case.patient.weight_kg
    for setting in case.settings:
        volume = setting.tidal_volume_ml
        if weight and volume and not TIDAL_VOLUME_ML_KG[0] <= volume / weight <= TIDAL_VOLUME_ML_KG[1]:
            at = f"at {setting.at_s:g} s"
            yield f"The case says a set tidal volume of {volume:g} mL {at} for {weight:g} kg: are both right?"
        yield from _too_long(setting)
    yield from (one.text for one in contradictions(case))


def swapped(height_cm: float, weight_kg: float) -> bool:
    """True where weight and height would do for an adult or an older child, had each been typed as the other."""
    index = height_cm / (weight_kg / 100) ** 2
    return height_cm < SHORT_ADULT_CM <= weight_kg <= TALL_ADULT_CM and SWAPPED_INDEX[0] <= index <= SWAPPED_INDEX[1]


def _of_size(case: Case) -> Iterator[str]:
    """What is odd about height and weight."""
    patient = case.patient
    height, weight = patient.height_cm or patient.length_cm, patient.weight_kg
    if height and weight and swapped(height, weight):
        yield f"The case says {weight:g} kg at {height:g} cm: are they swapped, {height:g} kg and {weight:g} cm?"
        return
    if height and TALLEST_IN < height < SHORT_ADULT_CM and (patient.age_years or 0.0) >= ADULT_YEARS:
        yield f"The case says an adult of {height:g} cm: is it right?"
    elif height and height < SHORT_ADULT_CM and (patient.age_years or 0.0) >= ADULT_YEARS:
        yield f"The case says an adult of {height:g} cm: is that in inches, {height * 2.54:.0f} cm?"
    if height and height > TALL_ADULT_CM:
        yield f"The case says a height of {height:g} cm, which few people reach: is it right? Volumes follow from it."
    if weight and weight < LIGHT_ADULT_KG and (patient.age_years or 0.0) >= ADULT_YEARS:
        yield f"The case says {weight:g} kg at {patient.age_years:g} years: are both right?"
    if height and weight and not BODY_MASS_INDEX[0] <= weight / (height / 100) ** 2 <= BODY_MASS_INDEX[1]:
        yield f"The case says {weight:g} kg at {height:g} cm: are both right?"


def beyond_the_end(case: Case, duration_s: float) -> Iterator[str]:
    """A question for each setting that the case puts after the end of the recording, one sentence."""
    for index, setting in enumerate(case.settings):
        if setting.at_s >= duration_s:
            used = "not used" if index else "taken to hold throughout"
            yield (
                f"The case says a setting at {setting.at_s:g} s, and the recording ends at {duration_s:g} s: it is "
                f"{used}. Is its time right?"
            )


def _too_long(setting: Setting) -> Iterator[str]:
    """Inspiration, with its pause, has to leave time for expiration at the set rate: TI + pause < 60 s / rate."""
    rate, inspiration, pause = setting.rate_per_min, _inspiratory_time_s(setting), setting.pause_s or 0.0
    if not rate or inspiration is None or (setting.mode and not setting.mandatory_type):
        return
    if inspiration + pause >= 60 / rate:
        paused = f" with a pause of {pause:g} s" if pause else ""
        yield (
            f"The case says an inspiration of {inspiration:.3g} s{paused} at a rate of {rate:g} at {setting.at_s:g} s, "
            f"which leaves no time to breathe out within {60 / rate:.3g} s: are all right?"
        )


def _inspiratory_time_s(setting: Setting) -> float | None:
    """As set, or the time that the set volume takes at the set constant flow; None where neither is known."""
    if setting.inspiratory_time_s is not None:
        return setting.inspiratory_time_s
    volume, flow = setting.tidal_volume_ml, setting.inspiratory_flow_l_min
    return 0.06 * volume / flow if volume and flow and setting.flow_pattern == "constant" else None
