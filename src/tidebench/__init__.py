"""Tidebench: recorded breaths of a ventilated patient become measured, explained cases.

The names below are what most scripts need; each is loaded when it is first used. The rest is in the subpackages.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from tidebench._version import __version__

if TYPE_CHECKING:
    from tidebench.case import Case, load_case
    from tidebench.errors import TidebenchError
    from tidebench.fitting import Fit, WhatIf, fit_patient, what_if
    from tidebench.pictures.write import picture_case
    from tidebench.quantities import Quantity, quantity
    from tidebench.readers import open_recording, read_recording
    from tidebench.recording import Recording
    from tidebench.rehearsal import whatif_case
    from tidebench.results import review_case
    from tidebench.review import Review
    from tidebench.simulation import (
        Scenario,
        Solution,
        load_scenario,
        scenario_from,
        simulate,
        simulate_case,
        simulate_many,
    )
    from tidebench.store import Result, read_result

__all__ = [
    "Case",
    "Fit",
    "Quantity",
    "Recording",
    "Result",
    "Review",
    "Scenario",
    "Solution",
    "TidebenchError",
    "WhatIf",
    "__version__",
    "fit_patient",
    "load_case",
    "load_scenario",
    "open_recording",
    "picture_case",
    "quantity",
    "read_recording",
    "read_result",
    "review_case",
    "scenario_from",
    "simulate",
    "simulate_case",
    "simulate_many",
    "what_if",
    "whatif_case",
]

_HOMES = {
    "tidebench.case": ("Case", "load_case"),
    "tidebench.errors": ("TidebenchError",),
    "tidebench.fitting": ("Fit", "WhatIf", "fit_patient", "what_if"),
    "tidebench.pictures.write": ("picture_case",),
    "tidebench.quantities": ("Quantity", "quantity"),
    "tidebench.readers": ("open_recording", "read_recording"),
    "tidebench.recording": ("Recording",),
    "tidebench.rehearsal": ("whatif_case",),
    "tidebench.results": ("review_case",),
    "tidebench.review": ("Review",),
    "tidebench.simulation": (
        "Scenario",
        "Solution",
        "load_scenario",
        "scenario_from",
        "simulate",
        "simulate_case",
        "simulate_many",
    ),
    "tidebench.store": ("Result", "read_result"),
}


def __getattr__(name: str) -> object:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(home), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
