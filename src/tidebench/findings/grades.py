"""How sure a rule is before calibration: the further beyond its limit, and the more breaths show it, the surer.

A grade is no share of anything; :mod:`tidebench.findings.calibration` makes one of it.
"""

from __future__ import annotations

from math import isnan

LOWEST, BY_MARGIN, BY_BREATHS = 0.5, 0.3, 0.15
FEW, MANY = 5, 25  # breaths between which a run adds to the grade


def graded(margin: float, whole: float, breaths: int | None = None) -> float:
    """A grade from 0.5 to 0.95.

    Parameters
    ----------
    margin : float
        How far beyond its limit a value lies, in its unit; NaN counts as at it.
    whole : float
        The margin from which on more makes no rule surer.
    breaths : int or None
        How many breaths in a row show it; None where one value says all, which then counts for both.
    """
    share = 0.0 if isnan(margin) else min(1.0, max(0.0, margin / whole))
    long = share if breaths is None else min(1.0, max(0.0, (breaths - FEW) / (MANY - FEW)))
    return LOWEST + BY_MARGIN * share + BY_BREATHS * long
