"""Channels that stand still: a sensor that isn't connected, a wrong column, a frozen screen."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tidebench.errors import SignalError
from tidebench.quantities import QUANTITIES
from tidebench.readers.headers import Column, canonical_unit
from tidebench.units import factor

Samples = npt.NDArray[np.float64]

MOVING = ("airway_pressure", "flow")
"""The channels that breathing moves; any other may stand still."""
STILL_S = 20.0
"""From here on a stretch of one and the same value is told: no one who is ventilated rests so long, and an apnoea of
20 s is one by any definition (common practice, no source)."""

_STILL = {
    "flow": "nothing flows",
    "airway_pressure": "pressure never moves",
}


def refuse_still(key: str, samples: Samples, column: Column, source: str) -> None:
    """Refuse pressure or flow that never moves.

    Parameters
    ----------
    key : str
        One of :data:`MOVING`.
    samples : ndarray, shape (n,)
        Canonical unit; NaN in gaps.
    column : Column
        Where it came from.
    source : str
        File, for messages.

    Raises
    ------
    SignalError
        One and the same value from beginning to end.
    """
    if _moves(samples[:: max(1, len(samples) // 1000)]) or _moves(samples):
        return
    value = samples[np.isfinite(samples)]
    if len(value) > 1:
        raise SignalError(
            f"{_STILL[key]}: {QUANTITIES[key].label} is {_said(key, value[0])} from beginning to end",
            where=f"{source}, column {column.header!r}",
            expected="a channel that moves with breathing",
            remedy="Was the sensor connected, and is this the right column?",
        )


def still_stretches(key: str, samples: Samples, rate_hz: float) -> str:
    """A warning where a channel shows one and the same value for 20 s or more, with the time; else empty."""
    found = list(_still(samples, rate_hz))
    if not found:
        return ""
    start, stop = max(found, key=lambda run: run[1] - run[0])
    text = (
        f"{QUANTITIES[key].label} stands still at {_said(key, samples[start])} for {(stop - start) / rate_hz:.0f} s "
        f"from {start / rate_hz:.1f} s on"
    )
    total = sum(stop - start for start, stop in found) / rate_hz
    return text if len(found) == 1 else f"{text}, and in {len(found)} stretches for {total:.0f} s in all"


def _moves(samples: Samples) -> bool:
    some = samples[np.isfinite(samples)]
    return bool(len(some) and some.min() < some.max())


def _still(samples: Samples, rate_hz: float) -> Iterator[tuple[int, int]]:
    """Starts and stops of still stretches. One sample a second finds them, since it is one value there too."""
    stride = max(1, round(rate_hz))
    coarse = samples[::stride]
    edges = np.flatnonzero(np.diff(np.concatenate(([False], coarse[1:] == coarse[:-1], [False]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first < STILL_S - 2:
            continue
        begin = max(0, (first - 1) * stride)
        part = samples[begin : (last + 1) * stride]
        bounds = np.concatenate(([0], np.flatnonzero(part[1:] != part[:-1]) + 1, [len(part)]))
        for start, stop in pairwise(bounds):
            if stop - start >= STILL_S * rate_hz:
                yield begin + int(start), begin + int(stop)


def _said(key: str, value: float) -> str:
    record = QUANTITIES[key]
    return f"{value * factor(canonical_unit(key), record.unit):.4g} {record.unit}"
