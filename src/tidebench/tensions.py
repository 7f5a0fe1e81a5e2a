"""Gas tensions in kPa: what the program says of them in mmHg is said anew.

Blood pressure and intracranial pressure stay in mmHg, and so do words that people wrote: notes, events, proposals,
questions, titles, the name of a house's policy.
"""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from typing import Any, Literal, TypeVar, cast

from tidebench.quantities import QUANTITIES, Quantity
from tidebench.records import Spread

TensionUnit = Literal["mmHg", "kPa"]
MMHG_PER_KPA = 7.50062
GAS = (
    r"\b(?:P[A-Za-z]{0,3}CO2|P[A-Za-z]{0,3}O2|EtCO2|P/F|A-a|O2 tension|oxygen(?:ation| tension| pressure)|"
    r"carbon[ _]dioxide|air at)"
)
OTHER = (
    r"\b(?:systolic|diastolic|blood pressure|arterial pressure|[BSD]BP|BP|MAP|ICP|CPP|intracranial|perfusion|"
    r"barometric|cabin)\b"
)
NUMBER = (
    r"(?<![/\d.])(?:(?P<low>\d+(?:\.\d+)?) to )?(?P<high>\d+(?:\.\d+)?) mmHg(?!/)"
    r"(?:, target (?P<target>\d+(?:\.\d+)?))?"
)
WORDS = re.compile(rf"(?P<gas>{GAS})|(?P<other>(?i:{OTHER}))|(?P<stop>\.\s|\n)|{NUMBER}", re.IGNORECASE)
NO_GAS = {"systolic_mmhg", "diastolic_mmhg", "barometric_mmhg", "barometric_pressure_mmhg"}
GAS_KEYS = {key for key, record in QUANTITIES.items() if record.unit == "mmHg"} - NO_GAS | {"carbon_dioxide", "oxygen"}
OWN_WORDS = {"title", "background", "events", "proposals", "questions", "source", "case"}
"""Parts of pages and records in which people's own words stand."""
Page = TypeVar("Page")


def in_unit(words: str, unit: TensionUnit, *, of_gas: bool = True) -> str:
    """A sentence of the program with its gas tensions in a unit.

    ``of_gas`` says whether a number before which nothing is named is a gas tension. What is named last before a number
    in its sentence decides; of two numbers with a stroke between, as of blood pressure, none is one.
    """
    return words if unit == "mmHg" else _in_kpa(words, of_gas=of_gas)


def _in_kpa(words: str, *, of_gas: bool) -> str:
    gas = of_gas

    def said(found: re.Match[str]) -> str:
        nonlocal gas
        if found["high"] is None:
            gas = bool(found["gas"]) or (of_gas if found["stop"] else False)
            return found[0]
        if not gas:
            return found[0]
        ends = [f"{float(end) / MMHG_PER_KPA:.1f}" for end in (found["low"], found["high"]) if end]
        aim = f", target {float(found['target']) / MMHG_PER_KPA:.1f}" if found["target"] else ""
        return f"{' to '.join(ends)} kPa{aim}"

    return WORDS.sub(said, words)


def policy_in(words: str, unit: TensionUnit) -> str:
    """What a policy changed, in a unit; its name, up to the last full stop within, stays as the house wrote it."""
    name, stop, changes = words.removesuffix(".").rpartition(". ")
    end = "." if words.endswith(".") else ""
    return f"{name}{stop}{in_unit(changes, unit, of_gas=False)}{end}"


def size(key: str, value: float, unit: TensionUnit) -> str:
    """A number by its key with its unit: a gas tension, stated in mmHg, in the unit asked for."""
    if unit == "kPa" and key in GAS_KEYS:
        return f"{value / MMHG_PER_KPA:.1f} kPa"
    return QUANTITIES[key].text(value)


def all_in(page: Page, unit: TensionUnit) -> Page:
    """A page, a record or a tuple of them with every gas tension that the program says in a unit."""
    return page if unit == "mmHg" else cast(Page, _all_in_kpa(page, of_gas=False))


def _all_in_kpa(value: Any, *, of_gas: bool) -> Any:
    if isinstance(value, str):
        return _in_kpa(value, of_gas=of_gas)
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return type(value)(*(_all_in_kpa(part, of_gas=_is_gas(value)) for part in value))
    if isinstance(value, (tuple, list)):
        return type(value)(_all_in_kpa(part, of_gas=of_gas) for part in value)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    parts = {field.name: getattr(value, field.name) for field in fields(value) if field.init}
    measured, shown = parts.get("quantity"), parts.get("spread")
    if isinstance(measured, Quantity) and measured.key in GAS_KEYS:
        parts["quantity"] = replace(measured, unit="kPa", decimals=1)
        parts["spread"] = None if shown is None else _in_kpa_spread(shown)
        return replace(value, **parts)
    of_house = parts.get("kind") == "house policy"
    own = OWN_WORDS | ({"why", "text"} if of_house else set())
    gas = _is_gas(value)
    said = {key: part if key in own else _all_in_kpa(part, of_gas=gas) for key, part in parts.items()}
    if "policy" in parts:
        said["policy"] = _policy_in_kpa(parts["policy"])
    return replace(value, **said)


def _policy_in_kpa(said: str | tuple[str, ...] | None) -> str | tuple[str, ...] | None:
    if isinstance(said, str):
        return policy_in(said, "kPa")
    return None if said is None else tuple(policy_in(one, "kPa") for one in said)


def _is_gas(record: Any) -> bool:
    """True where a record is of a gas tension, by its key or its name."""
    named = " ".join(str(getattr(record, key, "")) for key in ("name", "label", "what"))
    return getattr(record, "key", "") in GAS_KEYS or bool(re.search(GAS, named))


def _in_kpa_spread(seen: Spread) -> Spread:
    median, low, high = (end / MMHG_PER_KPA for end in (seen.median, seen.p05, seen.p95))
    return Spread(median, low, high, seen.n)
