"""A checklist to sign before the patient is connected."""

from __future__ import annotations

from collections.abc import Iterator

from tidebench.care.preparation.airway import TITLES
from tidebench.care.preparation.sheet import Subject

Group = tuple[str, tuple[str, ...]]


def checklist(subject: Subject, *, transport: bool) -> tuple[Group, ...]:
    """Headings with their lines, in the order of doing."""
    return tuple((heading, tuple(lines)) for heading, lines in _groups(subject, transport))


def _groups(subject: Subject, transport: bool) -> Iterator[tuple[str, list[str]]]:
    yield (
        "Patient",
        [
            "Identity checked by the house's rule (no name on this sheet)",
            "Height measured, weight for volumes agreed on"
            if subject.group == "adult"
            else "Weighed, age and sex checked",
            "Allergies, difficult airway and what was decided about care are known",
        ],
    )
    yield (
        "By hand, in reach",
        [
            "Self-inflating bag with mask and reservoir fits this patient and was squeezed",
            "Suction works, catheter fits",
            f"{TITLES.get(subject.interface, 'Mask')} in two sizes"
            if subject.mask
            else "Tube, half a size smaller and larger, and laryngoscope",
        ],
    )
    yield (
        "Machine",
        [
            "The ventilator's own check passed, breathing system as it will be used",
            "Oxygen sensor, battery and supply alarm tested",
            "Patient category and weight entered; mode and settings read back by a second person",
        ],
    )
    humid = [
        "Humidifier filled, on, and warm"
        if subject.mask or subject.group == "newborn"
        else "Humidifier or exchanger as decided above, not both",
        "Filter at the ventilator, dry",
        "Tubing without kinks, water trap lowest",
    ]
    yield "Breathing system", humid
    yield (
        "Gas and alarms",
        [
            "Oxygen and air at the wall, cylinder full and open",
            "Alarm limits set as above, alarm heard in the room",
            "Saturation monitor on the patient, alarms on"
            if subject.mask
            else "Capnography connected and shows zero in room air",
        ],
    )
    yield (
        "In the first minutes",
        [
            "CO2 in every breath" if not subject.mask else "Leak seen and accepted, patient asked",
            "Chest moves on both sides, saturation and blood pressure looked at",
            _looked_at(subject),
            "Gas planned, settings written down",
        ],
    )
    if transport:
        yield (
            "Before leaving",
            [
                "Stable on the transport ventilator",
                "Oxygen counted with reserve, cylinder gauge read",
                "Battery full, spare one with us",
            ],
        )


def _looked_at(subject: Subject) -> str:
    """Without a tube no volume can be trusted, and no hold is done."""
    if subject.mask:
        return "Pressure and breathing looked at together"
    return "Plateau by a hold, passive" if subject.group == "adult" else "Volume and pressure looked at together"
