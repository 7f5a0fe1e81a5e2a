"""What a good notebook does: find_peaks for breaths, a loop over them, least squares on each. The peer, kept simple."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.integrate import cumulative_trapezoid
from scipy.ndimage import uniform_filter1d
from scipy.signal import find_peaks

Samples = npt.NDArray[np.float64]


def breaths_and_mechanics(pressure: Samples, flow: Samples, rate_hz: float) -> list[tuple[int, float, float, float]]:
    """Start (sample), elastance, resistance and total PEEP of every breath by p = P0 + E·V + R·f."""
    smooth = uniform_filter1d(flow, max(1, round(0.05 * rate_hz)))
    rising = np.diff(smooth, prepend=smooth[0])
    peaks, _ = find_peaks(rising, height=0.25 * float(rising.max()), distance=round(0.8 * rate_hz))
    found = []
    for first, last in pairwise(peaks):
        p, f = pressure[first:last], flow[first:last]
        volume = cumulative_trapezoid(f, dx=1 / rate_hz, initial=0)
        volume -= np.linspace(0, volume[-1], len(volume))
        design = np.column_stack([volume, f, np.ones_like(f)])
        elastance, resistance, start = np.linalg.lstsq(design, p, rcond=None)[0]
        found.append((int(first), float(elastance), float(resistance), float(start)))
    return found
