"""Carbon dioxide that nobody lives with: where a prediction leaves it, ends of intervals are not told."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from tidebench.fitting.records import Samples
from tidebench.quantities import quantity

PACO2 = "paco2_mmhg"
FOLLOWING = ("ph", "pao2_mmhg", "sao2")
"""What falls as carbon dioxide rises."""
Ends = tuple[float, float, float]


def unlived(side: Mapping[str, Samples]) -> tuple[str, ...]:
    """In words, that carbon dioxide goes past what anybody lives with: it is told as over, or under, that."""
    draws = side.get(PACO2, np.empty(0))
    low, high = quantity(PACO2).plausible
    share = float(np.mean((draws <= low) | (draws >= high))) if len(draws) else 0.0
    if not share:
        return ()
    return (
        f"PaCO2 would leave {low:g} to {high:g} mmHg, beyond which nobody lives, in {100 * share:.0f} % of drawn "
        "patients; an end that lies there is no number, and neither are the ends of pH and oxygen that go with it",
    )


def one_sided(key: str, told: Ends, paco2: Ends) -> Ends:
    """Estimate, low and high of a quantity beside those of PaCO2 of the same draws, which stop where nobody lives.

    An end of PaCO2 that stops is infinite: the interval is "over" or "under" the other. The end of pH, of PaO2 and of
    saturation that goes with it is NaN; so is all of them where the estimate stops.
    """
    low, high = quantity(PACO2).plausible
    ends = [np.inf if end >= high else -np.inf if end <= low else end for end in paco2]
    if key == PACO2:
        return ends[0], ends[1], ends[2]
    if key not in FOLLOWING:
        return told
    if np.isinf(ends[0]):
        return np.nan, np.nan, np.nan
    return told[0], np.nan if np.isinf(ends[2]) else told[1], np.nan if np.isinf(ends[1]) else told[2]
