"""Two compartments in parallel from the equation that they share with one that relaxes, seen from their mouth.

    R + E/s + E_r/(s + 1/τ)  =  1 / (s/(R_1·s + E_1) + s/(R_2·s + E_2))

Both are ratios of the same polynomials (Otis, J Appl Physiol 1956;8:427). The zeros of the left side are the
compartments' rates of emptying, E_i/R_i, the residues of its inverse their conductances.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from tidebench.fitting.records import Samples

LEAST_RESISTANCE, LEAST_SLOW = 0.1, 0.01
"""Bounds below which a drawn resistance (cmH2O·s/L) or slow elastance (cmH2O/L) is no lung's."""


class Parallel(NamedTuple):
    """Elastance (cmH2O/L) and resistance (cmH2O·s/L) of the fast and the slow compartment, shape (n,) each."""

    fast_elastance: Samples
    fast_resistance: Samples
    slow_elastance: Samples
    slow_resistance: Samples


def parallel(elastance: Samples, resistance: Samples, relaxation: Samples, time_s: Samples) -> Parallel:
    """Two compartments that act as a resistance, a spring and a relaxing spring do.

    Parameters
    ----------
    elastance, relaxation : ndarray
        E and E_r, cmH2O/L, above 0.
    resistance : ndarray
        R without what both share, cmH2O·s/L, above 0.
    time_s : ndarray
        τ, s, above 0.
    """
    a = 1.0 / time_s
    middle, last = a + (elastance + relaxation) / resistance, elastance * a / resistance
    root = np.sqrt(middle**2 - 4.0 * last)
    slow, fast = 0.5 * (middle - root), 0.5 * (middle + root)
    slow_resistance = resistance * (fast - slow) / (a - slow)
    fast_resistance = resistance * (fast - slow) / (fast - a)
    return Parallel(fast * fast_resistance, fast_resistance, slow * slow_resistance, slow_resistance)
