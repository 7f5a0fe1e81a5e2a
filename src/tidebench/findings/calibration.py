"""Confidence as the share of findings that were right: what rules grade, set to what a population showed.

Rules grade their findings by mechanism: the size of an effort, how far a margin lies beyond its limit, whether a breath
is passive. How often each grade was right was counted on the open population of virtual patients (airway only, clean
and real sensors), made to rise with the grade, and is drawn through straight. Kinds that no population tells of keep
their grades, and so do all findings where an oesophageal signal was used.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from tidebench.records import Finding

LEAST = 0.5
"""A finding that is more likely wrong than right is none."""

SHARES: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "auto-trigger": ((0.7, 0.9), (0.94, 0.94)),
    "delayed-cycling": ((0.65, 0.76, 0.85, 0.9), (0.22, 0.76, 0.84, 0.84)),
    "double-trigger": ((0.75, 0.9), (0.62, 0.92)),
    "effort-in-inflation": ((0.69, 0.76, 0.86, 0.95), (0.65, 0.65, 0.69, 0.84)),
    "ineffective-effort": ((0.69, 0.76, 0.86, 0.95), (0.0, 0.33, 0.42, 0.92)),
    "premature-cycling": ((0.66, 0.76, 0.84, 0.9), (0.29, 0.96, 0.98, 0.98)),
    "reverse-trigger": ((0.95,), (0.99,)),
}
"""Grades and shares that were right, by kind."""


FURTHER: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {}
"""Grades and shares that were right of the other kinds, by :func:`curve_of`."""

BY_RULE = ("strong-effort", "weak-effort")
"""Kinds of which each rule has a curve of its own: an occlusion is other evidence than breath after breath."""
OF_EFFORTS = (*SHARES, "over-assistance", "strong-effort", "trigger-delay")
"""Kinds that rest on efforts as they are told from the airway: with an oesophageal signal they keep their grades."""


def curve_of(kind: str, rule: str) -> str:
    """Which curve a finding goes by."""
    return f"{kind}: {rule}" if kind in BY_RULE else kind


def calibrated(findings: Iterable[Finding], *, oesophageal: bool = False) -> Iterator[Finding]:
    """Findings with calibrated confidence, those left out that are more likely wrong than right."""
    curves = SHARES | FURTHER
    for finding in findings:
        curve = curves.get(curve_of(finding.kind, finding.rule))
        if curve is None or (oesophageal and finding.kind in OF_EFFORTS):
            yield finding
            continue
        sure = float(np.interp(finding.confidence, *curve))
        if sure >= LEAST:
            yield replace(finding, confidence=round(sure, 3))
