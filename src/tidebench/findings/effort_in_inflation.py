"""Effort in an inflation: begins while the ventilator inflates, by chance, not locked to its clock."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.efforts import each, peak
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "effort-in-inflation"
RULE = "effort that begins within an inflation"
VERSION = 2
ABOUT = About(
    seen="An effort begins within an inflation that it did not trigger, and is not locked to the ventilator's clock.",
    source="by mechanism: this house's",
    behind="A patient's own rhythm beside the ventilator's.",
    further="Rate, trigger.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every effort that begins between the start and the turn of an inflation, and is not locked to the clock."""
    which = (seen.efforts["outcome"] == "effort-in-inflation").to_numpy() & ~seen.entrained
    return each(seen, which, KIND, RULE, lambda at: f"An effort of {peak(seen, at)} began during an inflation.")
