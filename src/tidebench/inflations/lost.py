"""Lost pressure: the airway is open to the room, by a disconnection or a suction; what flows then is no breath."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

ROOM, LEAST_S = 2.0, 1.5  # cmH2O above the room's pressure, s
KEPT, AROUND_S = 4.0, 10.0
"""Pressure falls to that of the room and stays there, between stretches of ten seconds in which 4 cmH2O are kept: no
effort pulls as deep for as long, and a PEEP set to nothing stays (common practice, no source).
"""
USUAL = 0.35  # quantile of pressure over those seconds: between inflations, also with some of it lost


def lost_pressure(p: Samples, rate_hz: float) -> tuple[Indices, Indices]:
    """First samples of each stretch of lost pressure, and those after its last.

    Where no pressure was kept on either side there was none to lose: breathing without support, without PEEP.

    Parameters
    ----------
    p : ndarray, shape (n,)
        Airway pressure, cmH2O, NaN in gaps.
    """
    edges = np.diff(np.concatenate([[0], p < ROOM, [0]]).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long = last - first >= LEAST_S * rate_hz
    first, last = first[long], last[long]
    around = round(AROUND_S * rate_hz)
    sides = [
        [level_of(part) for part in (p[max(0, a - around) : a], p[b : b + around])]
        for a, b in zip(first.tolist(), last.tolist(), strict=True)
    ]
    kept = np.array([min(levels) >= KEPT and bool(np.isfinite(levels).any()) for levels in sides], bool)
    return first[kept], last[kept]


def level_of(part: Samples) -> float:
    """Pressure kept between inflations over some seconds, cmH2O; infinite where nothing was recorded."""
    known = part[np.isfinite(part)]
    return float(np.quantile(known, USUAL)) if len(known) else np.inf


def while_kept(p: Samples, f: Samples, rate_hz: float) -> tuple[Samples, Samples]:
    """Pressure and flow with gaps (NaN) where pressure was lost; the same arrays where it never was."""
    first, last = lost_pressure(p, rate_hz)
    if not len(first):
        return p, f
    kept = np.cumsum(np.bincount(first, minlength=len(p) + 1) - np.bincount(last, minlength=len(p) + 1))[:-1] == 0
    return np.where(kept, p, np.nan), np.where(kept, f, np.nan)
