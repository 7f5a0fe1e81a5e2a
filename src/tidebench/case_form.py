"""A case by a form: which fields there are, in which words, and how what is typed into them becomes a case.

The questions are those of :mod:`tidebench.case_interview`; here they are all asked at once, and each answer that can't
be used is told at its own field.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from tidebench.case import Airway, BloodGas, Case, Circuit, Observed, Patient, Setting, case_from
from tidebench.case_interview import INTERFACES, LONGEST_ANSWER, MODES, asked_of, bounds_of, read_number
from tidebench.doubts import doubts
from tidebench.errors import CaseError
from tidebench.quantities import quantity

NAME = "the form"
MODE = "mode"

WORDS: dict[tuple[str, str], tuple[str, tuple[str, ...]]] = {
    ("patient", "sex"): ("sex", ("female", "male")),
    ("patient", "height_method"): ("how height was found", ("measured", "tape", "by eye")),
    ("airway", "interface"): ("what joins patient and circuit", INTERFACES),
    ("airway", "cuff"): ("cuff", ("inflated", "partly inflated", "deflated", "none")),
    ("circuit", "humidification"): ("humidification", ("heated humidifier", "heat and moisture exchanger", "none")),
    ("settings", MODE): ("how the patient is ventilated", tuple(MODES)),
    ("settings", "flow_pattern"): ("shape of the flow", ("constant", "decelerating", "sine")),
    ("blood_gases", "site"): ("drawn from", ("arterial", "capillary", "venous")),
}
"""What is answered by choosing, with its words."""

SECTIONS: tuple[tuple[str, str, tuple[tuple[str, str], ...]], ...] = (
    ("patient", "Patient", (
        ("patient", "sex"), ("patient", "age_years"), ("patient", "age_days"), ("patient", "gestational_age_weeks"),
        ("patient", "height_cm"), ("patient", "height_method"), ("patient", "weight_kg"),
    )),
    ("airway", "Airway and circuit", (
        ("airway", "interface"), ("airway", "tube_inner_diameter_mm"), ("airway", "cuff"),
        ("circuit", "humidification"), ("circuit", "dead_space_ml"), ("circuit", "compliance_ml_cmh2o"),
    )),
    ("settings", "Settings", (
        ("settings", MODE), ("settings", "peep_cmh2o"), ("settings", "fio2"), ("settings", "rate_per_min"),
        ("settings", "tidal_volume_ml"), ("settings", "inspiratory_flow_l_min"), ("settings", "flow_pattern"),
        ("settings", "pause_s"), ("settings", "pressure_control_cmh2o"), ("settings", "inspiratory_time_s"),
        ("settings", "pressure_support_cmh2o"), ("settings", "cycling_percent"), ("settings", "pressure_high_cmh2o"),
        ("settings", "pressure_low_cmh2o"), ("settings", "time_high_s"), ("settings", "time_low_s"),
        ("settings", "trigger_flow_l_min"),
    )),
    ("blood_gases", "Blood gas", (
        ("blood_gases", "site"), ("blood_gases", "fio2"), ("blood_gases", "ph"), ("blood_gases", "paco2_mmhg"),
        ("blood_gases", "pao2_mmhg"), ("blood_gases", "hco3_mmol_l"), ("blood_gases", "haemoglobin_g_dl"),
    )),
    ("observed", "Numbers noted at the bed", (
        ("observed", "spo2"), ("observed", "rate_per_min"), ("observed", "vte_ml"),
        ("observed", "peak_pressure_cmh2o"), ("observed", "plateau_pressure_cmh2o"),
        ("observed", "mean_pressure_cmh2o"), ("observed", "minute_volume_l_min"), ("observed", "etco2_mmhg"),
        ("observed", "heart_rate_per_min"), ("observed", "systolic_mmhg"),
    )),
)  # fmt: skip
"""The fields, by section."""

MODELS: dict[str, type[BaseModel]] = {
    "patient": Patient, "airway": Airway, "circuit": Circuit, "settings": Setting, "blood_gases": BloodGas,
    "observed": Observed,
}  # fmt: skip
SEVERAL = ("settings", "blood_gases", "observed")
SETTINGS_ALWAYS = (MODE, "peep_cmh2o", "fio2", "trigger_flow_l_min")


@dataclass(frozen=True, slots=True)
class Field:
    """One field: a number with its unit and what is possible, or words to choose from.

    ``modes`` lists the modes, in words, in which it is asked; empty where it always is.
    """

    table: str
    key: str
    label: str
    unit: str
    possible: str
    choices: tuple[str, ...]
    modes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """Fields that belong together."""

    key: str
    title: str
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True)
class Slip:
    """An answer that can't be used as it is: why, and what was probably meant."""

    table: str
    key: str
    problem: str


