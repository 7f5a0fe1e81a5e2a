"""Sensor offset: flow is read where there is none."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen
from tidebench.findings.whole import of_breaths
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "sensor-offset"
RULE = "flow that is read at rest"
VERSION = 1

SHARE = 0.03  # of the usual flow
ABOUT = About(
    seen="Breath after breath as much flow is read at rest as would fill or empty the lung for good: 3 % of the usual "
    "flow or more. A leak loses gas with pressure; this does not. It is taken off.",
    source="by mechanism: this house's",
    behind="A flow sensor that was not zeroed, is wet, or warms up.",
    further="Zeroing or changing the sensor; exhaled volumes with care.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """One finding over all breaths, where their median offset is large enough."""
    offset, drive = seen.known.column("offset"), seen.known.column("drive")
    if not len(offset):
        return []
    middle = float(np.median(offset))
    if abs(middle) < SHARE * float(np.median(drive)):
        return []
    sure = graded(-middle / float(np.median(drive)), SHARE)
    of = quantity("flow_offset_l_min")
    words = f"Where there is no flow the sensor reads {of.text(60 * middle)}."
    return [of_breaths(KIND, (RULE, VERSION), seen, sure, words, (of.key, 60 * middle))]
