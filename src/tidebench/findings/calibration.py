"""Confidence as the share of findings that were right: what rules grade, set to what a population showed.

Rules grade their findings by mechanism: the size of an effort, how far a margin lies beyond its limit, how many breaths
show it. How often each grade was right was counted on open populations of virtual patients (airway only), made to rise
with the grade, and is drawn through straight: of efforts and what ventilator and patient do to each other on one
(``python -m tests.population calibrate``), of the other kinds on another (``python -m tests.conditions calibrate``). A
gap is certain by definition. Where an oesophageal signal was used, kinds that rest on efforts keep their grades.
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


FURTHER: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "beyond-limit": ((0.702, 0.823, 0.935, 0.95), (0.81, 0.94, 0.94, 0.99)),
    "channel-delay": ((0.5, 0.612, 0.837, 0.95), (0.41, 0.6, 0.6, 0.6)),
    "clipped-signal": ((0.9,), (0.98,)),
    "cough": ((0.574, 0.786, 0.894, 0.95), (0.53, 0.93, 0.95, 0.97)),
    "disconnection": ((0.528, 0.618, 0.767, 0.95), (0.89, 0.89, 0.89, 0.96)),
    "expiratory-flow-limitation": ((0.95,), (0.81,)),
    "flat-line": ((0.9,), (0.95,)),
    "flow-starvation": ((0.588, 0.795, 0.936, 0.95), (0.68, 0.68, 0.75, 0.75)),
    "incomplete-expiration": ((0.612, 0.725, 0.853, 0.95), (0.43, 0.65, 0.89, 0.99)),
    "intrinsic-peep": ((0.653, 0.901), (0.79, 0.96)),
    "leak": ((0.643, 0.804, 0.95), (0.67, 0.88, 0.97)),
    "leak-change": ((0.526, 0.599, 0.845, 0.95), (0.27, 0.5, 0.71, 0.89)),
    "mechanics-change": ((0.808,), (0.85,)),
    "obstruction": ((0.56,), (0.9,)),
    "over-assistance": ((0.615, 0.752), (0.29, 0.59)),
    "overdistension": ((0.822,), (0.7,)),
    "recruitment": ((0.163, 0.361, 0.595, 0.79), (0.3, 0.3, 0.3, 0.84)),
    "secretions": ((0.95,), (0.97,)),
    "sensor-drift": ((0.5, 0.95), (0.45, 0.94)),
    "sensor-offset": ((0.5, 0.95), (0.21, 0.97)),
    "strong-effort: large muscle pressure": ((0.579, 0.667, 0.732, 0.803), (0.74, 0.74, 0.74, 0.74)),
    "strong-effort: occlusion": ((0.5, 0.635), (0.16, 0.32)),
    "strong-effort: trigger phase": ((0.7,), (0.75,)),
    "trigger-delay": ((0.5, 0.698, 0.833, 0.923), (0.34, 0.52, 0.7, 0.76)),
    "weak-effort: occlusion": ((0.559, 0.648, 0.707, 0.854), (0.22, 0.54, 0.58, 0.58)),
    "weak-effort: trigger phase": ((0.7,), (0.33,)),
}
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
