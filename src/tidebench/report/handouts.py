"""Set-up sheet, cards and the record before use as PDF."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from tidebench._version import __version__
from tidebench.care.preparation.page import PEOPLE_DECIDE, TITLE, shown, source
from tidebench.caution import CAUTION
from tidebench.report.pdf import pdf_bytes
from tidebench.report.typesetting import typeset

if TYPE_CHECKING:
    from tidebench.care.cards import Card, PreUse
    from tidebench.care.preparation import Section, Sheet

PROGRAM = f"Tidebench {__version__}"
BRIEF: dict[str, tuple[str, ...]] = {
    "weight": ("weight_for_volumes_kg",),
    "airway": ("interface", "tube_mm", "uncuffed_tube_mm", "tube_depth_cm", "tragus_depth_cm", "cuff_pressure_cmh2o"),
    "start": (
        "tidal_volume_ml_kg", "tidal_volume_ml", "tidal_volume_aim_ml", "mask_support_cmh2o", "mask_peep_cmh2o",
        "rate_per_min", "mask_rate_per_min", "minute_volume_l_min", "inspiratory_time_s", "ie_ratio", "peep_cmh2o",
        "fio2", "mask_fio2", "trigger_flow_l_min", "rise_s", "cycling_percent", "mask_cycling_percent",
        "mask_longest_inspiration_s", "spo2", "paco2_mmhg", "ph", "plateau_pressure_cmh2o", "driving_pressure_cmh2o",
    ),
    "alarms": (
        "high_pressure_cmh2o", "low_peep_under_cmh2o", "high_peep_over_cmh2o", "low_tidal_volume_ml",
        "high_tidal_volume_ml", "high_rate_per_min", "apnoea_s", "low_spo2", "etco2_mmhg",
    ),
    "dead_space": ("instrumental_dead_space_ml", "instrumental_share_percent", "humidification", "exchanger_planned"),
    "circuit": ("leak_ml_min", "circuit_compliance_ml_cmh2o", "lost_volume_ml"),
    "sensors": ("flow_gain", "volume_error_ml", "pressure_offset_cmh2o", "pressure_error_cmh2o"),
    "oxygen": ("usable_oxygen_l", "oxygen_drawn_l_min", "minutes_left"),
    "journey": ("journey_oxygen_l", "journey_oxygen_enough", "journey_battery", "cabin_fio2"),
}  # fmt: skip
"""Lines that stand on the first page, by section."""
RECORD = "Set and seen at the bed"
RECORD_HEADS = ("time", "mode", "PEEP", "FiO2", "volume", "rate", "peak", "SpO2", "EtCO2", "by")
"""Columns of the lines to write on, where the first page has room."""


def sheet_pdf(sheet: Sheet) -> bytes:
    """A set-up sheet as PDF."""
    return pdf_bytes(sheet_content(sheet), "page.typ", "sheet.typ")


def card_pdf(card: Card) -> bytes:
    """A card for sudden trouble as PDF, one page."""
    return pdf_bytes(_handout({**asdict(card), "description": card.sees}), "page.typ", "card.typ")


def pre_use_pdf(record: PreUse) -> bytes:
    """The record of the check before use as PDF, one page."""
    return pdf_bytes(_handout({**asdict(record), "description": record.lead}), "page.typ", "pre_use.typ")


def _handout(told: dict[str, Any]) -> dict[str, Any]:
    printed: dict[str, Any] = typeset({**told, "caution": CAUTION, "program": PROGRAM})
    return {**printed, "title": told["title"]}


def sheet_content(sheet: Sheet) -> dict[str, Any]:
    """Everything that the set-up sheet prints."""
    told = {
        "patient": sheet.patient,
        "lead": PEOPLE_DECIDE,
        "questions": list(sheet.questions),
        "policy": list(sheet.policy),
        "brief": [part for part in map(_brief, sheet.sections) if part["lines"]],
        "sections": [_section(section, [line.key for line in section.lines]) for section in sheet.sections],
        "tables": [asdict(table) for section in sheet.sections for table in section.tables],
        "record": {"title": RECORD, "heads": list(RECORD_HEADS)},
        "checklist": [{"heading": heading, "lines": list(lines)} for heading, lines in sheet.checklist],
        "caution": CAUTION,
        "program": PROGRAM,
        "footer": "No name, no record number: keep the sheet with the patient's papers.",
        "description": sheet.patient,
    }
    printed: dict[str, Any] = typeset(told)
    title = "".join(char for char in sheet.title if char.isprintable())
    return {**printed, "title": title or TITLE}


def _brief(section: Section) -> dict[str, Any]:
    keys = BRIEF.get(section.key, ())
    told = [line.key for line in section.lines if line.key in keys and line.value]
    return _section(section, told)


def _section(section: Section, keys: list[str]) -> dict[str, Any]:
    lines = [
        {"label": line.label, "shown": shown(line), "why": line.why, "source": source(line), "verdict": line.verdict}
        for line in section.lines
        if line.key in keys
    ]
    return {"key": section.key, "title": section.title, "lines": lines, "notes": list(section.notes)}
