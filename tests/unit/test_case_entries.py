"""Entries of a case, driven by the models' own data: keys, words, slips, modes, pressures told both ways."""

from __future__ import annotations

import difflib
import math
from typing import Any, Literal, get_args, get_origin

import pytest
from pydantic import BaseModel

from tidebench.case import Case, Setting, case_from
from tidebench.doubts import doubts
from tidebench.entries import Within
from tidebench.errors import CaseError
from tidebench.records import BREATH_COLUMNS

PUBLISHED = {
    "patient": "sex age_years age_days gestational_age_weeks height_cm length_cm height_method weight_kg",
    "airway": "interface tube_inner_diameter_mm tube_length_cm cuff",
    "circuit": (
        "compliance_ml_cmh2o volume_compensated humidification dead_space_ml limb intentional_leak base_flow_l_min"
    ),
    "recording": (
        "file start columns flow_measured_at pressure_measured_at flow_conditions barometric_pressure_mmhg gas"
    ),
    "settings": (
        "at_s mode peep_cmh2o fio2 rate_per_min tidal_volume_ml inspiratory_flow_l_min flow_pattern pause_s "
        "pressure_control_cmh2o pressure_support_cmh2o inspiratory_pressure_cmh2o inspiratory_time_s rise_s "
        "cycling_percent trigger_flow_l_min trigger_pressure_cmh2o pressure_high_cmh2o pressure_low_cmh2o "
        "time_high_s time_low_s"
    ),
    "blood_gases": "at_s time site fio2 ph paco2_mmhg pao2_mmhg hco3_mmol_l sao2 haemoglobin_g_dl",
    "events": "at_s kind priority text",
    "observed": (
        "at_s minute_volume_l_min spontaneous_rate_per_min spontaneous_volume_ml ie_ratio rapid_shallow_index spo2 "
        "etco2_mmhg heart_rate_per_min systolic_mmhg max_inspiratory_pressure_cmh2o p01_cmh2o cuff_pressure_cmh2o "
        "sedation position"
    ),
}
"""Keys that people's files rely on: none may be renamed."""
LISTS = ("recording", "settings", "blood_gases", "events", "observed")
NEEDED: dict[str, dict[str, object]] = {"recording": {"file": "a.csv"}, "events": {"at_s": 1, "kind": "alarm"}}


def inner(annotation: Any) -> type[BaseModel] | None:
    """The model that an annotation holds, however deep."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := inner(part))), None)


TABLES = {field.alias or name: model for name, field in Case.model_fields.items() if (model := inner(field.annotation))}


def bound(annotation: Any) -> Within | None:
    """The bounds that an annotation carries, however deep."""
    own = next((mark for mark in getattr(annotation, "__metadata__", ()) if isinstance(mark, Within)), None)
    return own or next((found for part in get_args(annotation) if (found := bound(part))), None)


def allowed(annotation: Any) -> tuple[str, ...]:
    """The words that an annotation allows."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((found for part in get_args(annotation) if (found := allowed(part))), ())


FIELDS = [(table, key, field) for table, model in TABLES.items() for key, field in model.model_fields.items()]
SLIPS = [
    pytest.param(table, key, span, unit, id=f"{table}.{key}-{unit}")
    for table, key, field in FIELDS
    if (span := bound(field.annotation))
    for unit in span.slips
]
WORDS = [
    pytest.param(table, key, words, id=f"{table}.{key}")
    for table, key, field in FIELDS
    if (words := allowed(field.annotation))
]


def said(table: str, **keys: object) -> dict[str, Any]:
    """A case that says one table."""
    told = {**NEEDED.get(table, {}), **keys}
    return {table: [told] if table in LISTS else told}


def refused(case: dict[str, Any]) -> CaseError:
    """The error that a case raises."""
    with pytest.raises(CaseError) as refusal:
        case_from(case)
    return refusal.value


def place(table: str, key: str) -> str:
    """Where a message says that a key of the only table is."""
    return f"case.toml: [[{table}]] no. 1, {key}" if table in LISTS else f"case.toml: [{table}], {key}"


def setting(**keys: object) -> Setting:
    """A setting that says some keys."""
    return case_from(said("settings", **keys)).settings[0]


@pytest.mark.parametrize("table", PUBLISHED)
def test_published_keys_are_kept(table: str) -> None:
    assert set(PUBLISHED[table].split()) <= TABLES[table].model_fields.keys()


def test_every_number_of_the_breath_table_can_be_noted() -> None:
    numbers = {key for key, kind in BREATH_COLUMNS.items() if kind.is_float()} - {"start_s", "expiration_s", "end_s"}
    assert len(numbers) > 20
    assert numbers <= TABLES["observed"].model_fields.keys()


def test_a_case_can_not_be_changed() -> None:
    with pytest.raises(ValueError, match="frozen"):
        case_from({}).patient.height_cm = 180


