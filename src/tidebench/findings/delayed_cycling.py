"""Delayed cycling: the inflation goes on well after the patient's own inspiration has ended."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.cycling import beyond
from tidebench.findings.seen import Seen
from tidebench.interaction import DELAYED
from tidebench.records import Finding

KIND = "delayed-cycling"
VERSION = 1


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation, the only one of its effort, whose margin lies below the limit."""
    return beyond(seen, seen.margin < DELAYED, DELAYED, KIND, VERSION)
