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
MOVES = 0.05
"""Of the usual flow: lungs that lose their pressure at once let gas go. Behind a closed airway a leak, or an effort,
takes pressure away while nothing flows at the gauge: a hold, no loss of it (by mechanism: this house's).
"""
SUDDEN_S = 0.1
HIGH, EVEN_S = 0.98, 0.05
USUAL = 0.35  # quantile of pressure over those seconds: between inflations, also with some of it lost


def lost_pressure(p: Samples, f: Samples, rate_hz: float) -> tuple[Indices, Indices]:
    """First samples of each stretch of lost pressure, and those after its last.

    Where no pressure was kept on either side there was none to lose: breathing without support, without PEEP.

    Parameters
    ----------
    p, f : ndarray, shape (n,)
        Airway pressure, cmH2O, and flow, L/s, NaN in gaps.
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
    first, last = first[kept], last[kept]
    if not len(first):
        return first, last
    least = MOVES * float(np.nanquantile(np.abs(f), HIGH))
    stretches = zip(first.tolist(), last.tolist(), strict=True)
    gone = [at_once(p, a, rate_hz) or moves(f[a:b], rate_hz, least) for a, b in stretches]
    return first[gone], last[gone]


def at_once(p: Samples, at: int, rate_hz: float) -> bool:
    """True where pressure falls from what is kept to that of the room faster than any leak or effort takes it."""
    return bool(np.all(p[max(0, at - max(1, round(SUDDEN_S * rate_hz))) : at] >= KEPT))


def moves(f: Samples, rate_hz: float, least: float) -> bool:
    """True where flow, evened out, ever is more than ``least``, L/s; when pressure returns is left out."""
    width = max(1, round(EVEN_S * rate_hz))
    even = np.convolve(f[: -2 * width], np.full(width, 1 / width), "valid")
    return bool(np.nanmax(np.abs(even), initial=0.0) > least)


def level_of(part: Samples) -> float:
    """Pressure kept between inflations over some seconds, cmH2O; infinite where nothing was recorded."""
    known = part[np.isfinite(part)]
    return float(np.quantile(known, USUAL)) if len(known) else np.inf


def while_kept(p: Samples, f: Samples, rate_hz: float) -> tuple[Samples, Samples]:
    """Pressure and flow with gaps (NaN) where pressure was lost; the same arrays where it never was."""
    first, last = lost_pressure(p, f, rate_hz)
    if not len(first):
        return p, f
    kept = np.cumsum(np.bincount(first, minlength=len(p) + 1) - np.bincount(last, minlength=len(p) + 1))[:-1] == 0
    return np.where(kept, p, np.nan), np.where(kept, f, np.nan)
