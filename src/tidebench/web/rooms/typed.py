"""Tables of a case that several rooms ask for where no case is open."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

from pydantic import BaseModel

from tidebench.case import BloodGas, Observed, Setting
from tidebench.case_form import case_field
from tidebench.forms import Field, Section, choice, field_of
from tidebench.tensions import TensionUnit

MODELS: dict[str, type[BaseModel]] = {"settings": Setting, "observed": Observed, "blood_gases": BloodGas}
LABELS = {
    ("settings", "at_s"): "from, on the case clock",
    ("observed", "at_s"): "noted at, on the case clock",
    ("blood_gases", "at_s"): "drawn at, on the case clock",
}
FROM_CASE_FORM = ("mode", "flow_pattern", "site")
GASES = ("site", "at_s", "fio2", "ph", "paco2_mmhg", "pao2_mmhg", "hco3_mmol_l", "sao2", "haemoglobin_g_dl")


def case_fields(*places: str) -> tuple[Field, ...]:
    """Fields of single tables: ``patient.sex``."""
    pairs = (place.split(".") for place in places)
    return tuple(case_field(table, key) for table, key in pairs)


def rows_of(table: str, title: str, keys: tuple[str, ...], note: str = "", *, alone: bool = True) -> Section:
    """A section whose table may be filled in several times."""
    return Section(table, title, tuple(_field(table, key) for key in keys), note, several=True, alone=alone)


def gases_section(title: str = "Blood gas") -> Section:
    """Blood gases; a further one where a case is open."""
    return rows_of("blood_gases", title, GASES, alone=False)


def unit_choice(table: str) -> Field:
    """In which unit gas tensions are shown."""
    units: tuple[TensionUnit, ...] = get_args(TensionUnit)
    return choice(table, "unit", "show gas tensions in", units)


def units_section() -> Section:
    """The same as a section."""
    return Section("shown", "How it is shown", (unit_choice("shown"),), folded=True)


def _field(table: str, key: str) -> Field:
    if key in FROM_CASE_FORM:
        return replace(case_field(table, key), modes=())
    return field_of(MODELS[table], table, key, LABELS.get((table, key), ""))
