"""A PEEP that was not seen: how recoil may bend there, and how much lung may open or close on the way.

What a stretch shows of recoil is one chord and how elastance goes within it. Many sigmoids (Venegas, J Appl Physiol
1998;84:389) have both: steep ones with their middle in the breath, wide ones with it far away. On another PEEP each has
another chord. Half of the drawn patients have such a sigmoid, half stay straight, as the estimate does. In all of them
lung opens as PEEP rises and closes as it falls.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tidebench.fitting.mechanics import ELASTANCE, Mechanics, terms
from tidebench.fitting.records import Samples
from tidebench.fitting.waves import Wave

BENDS = 0.5  # share of drawn patients whose recoil bends (this house's choice)
WIDTHS_CMH2O = (5.0, 20.0)  # of sigmoids, evenly by their logarithm (common practice, no source)
SLOPE_DOUBT, SLOPE_UNKNOWN = 0.01, 0.03
"""How far elastance may go otherwise within a breath than the breath shows, relative for each cmH2O of recoil, since
slow pressure bends it too; and where no passive breath shows it (this house's choice)."""
MOST_OF_CORNER = 0.9  # of the steepest slope that a width allows
OPENS_PER_CMH2O = 0.008
"""Lung that opens for each cmH2O of PEEP, relative to what is open: standard deviation of a normal of which the
positive half counts (this house's choice)."""
FACTORS = (1 / 3, 3.0)


def slope_of(waves: Sequence[Wave], mechanics: Mechanics) -> tuple[float, float]:
    """How elastance goes within passive breaths, relative for each cmH2O of recoil, and its standard error.

    A term in volume squared beside those of the equation of motion: ``d ln E/dP = 2c/E²``. Breaths' errors belong
    together.
    """
    square = float(mechanics.theta[-1]) if mechanics.known_square else None
    relaxing = mechanics.relaxation_s if mechanics.theta[3] > 0 else None
    found = []
    for wave in waves:
        columns, told = terms(wave, relaxing, square)
        bent = (wave.volume**2)[wave.clear]
        rows = np.column_stack([columns[:, np.ptp(columns, axis=0) > 0], bent - bent.mean()])
        theta = np.linalg.lstsq(rows, told, rcond=None)[0]
        found.append(2.0 * theta[-1] / float(mechanics.theta[ELASTANCE]) ** 2)
    if not found:
        return 0.0, SLOPE_UNKNOWN
    error = float(np.std(found)) / np.sqrt(len(found))
    return float(np.median(found)), min(float(np.hypot(error, SLOPE_DOUBT)), SLOPE_UNKNOWN)


def stiffer_unseen(
    seen: float, there: float, swing: float, slope: tuple[float, float], rng: np.random.Generator, n: int
) -> Samples:
    """Elastance on a PEEP that was not seen over that on the nearest that was, shape (n,); 1 for the first.

    Parameters
    ----------
    seen, there : float
        Recoil at the start of a breath, cmH2O, on the nearest level that was seen and on the new one.
    swing : float
        Recoil's rise over a breath, cmH2O.
    slope : (float, float)
        As :func:`slope_of` tells it.
    """
    low, high = np.log(WIDTHS_CMH2O)
    width = np.exp(rng.uniform(low, high, n))
    within = np.clip((slope[0] + slope[1] * rng.standard_normal(n)) * width, -MOST_OF_CORNER, MOST_OF_CORNER)
    middle = seen + 0.5 * swing - 2.0 * width * np.arctanh(within)
    bent = chord(seen, swing, middle, width) / chord(there, swing, middle, width)
    straight = rng.random(n) >= BENDS
    opened = np.exp(-OPENS_PER_CMH2O * np.abs(rng.standard_normal(n)) * (there - seen))
    factor = np.clip(np.where(straight, 1.0, bent) * opened, *FACTORS)
    factor[0] = 1.0
    return np.asarray(factor, np.float64)


def chord(bottom: float, swing: float, middle: Samples, width: Samples) -> Samples:
    """Share of a sigmoid's span between a recoil and one that is higher by a swing."""
    top, start = (np.tanh(0.5 * (pressure - middle) / width) for pressure in (bottom + swing, bottom))
    return np.asarray(0.5 * (top - start), np.float64)
