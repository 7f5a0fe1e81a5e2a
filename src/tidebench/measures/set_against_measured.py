"""Settings held against what is measured: a set PEEP that the airway never shows, a mode that the signals deny."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.inflations.delivery import PRESSURE, TARGETED, VOLUME
from tidebench.measures.stretch import FEWEST_BREATHS

Samples = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]

PEEP_TOLERANCE = (2.0, 0.04)
"""cmH2O, and share of the set value: what ISO 80601-2-12 allows a ventilator's indication of pressure."""


def peep_departs(set_peep: Samples, peep: Samples) -> dict[float, float]:
    """Set PEEP to measured PEEP (median, cmH2O), for each set value from which the measured one departs.

    Parameters
    ----------
    set_peep, peep : ndarray, shape (n,)
        Of each breath, cmH2O; NaN where nothing is set or known.
    """
    fixed, share = PEEP_TOLERANCE
    found = {}
    for value in np.unique(set_peep[np.isfinite(set_peep)]).tolist():
        measured = peep[(set_peep == value) & np.isfinite(peep)]
        if len(measured) >= FEWEST_BREATHS and abs(np.median(measured) - value) > fixed + share * value:
            found[value] = float(np.median(measured))
    return found


def mode_departs(set_delivery: Codes, delivery: Codes) -> dict[tuple[int, int], int]:
    """Number of breaths by set and seen kind of mandatory inflation, where the signals were followed, not the case."""
    found = {}
    for kind, seen in ((VOLUME, PRESSURE), (PRESSURE, VOLUME), (TARGETED, VOLUME)):
        if count := int(((set_delivery == kind) & (delivery == seen)).sum()):
            found[kind, seen] = count
    return found
