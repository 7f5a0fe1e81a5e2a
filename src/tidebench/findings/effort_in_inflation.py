"""Effort in an inflation: begins while the ventilator inflates, by chance, not locked to its clock."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.efforts import each, peak
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "effort-in-inflation"
RULE = "effort that begins within an inflation"
VERSION = 1


def find(seen: Seen) -> Sequence[Finding]:
    """Every effort that begins between the start and the turn of an inflation, and is not locked to the clock."""
    which = (seen.efforts["outcome"] == "effort-in-inflation").to_numpy() & ~seen.entrained
    return each(seen, which, KIND, RULE, lambda at: f"An effort of {peak(seen, at)} began during an inflation.")
