"""A case by a form: which fields there are, in which words, and how what is typed into them becomes a case.

The questions are those of :mod:`tidebench.case_interview`; here they are all asked at once, and each answer that can't
be used is told at its own field.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import BaseModel

from tidebench.case import Airway, BloodGas, Case, Circuit, Observed, Patient, Setting, case_from
from tidebench.case_interview import INTERFACES, MODES, asked_of
from tidebench.doubts import doubts
from tidebench.errors import CaseError
from tidebench.forms import Field, Section, Slip, choice, field_of, read_answers
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
class Filled:
    """A form as it was read: the tables of a case, what can't be used, and what is asked about."""

    said: Mapping[str, Any]
    slips: tuple[Slip, ...]
    doubts: tuple[str, ...]


def form() -> tuple[Section, ...]:
    """Every section of the form."""
    return tuple(
        Section(key, title, tuple(case_field(*place) for place in places), several=key in SEVERAL)
        for key, title, places in SECTIONS
    )


def read_form(title: str, notes: str, answers: Mapping[str, Mapping[str, str]]) -> Filled:
    """Read what was typed; units may stand behind numbers.

    Parameters
    ----------
    title, notes : str
    answers : mapping
        Table to key to what was typed or chosen; empty answers leave their field out.
    """
    said: dict[str, Any] = {key: text.strip() for key, text in (("title", title), ("notes", notes)) if text.strip()}
    told, slips = read_answers(form(), answers)
    return _whole(said | told, slips)


def _whole(said: dict[str, Any], slips: tuple[Slip, ...]) -> Filled:
    if slips:
        return Filled(said, slips, ())
    try:
        case: Case = case_from(said, name=NAME)
    except CaseError as error:
        return Filled(said, (Slip("", "", str(error)),), ())
    return Filled(said, (), tuple(asked_in_person(doubt) for doubt in doubts(case)))


def asked_in_person(doubt: str) -> str:
    """A doubt about a case, to whoever types it."""
    return doubt.replace("The case says", "You say")


def case_field(table: str, key: str) -> Field:
    """The field of a key of a case, in the words of the form."""
    label, choices = WORDS.get((table, key), ("", ()))
    modes = _modes(table, key)
    if key == MODE:
        return replace(choice(table, key, label, choices, MODES), modes=modes)
    label = label or (f"{quantity(key).label} (days)" if key == "age_days" else "")
    return replace(field_of(MODELS[table], table, key, label, choices=choices), modes=modes)


def _modes(table: str, key: str) -> tuple[str, ...]:
    if table != "settings" or key in SETTINGS_ALWAYS:
        return ()
    if key == "flow_pattern":
        key = "inspiratory_flow_l_min"
    return tuple(_with(key))


def _with(key: str) -> Iterator[str]:
    yield from (words for words, code in MODES.items() if any(asked == key for asked, _ in asked_of(code)))
