"""Change of leak: what does not come back differs suddenly from what did not before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from tidebench.findings.about import PRACTICE, About
from tidebench.findings.breaths import at_breath
from tidebench.findings.grades import graded
from tidebench.findings.mechanics_change import middle_of_highest
from tidebench.findings.seen import Seen, Times
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "leak-change"
RULE = "ten breaths against the ten before"
VERSION = 2

BREATHS = 10
STEP, MUCH, GAIN = 0.2, 0.3, 0.08
"""Of the inhaled volume: a change that is told; the margin from which on more says no more; and a gain, which no leak
makes: then gas was stored or let go."""
ABOUT = About(
    seen="20 % more, or less, of the inhaled volume is lost over 10 breaths than over the 10 before, and in the median "
    "of them; none is gained.",
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
    before, after = sides(lost)
    gained = np.fmin(before, after) < -GAIN
    usual_before, usual_after = sides((1.0 - exhaled / inhaled).rolling_median(BREATHS))
    step, usual = after - before, usual_after - usual_before
    agreed = np.where(step * usual > 0, np.minimum(np.abs(step), np.abs(usual)), 0.0)
    size = np.where(gained, 0.0, np.nan_to_num(agreed))
    of, found = quantity("leak_fraction"), []
    while np.max(size, initial=0.0) >= STEP:
        k = middle_of_highest(size)
        sure = graded(float(size[k]) - STEP, MUCH)
        words = (
            f"Over {BREATHS} breaths {of.text(after[k])} of the inhaled volume is lost, {of.text(before[k])} before."
        )
        found.append(at_breath(KIND, (RULE, VERSION), seen, k, sure, words, (of.key, float(after[k]))))
        size[max(0, k - BREATHS) : k + BREATHS + 1] = 0.0
    return found


def sides(rolled: pl.Series) -> tuple[Times, Times]:
    """What was rolled over the breaths before each, and from each on."""
    return rolled.shift(1).to_numpy(), rolled.shift(1 - BREATHS).to_numpy()
