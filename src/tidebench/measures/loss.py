"""A breath as its lung saw it: delay, offset and leak taken off, as the review took them off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from tidebench.efforts.edges import delayed
from tidebench.formulas.tube import TubeLaw, nearest_pressure_drop
from tidebench.recording import Recording

Columns = Mapping[str, npt.NDArray[Any]]
Samples = npt.NDArray[np.float64]

WIDER_S = 0.1  # than a delay between the channels


class Kept(NamedTuple):
    """Airway pressure as recorded (cmH2O), flow (L/s) and volume (L) that the lung kept, shape (n,) each.

    ``tube`` is what the tube takes because leaked gas has passed it too, cmH2O: zero unless the leak is beyond it.
    """

    pressure: Samples
    flow: Samples
    volume: Samples
    tube: Samples


def kept(c: Columns, recording: Recording, breath: int, law: TubeLaw | None) -> Kept:
    """One breath of a review, from its columns; ``law`` is the tube's, where one is known."""
    dt = 1 / recording.rate_hz
    start, end = int(c["start"][breath]), int(c["end"][breath])
    pressure = np.asarray(recording["airway_pressure"][start:end], np.float64)
    begin = max(0, start - round(WIDER_S / dt))
    around = delayed(recording["flow"][begin : end + round(WIDER_S / dt)], float(c["delay"][breath]), dt)
    through = np.asarray(around[start - begin : end - begin] - c["offset"][breath], np.float64)
    taken = np.zeros(len(through))
    if law is not None and c["beyond_tube"][breath]:
        taken = np.asarray(nearest_pressure_drop(through, law), np.float64)
    flow = through - c["leak"][breath] * np.maximum(pressure - taken, 0) ** c["exponent"][breath]
    volume = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1])) * dt])
    if law is not None and c["beyond_tube"][breath]:
        taken -= nearest_pressure_drop(flow, law)
    return Kept(pressure, flow, volume, taken)
