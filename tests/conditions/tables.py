"""Tables of what the population showed, and the curves from grade to share that were right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.findings.rates import wilson_interval

FEWEST, MOST_POINTS = 8, 4
"""Patients that a point of a curve needs, and points that it has at most. Fewer patients give one share for all."""
CLEAR = 1.5  # times the limit, from which on a thing is clearly there
TENTH = 0.1
CERTAIN = ("gap",)  # by definition

Values = npt.NDArray[np.float64]
Curve = tuple[tuple[float, ...], tuple[float, ...]]


@dataclass(frozen=True)
class Measured:
    """Patients, findings and what was owed, a row each."""

    people: pl.DataFrame
    findings: pl.DataFrame
    owed: pl.DataFrame

    @classmethod
    def of(cls, rows: Sequence[Mapping[str, Any]]) -> Measured:
        """Tables of what was measured, patient by patient."""
        findings, owed = ([one for row in rows for one in row[name]] for name in ("findings", "owed"))
        people = pl.DataFrame([row["about"] for row in rows])
        return cls(people, *(pl.DataFrame(part, infer_schema_length=None) for part in (findings, owed)))


def by_kind(findings: pl.DataFrame, owed: pl.DataFrame) -> pl.DataFrame:
    """Of each kind: findings and how many were right, what was owed and how much of it was found, the clear apart."""
    found = findings.group_by("kind").agg(
        findings=pl.len(), with_findings=pl.col("patient").n_unique(), right=pl.col("right").mean()
    )
    clear = pl.col("degree") >= CLEAR
    asked = owed.group_by("kind").agg(
        owed=pl.len(),
        patients=pl.col("patient").n_unique(),
        found=pl.col("found").mean(),
        clear=pl.col("found").filter(clear).mean(),
    )
    return asked.join(found, on="kind", how="full", coalesce=True).sort("kind")


def reliability(findings: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Of the findings in each tenth of confidence: how many, from how many patients, how many right, the interval.

    The interval is Wilson's for as many trials as there are patients: findings of one patient are no trials apart.
    """
    tenth = (pl.col("confidence") / TENTH + 1e-9).floor().clip(0, 9)
    table = (
        findings.group_by(*by, tenth.cast(pl.Int64).alias("tenth"))
        .agg(
            n=pl.len(),
            patients=pl.col("patient").n_unique(),
            confidence=pl.col("confidence").mean(),
            right=pl.col("right").mean(),
        )
        .sort(*by, "tenth")
    )
    bounds = [wilson_interval(right * n, n) for right, n in table.select("right", "patients").iter_rows()]
    return table.with_columns(low=pl.Series([a for a, _ in bounds]), high=pl.Series([b for _, b in bounds]))


def curve(grade: Values, right: Values, patient: npt.NDArray[np.int64]) -> Curve:
    """Grades and the shares that were right, made to rise.

    Findings are cut, in the order of their grades, into :data:`MOST_POINTS` parts at most, of :data:`FEWEST` patients
    or more. A share counts as if there had been one patient more, with a finding that is right by the toss of a coin,
    so that no number of patients makes sure.
    """
    order = np.argsort(grade, kind="stable")
    grade, right, patient = grade[order], right[order], patient[order]
    for points in range(MOST_POINTS, 0, -1):
        parts = parts_of(grade, points)
        if points == 1 or min(len(np.unique(patient[part])) for part in parts) >= FEWEST:
            break
    shares = []
    for part in parts:
        n = len(np.unique(patient[part]))
        shares.append((float(right[part].mean()) * n + 0.5) / (n + 1))
    middles = [float(np.median(grade[part])) for part in parts]
    rising = risen(np.array(shares), np.array([float(len(part)) for part in parts]))
    return tuple(round(x, 3) for x in middles), tuple(round(float(x), 2) for x in rising)


def parts_of(grade: Values, points: int) -> list[npt.NDArray[np.int64]]:
    """Indices of ordered grades in so many parts, or fewer: equal grades stay together."""
    edges = np.flatnonzero(np.diff(grade) > 0) + 1
    wanted = [len(grade) * k // points for k in range(1, points)]
    cuts = sorted({int(edges[np.argmin(np.abs(edges - at))]) for at in wanted}) if len(edges) else []
    return np.split(np.arange(len(grade)), cuts)


def risen(values: Values, weights: Values) -> Values:
    """The rising values nearest to some, by least squares (Ayer, Ann Math Stat 1955;26:641)."""
    from scipy.optimize import isotonic_regression

    return np.asarray(isotonic_regression(values, weights=weights).x, np.float64)


def curves(findings: pl.DataFrame) -> dict[str, Curve]:
    """The curve of each kind, or of each rule of a kind where its rules differ in what they look at."""
    out = {}
    findings = findings.filter(~pl.col("kind").is_in(CERTAIN))
    for (name,), rows in sorted(findings.partition_by("curve", as_dict=True).items()):
        told = curve(*(rows[key].to_numpy() for key in ("confidence", "right", "patient")))
        out[str(name)] = told
    return out
