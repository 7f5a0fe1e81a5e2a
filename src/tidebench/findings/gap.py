"""A gap: a stretch in which nothing was recorded. Nothing is said of the breaths in it."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "gap"
RULE = "missing samples"
VERSION = 1
ABOUT = About(
    seen="Nothing was recorded. Numbers of the stretch before and after are not joined.",
    source="none needed",
    behind="A cable, a restart of the recorder, a pause for transport or suction.",
    further="What happened then, by the event log.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every gap of the recording."""
    return [
        Finding(
            kind=KIND,
            breath=None,
            start_s=gap.start_s,
            end_s=gap.end_s,
            confidence=1.0,
            evidence=f"Nothing was recorded for {gap.duration_s:.1f} s.",
            rule=RULE,
            rule_version=VERSION,
            values=(("duration_s", gap.duration_s),),
        )
        for gap in seen.recording.gaps
    ]
