"""Blood gases read: every index with its value or the reason why there is none, and what they were taken under."""

from __future__ import annotations

from tidebench.care.gases.moment import with_capnograms
from tidebench.care.gases.page import read_gases
from tidebench.care.gases.records import (
    AcidBase,
    Conditions,
    Fact,
    GasesPage,
    GasReading,
    Grade,
    Held,
    TrendRow,
    Typed,
    Value,
    Ventilation,
)

__all__ = [
    "AcidBase",
    "Conditions",
    "Fact",
    "GasReading",
    "GasesPage",
    "Grade",
    "Held",
    "TrendRow",
    "Typed",
    "Value",
    "Ventilation",
    "read_gases",
    "with_capnograms",
]
