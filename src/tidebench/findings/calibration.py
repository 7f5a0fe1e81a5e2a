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
    "auto-trigger": ((0.7, 0.9), (0.93, 0.99)),
    "delayed-cycling": ((0.64, 0.75, 0.85, 0.9), (0.19, 0.68, 0.88, 0.88)),
    "double-trigger": ((0.75, 0.9), (0.61, 0.98)),
    "effort-in-inflation": ((0.69, 0.76, 0.86, 0.95), (0.76, 0.76, 0.76, 0.83)),
    "ineffective-effort": ((0.69, 0.76, 0.86, 0.95), (0.0, 0.43, 0.53, 0.92)),
    "premature-cycling": ((0.66, 0.76, 0.84, 0.9), (0.64, 0.96, 0.99, 0.99)),
    "reverse-trigger": ((0.95,), (0.99,)),
}
"""Grades and shares that were right, by kind."""


FURTHER: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "beyond-limit": ((0.694, 0.815, 0.926, 0.95), (0.81, 0.89, 0.97, 0.99)),
    "channel-delay": ((0.5, 0.612, 0.837, 0.95), (0.43, 0.67, 0.67, 0.67)),
    "clipped-signal": ((0.9,), (0.99,)),
    "cough": ((0.675, 0.8, 0.9, 0.95), (0.68, 0.96, 0.96, 0.97)),
    "disconnection": ((0.531, 0.667, 0.79, 0.95), (0.87, 0.87, 0.94, 0.98)),
    "expiratory-flow-limitation": ((0.95,), (0.79,)),
    "flat-line": ((0.9,), (0.88,)),
    "flow-starvation": ((0.568, 0.751, 0.919, 0.95), (0.72, 0.73, 0.73, 0.79)),
    "incomplete-expiration": ((0.603, 0.737, 0.859, 0.95), (0.4, 0.67, 0.9, 0.98)),
    "intrinsic-peep": ((0.566, 0.706, 0.848, 0.95), (0.6, 0.9, 0.96, 0.96)),
    "leak": ((0.659, 0.831, 0.95), (0.78, 0.91, 0.96)),
    "leak-change": ((0.526, 0.628, 0.834, 0.95), (0.26, 0.52, 0.65, 0.9)),
    "mechanics-change": ((0.799,), (0.79,)),
    "obstruction": ((0.596,), (0.65,)),
    "over-assistance": ((0.562, 0.709, 0.751, 0.829), (0.17, 0.68, 0.82, 0.82)),
    "overdistension": ((0.783,), (0.65,)),
    "recruitment": ((0.229, 0.458, 0.61, 0.769), (0.22, 0.22, 0.3, 0.74)),
    "secretions": ((0.548, 0.95), (0.97, 0.97)),
    "sensor-drift": ((0.5, 0.95), (0.39, 0.97)),
    "sensor-offset": ((0.5, 0.95), (0.24, 0.95)),
    "strong-effort: large muscle pressure": ((0.586, 0.654, 0.728, 0.803), (0.8, 0.8, 0.8, 0.8)),
    "strong-effort: occlusion": ((0.589,), (0.79,)),
    "strong-effort: swing across the lung in an occlusion": ((0.538, 0.748, 0.95), (0.1, 0.52, 0.52)),
    "strong-effort: trigger phase": ((0.7,), (0.67,)),
    "trigger-delay": ((0.5, 0.725, 0.842, 0.923), (0.44, 0.6, 0.75, 0.79)),
    "weak-effort: occlusion": ((0.58, 0.656, 0.717, 0.85), (0.43, 0.48, 0.48, 0.54)),
    "weak-effort: trigger phase": ((0.7,), (0.27,)),
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
