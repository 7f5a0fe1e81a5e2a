"""Premature cycling: the inflation ends well before the patient's own inspiration."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.cycling import beyond
from tidebench.findings.seen import Seen
from tidebench.interaction import PREMATURE
from tidebench.records import Finding

KIND = "premature-cycling"
VERSION = 1


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation, the only one of its effort, whose margin lies above the limit."""
    return beyond(seen, seen.margin > PREMATURE, PREMATURE, KIND, VERSION)
