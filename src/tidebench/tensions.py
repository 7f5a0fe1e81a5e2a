"""Gas tensions in kPa: what is said in mmHg is said anew. Blood pressure stays in mmHg, as everywhere."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from typing import Any, Literal, TypeVar, cast

from tidebench.quantities import Quantity
from tidebench.records import Spread

TensionUnit = Literal["mmHg", "kPa"]
MMHG_PER_KPA = 7.50062
IN_MMHG = re.compile(r"((?i:systolic pressure)[^\d]{0,24})?(?:(\d+(?:\.\d+)?) to )?(\d+(?:\.\d+)?) mmHg(?!/)")
Page = TypeVar("Page")
OF_BLOOD = "systolic pressure"


def in_unit(words: str, unit: TensionUnit) -> str:
    """A sentence with its tensions in a unit; numbers that follow ``systolic pressure`` are left."""
    return words if unit == "mmHg" else IN_MMHG.sub(_in_kpa, words)


def _in_kpa(found: re.Match[str]) -> str:
    if found[1]:
        return found[0]
    ends = [f"{float(end) / MMHG_PER_KPA:.1f}" for end in (found[2], found[3]) if end]
    return f"{' to '.join(ends)} kPa"


def all_in(page: Page, unit: TensionUnit) -> Page:
    """A page, a record or a tuple of them with every sentence in a unit; records of systolic pressure are left."""
    return page if unit == "mmHg" else cast(Page, _all_in_kpa(page))


def _all_in_kpa(value: Any) -> Any:
    if isinstance(value, str):
        return in_unit(value, "kPa")
    if isinstance(value, (tuple, list)):
        return type(value)(map(_all_in_kpa, value))
    if not is_dataclass(value) or isinstance(value, type) or OF_BLOOD in str(getattr(value, "name", "")):
        return value
    parts = {field.name: getattr(value, field.name) for field in fields(value) if field.init}
    measured, shown = parts.get("quantity"), parts.get("spread")
    if isinstance(measured, Quantity) and measured.unit == "mmHg":
        parts["quantity"] = replace(measured, unit="kPa", decimals=1)
        parts["spread"] = None if shown is None else _in_kpa_spread(shown)
    else:
        parts = {key: _all_in_kpa(part) for key, part in parts.items()}
    return replace(value, **parts)


def _in_kpa_spread(seen: Spread) -> Spread:
    median, low, high = (end / MMHG_PER_KPA for end in (seen.median, seen.p05, seen.p95))
    return Spread(median, low, high, seen.n)