@dataclass(frozen=True, slots=True)
class Filled:
    """A form as it was read: the tables of a case, what can't be used, and what is asked about."""

    said: Mapping[str, Any]
    slips: tuple[Slip, ...]
    doubts: tuple[str, ...]


def form() -> tuple[Section, ...]:
    """Every section of the form."""
    return tuple(Section(key, title, tuple(_field(*place) for place in places)) for key, title, places in SECTIONS)


def read_form(title: str, notes: str, answers: Mapping[str, Mapping[str, str]]) -> Filled:
    """Read what was typed; units may stand behind numbers.

    Parameters
    ----------
    title, notes : str
    answers : mapping
        Table to key to what was typed or chosen; empty answers leave their field out.
    """
    said: dict[str, Any] = {key: text.strip() for key, text in (("title", title), ("notes", notes)) if text.strip()}
    slips: list[Slip] = []
    known = {place for _, _, places in SECTIONS for place in places}
    for table, typed in answers.items():
        told: dict[str, Any] = {}
        for key, text in typed.items():
            if not text.strip():
                continue
            value = (
                _value(table, key, text.strip()[:LONGEST_ANSWER])
                if (table, key) in known
                else _Refused("There is no such field.")
            )
            if isinstance(value, _Refused):
                slips.append(Slip(table, key, value))
            else:
                told[key] = value
        if told:
            said[table] = [told] if table in SEVERAL else told
    return _whole(said, slips)


class _Refused(str):
    """Why an answer can't be used."""


def _whole(said: dict[str, Any], slips: list[Slip]) -> Filled:
    if slips:
        return Filled(said, tuple(slips), ())
    try:
        case: Case = case_from(said, name=NAME)
    except CaseError as error:
        return Filled(said, (Slip("", "", str(error)),), ())
    return Filled(said, (), tuple(doubt.replace("The case says", "You say") for doubt in doubts(case)))


def _field(table: str, key: str) -> Field:
    if (table, key) in WORDS:
        label, choices = WORDS[table, key]
        return Field(table, key, label, "", "", choices, _modes(table, key))
    record, bounds = quantity(key, table), bounds_of(MODELS[table], key)
    possible = f"{bounds.low:g} to {bounds.high:g} {bounds.unit}".rstrip()
    label = f"{record.label} (days)" if key == "age_days" else record.label
    return Field(table, key, label, record.unit, possible, (), _modes(table, key))


def _modes(table: str, key: str) -> tuple[str, ...]:
    if table != "settings" or key in SETTINGS_ALWAYS:
        return ()
    if key == "flow_pattern":
        key = "inspiratory_flow_l_min"
    return tuple(_with(key))


def _with(key: str) -> Iterator[str]:
    yield from (words for words, code in MODES.items() if any(asked == key for asked, _ in asked_of(code)))


def _value(table: str, key: str, text: str) -> float | str:
    if (table, key) in WORDS:
        label, choices = WORDS[table, key]
        if text not in choices:
            return _Refused(f"{label}: {text!r} is none of {', '.join(choices)}.")
        return MODES[text] if key == MODE else text
    bounds, value = bounds_of(MODELS[table], key), read_number(text, key)
    if value is None:
        return _Refused(f"{text!r} is not understood: a number, with its unit if it is another one.")
    if bounds.low <= value <= bounds.high:
        return value
    slip = bounds.slip(value)
    meant = f" If that was in {slip[0]}, write {slip[1]:.4g}." if slip else ""
    return _Refused(f"{value:g} can't be: {bounds.low:g} to {bounds.high:g} {bounds.unit}".rstrip() + f".{meant}")
