"""Recruitment within the breath: pressure bends downwards while flow is constant."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import About
from tidebench.findings.runs import among_neighbours, each_run
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "recruitment"
RULE = "stress index below its range"
VERSION = 2

BELOW = 0.9
MOSTLY = 0.75  # of neighbouring breaths must lie below
ABOUT = About(
    seen="Over at least 5 passive breaths with constant flow three in four stress indices are below 0.9: compliance "
    "rises within the breath. Parts that fill at different speeds bend it too.",
    source="Grasso, Crit Care Med 2004;32:1018: a stress index of 0.9 to 1.1 (limits from memory)",
    behind="Units that open with each breath and close again; unequal time constants.",
    further="PEEP, the recoil curve, a hold.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths whose stress index is below 0.9."""
    key = "stress_index"
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(among_neighbours(key, MOSTLY) < BELOW),
        key,
        0.7,
        lambda n, middle: (
            f"Over {n} breaths pressure bends downwards at constant flow: stress index {quantity(key).text(middle)}."
        ),
    )