@pytest.mark.parametrize(("table", "key", "span", "unit"), SLIPS)
def test_slip_of_the_unit_is_asked_about(table: str, key: str, span: Within, unit: str) -> None:
    times = span.slips[unit]
    least = span.low if span.likely is None else span.likely
    low, high = max(least, 1.001 * span.high * times), min(span.high, 0.999 * span.low * times)
    meant = math.sqrt(span.low * high) if times > 1 else math.sqrt(low * span.high)
    error = refused(said(table, **{key: meant / times}))
    assert error.where == place(table, key)
    assert error.remedy == f"Is that in {unit}? Then write {meant:.4g}."


@pytest.mark.parametrize(("table", "key", "words"), WORDS)
def test_words_are_those_allowed(table: str, key: str, words: tuple[str, ...]) -> None:
    for word in words:
        assert case_from(said(table, **{key: word}))
    error = refused(said(table, **{key: words[0][:-1]}))
    assert error.where == place(table, key)
    assert all(repr(word) in error.expected for word in words)
    assert error.remedy == f"Nearest: {difflib.get_close_matches(words[0][:-1], words, n=1)[0]!r}."


@pytest.mark.parametrize(
    ("table", "key"), [(table, key) for table, keys in PUBLISHED.items() for key in keys.split() if len(key) > 4]
)
def test_misspelt_key_is_refused_with_the_nearest(table: str, key: str) -> None:
    misspelt = f"{key[:2]}{key[3]}{key[2]}{key[4:]}x"
    error = refused(said(table, **{misspelt: 1}))
    assert error.where == place(table, misspelt)
    assert error.problem == "there is no such key"
    near = difflib.get_close_matches(misspelt, TABLES[table].model_fields, n=1)
    assert error.remedy.startswith(f"Nearest: {near[0]}")
    assert near[0][:2] == key[:2]


@pytest.mark.parametrize(
    ("mode", "pattern", "mandatory", "support"),
    [
        ("A/C-VC", "A/C", "VC", None),
        ("cmv-pc", "CMV", "PC", None),
        ("A/C-vtPC", "A/C", "vtPC", None),
        ("SIMV-VC\\PS", "SIMV", "VC", "PS"),
        ("IMV-PC<ACAP>", "IMV", "PC", None),
        ("IMV-PC<ACAPL>\\vtPS<ACAPH>", "IMV", "PC", "vtPS"),
        ("S/T-PC\\PS", "S/T", "PC", "PS"),
        ("CSV-PS", "CSV", None, "PS"),
        ("csv-vtps", "CSV", None, "vtPS"),
        ("CPAP", "CPAP", None, None),
    ],
)
def test_mode_is_taken_apart(mode: str, pattern: str, mandatory: str | None, support: str | None) -> None:
    told = setting(mode=mode)
    assert (told.pattern, told.mandatory_type, told.support_type) == (pattern, mandatory, support)
    assert (told.mode or "").casefold() == mode.casefold()
    assert setting(mode=told.mode) == told


@pytest.mark.parametrize(
    ("mode", "nearest"),
    [
        ("AC-VC", "A/C-VC"),
        ("SIMV-VC/PS", "SIMV-VC\\PS"),
        ("A/C-PS", "A/C-PC"),
        ("A/C-VC\\PS", "A/C-VC"),
        ("CSV-PS\\PS", "CSV-PS"),
        ("Papp", ""),
        ("", ""),
    ],
)
def test_what_is_no_mode_is_refused_with_the_nearest(mode: str, nearest: str) -> None:
    remedy = refused(said("settings", mode=mode)).remedy
    assert remedy == (f"Nearest: {nearest}." if nearest else "Leave the key out where the mode is not known.")


@pytest.mark.parametrize("mode", ["HFO", "hf-jet", "High-frequency oscillation"])
def test_high_frequency_is_said_to_be_out_of_scope(mode: str) -> None:
    assert "out of scope" in refused(said("settings", mode=mode)).remedy


@pytest.mark.parametrize(
    ("mode", "key"),
    [
        ("A/C-PC", "pressure_control_cmh2o"),
        ("SIMV-PC\\PS", "pressure_control_cmh2o"),
        ("CSV-PS", "pressure_support_cmh2o"),
    ],
)
def test_pressure_is_told_above_peep_and_absolute(mode: str, key: str) -> None:
    for keys in ({key: 12}, {"inspiratory_pressure_cmh2o": 18}, {key: 12, "inspiratory_pressure_cmh2o": 18}):
        told = setting(mode=mode, peep_cmh2o=6, **keys)
        assert getattr(told, key) == 12
        assert told.inspiratory_pressure_cmh2o == 18
    error = refused(said("settings", mode=mode, peep_cmh2o=6, inspiratory_pressure_cmh2o=12, **{key: 12}))
    assert error.problem == "has inspiratory_pressure_cmh2o 12, and its other pressures make it 18"


@pytest.mark.parametrize(
    "keys", [{"mode": "A/C-PC"}, {"peep_cmh2o": 5}, {"mode": "A/C-vtPC", "peep_cmh2o": 5}, {"mode": "A/C-VC"}]
)
def test_pressure_above_peep_is_not_guessed(keys: dict[str, Any]) -> None:
    told = setting(inspiratory_pressure_cmh2o=18, **keys)
    assert told.pressure_control_cmh2o is told.pressure_support_cmh2o is None


