"""The pressure account of one breath: where the airway pressure went, instant by instant."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.formulas.tube import TubeLaw
from tidebench.measures.loss import Columns, kept
from tidebench.recording import Recording
from tidebench.records import PressureAccount

SMOOTH_S = 0.06


def nearest_passive(c: Columns, breath: int) -> int | None:
    """The passive breath nearest in order, whose mechanics stand in for those of a breath with effort."""
    passive = np.flatnonzero((c["passive"] == 1) & np.isfinite(c["elastance"]))
    return int(passive[np.argmin(np.abs(passive - breath))]) if len(passive) else None


def account_of(c: Columns, recording: Recording, breath: int, law: TubeLaw | None) -> PressureAccount | None:
    """The account of a breath, or None where there is no such breath or no mechanics for it."""
    if not c or not 0 <= breath < len(c["start"]):
        return None
    own = bool(c["passive"][breath] == 1)
    lent = not (own and np.isfinite(c["elastance"][breath]))
    lender = nearest_passive(c, breath) if lent else breath
    origin = float(c["total_peep"][breath])
    if lender is None or not np.isfinite(origin):
        return None
    start, turn, end = (int(c[name][breath]) for name in ("start", "turn", "end"))
    pressure, flow, volume, tube = kept(c, recording, breath, law)
    dt = 1 / recording.rate_hz
    elastic = c["elastance"][lender] * volume
    resistive = c["resistance"][lender] * flow + c["square"][lender] * flow * np.abs(flow)
    resistive += c["expiration"][lender] * np.minimum(flow, 0) + tube
    left = origin + elastic + resistive - pressure
    muscle = np.zeros(len(left)) if own else smoothed(left, max(1, round(SMOOTH_S * recording.rate_hz)))
    return PressureAccount(
        breath=breath,
        time_s=np.arange(start, end, dtype=np.float64) * dt,
        airway_pressure=pressure,
        flow=flow,
        volume=volume,
        start=origin,
        elastic=elastic,
        resistive=resistive,
        muscle=muscle,
        residual=pressure - origin - elastic - resistive + muscle,
        expiration_s=turn * dt,
        mechanics_from="passive breaths of this recording" if lent else "this breath",
    )


def smoothed(x: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    """Moving median, then mean: single edges gone, shape kept; never below zero."""
    from scipy.ndimage import median_filter, uniform_filter1d

    median = median_filter(x, 2 * width + 1, mode="nearest")
    return np.maximum(np.asarray(uniform_filter1d(median, width, mode="nearest"), np.float64), 0.0)
