"""Coverage and errors of rehearsals as tables."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tests.rehearsals.scoring import COMPARED
from tidebench.quantities import quantity

RELATIVE = ("vti_ml", "mechanical_power_j_min", "rate_per_min", "paco2_mmhg")
Row = dict[str, Any]
Values = npt.NDArray[np.float64]


def coverage(rows: list[Row], by: str) -> pl.DataFrame:
    """Coverage, median error, the error that nine in ten stay below, and :func:`factor`, by quantity and a column."""
    out = []
    for group in sorted({str(row.get(by)) for row in rows}):
        for key in COMPARED:
            told = np.array([row[key] for row in rows if key in row and str(row.get(by)) == group])
            if not len(told):
                continue
            true, middle, low, high = told.T
            scale = 100 / np.abs(true) if key in RELATIVE else np.ones(len(true))
            error = np.abs(middle - true) * scale
            out.append({
                by: group, "quantity": quantity(key).label, "patients": len(told),
                "held": float(np.mean((true >= low) & (true <= high))), "median error": float(np.median(error)),
                "nine in ten below": float(np.quantile(error, 0.9)),
                "unit": "%" if key in RELATIVE else quantity(key).unit,
                "width": float(np.median((high - low) * scale)),
                "factor": factor(true, middle, low, high),
            })  # fmt: skip
    return pl.DataFrame(out)


def factor(true: Values, middle: Values, low: Values, high: Values) -> float:
    """By how much distances from the estimates would have to grow so that intervals held nine in ten truths."""
    reach = np.where(true > middle, high - middle, middle - low)
    return float(np.quantile(np.abs(true - middle) / np.maximum(reach, 1e-9), 0.9))


def limited(row: Row) -> bool:
    """True where the patient's expiration is limited by flow."""
    return "flow limitation" in row.get("built", "")
