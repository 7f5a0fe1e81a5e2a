"""The pressure account of one breath: where the airway pressure went, instant by instant."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from tidebench.efforts.edges import delayed
from tidebench.recording import Recording
from tidebench.records import PressureAccount

Columns = Mapping[str, npt.NDArray[Any]]

SMOOTH_S = 0.06
WIDER_S = 0.1  # than a delay between the channels


def nearest_passive(c: Columns, breath: int) -> int | None:
    """The passive breath nearest in order, whose mechanics stand in for those of a breath with effort."""
    passive = np.flatnonzero((c["passive"] == 1) & np.isfinite(c["elastance"]))
    return int(passive[np.argmin(np.abs(passive - breath))]) if len(passive) else None


def account_of(c: Columns, recording: Recording, breath: int) -> PressureAccount | None:
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
    pressure = recording["airway_pressure"][start:end]
    lost = c["offset"][breath] + c["leak"][breath] * np.maximum(pressure, 0) ** c["exponent"][breath]
    dt = 1 / recording.rate_hz
    begin, delay_s = max(0, start - round(WIDER_S / dt)), float(c["delay"][breath])
    around = delayed(recording["flow"][begin : end + round(WIDER_S / dt)], delay_s, dt)
    flow = around[start - begin : end - begin] - lost
    volume = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1])) * dt])
    elastic = c["elastance"][lender] * volume
    resistive = c["resistance"][lender] * flow + c["square"][lender] * flow * np.abs(flow)
    resistive += c["expiration"][lender] * np.minimum(flow, 0)
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
