"""Premature cycling: the inflation ends well before the patient's own inspiration."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.cycling import beyond
from tidebench.findings.seen import Seen
from tidebench.interaction import PREMATURE
from tidebench.records import Finding

KIND = "premature-cycling"
VERSION = 2
ABOUT = About(
    seen="Neural inspiration goes on after the inflation has ended: cycling margin above 0.35, and no "
    "second inflation was triggered.",
    source="margin and limit: this house's; Thille, Intensive Care Med 2006;32:1515, calls an inspiration "
    "shorter than half the mean a short cycle",
    behind="Short inspiratory time, an early cycling criterion, stiff lungs.",
    further="Cycling criterion, inspiratory time.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation, the only one of its effort, whose margin lies above the limit."""
    return beyond(seen, seen.margin > PREMATURE, PREMATURE, KIND, VERSION)
