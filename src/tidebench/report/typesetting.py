"""Chemical symbols, units and signs as print writes them."""

from __future__ import annotations

import re
from typing import Any

from tidebench.quantities import QUANTITIES

_CHEMICAL = re.compile(r"H2O|O2\b|CO2|HCO3")
LOWERED = str.maketrans("23", "₂₃")
_UNITS = "|".join(sorted({re.escape(q.unit) for q in QUANTITIES.values() if q.unit}, key=len, reverse=True))
_UNIT = re.compile(rf"(?<=\d) (?=(?:{_UNITS}|%)(?![\w]))")
_LONG, _BREAK = re.compile(r"\S{66,}"), re.compile(r".{30}")
"""A word that is wider than a page may break after every thirtieth letter; a hash of 64 stays whole."""
_MINUS = re.compile(r"(?<![\w.\-])-(?=\d)")


def subscripts(text: str) -> str:
    """``cmH2O`` as ``cmH₂O``, ``FiO2`` as ``FiO₂``."""
    return _CHEMICAL.sub(lambda match: match.group().translate(LOWERED), text)


def typeset(value: Any) -> Any:
    """Every text within a value as print writes it: subscripts, minus signs, units beside their number, breaks."""
    if isinstance(value, str):
        whole = _LONG.sub(lambda match: _BREAK.sub("\\g<0>\u200b", match.group()), value)
        return subscripts(_UNIT.sub("\u00a0", _MINUS.sub("−", whole)))
    if isinstance(value, dict):
        return {key: typeset(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [typeset(inner) for inner in value]
    return value
