"""Cough: gas is driven out faster than a lung that only empties lets it go."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.breaths import at_breath
from tidebench.findings.grades import graded
from tidebench.findings.seen import Seen
from tidebench.inflations.pushes import RENEWED, find_pushes
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "cough"
RULE = "expiratory flow renewed, or beyond a full lung's"
VERSION = 2

LEAVES = 0.1  # of the usual flow: where less leaves by the gauge, what is a push is not known
MUCH = 3.0  # times the usual peak beyond the least, from which on more says no more

ABOUT = About(
    seen="Peak expiratory flow is more than 2.5 times the usual; or flow has had its peak, has died away below 0.4 of "
    "the usual one, and rises anew beyond 1.4 times that.",
    source="by mechanism: this house's, limits set on recordings and virtual patients without coughs. Airways that "
    "collapse let a cough move little gas: such are missed",
    behind="A cough, a strain, a hiccup's end; somebody who presses on the chest.",
    further="Secretions, the tube's place, depth of sedation.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every breath with a push in its expiration."""
    rate, flow = seen.recording.rate_hz, seen.recording["flow"]
    turn, end = (np.round(np.nan_to_num(rate * times)).astype(np.int64) for times in (seen.turn, seen.end))
    at, usual = find_pushes(flow, rate, turn, end)
    of = quantity("peak_expiratory_flow_l_min")
    found = []
    drive = seen.known.column("drive")
    leaves = usual > (LEAVES * np.median(drive) if len(drive) else 0.0)
    for k in np.flatnonzero((at >= 0) & leaves).tolist():
        out = -60 * float(flow[at[k]])
        most = 60 * float(usual[k])
        words = f"Gas is driven out at {of.text(out)}; the usual peak is {of.text(most)}."
        sure = graded(out / most - RENEWED, MUCH)
        found.append(at_breath(KIND, (RULE, VERSION), seen, k, sure, words, (of.key, out)))
    return found
