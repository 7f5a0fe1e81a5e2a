"""Simulates, reviews and scores patients of a set, one after another or in parallel."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from typing import Any

from tests.conditions.patients import Set, patient
from tests.conditions.scoring import grades, reviewed, score
from tests.conditions.tables import Measured
from tidebench.errors import SimulationError


def measured(kind: Set, k: int, *, graded: bool = False) -> dict[str, Any]:
    """One patient, simulated, reviewed and scored; of one who can't be simulated only that."""
    one, scenario = patient(kind, k)
    about = {"patient": k, "who": one.who, "size": one.size}
    try:
        told, found = reviewed(one, scenario)
    except SimulationError:
        return {"about": about | {"breaths": 0, "simulated": False}, "findings": [], "owed": []}
    rows, owed = score(told, grades(told, found) if graded else found.findings, about)
    return {"about": about | {"breaths": told.breaths.height, "simulated": True}, "findings": rows, "owed": owed}


def population(kind: Set, numbers: Sequence[int], *, graded: bool = False) -> Measured:
    """Patients, findings and what is owed, as tables."""
    with ProcessPoolExecutor(mp_context=get_context("spawn")) as pool:
        rows = list(pool.map(partial(measured, kind, graded=graded), numbers, chunksize=5))
    return Measured.of(rows)
