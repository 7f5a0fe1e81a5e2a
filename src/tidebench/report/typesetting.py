"""Chemical symbols, units and signs as print writes them."""

from __future__ import annotations

import re
from typing import Any

from tidebench.quantities import QUANTITIES

_CHEMICAL = re.compile(r"H2O|O2\b|CO2|HCO3")
LOWERED = str.maketrans("23", "₂₃")
_UNITS = "|".join(sorted({re.escape(q.unit) for q in QUANTITIES.values() if q.unit}, key=len, reverse=True))
_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS}|%)(?![\w]))")
_MINUS = re.compile(r"(?<![\w.\-])-(?=\d)")


def subscripts(text: str) -> str:
    """``cmH2O`` as ``cmH₂O``, ``FiO2`` as ``FiO₂``."""
    return _CHEMICAL.sub(lambda match: match.group().translate(LOWERED), text)


def typeset(value: Any) -> Any:
    """Every text within a value as print writes it: subscripts, minus signs, units that stay beside their number."""
    if isinstance(value, str):
        return subscripts(_UNIT.sub("\u00a0", _MINUS.sub("−", value)))
    if isinstance(value, dict):
        return {key: typeset(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [typeset(inner) for inner in value]
    return value
