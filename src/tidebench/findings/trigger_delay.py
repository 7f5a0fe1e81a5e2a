"""Trigger delay: the inflation comes well after the effort began."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.breaths import at_breath
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "trigger-delay"
RULE = "time from onset to inflation"
VERSION = 1

LONGEST_S = 0.3
MUCH_S, BY_OESOPHAGUS = 0.5, 0.9
"""By the airway a longer delay is less sure: most often something else was taken for the onset of the effort."""
ABOUT = About(
    seen="An effort that triggers begins 0.3 s or more before its inflation. From the airway alone the "
    "onset is told to a tenth of a second or two.",
    source="limit: common practice, no source",
    behind="Trapped gas that has to be overcome, an insensitive trigger, weak muscles.",
    further="Trapped gas and PEEP, trigger sensitivity, effort.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation that begins long after the effort which called for it."""
    found = []
    for at in np.flatnonzero(seen.by_patient & ~seen.double & (seen.under_way >= 0)).tolist():
        effort = int(seen.under_way[at])
        late = float(seen.start[at] - seen.onset[effort])
        if late >= LONGEST_S:
            by_airway = seen.efforts["source"][effort] == "airway"
            sure = graded(LONGEST_S + MUCH_S - late, MUCH_S) if by_airway else BY_OESOPHAGUS
            words = f"The inflation came {quantity('trigger_delay_s').text(late)} after the effort began."
            found.append(at_breath(KIND, (RULE, VERSION), seen, at, sure, words, ("trigger_delay_s", late)))
    return found
