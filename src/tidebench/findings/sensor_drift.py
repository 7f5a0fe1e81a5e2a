"""Sensor drift: the flow that is read at rest moves with time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen, Times
from tidebench.findings.whole import of_breaths
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "sensor-drift"
RULE = "flow at rest, first breaths against last"
VERSION = 2

BREATHS = 20
SHARE = 0.03  # of the usual flow
MIDWAY = 0.25, 0.75  # of the way, where a zero that moves with time stands in the middle of it
ABOUT = About(
    seen="The flow that is read at rest differs between the first and the last 20 breaths by 3 % of the usual flow or "
    "more, and is on its way halfway between them (a quarter to three quarters): a leak that opens jumps. It is taken "
    "off, breath by breath.",
    source="by mechanism: this house's",
    behind="A flow sensor that warms up or gets wet.",
    further="Zeroing, drying or changing the sensor.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """One finding over all breaths, where the offset has moved far enough."""
    offset, drive = seen.known.column("offset"), seen.known.column("drive")
    if len(offset) < 2 * BREATHS:
        return []
    moved = float(np.median(offset[-BREATHS:]) - np.median(offset[:BREATHS]))
    if abs(moved) < SHARE * float(np.median(drive)) or not steady(offset, seen.start):
        return []
    sure = graded(-moved / float(np.median(drive)), SHARE)
    of = quantity("flow_drift_l_min")
    words = f"What the flow sensor reads at rest has moved by {of.text(60 * moved)} from the first breaths to the last."
    return [of_breaths(KIND, (RULE, VERSION), seen, sure, words, (of.key, 60 * moved))]


def steady(offset: Times, start: Times) -> bool:
    """True where the offset has gone about half of its way in the middle of the time between first and last breaths."""
    half = BREATHS // 2
    first, last = (float(np.median(part)) for part in (offset[:BREATHS], offset[-BREATHS:]))
    at = int(np.searchsorted(start, 0.5 * (start[half] + start[-half])))
    middle = float(np.median(offset[max(0, at - half) : at + half]))
    return MIDWAY[0] <= (middle - first) / (last - first) <= MIDWAY[1]
