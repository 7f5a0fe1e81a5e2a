"""Auto-trigger: the trigger's criterion was met, and no effort is seen.

Thille, Intensive Care Med 2006;32:1515: a cycle without a preceding fall of airway pressure. Heartbeat, a leak, water
in the tubing or a very sensitive trigger do that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.breaths import at_breath
from tidebench.findings.published import fall_before
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "auto-trigger"
RULE = "trigger criterion met, no effort seen"
VERSION = 2
ABOUT = About(
    seen="The trigger's criterion was met, and no effort is seen. Told only where efforts would be seen.",
    source="Thille, Intensive Care Med 2006;32:1515: a cycle without a preceding fall of airway pressure",
    behind="Heartbeat, a leak, water in the tubing, a very sensitive trigger.",
    further="Trigger sensitivity, leak, tubing.",
)
PASSIVE, OTHERWISE = 0.9, 0.7


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation at whose start no effort is under way, where efforts would be seen."""
    told = seen.told & np.concatenate([[False], seen.told[:-1]]) if len(seen.told) else seen.told
    passive = seen.breaths["passive"].fill_null(False).to_numpy()
    which = seen.by_patient & ~seen.free & told & (seen.under_way < 0) & ~seen.double
    words = "The trigger's criterion was met and no effort is seen before or at the start."
    found = []
    for at in np.flatnonzero(which).tolist():
        fall = ("pressure_fall_before_cmh2o", fall_before(seen, at))
        sure = PASSIVE if passive[at] else OTHERWISE
        found.append(at_breath(KIND, (RULE, VERSION), seen, at, sure, words, fall))
    return found
