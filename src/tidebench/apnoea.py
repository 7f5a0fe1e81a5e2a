"""Pauses in which no breath began: apnoea, whatever each breath beside it shows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.records import Hold

APART_S = 1.0
"""Breaths that begin later than this after the one before has ended are not joined to it: there the record is lost."""
LONG_S = 20.0
"""A pause of so long counts as apnoea: the usual definition in newborns and of many alarms (common practice)."""


def long_pauses(breaths: pl.DataFrame, holds: Sequence[Hold] = ()) -> npt.NDArray[np.float64]:
    """Begin and end of pauses of :data:`LONG_S` and more from the turn of a breath to the next, shape (n, 2).

    A stretch that the record has lost is none, nor one in which flow was held back by hand.
    """
    start, turn, end = (breaths[name].to_numpy() for name in ("start_s", "expiration_s", "end_s"))
    found = np.column_stack([turn[:-1], start[1:]]).astype(float)
    long = (start[1:] - end[:-1] <= APART_S) & (found[:, 1] - found[:, 0] >= LONG_S)
    for hold in holds:
        long &= (hold.at_s <= found[:, 0]) | (hold.at_s - hold.duration_s >= found[:, 1])
    return np.asarray(found[long], float)
