"""Inflations that end at another time than the patient's own inspiration.

The cycling margin is (end of neural inspiration − end of inflation) / neural inspiratory time; its limits are this
house's. Papers use others: peak or end of the effort, and times from 0.66 to 1.5 of neural inspiratory time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.breaths import at_breath
from tidebench.findings.published import inspiratory_share
from tidebench.findings.seen import Flags, Seen
from tidebench.records import Finding

RULE = "cycling margin"
GREY = 0.25  # of margin beyond the limit, over which confidence rises


def beyond(seen: Seen, which: Flags, limit: float, kind: str, version: int) -> Sequence[Finding]:
    """A finding for each of the inflations ``which``, whose margins lie beyond a limit."""
    share, found = inspiratory_share(seen), []
    for at in np.flatnonzero(which).tolist():
        margin, effort = float(seen.margin[at]), int(seen.under_way[at])
        neural = float(seen.top[effort] - seen.onset[effort])
        words = (
            f"Neural inspiration of {neural:.2f} s ended {abs(margin) * neural:.2f} s "
            f"{'after' if margin > 0 else 'before'} the inflation did."
        )
        values = (("cycling_margin", margin), ("inspiratory_time_share", float(share[at])))
        sure = 0.6 + 0.3 * min(1.0, abs(margin - limit) / GREY)
        found.append(at_breath(kind, (RULE, version), seen, at, sure, words, *values))
    return found
