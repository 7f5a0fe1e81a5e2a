"""The table of quantities is whole, agrees with itself and speaks plainly."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from typing import Any, get_args

import polars as pl
import pytest
from pydantic import BaseModel

from tidebench import case
from tidebench.errors import OptionError
from tidebench.quantities import QUANTITIES, TABLES, Quantity, quantity
from tidebench.records import BREATH_COLUMNS, EFFORT_COLUMNS, FINDING_COLUMNS, Hold

# Longest first: "_ml_cmh2o" is no "_cmh2o".
SUFFIXES = {
    "_cmh2o_s_min": "cmH2O·s/min",
    "_cmh2o_s_l": "cmH2O·s/L",
    "_ml_cmh2o": "mL/cmH2O",
    "_ml_min": "mL/min",
    "_mmol_l": "mmol/L",
    "_ml_dl": "mL/dL",
    "_percent": "%",
    "_cmh2o_s": "cmH2O·s",
    "_per_min": "/min",
    "_ml_kg": "mL/kg",
    "_l_min": "L/min",
    "_j_min": "J/min",
    "_cmh2o": "cmH2O",
    "_years": "years",
    "_weeks": "weeks",
    "_mmhg": "mmHg",
    "_g_dl": "g/dL",
    "_days": "days",
    "_j_l": "J/L",
    "_ml": "mL",
    "_cm": "cm",
    "_mm": "mm",
    "_kg": "kg",
    "_s": "s",
    "_c": "°C",
}
WITHOUT_SUFFIX = {"rapid_shallow_index": "/min/L"}
CASE_TABLES: dict[str, type[BaseModel]] = {
    "patient": case.Patient,
    "airway": case.Airway,
    "circuit": case.Circuit,
    "recording": case.RecordingFile,
    "settings": case.Setting,
    "blood_gases": case.BloodGas,
    "observed": case.Observed,
}
EVERY = [*QUANTITIES.values(), *(record for table in TABLES.values() for record in table.values())]


def _suffix_unit(key: str) -> str | None:
    return next((unit for suffix, unit in SUFFIXES.items() if key.endswith(suffix)), None)


def _numeric(columns: dict[str, pl.DataType | type[pl.DataType]]) -> list[str]:
    return [name for name, kind in columns.items() if kind in (pl.Float64, pl.Int64)]


@pytest.mark.parametrize("record", EVERY, ids=lambda record: record.key)
def test_a_record_agrees_with_its_key_and_with_itself(record: Quantity) -> None:
    suffix = _suffix_unit(record.key)
    channel = record.key in QUANTITIES and (record.canonical or suffix is None)
    if suffix is not None:
        assert record.unit == suffix
    elif record.unit and record.key not in WITHOUT_SUFFIX:
        assert channel, "a unit that the key does not tell"
    low, high = record.plausible
    assert low < high
    assert record.decimals >= 0
    assert record.label == record.label.strip() != ""
    assert record.symbol
    assert len(record.definition) > 8
    assert record.definition.endswith(".")
    assert record.source


@pytest.mark.parametrize("key", [*_numeric(BREATH_COLUMNS), *_numeric(EFFORT_COLUMNS), *_numeric(FINDING_COLUMNS)])
def test_every_numeric_column_has_a_record(key: str) -> None:
    assert quantity(key).key == key


@pytest.mark.parametrize("field", dataclasses.fields(Hold), ids=lambda field: field.name)
def test_every_number_of_a_hold_has_a_record(field: dataclasses.Field[object]) -> None:
    if field.name not in ("kind", "quality"):
        assert quantity(field.name).key == field.name


def _types(annotation: Any) -> set[Any]:
    """The types that an annotation is made of."""
    return {annotation}.union(*(_types(inner) for inner in get_args(annotation))) if annotation is not None else set()


def _numbers(table: str) -> set[str]:
    """Keys of a case table whose values are numbers."""
    fields = CASE_TABLES[table].model_fields.items()
    return {key for key, field in fields if {float, int} & _types(field.annotation)}


@pytest.mark.parametrize("table", CASE_TABLES)
def test_every_number_of_a_case_has_a_record(table: str) -> None:
    keys = _numbers(table)
    assert keys
    for key in keys:
        assert quantity(key, table).key == key
    assert set(TABLES[table]) <= keys


def test_set_and_measured_are_two_things() -> None:
    for key in ("peep_cmh2o", "rate_per_min", "inspiratory_time_s", "fio2"):
        assert quantity(key, "settings").label.startswith("set ")
        assert not quantity(key).label.startswith("set ")
    assert "circuit" in quantity("compliance_ml_cmh2o", "circuit").label
    assert quantity("compliance_ml_cmh2o").label == "compliance"


def test_labels_tell_keys_apart() -> None:
    labels = [record.label for record in QUANTITIES.values()]
    twice = {label for label in labels if labels.count(label) > 1}
    assert twice == {"age", "time"}


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("vti_ml", 451.6, "452 mL"),
        ("vti_ml", 6.24, "6.2 mL"),
        ("vti_ml", 0.417, "0.42 mL"),
        ("vti_ml", 0.0, "0 mL"),
        ("compliance_ml_cmh2o", 42.3, "42 mL/cmH2O"),
        ("compliance_ml_cmh2o", 0.853, "0.85 mL/cmH2O"),
        ("peep_cmh2o", 4.96, "5.0 cmH2O"),
        ("intrinsic_peep_cmh2o", -0.02, "0.0 cmH2O"),
        ("leak_fraction", 0.123, "12 %"),
        ("end_expiratory_flow_l_min", float("inf"), "inf L/min"),
        ("vti_ml", None, "–"),
        ("vti_ml", float("nan"), "–"),
    ],
)
def test_numbers_in_words(key: str, value: float | None, text: str) -> None:
    assert quantity(key).text(value) == text


def test_headings_and_bare_numbers() -> None:
    assert quantity("peep_cmh2o").heading == "PEEP [cmH2O]"
    assert quantity("leak_fraction").heading == "leak"
    assert quantity("peep_cmh2o").text(5.0, unit=False) == "5.0"


def test_an_unknown_key_is_refused_with_its_neighbours() -> None:
    with pytest.raises(OptionError, match=r"'peep'.*Nearest: .*peep_cmh2o"):
        quantity("peep")


def test_the_table_loads_without_numpy() -> None:
    program = "import sys, tidebench.quantities; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_numbers_below_zero_have_a_minus_and_bounds_have_alike_decimals() -> None:
    """A minus sign, U+2212, as print has it; a range is written with one number of decimals (common practice)."""
    assert quantity("base_excess_mmol_l").text(-4.6) == "−4.6 mmol/L"
    assert quantity("leak_fraction").text(-0.012) == "−1 %"
    assert quantity("max_inspiratory_pressure_cmh2o").bounds(-30, -20) == "−30 to −20 cmH2O"
    assert quantity("ph").bounds(7.30, 7.45) == "7.30 to 7.45"
    assert quantity("plateau_pressure_cmh2o").bounds(30) == "30 cmH2O"
    assert quantity("spo2").bounds(0.88, 0.95) == "88 to 95 %"
