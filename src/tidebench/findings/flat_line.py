"""Flat line: a channel holds one value while the other goes on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from tidebench.findings.about import About
from tidebench.findings.seen import Flags, Seen, Times
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "flat-line"
RULE = "one value while the other channel moves"
VERSION = 2

LEAST_S = 2.0
TIMES, LONG = 3.0, 0.9
"""A recorder with large digits holds values too: a flat line is three times as long as nine tenths of the time that the
channel otherwise stands still (this house's choice)."""
MOVES = 0.2  # of the other channel's range over the recording
CHANNELS = (("airway_pressure", "flow", "Airway pressure"), ("flow", "airway_pressure", "Flow"))
ABOUT = About(
    seen="A channel holds one value to the last digit for 2 s or longer, while the other one moves by a fifth of its "
    "range. Lungs that rest keep both still, and a "
    "recorder with large digits holds values often.",
    source="by mechanism: this house's",
    behind="A sensor or a line that is off, blocked or kinked; a recorder that repeats the last value.",
    further="Sensor, line and plug; nothing is to be read from the breaths meanwhile.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every stretch in which one channel stands still alone."""
    found = []
    for name, other, label in CHANNELS:
        for begins, ends in still(seen.recording[name], seen.recording[other], seen.recording.rate_hz):
            lasts = quantity("duration_s").text(ends - begins)
            found.append(
                Finding(
                    kind=KIND,
                    breath=None,
                    start_s=begins,
                    end_s=ends,
                    confidence=0.9,
                    evidence=f"{label} held one value for {lasts} while the other channel went on.",
                    rule=RULE,
                    rule_version=VERSION,
                    values=(("duration_s", ends - begins),),
                )
            )
    return found


def still(x: Times, other: Times, rate_hz: float) -> list[tuple[float, float]]:
    """Where ``x`` holds a value and ``other`` does not, s."""
    same: Flags = np.concatenate([[False], np.diff(x) == 0, [False]])
    edges = np.flatnonzero(np.diff(same.astype(np.int8)))
    stands = edges.reshape(-1, 2)
    lasts = np.diff(stands).ravel() + 1
    enough = MOVES * float(np.nanmax(other) - np.nanmin(other)) if np.isfinite(other).any() else np.inf
    if enough <= 0:
        return []
    long = np.flatnonzero(lasts >= LEAST_S * rate_hz)
    long = long[lasts[long] >= TIMES * usual_of_others(lasts, long)]
    alone = [k for k in long.tolist() if np.ptp(other[stands[k, 0] : stands[k, 1] + 1]) > enough]
    return [(float(begins) / rate_hz, float(last + 1) / rate_hz) for begins, last in stands[alone]]


def usual_of_others(lasts: npt.NDArray[np.int64], which: npt.NDArray[np.intp]) -> Times:
    """For each of ``which``: how long all others stand still at most for nine tenths of their time, samples."""
    if len(lasts) < 2:
        return np.zeros(len(which))
    ordered = np.sort(lasts)
    through = np.cumsum(ordered)
    own = lasts[which]
    most = LONG * (through[-1] - own)
    before = np.searchsorted(through, most)
    behind = np.searchsorted(through, most + own)
    usual: Times = ordered[np.where(before < np.searchsorted(ordered, own), before, behind)].astype(float)
    return usual
