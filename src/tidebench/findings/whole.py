"""Findings that stand for all breaths of a recording."""

from __future__ import annotations

from tidebench.findings.seen import Seen
from tidebench.records import Finding


def of_breaths(
    kind: str, rule: tuple[str, int], seen: Seen, confidence: float, evidence: str, *values: tuple[str, float]
) -> Finding:
    """The finding of a rule (name, version) from the first breath's start to the last one's end."""
    return Finding(
        kind=kind,
        breath=None,
        start_s=float(seen.start[0]),
        end_s=float(seen.end[-1]),
        confidence=confidence,
        evidence=evidence,
        rule=rule[0],
        rule_version=rule[1],
        values=values,
    )
