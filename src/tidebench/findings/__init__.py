"""Findings: one module per kind, in one table. They read tables and return records; they never edit."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import polars as pl

from tidebench.findings import gap, intrinsic_peep, leak
from tidebench.quantities import quantity
from tidebench.recording import Recording
from tidebench.records import FINDING_COLUMNS, Finding

Rule = Callable[[pl.DataFrame, Recording], Sequence[Finding]]

FINDINGS: dict[str, Rule] = {
    gap.KIND: gap.find,
    intrinsic_peep.KIND: intrinsic_peep.find,
    leak.KIND: leak.find,
}
"""The rule of each kind of finding."""

RULES: dict[str, int] = {module.KIND: module.VERSION for module in (gap, intrinsic_peep, leak)}
"""The version of each kind's rule."""


def find_all(breaths: pl.DataFrame, recording: Recording) -> pl.DataFrame:
    """All findings of a recording as a table, in the order of time."""
    found = [finding for rule in FINDINGS.values() for finding in rule(breaths, recording)]
    return as_table(sorted(found, key=lambda finding: (finding.start_s, finding.kind)))


def as_table(findings: Sequence[Finding]) -> pl.DataFrame:
    """Findings as rows, values with their units."""
    rows = [
        {
            "kind": finding.kind,
            "breath": finding.breath,
            "start_s": finding.start_s,
            "end_s": finding.end_s,
            "confidence": finding.confidence,
            "evidence": finding.evidence,
            "values": [{"quantity": key, "value": value, "unit": quantity(key).unit} for key, value in finding.values],
            "rule": finding.rule,
            "rule_version": finding.rule_version,
        }
        for finding in findings
    ]
    return pl.DataFrame(rows, schema=FINDING_COLUMNS)
