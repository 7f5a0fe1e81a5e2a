"""Volume along a whole record: flow added up breath by breath, offset and leak taken off."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.formulas.tube import TubeLaw
from tidebench.measures.loss import Columns, kept
from tidebench.recording import Recording


def volume_along(c: Columns, recording: Recording, law: TubeLaw | None) -> npt.NDArray[np.float64]:
    """Volume above the start of each breath, L, shape (n,); NaN between breaths and in gaps.

    By the trapezoid rule on flow less its offset and the leak at each instant, as in the pressure account of a breath
    (:func:`tidebench.measures.account.account_of`), which this equals on every breath.
    """
    volume = np.full(len(recording), np.nan)
    for i in range(len(c["start"]) if c else 0):
        volume[int(c["start"][i]) : int(c["end"][i])] = kept(c, recording, i, law).volume
    return volume
