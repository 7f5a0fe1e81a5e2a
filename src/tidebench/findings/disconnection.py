"""Disconnection: the airway loses its pressure."""

from __future__ import annotations

from collections.abc import Sequence

from tidebench.findings.about import PRACTICE, About
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen
from tidebench.inflations.lost import LEAST_S, lost_pressure
from tidebench.measures.plans import peep_set
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "disconnection"
RULE = "pressure of the room under PEEP"
VERSION = 4

MUCH_S = 5.0  # beyond the least, from which on more says no more

ABOUT = About(
    seen="For 1.5 s or longer airway pressure is that of the room, within 2 cmH2O, while before and after 4 cmH2O or "
    "more are kept. What flows meanwhile is no breath. Where no PEEP was set, or it isn't known and more than 30 s "
    "pass, gas that goes in and out is breathing without pressure, as in a breathing trial, and no disconnection.",
    source=PRACTICE,
    behind="Disconnection, suction with an open circuit, a change of tubing.",
    further="The patient and the joints; what the log says of that moment; PEEP and volume after it.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every stretch of lost pressure."""
    rate = seen.recording.rate_hz
    asked = peep_set(seen.known.settings, rate)
    first, last = lost_pressure(seen.recording["airway_pressure"], seen.recording["flow"], rate, asked)
    return [
        Finding(
            kind=KIND,
            breath=None,
            start_s=float(a),
            end_s=float(b),
            confidence=graded(float(b - a) - LEAST_S, MUCH_S),
            evidence=f"Airway pressure was next to nothing for {quantity('duration_s').text(b - a)}.",
            rule=RULE,
            rule_version=VERSION,
            values=(("duration_s", float(b - a)),),
        )
        for a, b in zip(first / rate, last / rate, strict=True)
    ]
