"""Fields of a form, made of models and the catalogue: label, unit, what is possible; and answers read back.

A table that may be filled in several times has a number behind its name from the second on: ``blood_gases 2``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import NoneType
from typing import Any, Literal, get_args, get_origin

from annotated_types import Ge, Le
from pydantic import BaseModel

from tidebench.case_interview import LONGEST_ANSWER, bounds_of, read_number
from tidebench.entries import Within
from tidebench.errors import InputError, OptionError
from tidebench.quantities import quantity

Kind = Literal["number", "whole", "numbers", "choice", "tick", "text"]
Answers = Mapping[str, Mapping[str, str]]
MOST_ROWS = 30
MOST_NUMBERS = 100
YES_NO: Mapping[str, Any] = {"yes": True, "no": False}
_UNITS = ("_per_min", "_cmh2o_s_l", "_ml_cmh2o", "_l_min", "_ml_min", "_cmh2o", "_mmhg", "_minutes", "_weeks", "_years",
          "_bar", "_psi", "_ml", "_mm", "_cm", "_kg", "_l", "_c", "_m", "_s")  # fmt: skip
_PLACE = re.compile(r"\[+(?P<table>\w+)\]+(?: no\. (?P<row>\d+))?(?:, (?P<key>\w+))?")


@dataclass(frozen=True, slots=True)
class Field:
    """One field: a number with its unit and what is possible, words to choose from, a tick, or text.

    ``modes`` lists the modes, in words, in which it is asked; empty where it always is. ``means`` gives words another
    value than themselves; ``option`` is what the command line calls it.
    """

    table: str
    key: str
    label: str
    unit: str = ""
    possible: str = ""
    choices: tuple[str, ...] = ()
    modes: tuple[str, ...] = ()
    kind: Kind = "number"
    bounds: Within | None = None
    means: Mapping[str, Any] = field(default_factory=dict)
    option: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """Fields that belong together. ``several``: its table may be filled in more than once. ``folded``: shown when asked
    for. ``alone``: asked only where no case is open, which says it otherwise.
    """

    key: str
    title: str
    fields: tuple[Field, ...]
    note: str = ""
    several: bool = False
    folded: bool = False
    alone: bool = False


@dataclass(frozen=True, slots=True)
class Slip:
    """An answer that can't be used as it is: why, and what was probably meant."""

    table: str
    key: str
    problem: str


class Refused(str):
    """Why an answer can't be used."""


def field_of(model: type[BaseModel], table: str, key: str, label: str = "", *, choices: Sequence[str] = ()) -> Field:
    """The field of a model's key; its label is that of the catalogue unless given."""
    annotation, words = model.model_fields[key].annotation, tuple(choices) or _choices(model, key)
    if words:
        return choice(table, key, label or plain_name(key), words, YES_NO if words == tuple(YES_NO) else None)
    if annotation in (str, str | None):
        return Field(table, key, label or plain_name(key), kind="text")
    if (whole := _whole(model, key)) is not None:
        return Field(table, key, label or plain_name(key), possible=_span(whole), kind="whole", bounds=whole)
    known = label or _known(key, table)
    made = number(table, key, known or plain_name(key), bounds_of(model, key))
    few = any(get_origin(part) is tuple for part in (annotation, *get_args(annotation)))
    return replace(made, unit=_unit(key, table) or made.unit, kind="numbers" if few else "number")


def number(table: str, key: str, label: str, bounds: Within, option: str = "") -> Field:
    """A number within bounds."""
    unit = "" if bounds.unit == "as a fraction" else bounds.unit
    return Field(table, key, label, unit, _span(bounds), bounds=bounds, option=option)


def choice(table: str, key: str, label: str, choices: Sequence[str], means: Mapping[str, Any] | None = None) -> Field:
    """Words to choose from."""
    return Field(table, key, label, choices=tuple(choices), kind="choice", means=means or {})


def tick(table: str, key: str, label: str) -> Field:
    """Something that is said or not."""
    return Field(table, key, label, kind="tick")


def plain_name(key: str) -> str:
    """A key without its unit, in words."""
    ending = next((unit for unit in _UNITS if key.endswith(unit)), "")
    return key.removesuffix(ending).replace("_", " ").replace("fio2", "FiO2").replace("co2", "CO2")


def read(asked: Field, text: str) -> Any:
    """What an answer means; :class:`Refused` where it can't be used."""
    text = text.strip()[:LONGEST_ANSWER]
    if asked.kind == "text":
        return text if text.isprintable() else Refused("It holds signs that can't be printed.")
    if asked.kind == "tick":
        return True if text == "yes" else Refused(f"{text!r} is no tick.")
    if asked.kind == "choice":
        if text not in asked.choices:
            return Refused(f"{asked.label}: {text!r} is none of {', '.join(asked.choices)}.")
        return asked.means.get(text, text)
    if asked.kind == "numbers":
        return _several(asked, text)
    value = _number(asked, text)
    if isinstance(value, Refused) or asked.kind != "whole":
        return value
    return int(value) if value.is_integer() else Refused(f"{value:g} can't be: a whole number, {asked.possible}.")


