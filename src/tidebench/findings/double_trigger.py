"""Double trigger: a further inflation triggered within the same effort, or one that a timed inflation called for.

Where muscle pressure is known, the effort decides. Where it isn't, two signs do, each under its author: Thille's
(Intensive Care Med 2006;32:1515), an expiration below half the mean inspiratory time after a cycle that the patient
triggered; and stacking, an expiration shorter than usual in which less than half of what went in came out (after
Beitler, Intensive Care Med 2016;42:1427, from memory, who asks for 2 mL/kg). What is stacked is told in every case.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.breaths import at_breath
from tidebench.findings.published import expiratory_share
from tidebench.findings.seen import Flags, Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "double-trigger"
RULE = "inflation triggered within an effort that has one"
VERSION = 2
ABOUT = About(
    seen="A further inflation is triggered within the same effort, or within one that a timed inflation "
    "called for. Where muscle pressure is not known: an expiration shorter than half the mean "
    "inspiratory time after a cycle of the patient's, or one in which less than half of the breath "
    "came out. The volume that both leave in the lung is told.",
    source="Thille, Intensive Care Med 2006;32:1515; stacking after Beitler, Intensive Care Med 2016;42:1427 "
    "(from memory)",
    behind="Neural inspiration longer than the inflation; high drive; entrained efforts. The two differ in remedy.",
    further="Inspiratory time, drive, sedation, volume per kg.",
)
SHORT = 0.5  # of the mean inspiratory time: Thille 2006
HALF = 0.5  # of the inhaled volume (this house's choice)
SURE, BY_RULE = 0.9, 0.75


def thille(seen: Seen) -> Flags:
    """Second cycles of Thille's double triggers, shape (n,)."""
    first = np.concatenate([[False], ~seen.by_time[:-1] & ~seen.free[:-1]]) if len(seen.start) else seen.by_time
    return np.asarray((expiratory_share(seen) < SHORT) & first & seen.by_patient & ~seen.free, bool)


def stacking(seen: Seen) -> Flags:
    """Triggered inflations that begin while most of the one before is still in the lung, shape (n,)."""
    if len(seen.start) < 2:
        return np.zeros(len(seen.start), bool)
    inhaled, exhaled = seen.breaths["vti_ml"].to_numpy(), seen.breaths["vte_ml"].to_numpy()
    pause = seen.start[1:] - seen.turn[:-1]
    kept = (exhaled[:-1] < HALF * inhaled[:-1]) & (pause < np.median(pause)) & ~seen.free[:-1]
    return np.concatenate([[False], kept]) & seen.by_patient & ~seen.free


def find(seen: Seen) -> Sequence[Finding]:
    """Every second inflation of a double trigger, with the volume that both leave in the lung."""
    by_rule = thille(seen) | stacking(seen)
    before = np.concatenate([[False], seen.told[:-1]]) if len(seen.told) else seen.told
    which = np.where(seen.told & before, seen.double, by_rule)
    inhaled, exhaled = seen.breaths["vti_ml"].to_numpy(), seen.breaths["vte_ml"].to_numpy()
    share, found = expiratory_share(seen), []
    for at in np.flatnonzero(which & (np.arange(len(which)) > 0)).tolist():
        stacked = float(inhaled[at - 1]) - float(exhaled[at - 1]) + float(inhaled[at])
        pause = float(seen.start[at] - seen.turn[at - 1])
        words = (
            f"Triggered {pause:.2f} s after the inflation before it ended; together they put "
            f"{quantity('vti_ml').text(stacked)} above where the first began."
        )
        values = (("stacked_volume_ml", stacked), ("expiratory_time_share", float(share[at])))
        sure = SURE if seen.double[at] else BY_RULE
        found.append(at_breath(KIND, (RULE, VERSION), seen, at, sure, words, *values))
    return found
