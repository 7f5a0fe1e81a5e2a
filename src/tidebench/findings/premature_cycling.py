"""Premature cycling: the inflation ends well before the patient's own inspiration.

The cycling margin is (end of neural inspiration - end of inflation) / neural inspiratory time; its limit is this
house's. Papers use others: peak or end of the effort, and times from 0.66 to 1.5 of neural inspiratory time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.breaths import at_breath
from tidebench.findings.seen import Seen
from tidebench.interaction import PREMATURE
from tidebench.records import Finding

KIND = "premature-cycling"
RULE = "cycling margin"
VERSION = 1
GREY = 0.25  # of margin beyond the limit, over which confidence rises


def find(seen: Seen) -> Sequence[Finding]:
    """Every triggered inflation, the only one of its effort, whose margin lies beyond the limit."""
    found = []
    for at in np.flatnonzero(seen.margin > PREMATURE).tolist():
        margin = float(seen.margin[at])
        effort = int(seen.under_way[at])
        neural = float(seen.top[effort] - seen.onset[effort])
        words = (
            f"Neural inspiration of {neural:.2f} s ended {abs(margin) * neural:.2f} s "
            f"{'after' if margin > 0 else 'before'} the inflation did."
        )
        sure = 0.6 + 0.3 * min(1.0, abs(margin - PREMATURE) / GREY)
        found.append(at_breath(KIND, (RULE, VERSION), seen, at, sure, words, ("cycling_margin", margin)))
    return found