def test_of_two_levels_the_low_one_is_the_peep() -> None:
    assert not setting(peep_cmh2o=5).bi_level
    for low in ({"peep_cmh2o": 4}, {"pressure_low_cmh2o": 4}):
        levels = setting(pressure_high_cmh2o=22, time_high_s=3, **low)
        assert levels.bi_level
        assert (levels.peep_cmh2o, levels.pressure_low_cmh2o) == (4, 4)
    clash = refused(said("settings", pressure_high_cmh2o=22, peep_cmh2o=5, pressure_low_cmh2o=0))
    assert clash.expected == "pressures that agree"


def test_ratio_and_sedation_are_noted_as_people_write_them() -> None:
    noted = case_from(said("observed", ie_ratio="1:2", sedation="calm", position="prone")).observed[0]
    assert noted.numbers == {"ie_ratio": 0.5}
    assert (noted.sedation, noted.position) == ("calm", "prone")
    assert case_from(said("observed", sedation=-2, ie_ratio=2)).observed[0].numbers == {"sedation": -2, "ie_ratio": 2}
    for keys in ({"sedation": True}, {"ie_ratio": "1:0"}, {"ie_ratio": "1/2"}):
        assert refused(said("observed", **keys)).where == place("observed", *keys)


@pytest.mark.parametrize(
    ("patient", "volume", "asked"),
    [
        ({"age_years": 50, "height_cm": 69}, None, "inches, 175 cm"),
        ({"height_cm": 175, "weight_kg": 280}, None, "280 kg at 175 cm"),
        ({"weight_kg": 1.0}, 450, "450 mL at 0 s for 1 kg"),
        ({"age_years": 5, "height_cm": 105, "weight_kg": 18}, 120, ""),
        ({"length_cm": 30, "weight_kg": 0.55}, 3, ""),
        ({"age_years": 58, "height_cm": 175, "weight_kg": 78}, 450, ""),
    ],
)
def test_unlikely_pairs_are_asked_about(patient: dict[str, Any], volume: float | None, asked: str) -> None:
    told = {"tidal_volume_ml": volume} if volume else {}
    questions = list(doubts(case_from({"patient": patient, "settings": told})))
    assert len(questions) == bool(asked)
    assert all(asked in question for question in questions)


@pytest.mark.parametrize("rate", [-1, 151, 600])
def test_set_rate_that_nobody_sets_is_refused(rate: float) -> None:
    assert refused(said("settings", rate_per_min=rate)).expected == "0 to 150 per minute"


@pytest.mark.parametrize(
    ("keys", "accepted"),
    [
        ({"mode": "CMV-VC"}, False),
        ({"mode": "IMV-PC", "trigger_flow_l_min": 2}, False),
        ({"mode": "A/C-VC"}, False),
        ({"mode": "A/C-VC", "trigger_flow_l_min": 2}, True),
        ({"mode": "A/C-PC", "trigger_pressure_cmh2o": -2}, True),
        ({"mode": "A/C-PC", "trigger_pressure_cmh2o": 0}, False),
        ({"mode": "IMV-PC", "time_high_s": 2, "time_low_s": 3}, True),
        ({"mode": "SIMV-VC\\PS"}, True),
        ({"mode": "CSV-PS"}, True),
        ({}, True),
    ],
)
def test_rate_0_needs_something_else_that_starts_breaths(keys: dict[str, Any], accepted: bool) -> None:
    told = said("settings", rate_per_min=0, **keys)
    if accepted:
        assert case_from(told).settings[0].rate_per_min == 0
    else:
        error = refused(told)
        assert "need a clock" in error.problem
        assert "150 per minute" in error.expected
        assert ("trigger" in error.remedy) == keys["mode"].startswith("A/C")


@pytest.mark.parametrize(
    ("keys", "asked"),
    [
        ({"rate_per_min": 30, "inspiratory_time_s": 2.0}, "inspiration of 2 s at a rate of 30 at 0 s"),
        ({"rate_per_min": 30, "inspiratory_time_s": 1.5, "pause_s": 0.6}, "with a pause of 0.6 s"),
        ({"rate_per_min": 30, "inspiratory_time_s": 1.5, "pause_s": 0.4}, ""),
        # 600 mL at 12 L/min (0.2 L/s) take 3 s
        (
            {
                "mode": "A/C-VC",
                "rate_per_min": 20,
                "tidal_volume_ml": 600,
                "inspiratory_flow_l_min": 12,
                "flow_pattern": "constant",
            },
            "inspiration of 3 s",
        ),
        ({"mode": "CSV-PS", "rate_per_min": 30, "inspiratory_time_s": 3.0}, ""),
        ({"inspiratory_time_s": 3.0}, ""),
    ],
)
def test_inspiration_that_leaves_no_time_to_breathe_out_is_asked_about(keys: dict[str, Any], asked: str) -> None:
    questions = list(doubts(case_from(said("settings", **keys))))
    assert len(questions) == bool(asked)
    assert all(asked in question for question in questions)
