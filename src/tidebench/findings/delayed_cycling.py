"""Delayed cycling: the inflation goes on well after the patient's own inspiration has ended."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.cycling import beyond
from tidebench.findings.seen import Seen
from tidebench.interaction import DELAYED
from tidebench.records import Finding

KIND = "delayed-cycling"
VERSION = 2
ABOUT = About(
    seen="The inflation goes on after neural inspiration has ended: cycling margin below −0.5, that is by "
    "more than half of neural inspiratory time.",
    source="margin and limit: this house's; Thille, Intensive Care Med 2006;32:1515, calls an inspiration "
    "longer than twice the mean prolonged",
    behind="Slow decay of flow (obstruction), a leak, a late cycling criterion.",
    further="Cycling criterion, inspiratory time, trapped gas.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation, the only one of its effort, whose margin lies below the limit."""
    return beyond(seen, seen.margin < DELAYED, DELAYED, KIND, VERSION)
