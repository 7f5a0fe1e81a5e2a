"""By how much carbon dioxide is recorded after flow.

Gas has to come to its sensor, and the sensor takes time. Fresh gas takes carbon dioxide away at once when an
inspiration begins, so the delay is read there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.quantities import quantity

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LEAST_MMHG = 5.0
"""Less at the end of expiration is no capnogram."""
LATEST_S, EARLIEST_S = 1.0, -0.2
"""Delays of carbon dioxide behind flow that are taken off; beyond, the sensor's own slowness spoils the curve."""
STEADY_S = 0.1
"""By which delays may differ between breaths, as quartiles."""
SLOWEST_S = 0.15
"""For the fall from four fifths to a fifth: slower, the rise of the curve is the sensor's and not the airways'."""
MOST_LOOKED_AT = 400
FEWEST = 3
"""All of these: this house's choice."""

NO_EDGE = "carbon dioxide does not fall when inspirations begin, so how late it is can't be told"
TOO_LATE = "carbon dioxide is recorded {} after flow: too far for its curve to be kept"
SLOW = "carbon dioxide takes {} to fall as inspirations begin: its sensor is too slow for the curve"
UNSTEADY = "carbon dioxide follows flow after {} to {}: too unsteady for its curve to be kept"


def delay_s(flow: Samples, co2: Samples, start: Indices, end: Indices, rate: float) -> tuple[float | None, str]:
    """The delay [s], 0 below a sample; and why the curve can't be kept, empty where it can."""
    lags, falls = edges_s(flow, co2, start, end, rate)
    if len(lags) < FEWEST:
        return None, NO_EDGE
    low, delay, high = (float(x) for x in np.percentile(lags, (25, 50, 75)))
    text, fall = quantity("co2_delay_s").text, float(np.median(falls))
    if high - low > STEADY_S:
        return delay, UNSTEADY.format(text(low), text(high))
    if fall > SLOWEST_S:
        return delay, SLOW.format(text(fall))
    if not EARLIEST_S <= delay <= LATEST_S:
        return delay, TOO_LATE.format(text(delay))
    return (0.0 if abs(delay) < 1.0 / rate else delay), ""


def earlier(values: Samples, samples: float) -> Samples:
    """A channel as it would be without a delay, by straight lines between samples; the end repeats its last."""
    if samples == 0.0:
        return values
    at = np.arange(len(values), dtype=np.float64)
    return np.interp(at + samples, at, values)


def edges_s(flow: Samples, co2: Samples, start: Indices, end: Indices, rate: float) -> Samples:
    """Of breaths that tell: by how much carbon dioxide falls later than inspiration begins, and how long the fall is.

    From where flow turns inward to where PCO2 falls below half of what it was before; and from four fifths to a fifth
    of it. Seconds, shape (2, breaths that tell).
    """
    every = max(1, len(start) // MOST_LOOKED_AT)
    found = (_edge(flow, co2, int(start[k]), int(end[k]), rate) for k in range(1, len(start), every))
    return np.array([edge for edge in found if edge is not None]).reshape(-1, 2).T


def _edge(flow: Samples, co2: Samples, start: int, end: int, rate: float) -> tuple[float, float] | None:
    reach = round(-EARLIEST_S * rate)
    begin = max(0, start - reach)
    inward = np.flatnonzero(flow[begin:end] > 0.1 * np.max(flow[start:end], initial=0.0))
    before = co2[max(0, start - 3 * reach) : begin]
    level = float(np.median(before)) if len(before) else np.nan
    if not len(inward) or not level > LEAST_MMHG:
        return None
    high, half, low = (_below(co2, begin, end, share * level) for share in (0.8, 0.5, 0.2))
    if high is None or half is None or low is None:
        return None
    return (half - (begin + inward[0] - 0.5)) / rate, (low - high) / rate


def _below(co2: Samples, first: int, last: int, level: float) -> float | None:
    """Where PCO2 first falls below a level, between samples; None where it doesn't."""
    fallen = np.flatnonzero((co2[first + 1 : last] < level) & (co2[first : last - 1] >= level))
    if not len(fallen):
        return None
    i = first + int(fallen[0])
    return float(i + (co2[i] - level) / (co2[i] - co2[i + 1]))
