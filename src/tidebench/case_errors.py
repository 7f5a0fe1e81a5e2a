"""From pydantic's errors to one message for a person: which table and key, what arrived, what is allowed."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tidebench.errors import CaseError

STAMP_EXPECTED = "a date and time, ISO 8601, such as 2031-05-04T13:20:00"

_KINDS = {
    "float_type": "a number, without quotes",
    "finite_number": "a number that is finite",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "datetime_from_date_parsing": STAMP_EXPECTED,
    "model_type": "a table",
    "dict_type": "a table",
}


def explain(error: ValidationError, said: Mapping[str, Any], model: type[BaseModel], name: str) -> CaseError:
    """One error for the first problem, and how many more there are.

    Parameters
    ----------
    error : ValidationError
        What pydantic found.
    said : mapping
        What was validated.
    model : type
        The model of the whole.
    name : str
        File name, for the message.
    """
    first, *others = error.errors(include_url=False)
    problem, expected, remedy = _words(first, model)
    if others:
        remedy = (
            f"{remedy} After this one there {'is 1 more' if len(others) == 1 else f'are {len(others)} more'}.".strip()
        )
    place = f"{name}: {_place(first['loc'], said)}" if first["loc"] else name
    return CaseError(problem, where=place, expected=expected, remedy=remedy)


def _place(loc: Sequence[int | str], said: Mapping[str, Any]) -> str:
    """``[[settings]] no. 2, fio2``"""
    table = str(loc[0])
    inner: Any = said.get(table)
    words = [f"[[{table}]]" if isinstance(inner, list) else f"[{table}]" if isinstance(inner, dict) else table]
    for part in loc[1:]:
        if isinstance(part, int) and isinstance(inner, list):
            words[-1], inner = f"{words[-1]} no. {part + 1}", inner[part]
        elif isinstance(part, str) and isinstance(inner, dict):
            words.append(part)
            inner = inner.get(part)
        elif isinstance(part, str):
            break  # what follows names the kinds of value that were tried
    return ", ".join(words)


def _words(error: ErrorDetails, model: type[BaseModel]) -> tuple[str, str, str]:
    """Problem, what is allowed, what to do."""
    context, arrived = error.get("ctx", {}), _short(error["input"])
    if error["type"] == "extra_forbidden":
        return "there is no such key", "", _nearest_key(error["loc"], model)
    if error["type"] == "refused":
        return context["problem"], context["expected"], context["remedy"]
    if error["type"] == "missing":
        return "is missing", "", "Every such table needs it."
    if error["type"] == "literal_error":
        return f"is {arrived}", context["expected"], _nearest_word(error["input"], context["expected"])
    if error["type"] == "tuple_type":
        return f"is {arrived}", "a list of tables" if len(error["loc"]) == 1 else "a list, in brackets", ""
    if error["type"] == "greater_than_equal":
        return f"is {arrived}", f"a whole number, {context['ge']} or more", ""
    if error["type"] in ("too_short", "too_long"):
        few = error["type"] == "too_short"
        bound = f"at least {context['min_length']}" if few else f"at most {context['max_length']}"
        return f"has {context['actual_length']} {'entry' if context['actual_length'] == 1 else 'entries'}", bound, ""
    return f"is {arrived}", _KINDS.get(error["type"], error["msg"]), ""


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _nearest_word(arrived: Any, expected: str) -> str:
    words = expected.replace("'", "").replace(" or ", ", ").split(", ")
    near = difflib.get_close_matches(str(arrived), words, n=1)
    near = [word for word in words if word in str(arrived).split()] or near
    return f"Nearest: {near[0]!r}." if near else ""


def _nearest_key(loc: Sequence[int | str], model: type[BaseModel]) -> str:
    key, tables = str(loc[-1]), _tables(model)
    owner = _model_at(loc[:-1], model)
    inside = _tables(owner)
    own = (field.alias or name for name, field in owner.model_fields.items())
    keys = [*inside, *(name for name in own if name not in inside)]
    near = [name for name in keys if name.startswith(f"{key}_per_") or name.startswith(f"{key}_cm")]
    near += [name for name in difflib.get_close_matches(key, keys, n=3) if name not in near]
    owners = [table for table, inner in tables.items() if key in inner.model_fields]
    if near:
        return f"Nearest: {', '.join(near)}."
    return f"It belongs in [{owners[0]}]." if owners else f"Known: {', '.join(keys)}."


def _model_at(loc: Sequence[int | str], model: type[BaseModel]) -> type[BaseModel]:
    """The model of the table at a place."""
    for part in loc:
        model = _tables(model).get(str(part), model)
    return model


def _tables(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """The tables that a model holds, by name."""
    inner = {field.alias or name: _inner(field.annotation) for name, field in model.model_fields.items()}
    return {name: table for name, table in inner.items() if table is not None}


def _inner(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_inner, get_args(annotation))), None)
