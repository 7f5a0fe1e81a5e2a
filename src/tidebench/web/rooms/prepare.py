"""Prepare: a set-up sheet of what is known of a patient."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from tidebench.care.preparation import prepare, request_from
from tidebench.care.preparation.request import (
    CircuitCheck,
    Cylinder,
    DeadSpace,
    FlowSensor,
    Mechanics,
    Oxygen,
    PressureSensor,
    Transport,
    Tube,
    load_request,
)
from tidebench.case_form import NAME, case_field
from tidebench.forms import Field, Section, choice, field_of
from tidebench.limits import LUNGS
from tidebench.results import policy_for
from tidebench.tensions import all_in
from tidebench.views.parts import sheet_parts
from tidebench.web.rooms.desk import ROOT, Desk, Room, Shown
from tidebench.web.rooms.typed import units_section

MODELS: dict[str, type[BaseModel]] = {
    "lungs": Mechanics, "tube": Tube, "dead_space": DeadSpace, "circuit_check": CircuitCheck,
    "flow_sensor": FlowSensor, "pressure_sensor": PressureSensor, "oxygen": Oxygen, "cylinders": Cylinder,
    "transport": Transport,
}  # fmt: skip
NOT_ASKED = ("file", "cylinders")
"""A recorded filling belongs into a folder, and cylinders have a section of their own."""
LABELS: Mapping[tuple[str, str], str] = {
    ("lungs", "fio2"): "oxygen fraction needed now",
    ("tube", "route"): "way of the tube",
    ("tube", "nasal_tragus_cm"): "from nose to tragus",
    ("circuit_check", "size"): "breathing system for",
    ("circuit_check", "volume_ml"): "volume put in",
    ("circuit_check", "start_cmh2o"): "from a pressure of",
    ("circuit_check", "pressure_cmh2o"): "to a pressure of",
    ("circuit_check", "later_pressure_cmh2o"): "pressure some seconds later",
    ("circuit_check", "seconds"): "how many seconds later",
    ("circuit_check", "leak_ml_min"): "leak, as a test showed it",
    ("circuit_check", "compliance_ml_cmh2o"): "compliance, as a test showed it",
    ("circuit_check", "inflation_pressure_cmh2o"): "pressure above PEEP that will be used",
    ("flow_sensor", "syringe_ml"): "volume of the syringe",
    ("flow_sensor", "strokes_ml"): "volumes shown, blanks between",
    ("flow_sensor", "zero_l_min"): "flow shown when nothing flows",
    ("flow_sensor", "shown_as"): "volumes are shown as",
    ("pressure_sensor", "reference_cmh2o"): "known pressures, blanks between",
    ("pressure_sensor", "shown_cmh2o"): "pressures shown, in the same order",
    ("oxygen", "fio2"): "oxygen fraction on the way",
    ("cylinders", "size"): "or size by its letter",
    ("cylinders", "count"): "how many of these",
    ("transport", "minutes"): "the way takes",
    ("transport", "battery_minutes"): "battery lasts",
}


def _of(table: str) -> tuple[Field, ...]:
    model = MODELS[table]
    return tuple(
        field_of(model, table, key, LABELS.get((table, key), "")) for key in model.model_fields if key not in NOT_ASKED
    )


def _case(*places: tuple[str, str]) -> tuple[Field, ...]:
    return tuple(case_field(*place) for place in places)


SECTIONS = (
    Section("patient", "Patient", (
        *_case(("patient", "sex"), ("patient", "age_years"), ("patient", "age_days"),
               ("patient", "gestational_age_weeks"), ("patient", "height_cm"), ("patient", "weight_kg")),
        choice(ROOT, "condition", "lungs, or what rules their ventilation", LUNGS),
    )),
    Section("airway", "Airway", (
        *_case(("airway", "interface"), ("airway", "tube_inner_diameter_mm"), ("circuit", "humidification")),
        *_of("tube"),
    )),
    Section("lungs", "Lungs, where something is known of them", _of("lungs"), folded=True),
    Section("dead_space", "Between circuit and patient", _of("dead_space"),
            "Volume of each part, by its maker's word.", folded=True),
    Section("circuit_check", "Leak and compliance test of the breathing system", _of("circuit_check"),
            "Closed at the patient's end: a known volume with its two pressures, or what a test showed.", folded=True),
    Section("flow_sensor", "Flow sensor against a syringe", _of("flow_sensor"), folded=True),
    Section("pressure_sensor", "Pressure sensor against known pressures", _of("pressure_sensor"), folded=True),
    Section("oxygen", "Oxygen", _of("oxygen"), "A flow that is left out gives a range.", folded=True),
    Section("cylinders", "Cylinders", _of("cylinders"), "Water capacity and bar, or a size and psi.", several=True,
            folded=True),
    Section("transport", "Transport", _of("transport"), folded=True),
    units_section(),
)  # fmt: skip


def _show(desk: Desk) -> Shown:
    said: dict[str, Any] = {key: value for key, value in desk.said.items() if key != "cylinders"}
    if cylinders := desk.said.get("cylinders"):
        oxygen = dict(said.get("oxygen", {}))
        said["oxygen"] = {**oxygen, "cylinders": [*oxygen.get("cylinders", ()), *cylinders]}
    request = request_from(said, folder=desk.folder, name=desk.name or NAME)
    sheet = prepare(request, policy_for(request) if desk.name else None)
    sheet = all_in(sheet, desk.own.get("shown", {}).get("unit", "mmHg"))

    def pdf() -> bytes:
        from tidebench.report.handouts import sheet_pdf

        return sheet_pdf(sheet)

    return Shown(sheet_parts(sheet), pdf)


PREPARE = Room(
    SECTIONS, frozenset({"shown"}), "Begin with the patient: an age, and for an adult a height.", _show, load_request,
    doubting=False,
)  # fmt: skip
