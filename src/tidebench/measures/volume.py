"""Volume along a whole record: flow added up breath by breath, offset and leak taken off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from tidebench.efforts.edges import delayed
from tidebench.recording import Recording

Columns = Mapping[str, npt.NDArray[Any]]

WIDER_S = 0.1  # than a delay between the channels


def volume_along(c: Columns, recording: Recording) -> npt.NDArray[np.float64]:
    """Volume above the start of each breath, L, shape (n,); NaN between breaths and in gaps.

    By the trapezoid rule on flow less its offset and the leak at each instant, as in the pressure account of a breath
    (:func:`tidebench.measures.account.account_of`), which this equals on every breath.
    """
    volume = np.full(len(recording), np.nan)
    pressure, flow, dt = recording["airway_pressure"], recording["flow"], 1 / recording.rate_hz
    for i in range(len(c["start"]) if c else 0):
        start, end = int(c["start"][i]), int(c["end"][i])
        begin = max(0, start - round(WIDER_S / dt))
        around = delayed(flow[begin : end + round(WIDER_S / dt)], float(c["delay"][i]), dt)
        lost = c["offset"][i] + c["leak"][i] * np.maximum(pressure[start:end], 0) ** c["exponent"][i]
        net = around[start - begin : end - begin] - lost
        volume[start:end] = np.concatenate([[0.0], np.cumsum(0.5 * (net[1:] + net[:-1])) * dt])
    return volume