def text_of(asked: Field, value: Any) -> str:
    """An answer that means this value; empty where no answer does."""
    if value is None:
        return ""
    if asked.means:
        return next((word for word, meaning in asked.means.items() if meaning == value), "")
    if asked.kind == "numbers":
        return " ".join(f"{one:.10g}" for one in value)
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def read_answers(sections: Sequence[Section], answers: Answers) -> tuple[dict[str, Any], tuple[Slip, ...]]:
    """The tables that answers make, and every answer that can't be used; empty answers leave their field out.

    A section that may be filled in several times gives a list.
    """
    fields = {(one.table, one.key): one for section in sections for one in section.fields}
    several = {one.table for section in sections if section.several for one in section.fields}
    said: dict[str, Any] = {}
    slips: list[Slip] = []
    for place in sorted(answers, key=_order):
        table, row = _order(place)
        if row > MOST_ROWS or (row > 1 and table not in several):
            slips.append(Slip(place, "", f"At most {MOST_ROWS if table in several else 1} of these."))
            continue
        told: dict[str, Any] = {}
        for key, text in answers[place].items():
            if not text.strip():
                continue
            asked = fields.get((table, key))
            value = Refused("There is no such field.") if asked is None else read(asked, text)
            if isinstance(value, Refused):
                slips.append(Slip(place, key, value))
            else:
                told[key] = value
        if told and table in several:
            said.setdefault(table, []).append(told)
        elif told:
            said[table] = told
    return said, tuple(slips)


def slip_of(error: InputError, sections: Sequence[Section]) -> Slip:
    """An error of the library beside the field that it speaks of; at no field where it names none."""
    fields = [one for section in sections for one in section.fields]
    named = (error.where, *error.where.split(", "))
    option = next((one for one in fields if one.option and one.option in named), None)
    match = _PLACE.search(error.where)
    tail = f" Expected: {error.expected}." if error.expected else ""
    words = f"{error.problem[:1].upper()}{error.problem[1:]}.{tail} {error.remedy}".strip()
    if option is not None:
        return Slip(option.table, option.key, words)
    if match and any((one.table, one.key) == (match["table"], match["key"]) for one in fields):
        row = f" {match['row']}" if match["row"] and match["row"] != "1" else ""
        return Slip(f"{match['table']}{row}", match["key"], words)
    loose = next((one for one in fields if one.key == error.where.rpartition(": ")[2]), None)
    return Slip(loose.table, loose.key, words) if loose else Slip("", "", str(error))


def _order(place: str) -> tuple[str, int]:
    table, _, row = place.rpartition(" ")
    return (table, int(row)) if table and row.isdecimal() and row.isascii() and len(row) < 4 else (place, 1)


def _several(asked: Field, text: str) -> Any:
    """Numbers with blanks or semicolons between them."""
    found = []
    for part in re.split(r"[;\s]+", text):
        value = _number(asked, part.rstrip(",")) if part else None
        if isinstance(value, Refused):
            return value
        found += [] if value is None else [value]
    return tuple(found) if len(found) <= MOST_NUMBERS else Refused(f"At most {MOST_NUMBERS} numbers.")


def _number(asked: Field, text: str) -> float | Refused:
    bounds, value = asked.bounds, read_number(text, asked.key)
    if value is None and bounds is not None:
        value = _in_a_unit(text, asked.key, {asked.unit: 1.0, bounds.unit: 1.0, **bounds.slips})
    if value is None or bounds is None:
        return Refused(f"{text!r} is not understood: a number, with its unit if it is another one.")
    if bounds.low <= value <= bounds.high:
        return value
    slip = bounds.slip(value)
    meant = f" If that was in {slip[0]}, write {slip[1]:.4g}." if slip else ""
    return Refused(f"{value:g} can't be: {_span(bounds)}.{meant}")


def _in_a_unit(text: str, key: str, units: Mapping[str, float]) -> float | None:
    """The number before one of these units, in the field's own; None where none of them stands there."""
    for unit, times in units.items():
        if unit and text.casefold().endswith(unit.casefold()):
            value = read_number(text[: -len(unit)].rstrip(), key)
            return None if value is None else float(f"{value * times:.6g}")
    return None


def _span(bounds: Within) -> str:
    return f"{bounds.low:g} to {bounds.high:g} {bounds.unit}".rstrip()


def _choices(model: type[BaseModel], key: str) -> tuple[str, ...]:
    """The words of a literal, or yes and no of a switch."""
    parts = [model.model_fields[key].annotation]
    while parts:
        part = parts.pop()
        if part is bool:
            return tuple(YES_NO)
        if get_origin(part) is Literal:
            return get_args(part)
        if get_origin(part) is not tuple:
            parts += [inner for inner in get_args(part) if inner is not NoneType]
    return ()


def _whole(model: type[BaseModel], key: str) -> Within | None:
    """The bounds of a whole number; None of anything else."""
    found = model.model_fields[key]
    parts: list[Any] = [found, *_annotated(found.annotation)]
    if not any(part is int for part in (found.annotation, *get_args(found.annotation), *_bases(found.annotation))):
        return None
    marks = [mark for part in parts for mark in getattr(part, "metadata", getattr(part, "__metadata__", ()))]
    marks += [inner for mark in marks for inner in getattr(mark, "metadata", ())]
    low = next((mark.ge for mark in marks if isinstance(mark, Ge)), 0)
    high = next((mark.le for mark in marks if isinstance(mark, Le)), 10**6)
    return Within(float(str(low)), float(str(high)))


def _annotated(annotation: Any) -> Iterator[Any]:
    yield from (part for part in get_args(annotation) if hasattr(part, "__metadata__"))


def _bases(annotation: Any) -> Iterator[Any]:
    yield from (get_args(part)[0] for part in _annotated(annotation))


def _known(key: str, table: str) -> str:
    """The catalogue's label; empty where it has none."""
    try:
        return quantity(key, table).label
    except OptionError:
        return ""


def _unit(key: str, table: str) -> str:
    try:
        return quantity(key, table).unit
    except OptionError:
        return ""
