"""Findings that stand at a breath."""

from __future__ import annotations

import numpy as np

from tidebench.findings.seen import Seen
from tidebench.records import Finding


def at_breath(
    kind: str, rule: tuple[str, int], seen: Seen, at: int, confidence: float, evidence: str, *values: tuple[str, float]
) -> Finding:
    """The finding of a rule (name, version) at one row of the breath table; unknown values are left out."""
    return Finding(
        kind=kind,
        breath=int(seen.number[at]),
        start_s=float(seen.start[at]),
        end_s=float(seen.end[at]),
        confidence=confidence,
        evidence=evidence,
        rule=rule[0],
        rule_version=rule[1],
        values=tuple((key, value) for key, value in values if np.isfinite(value)),
    )
