"""What a busy reader takes in: who, what was recorded and how good, the answers, what matters first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.caution import CAUTION
from tidebench.limits import predicted_weight_kg
from tidebench.quantities import quantity
from tidebench.views.answers import Answer, Untold, answers, untold
from tidebench.views.holds import HoldsPage, holds_page
from tidebench.views.matters import Matter, first_three
from tidebench.views.observed import Observation, observations
from tidebench.views.passivity import passivity
from tidebench.views.trend import settings_sentences
from tidebench.views.verdicts import Verdict, verdicts
from tidebench.views.wording import count, duration, listed, sentence

if TYPE_CHECKING:
    from tidebench.case import Case, Patient
    from tidebench.review import Review


@dataclass(frozen=True)
class Overview:
    """The first page. Sentences are ready to print; numbers carry their quantity."""

    title: str
    patient: str
    recording: str
    quality: tuple[str, ...]
    settings: tuple[tuple[float, str], ...]
    matters: tuple[Matter, ...]
    answers: tuple[Answer, ...]
    verdicts: tuple[Verdict, ...]
    holds: HoldsPage
    observations: tuple[Observation, ...]
    untold: tuple[Untold, ...]
    caution: str
    version: str


def overview_page(review: Review) -> Overview:
    """What the first page shows."""
    judged = verdicts(review)
    return Overview(
        title=review.case.title or "Untitled case",
        patient=patient_words(review.case),
        recording=_recording(review),
        quality=tuple(_quality(review)),
        settings=tuple(settings_sentences(review)),
        matters=first_three(review, judged),
        answers=answers(review, judged),
        verdicts=judged,
        holds=holds_page(review),
        observations=observations(review),
        untold=untold(review),
        caution=CAUTION,
        version=str(review.summary.get("version", "")),
    )


def patient_words(case: Case) -> str:
    """Who, how big, and by what way, in a sentence."""
    patient, airway = case.patient, case.airway
    parts = [word for word in (_who(patient), *_sizes(patient)) if word]
    person = ", ".join(parts) if parts else "patient not described"
    way: str | None = airway.interface
    if way and airway.tube_inner_diameter_mm is not None:
        way = f"{way}, {quantity('tube_inner_diameter_mm').text(airway.tube_inner_diameter_mm)}"
    return sentence(f"{person}; {way}" if way else person)


def _who(patient: Patient) -> str:
    grown = patient.age_years is None or patient.age_years >= 18
    words = {"female": "woman", "male": "man"} if grown else {"female": "girl", "male": "boy"}
    if patient.age_days is not None or patient.gestational_age_weeks is not None:
        words = {"female": "girl", "male": "boy"}
    who = words.get(patient.sex or "", "")
    ages = [
        f"{quantity(key).text(value)}{' of gestation at birth' if key == 'gestational_age_weeks' else ''}"
        for key in ("age_years", "age_days", "gestational_age_weeks")
        if (value := getattr(patient, key)) is not None
    ]
    return f"{who or 'patient'} of {listed(ages)}" if ages else who


def _sizes(patient: Patient) -> Iterator[str]:
    for key in ("height_cm", "length_cm"):
        value = getattr(patient, key)
        if value is not None:
            method = f" ({patient.height_method})" if patient.height_method else ""
            yield f"{quantity(key).text(value)}{method}"
    if patient.weight_kg is not None:
        yield f"actual weight {quantity('weight_kg').text(patient.weight_kg)}"
    predicted = predicted_weight_kg(patient)
    if predicted is not None:
        yield f"{quantity('predicted_body_weight_kg').label} {quantity('predicted_body_weight_kg').text(predicted)}"


def _recording(review: Review) -> str:
    recording = review.recording
    others = sorted(set(recording.channels) - {"airway_pressure", "flow"})
    named = listed([quantity("airway_pressure").label, quantity("flow").label, *(quantity(o).label for o in others)])
    where = f" from {recording.source}" if recording.source else ""
    where = ", traced from a picture" if "intervals" in review.summary else where
    return sentence(
        f"{duration(recording.duration_s)} of {named} at {recording.rate_hz:g} Hz{where}: "
        f"{count(review.breaths.height, 'breath')}, {count(len(review.holds), 'hold')}, "
        f"{count(len(review.steps), 'change')} of settings"
    )


def _quality(review: Review) -> Iterator[str]:
    recording = review.recording
    lost = sum(gap.duration_s for gap in recording.gaps)
    if recording.gaps:
        yield sentence(f"{count(len(recording.gaps), 'gap')}, {duration(lost)} in all; nothing is told of them")
    else:
        yield "No gaps."
    if review.breaths.height:
        yield sentence(passivity(review.breaths).text)
    if "intervals" in review.summary:
        yield (
            f"It comes from a picture: {count(review.breaths.height, 'breath')} tell little of what comes and goes, "
            "and every number is as good as its pixels; what they leave open stands behind it, nine times in ten."
        )
    file = review.case.recording
    yield sentence(
        f"flow measured at the {file.flow_measured_at}, pressure at the {file.pressure_measured_at}, "
        f"flow taken as {file.flow_conditions}"
    )
    told = [*recording.warnings, *review.summary.get("warnings", [])]
    yield from (sentence(str(warning)) for warning in dict.fromkeys(told))
