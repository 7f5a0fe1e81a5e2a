"""What only a person can tell, and numbers that have no place in a case."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from tidebench.errors import OptionError

SIGNS: dict[str, str] = {
    "cause_improving": "the cause of ventilation is improving",
    "cough": "cough is adequate",
    "secretions_few": "secretions are not excessive",
    "awake": "awake and calm enough, without sedation or stable on it",
    "stable_circulation": "circulation is stable, with no or little vasopressor",
    "no_respiratory_acidosis": "there is no significant respiratory acidosis",
    "arrhythmia": "arrhythmia in the trial",
    "agitation": "agitation or anxiety in the trial",
    "drowsy": "low consciousness in the trial",
    "laboured": "sweating, distress or accessory muscles in the trial",
    "readiness_bundle": "readiness is tested every day by an agreed bundle",
    "high_risk": "the risk that extubation fails is high",
    "leak_around_tube": "gas leaks past the deflated cuff",
    "dexamethasone": "dexamethasone was begun at least 6 h before, where the upper airway is at risk",
    "support_after": "non-invasive support is planned for after extubation, where the risk is high",
}
"""Keys of what a person says with yes or no."""

NUMBERS: dict[str, tuple[float, float, str]] = {
    "vital_capacity_ml": (50.0, 8000.0, "mL"),
    "cough_peak_flow_l_min": (1.0, 900.0, "L/min"),
}
"""Keys of further numbers, each with the range that a patient can have."""


@dataclass(frozen=True)
class Said:
    """Signs by key (True, False), and further numbers by key."""

    signs: Mapping[str, bool] = field(default_factory=dict)
    numbers: Mapping[str, float] = field(default_factory=dict)


def said_from(words: Iterable[str], where: str = "--said") -> Said:
    """``KEY=yes``, ``KEY=no`` and ``KEY=NUMBER`` as what a person says.

    Raises
    ------
    OptionError
        An unknown key, one given twice, a sign that is neither yes nor no, a number that can't be.
    """
    signs: dict[str, bool] = {}
    numbers: dict[str, float] = {}
    for word in words:
        key, _, value = (part.strip() for part in word.partition("="))
        if key in signs or key in numbers:
            raise OptionError(f"{key} is given twice", where=where)
        if key in SIGNS:
            signs[key] = yes_or_no(value, f"{where} {key}")
        elif key in NUMBERS:
            numbers[key] = number_of(key, value, where)
        else:
            raise OptionError(f"there is no {key!r}", where=where, expected=", ".join((*SIGNS, *NUMBERS)))
    return Said(signs, numbers)


def yes_or_no(value: str, where: str) -> bool:
    """``yes`` or ``no`` as True or False.

    Raises
    ------
    OptionError
        Anything else.
    """
    if value not in ("yes", "no"):
        raise OptionError(f"{value!r} is neither yes nor no", where=where, expected="yes or no")
    return value == "yes"


def number_of(key: str, value: str, where: str) -> float:
    """A further number, inside the range that a patient can have.

    Raises
    ------
    OptionError
        No number, or one outside.
    """
    low, high, unit = NUMBERS[key]
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        raise OptionError(f"{key} is {value or 'empty'}", where=where, expected=f"{low:g} to {high:g} {unit}")
    return number
