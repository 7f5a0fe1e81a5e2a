"""Clipped signal: a sensor stood at the end of its range."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.seen import Seen
from tidebench.measures.saturation import saturated
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "clipped-signal"
RULE = "samples at one extreme value"
VERSION = 1

CHANNELS = (("airway_pressure", "Airway pressure"), ("flow", "Flow"))
ABOUT = About(
    seen="A noisy channel holds its highest or lowest value for several samples, again and again. The "
    "signal went on, the sensor did not.",
    source="by mechanism: this house's",
    behind="Range of the sensor or of the recorder.",
    further="The range; numbers of those breaths with care.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """One finding for each channel that stood at the end of its range, from the first such sample to the last."""
    found = []
    for name, label in CHANNELS:
        at = np.flatnonzero(saturated(seen.recording[name])) / seen.recording.rate_hz
        if len(at):
            lasts = len(at) / seen.recording.rate_hz
            found.append(
                Finding(
                    kind=KIND,
                    breath=None,
                    start_s=float(at[0]),
                    end_s=float(at[-1]),
                    confidence=0.9,
                    evidence=f"{label} stood at the end of its range for {quantity('duration_s').text(lasts)} in all.",
                    rule=RULE,
                    rule_version=VERSION,
                    values=(("duration_s", lasts),),
                )
            )
    return found
