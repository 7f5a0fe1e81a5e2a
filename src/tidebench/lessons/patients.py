"""A lesson's patients, drawn from their ranges with a seed: the same seed draws the same patient."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tidebench.bench.said import opened
from tidebench.errors import CaseError
from tidebench.lessons.format import LONGEST_S, Patient, Variant
from tidebench.simulation import patient_tables

SIGNIFICANT = 3


@dataclass(frozen=True)
class Drawn:
    """A patient of a lesson for one seed.

    Attributes
    ----------
    said : mapping
        The scenario's tables.
    variant, bedside : str
        What is the matter with it, and what is seen at the bed; empty where the lesson names no variants.
    """

    name: str
    said: Mapping[str, Any]
    variant: str = ""
    bedside: str = ""


def draw(patient: Patient, name: str, seed: int) -> Drawn:
    """A virtual patient for a seed; other patients of the lesson and other seeds draw apart.

    Raises
    ------
    CaseError
        A key of ``ranges`` or ``times`` is not there.
    """
    rng = np.random.default_rng([seed, *name.encode()])
    variant = patient.variants[int(rng.integers(len(patient.variants)))] if patient.variants else None
    said = _whole(_amended(patient.scenario or {}, variant.scenario if variant else {}))
    parts: list[Patient | Variant] = [patient, *([variant] if variant else [])]
    for part in parts:
        for key, (low, high) in part.times.items():
            _multiply(said, key, name, float(rng.uniform(low, high)))
        for key, (low, high) in part.ranges.items():
            value = _rounded(float(rng.uniform(low, high)))
            for table, last in _found(said, key, name):
                table[last] = value
    if variant is not None:
        for table in ("events", "manoeuvres"):
            said[table] = [*said.get(table, ()), *getattr(variant, table)]
    said["seed"] = int(rng.integers(2**31))
    said["duration_s"] = LONGEST_S
    return Drawn(name, said, variant.key if variant else "", variant.bedside if variant else "")


def _amended(scenario: Mapping[str, Any], more: Mapping[str, Any]) -> dict[str, Any]:
    """A scenario with tables amended by others; lists are replaced."""
    said = dict(scenario)
    for key, value in more.items():
        both = isinstance(value, dict) and isinstance(said.get(key), dict)
        said[key] = {**said[key], **value} if both else value
    return said


def _whole(scenario: Mapping[str, Any]) -> dict[str, Any]:
    """The scenario with the library patient's tables in the open, so that keys in them can be drawn."""
    said = copy.deepcopy(dict(opened(scenario)))
    if "who" in said:
        for table, values in patient_tables(said["who"]).items():
            if isinstance(values, dict):
                said[table] = {**values, **said.get(table, {})}
        first = said["settings"][0]
        if "mode" not in first:
            library = patient_tables(said["who"])["settings"][0]
            said["settings"] = [{**library, **first}, *said["settings"][1:]]
    return said


def _rounded(value: float) -> float:
    return float(f"{value:.{SIGNIFICANT}g}")


def _multiply(said: dict[str, Any], key: str, name: str, factor: float) -> None:
    """Multiply the numbers that ``key`` leads to."""
    for table, last in _found(said, key, name):
        old = table.get(last) if isinstance(table, dict) else table[last]
        if not isinstance(old, (int, float)):
            raise _nowhere(key, name)
        table[last] = _rounded(old * factor)


def _found(said: dict[str, Any], key: str, name: str) -> list[tuple[Any, Any]]:
    """The tables and keys that ``key`` leads to."""
    found = list(_places(said, key.split(".")))
    if not found:
        raise _nowhere(key, name)
    return found


def _nowhere(key: str, name: str) -> CaseError:
    return CaseError(
        f"{key!r} leads to no number", where=f"[patients.{name}]",
        expected="a key of the scenario, such as lung.compartments.*.resistance_cmh2o_s_l",
    )  # fmt: skip


def _places(node: Any, path: list[str]) -> Iterator[tuple[Any, Any]]:
    """Every table (or list) and key that a path leads to; a ``*`` goes into each entry of a list."""
    head, *rest = path
    if isinstance(node, list):
        places = range(len(node)) if head == "*" else [int(head)] if head.isdigit() and int(head) < len(node) else []
        for place in places:
            yield from _places(node[place], rest) if rest else [(node, place)]
    elif isinstance(node, dict):
        if not rest:
            yield node, head
        else:
            yield from _places(node.setdefault(head, {}), rest)
