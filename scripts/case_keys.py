"""Writes docs/case-keys.md from the models, so that page and validation can't disagree.

usage: PYTHONPATH=src python scripts/case_keys.py
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel

from tidebench.case import Case
from tidebench.entries import Within
from tidebench.records import BREATH_COLUMNS

PAGE = Path(__file__).parents[1] / "docs" / "case-keys.md"

HEAD = """# Every key of a case

Written by `scripts/case_keys.py` from the models that validate a case. Every table and key may be missing, except where
it says so. `[[...]]` may stand several times; one `[...]` is enough where there is only one.

At the top stand `title` and `notes`, any text, nothing that identifies a patient; and `condition`, what is known of the
lungs: {condition}. A table `[modes]` is a house's dictionary: its own name of a mode, and the code that it means, as in
`"Volume, assisted" = "A/C-VC"`; settings may use either. None is shipped.
"""

TABLES = {
    "patient": "Who is ventilated.",
    "airway": "What joins the patient to the circuit.",
    "circuit": "Tubing between ventilator and airway.",
    "recording": "A file of signals, and how its numbers were measured.",
    "settings": "What was set from `at_s` on; each table says all that was set then. Set values, never measured ones.",
    "blood_gases": "A blood gas, at `at_s` or at `time`.",
    "events": "A line of the event log.",
    "observed": "Numbers noted from a screen or at the bed, kept apart from measured ones.",
}

MEANING = {
    "age_days": "instead of `age_years`",
    "length_cm": "instead of `height_cm`",
    "height_method": "an estimate carries its error",
    "inspiratory_time_s": "to the turn, `pause_s` included",
    "tube_length_cm": "the tube's own, not the depth at which it sits",
    "volume_compensated": "false unless said: a set volume is circuit volume, and the tubing keeps its share",
    "intentional_leak": "false unless said",
    "at_s": "on the case clock: 0 is the first sample of the first recording",
    "file": "needed; inside the case folder",
    "uncertainty": "a file that says how far samples may be off, as `tidebench picture` writes it",
    "start": "needed for the second file of a stay and further ones, unless the file has stamps",
    "columns": 'their header to `"quantity [unit]"` or `"ignore"`',
    "temperature_c": "of the gas where flow is measured; only `ATPS` and `ATPD` depend on it; 22 unless said",
    "barometric_pressure_mmhg": "760 unless said",
    "flow_measured_at": "the wye unless said",
    "pressure_measured_at": "the wye unless said",
    "flow_conditions": "`BTPS` unless said",
    "gas": "`heliox`: flow is left as recorded and no tube is reckoned with",
    "mode": "pattern and inflation type in the style of ISO 19223: `A/C-VC`, `A/C-PC`, `A/C-vtPC`, `SIMV-VC\\PS`, "
    "`IMV-PC<ACAP>`, `CSV-PS`, `CPAP`; in single quotes where it has a backslash",
    "pressure_control_cmh2o": "above PEEP",
    "pressure_support_cmh2o": "above PEEP",
    "inspiratory_pressure_cmh2o": "absolute, instead of either; both are told in the result",
    "trigger_flow_l_min": "or `trigger_pressure_cmh2o`",
    "trigger_pressure_cmh2o": "with either sign",
    "pressure_high_cmh2o": "absolute; marks bi-level",
    "pressure_low_cmh2o": "absolute; the PEEP, if that is not given",
    "time_high_s": "marks bi-level",
    "rise_s": "from PEEP to the set pressure",
    "paco2_mmhg": "or `paco2_kpa`",
    "pao2_mmhg": "or `pao2_kpa`",
    "site": "indices with oxygen tension need `arterial`",
    "ie_ratio": 'also as text: `"1:2"`',
    "sedation": "a score or words",
}


def page() -> str:
    """The whole page."""
    said = choices(Case.model_fields["condition"].annotation)
    head = HEAD.format(condition=", ".join(f'`"{word}"`' for word in said))
    return "\n".join([head, *(section(*table) for table in tables())])


def tables() -> list[tuple[str, bool, type[BaseModel]]]:
    """Name, whether it may stand several times, and model of each table."""
    found = []
    for name, field in Case.model_fields.items():
        model = inner(field.annotation)
        if model:
            found.append((field.alias or name, "tuple" in str(field.annotation), model))
    return found


def section(name: str, several: bool, model: type[BaseModel]) -> str:
    """Heading, what the table is for, and a row per key."""
    heading = f"## `[[{name}]]`" if several else f"## `[{name}]`"
    numbers = {key for key, kind in BREATH_COLUMNS.items() if kind.is_float()} & model.model_fields.keys() - {"at_s"}
    lines = [heading, "", TABLES[name], "", "| key | may be | |", "| --- | --- | --- |"]
    for key, field in model.model_fields.items():
        if key not in numbers or name != "observed":
            lines.append(f"| `{key}` | {allowed(field.annotation, field.metadata)} | {MEANING.get(key, '')} |")
    if name == "observed":
        lines += ["", f"And the numbers of the breath table: {', '.join(f'`{key}`' for key in sorted(numbers))}."]
    return "\n".join([*lines, ""])


def allowed(annotation: Any, marks: list[Any]) -> str:
    """What may stand under a key."""
    span = next((mark for mark in marks if isinstance(mark, Within)), None) or first(annotation, Within)
    words = choices(annotation)
    if span and span.high >= 1e8:
        return f"{span.low:g} {span.unit} or more"
    if span:
        return f"{span.low:g} to {span.high:g} {span.unit}".rstrip()
    if words:
        return ", ".join(f'`"{word}"`' for word in words)
    kinds = {"bool": "`true` or `false`", "datetime": "a date and time, ISO 8601", "dict": "a table", "int": "0 to 50"}
    return next((text for kind, text in kinds.items() if kind in str(annotation)), "text")


def first(annotation: Any, kind: type[Within]) -> Within | None:
    """The first mark of a kind, however deep."""
    own = next((mark for mark in getattr(annotation, "__metadata__", ()) if isinstance(mark, kind)), None)
    return own or next((found for part in get_args(annotation) if (found := first(part, kind))), None)


def choices(annotation: Any) -> tuple[str, ...]:
    """The words that an annotation allows."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((found for part in get_args(annotation) if (found := choices(part))), ())


def inner(annotation: Any) -> type[BaseModel] | None:
    """The model that an annotation holds, however deep."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := inner(part))), None)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
