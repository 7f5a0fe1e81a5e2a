"""Channel delay: flow and pressure are not recorded at the same time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen
from tidebench.findings.whole import of_breaths
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "channel-delay"
RULE = "shift with which edges fit best"
VERSION = 2

LEAST_S, MUCH_S = 0.01, 0.02  # and the margin from which on more says no more

ABOUT = About(
    seen="At the edges of inflations flow follows pressure, or goes before it, by 10 ms or more: shifting it halves "
    "what one resistance leaves of them. It is taken off.",
    source="by mechanism: this house's; the limit was set on virtual patients, of whom 437 in 440 came out within 5 ms",
    behind="Filters or clocks of two sensors that differ, long tubing to the pressure gauge.",
    further="How the recording was made; resistance and small efforts are what a delay hurts most.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """One finding over all breaths, where the channels are apart."""
    delay = seen.known.column("delay")
    late_s = -float(np.median(delay)) if len(delay) else 0.0
    if late_s == 0.0:
        return []
    of = quantity("channel_delay_s")
    words = f"Flow is recorded {of.text(abs(late_s))} {'after' if late_s > 0 else 'before'} pressure."
    return [of_breaths(KIND, (RULE, VERSION), seen, graded(abs(late_s) - LEAST_S, MUCH_S), words, (of.key, late_s))]
