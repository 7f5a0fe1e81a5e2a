"""Displays that wrap round: where the erase bar stands, and the curve laid out in the order in which it was drawn.

::

    on the display     new |bar| old          seconds from the left edge, 0 to S
    in time            old - S, then new      without a break, since what leaves on the right comes in on the left
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Pixels = npt.NDArray[np.float64]

NARROWEST, WIDEST = 0.006, 0.3
"""Shares of a display's width that an erase bar may have."""
_PLACES = 2000


def find_bar(curves: Sequence[tuple[Pixels, Pixels]]) -> tuple[float, float] | None:
    """Where the bar begins and ends, as shares of the width, the end beyond 1 where it wraps; None where there is none.

    Parameters
    ----------
    curves : sequence of (share across, row)
        Of each panel; NaN rows where the curve is not seen. A place where one panel lacks its curve counts as empty.
    """
    places = (np.arange(_PLACES) + 0.5) / _PLACES
    empty = np.zeros(_PLACES, dtype=bool)
    for across, row in curves:
        nearest = np.clip(np.searchsorted(across, places), 0, len(across) - 1)
        empty |= np.isnan(row[nearest])
    twice = np.concatenate([[False], empty, empty, [False]])
    edges = np.flatnonzero(np.diff(twice))
    starts, ends = edges[::2], edges[1::2]
    if not len(starts):
        return None
    longest = int((ends - starts).argmax())
    width = (ends[longest] - starts[longest]) / _PLACES
    if not NARROWEST <= width <= WIDEST:
        return None
    first = (starts[longest] % _PLACES) / _PLACES
    return float(first), float(first + width)


def unrolled(across: Pixels, bar: tuple[float, float]) -> tuple[npt.NDArray[np.intp], Pixels]:
    """Order in which the places of a display were drawn, and their time in sweeps: 0 at the left edge of the new part.

    Places under the bar are left out.
    """
    first, last = bar
    new = across < first if last <= 1 else (across < first) & (across > last - 1)
    old = across > last if last <= 1 else np.zeros(len(across), dtype=bool)
    order = np.concatenate([np.flatnonzero(old), np.flatnonzero(new)])
    return order, np.where(old, across - 1, across)[order]
