"""Ineffective effort: begins in expiration and triggers nothing (Thille, Intensive Care Med 2006;32:1515)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.efforts import each, peak
from tidebench.findings.published import Values, deflections, signs
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "ineffective-effort"
RULE = "effort in expiration without an inflation"
VERSION = 2
ABOUT = About(
    seen="An effort begins in expiration and gets no inflation.",
    source="Thille, Intensive Care Med 2006;32:1515; by muscle pressure: this house's. What Thille and Chen (Crit Care "
    "Med 2008;36:455) look at stands beside: a fall of pressure of 0.5 or 0.45 cmH2O, a change of flow of 5.45 L/min",
    behind="Trapped gas, too much support, weak drive, an insensitive trigger.",
    further="Support, expiratory time, PEEP, trigger.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every effort in expiration after which no inflation began while it lasted."""
    which = (seen.efforts["outcome"] == "ineffective").to_numpy() & ~seen.entrained
    bent = {at: deflections(seen, at) for at in np.flatnonzero(which).tolist()}
    return each(seen, which, KIND, RULE, lambda at: told(seen, at, bent[at]), bent.__getitem__)


def told(seen: Seen, at: int, bent: Values) -> str:
    """The evidence: the effort's size, and what published rules make of how it bends the traces."""
    return f"An effort of {peak(seen, at)} in expiration got no inflation.{signs(bent)}"
