"""Sensor drift: the flow that is read at rest moves with time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.seen import Seen
from tidebench.findings.whole import of_breaths
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "sensor-drift"
RULE = "flow at rest, first breaths against last"
VERSION = 1

BREATHS = 20
SHARE = 0.03  # of the usual flow
ABOUT = About(
    seen="The flow that is read at rest differs between the first and the last 20 breaths by 3 % of the usual flow or "
    "more. It is taken off, breath by breath.",
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
    if abs(moved) < SHARE * float(np.median(drive)):
        return []
    of = quantity("flow_drift_l_min")
    words = f"What the flow sensor reads at rest has moved by {of.text(60 * moved)} from the first breaths to the last."
    return [of_breaths(KIND, (RULE, VERSION), seen, 0.8, words, (of.key, 60 * moved))]
