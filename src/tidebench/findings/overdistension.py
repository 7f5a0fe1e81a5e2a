"""Overdistension within the breath: pressure bends upwards while flow is constant."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.runs import among_neighbours, each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "overdistension"
RULE = "stress index above its range"
VERSION = 2

ABOVE, MUCH = 1.1, 0.4
MOSTLY = 0.75  # of neighbouring breaths must lie above
ABOUT = About(
    seen="Over at least 5 passive breaths with constant flow three quarters of stress indices exceed 1.1: compliance "
    "falls within the breath.",
    source="Grasso, Crit Care Med 2004;32:1018: a stress index of 0.9 to 1.1 (limits from memory)",
    behind="More volume or PEEP than the open lung takes; a stiff chest wall does the same.",
    further="Volume per kg, PEEP, plateau, driving pressure.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths whose stress index is above 1.1."""
    key = "stress_index"
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(among_neighbours(key, 1 - MOSTLY) > ABOVE),
        key,
        lambda run: graded(middle_of(run, key) - ABOVE, MUCH, run.height),
        lambda n, middle: (
            f"Over {n} breaths pressure bends upwards at constant flow: stress index {quantity(key).text(middle)}."
        ),
    )
