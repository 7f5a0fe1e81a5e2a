"""Recorded breaths as the fit takes them: pressure, and flow and volume with losses and delay taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.measures.loss import kept
from tidebench.review import Review, law_of_leak

Samples = npt.NDArray[np.float64]

EDGE_S = 0.04  # about start and turn, where valves move faster than sensors follow


@dataclass(frozen=True)
class Wave:
    """One breath: pressure (cmH2O), flow (L/s) and volume (L), shape (n,); where it turns, and which samples count."""

    breath: int
    dt: float
    pressure: Samples
    flow: Samples
    volume: Samples
    turn: int
    clear: npt.NDArray[np.bool_]


def wave(review: Review, breath: int) -> Wave:
    """A breath of a review, corrected as the review corrected it."""
    c, recording = review.mechanics, review.recording
    start, turn, end = (int(c[name][breath]) for name in ("start", "turn", "end"))
    end = min(end, int(c["occluded"][breath]))
    dt = 1.0 / float(recording.rate_hz)
    whole = kept(c, recording, breath, law_of_leak(review.case))
    pressure = (whole.pressure - whole.tube)[: end - start]
    flow, volume = whole.flow[: end - start], whole.volume[: end - start]
    clear = np.isfinite(pressure) & np.isfinite(flow)
    edge = max(1, round(EDGE_S / dt))
    for at in (0, turn - start):
        clear[max(0, at - edge) : at + edge + 1] = False
    return Wave(breath, dt, pressure, flow, volume, turn - start, clear)
