"""A day of breathing at 100 Hz: an invented patient whose lung drifts, who breathes in spells, on volume control.

Not one stretch repeated: compliance, resistance, volume and rate drift over hours, PEEP is changed four times, and
effort comes and goes, so that no two breaths are the same.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]

RATE_HZ = 100
SUBSTEPS = 5


@kernel
def _ventilate(seconds: float, noise: Samples, chance: Samples) -> tuple[Samples, Samples]:
    """Pressure (cmH2O) and flow (L/s), noisy; ``noise`` (2, n) is normal, ``chance`` (n,) uniform."""
    n = int(seconds * RATE_HZ)
    pressure, flow = np.empty(n), np.empty(n)
    h = 1.0 / (RATE_HZ * SUBSTEPS)
    volume, since, period, amount = 0.4, 10.0, 3.0, 0.45
    next_effort, onset = 1e9, -10.0
    for i in range(n):
        hour = i / RATE_HZ / 3600
        compliance = 0.042 + 0.006 * np.sin(hour / 3) + 0.002 * np.sin(hour * 5)
        resistance = 11 + 2 * np.sin(hour / 2 + 1)
        peep = 8.0 + 2.0 * (hour > 5) + 2.0 * (hour > 11) - 2.0 * (hour > 17) - 2.0 * (hour > 22)
        awake = hour % 6 > 5
        for _ in range(SUBSTEPS):
            since += h
            time = i / RATE_HZ
            if awake and time > next_effort:
                onset, next_effort = time, time + 2.6 + 1.2 * chance[i]
            if not awake:
                next_effort = time + 1.0
            muscle = 6 * np.sin(np.pi * (time - onset) / 0.9) if time - onset < 0.9 else 0.0
            driven = (peep + muscle - volume / compliance) / resistance
            if since > period or (since > 1.4 and driven > 0.06):
                since, amount = 0.0, 0.45 + 0.03 * (chance[i] - 0.5)
                period = 3.0 + 0.3 * np.sin(hour)
            if since < 0.9:
                f, p = amount / 0.9, volume / compliance + resistance * amount / 0.9 - muscle
            elif since < 1.1:
                f, p = 0.0, volume / compliance - muscle
            else:
                f, p = driven, peep - 2.0 * min(driven, 0.0)
                f = (p + muscle - volume / compliance) / resistance if f > 0 else f / (1 + 2.0 / resistance)
                p = peep - 2.0 * f if f < 0 else peep
            volume += f * h
        pressure[i] = p + 0.06 * noise[0, i]
        flow[i] = f + 0.004 * noise[1, i]
    return pressure, flow


def day(hours: float, seed: int = 5) -> tuple[Samples, Samples]:
    """Pressure (cmH2O) and flow (L/s) of that many hours."""
    draw, n = np.random.default_rng(seed), int(hours * 3600 * RATE_HZ)
    pressure, flow = _ventilate(hours * 3600, draw.standard_normal((2, n)), draw.random(n))
    return np.asarray(pressure), np.asarray(flow)
