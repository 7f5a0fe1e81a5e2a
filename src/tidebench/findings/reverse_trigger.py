"""Reverse trigger: efforts locked in time to inflations that the ventilator's own time began.

Akoumianaki, Chest 2013;143:927. Without locking an effort in an inflation is only that.
"""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.efforts import each, peak
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "reverse-trigger"
RULE = "effort locked to timed inflations"
VERSION = 3
ABOUT = About(
    seen="Efforts locked in time to inflations that the ventilator's own time began: delay, its spread, "
    "share of the breath and number are told. Locked are efforts that the clock foretells better than the effort "
    "before does. Without locking an effort in an inflation is only that.",
    source="Akoumianaki, Chest 2013;143:927; the test of locking: this house's",
    behind="Entrainment, often under deep sedation.",
    further="Sedation, rate; whether breaths stack.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every effort that is locked to the ventilator's clock, with delay, spread and the number behind the claim."""
    lock = seen.locking
    if lock is None:
        return []
    number = int(lock.efforts.sum())
    shared = (
        f"{number} efforts follow timed inflations by {lock.delay_s:.2f} s (spread {lock.spread_s:.2f} s, "
        f"{100 * lock.phase:.0f} % of the breath), {lock.per_breath:.2g} per inflation."
    )
    return each(seen, lock.efforts, KIND, RULE, lambda at: f"An effort of {peak(seen, at)}; {shared}")
