"""Measures findings of drive, lung, circuit and sensors on virtual patients with and without their causes.

python -m tests.conditions open|frozen [--patients N] [--out FOLDER]
    prints, by kind, how often what was found is there and what is there is found
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl

from tests.conditions.patients import Set, patient
from tests.conditions.scoring import grades, reviewed, score
from tidebench.errors import SimulationError

PATIENTS = 450


def measured(kind: Set, k: int) -> dict[str, Any]:
    """One patient, simulated, reviewed and scored; nothing but the reason of one who can't be simulated."""
    one, scenario = patient(kind, k)
    try:
        told, found = reviewed(one, scenario)
    except SimulationError as error:
        return {
            "about": {"patient": k, "who": one.who, "size": one.size, "breaths": 0, "why": str(error)},
            "findings": [],
            "owed": [],
        }
    about = {"patient": k, "who": one.who, "size": one.size}
    rows, owed = score(told, found, grades(told, found), about)
    return {"about": about | {"breaths": told.breaths.height, "why": ""}, "findings": rows, "owed": owed}


def population(kind: Set, numbers: Sequence[int]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Patients, findings and what is owed."""
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(partial(measured, kind), numbers, chunksize=5))
    return (
        pl.DataFrame([row["about"] for row in rows]),
        pl.DataFrame([one for row in rows for one in row["findings"]], infer_schema_length=None),
        pl.DataFrame([one for row in rows for one in row["owed"]], infer_schema_length=None),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["open", "frozen"])
    parser.add_argument("--patients", type=int, default=PATIENTS)
    parser.add_argument("--out", type=Path)
    told = parser.parse_args()
    tables = population(told.what, range(told.patients))
    told.out.mkdir(exist_ok=True)
    for name, table in zip(("people", "findings", "owed"), tables, strict=True):
        table.write_parquet(told.out / f"{name}.parquet")


if __name__ == "__main__":
    main()
