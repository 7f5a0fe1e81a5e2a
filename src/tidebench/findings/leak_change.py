"""Change of leak: what does not come back differs suddenly from what did not before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from tidebench.findings.about import PRACTICE, About
from tidebench.findings.breaths import at_breath
from tidebench.findings.mechanics_change import middle_of_highest
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "leak-change"
RULE = "ten breaths against the ten before"
VERSION = 1

BREATHS = 10
STEP, GAIN = 0.2, 0.08
"""Of the inhaled volume: a change that is told; and a gain, which no leak makes: then gas was stored or let go."""
ABOUT = About(
    seen="20 % more, or less, of the inhaled volume is lost over 10 breaths than over the 10 before; none is gained.",
    source=f"{PRACTICE}; limits set on recordings and virtual patients without such a change",
    behind="A cuff that moved or burst, a mask that slipped, a joint, a drain that was opened; or one that was mended.",
    further="Tube and cuff, mask, joints; the triggers meanwhile.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every place at which the leak changes, where it differs most from before."""
    inhaled, exhaled = (pl.Series(seen.known.column(key)) for key in ("vti_measured", "vte_measured"))
    if len(inhaled) < 2 * BREATHS:
        return []
    lost = 1.0 - exhaled.rolling_sum(BREATHS) / inhaled.rolling_sum(BREATHS)
    before, after = lost.shift(1).to_numpy(), lost.shift(1 - BREATHS).to_numpy()
    gained = np.fmin(before, after) < -GAIN
    size = np.where(gained, 0.0, np.nan_to_num(np.abs(after - before)))
    of, found = quantity("leak_fraction"), []
    while np.max(size, initial=0.0) >= STEP:
        k = middle_of_highest(size)
        words = (
            f"Over {BREATHS} breaths {of.text(after[k])} of the inhaled volume is lost, {of.text(before[k])} before."
        )
        found.append(at_breath(KIND, (RULE, VERSION), seen, k, 0.8, words, (of.key, float(after[k]))))
        size[max(0, k - BREATHS) : k + BREATHS + 1] = 0.0
    return found
