"""The heartbeat in airway pressure and flow: is there one, and where in its cycle is each sample.

The beating heart is a periodic pressure in the chest, up to 2 cmH2O at the airway. Left in, it passes for effort and
biases compliance; it can even trigger the ventilator. It is sought in what the equation of motion leaves over.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

SLOWEST_HZ, FASTEST_HZ = 0.6, 4.0
BAND_HZ = 0.15  # the rate wanders with breathing by about this much
PROMINENCE = 6.0  # power in the band against the median band
LOCKED_HZ = 0.02  # closer to a multiple of the breathing rate than this, power is the breath's own
SPECTRUM_HZ = 20.0  # five times the fastest heart
RESOLUTION = 2.0  # spectral lines are this many bins wide
PHASE_MEMORY_S, STARTS_MEMORY_S = 1.0, 4.0
LEAST_STARTS, MOST_APART, WITHIN_S = 12, 12, 8.0
LEAST_TRIGGERING_HZ, RATE_STEP_HZ = 0.8, 0.005  # a slower heart beats hardly faster than breaths come
TOGETHER = 0.4  # mean cosine: 0.1 by chance among some dozen starts, 0.5 where seven in ten keep the beat
LEAST_BEATS = 1.6  # two, less what an early one takes
MERELY_REGULAR = 0.2  # mean resultant of intervals around one mean with their spread


@kernel
def leftover(
    p: Samples, f: Samples, turn: Indices, end: Indices, dt: float, theta: Samples, clear: int, longest: int
) -> Samples:
    """What E·V + R·f + K·f|f| leaves of the pressure in expirations, straight line taken off; 0 elsewhere; (n,)."""
    out = np.zeros(len(p))
    for j in range(len(turn)):
        first = turn[j] + clear
        n = min(end[j], turn[j] + longest) - clear - first
        if n < 2 * clear:
            continue
        volume = 0.0
        mean = 0.0
        slope = 0.0
        centre = 0.5 * (n - 1)
        for i in range(n):
            flow = f[first + i]
            volume += flow * dt
            left = p[first + i] - theta[0] * volume - theta[1] * flow - theta[2] * flow * abs(flow)
            out[first + i] = left
            mean += left / n
            slope += (i - centre) * left
        slope /= n * (n * n - 1) / 12.0
        for i in range(n):
            out[first + i] -= mean + slope * (i - centre)
    return out


def find_rate(residual: Samples, rate_hz: float, breaths_per_s: float) -> float | None:
    """Heart rate in Hz from the spectrum of the leftover pressure, or None where nothing stands out."""
    thin = max(1, int(rate_hz / SPECTRUM_HZ))
    residual, rate_hz = residual[: len(residual) // thin * thin].reshape(-1, thin).mean(axis=1), rate_hz / thin
    size = 1 << int(np.ceil(np.log2(max(len(residual), 2))))
    power = np.square(np.abs(np.fft.rfft(residual, size)))
    frequency = np.fft.rfftfreq(size, 1 / rate_hz)
    if breaths_per_s > 0:
        multiple = frequency / breaths_per_s
        locked = max(LOCKED_HZ, RESOLUTION * rate_hz / max(len(residual), 1))
        power[np.abs(multiple - np.round(multiple)) * breaths_per_s < locked] = 0.0
    band = max(1, round(BAND_HZ / frequency[1]))
    total = np.concatenate([[0.0], np.cumsum(power)])
    low, high = np.searchsorted(frequency, [SLOWEST_HZ, FASTEST_HZ])
    centres = np.arange(max(low, band), min(high, len(power) - band - 1))
    if len(centres) == 0:
        return None
    sums = total[centres + band + 1] - total[centres - band]
    best = int(np.argmax(sums))
    if not sums[best] > PROMINENCE * np.median(sums):
        return None
    centre = centres[best]
    around = slice(centre - band, centre + band + 1)
    return float(np.sum(frequency[around] * power[around]) / np.sum(power[around]))


def phase(residual: Samples, rate_hz: float, heart_hz: float, memory_s: float = PHASE_MEMORY_S) -> Samples:
    """Phase of the heartbeat at each sample, rad, by complex demodulation that follows its wandering rate."""
    from scipy.ndimage import gaussian_filter1d

    carrier = 2 * np.pi * heart_hz * np.arange(len(residual)) / rate_hz
    step = max(1, int(rate_hz / 20))
    turned = residual * np.exp(-1j * carrier)
    coarse = np.add.reduceat(turned, np.arange(0, len(turned), step))
    sigma = memory_s * rate_hz / step
    envelope = gaussian_filter1d(coarse.real, sigma) + 1j * gaussian_filter1d(coarse.imag, sigma)
    angle = np.unwrap(np.angle(envelope))
    centres = np.arange(len(coarse)) * step + (step - 1) / 2
    return np.asarray(carrier + np.interp(np.arange(len(residual)), centres, angle), np.float64)


def rate_of_starts(start_s: Samples) -> float | None:
    """Heart rate in Hz that triggered inflations keep, or None: from one to another there are whole beats.

    Mean cosine of the phases between starts less than :data:`WITHIN_S` apart (as far as a heart keeps time), told from
    breathing that is merely regular by what intervals spread alike around one mean would give. An inflation and what
    must pass before the next take more than one beat: what is slower is the rhythm of efforts.
    """
    if len(start_s) < LEAST_STARTS:
        return None
    interval = np.diff(start_s)
    apart = np.concatenate([start_s[lag:] - start_s[:-lag] for lag in range(1, MOST_APART)])
    apart = apart[apart < WITHIN_S]
    rates = np.arange(LEAST_TRIGGERING_HZ, FASTEST_HZ, RATE_STEP_HZ)
    together = np.array([np.mean(np.cos(2 * np.pi * rate * apart)) for rate in rates]) if len(apart) else 0 * rates
    together[np.exp(-2.0 * np.square(np.pi * rates * np.std(interval))) > MERELY_REGULAR] = 0.0
    together[rates * np.quantile(interval, 0.1) < LEAST_BEATS] = 0.0
    best = int(np.argmax(together))
    return float(rates[best]) if together[best] > TOGETHER else None


def phase_of_starts(start: Indices, n: int, rate_hz: float, heart_hz: float) -> Samples:
    """Phase of the heartbeat at each of ``n`` samples, rad, where it triggers: that of the starts around."""
    beats = np.zeros(n)
    beats[start] = 1.0
    return phase(beats, rate_hz, heart_hz, STARTS_MEMORY_S)
