"""Lost pressure: the airway is open to the room, by a disconnection or a suction; what flows then is no breath."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
SetAt = Callable[[Indices], Samples]

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
LONGEST_S = 30.0
"""Where PEEP set is not known, gas that goes in and out for longer is breathing without pressure, no open circuit: a
suction takes 15 s at most (common practice, no source).
"""
FOR_A_TENTH = 0.1  # of the time at least gas goes each way where somebody breathes


def lost_pressure(p: Samples, f: Samples, rate_hz: float, peep_set_at: SetAt) -> tuple[Indices, Indices]:
    """First samples of each stretch of lost pressure, and those after its last.

    Where no pressure was kept on either side there was none to lose: breathing without support, without PEEP. Nor was
    it lost where none was asked for and breaths pass the gauge: a breathing trial without support or PEEP.

    Parameters
    ----------
    p, f : ndarray, shape (n,)
        Airway pressure, cmH2O, and flow, L/s, NaN in gaps.
    peep_set_at : callable
        From samples to the PEEP set then, cmH2O, NaN where that isn't known.
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
    asked = peep_set_at((first + last) // 2)
    stretches = zip(first.tolist(), last.tolist(), asked.tolist(), strict=True)
    gone = [
        (at_once(p, a, rate_hz) or moves(f[a:b], rate_hz, least))
        and not (none_asked(peep, (b - a) / rate_hz) and breathes(f[a:b], rate_hz, least))
        for a, b, peep in stretches
    ]
    return first[gone], last[gone]


def none_asked(peep_cmh2o: float, lasts_s: float) -> bool:
    """True where no pressure was set, or what was set isn't known and no open circuit lasts as long."""
    return lasts_s > LONGEST_S if np.isnan(peep_cmh2o) else peep_cmh2o < ROOM


def breathes(f: Samples, rate_hz: float, least: float) -> bool:
    """True where gas goes in and out again in most stretches of ten seconds."""
    even = evened(f, rate_hz)
    parts = np.array_split(even, max(1, round(len(even) / (AROUND_S * rate_hz))))
    known = [part[np.isfinite(part)] for part in parts]
    both = [
        bool(np.quantile(part, 1 - FOR_A_TENTH) > least and np.quantile(part, FOR_A_TENTH) < -least)
        for part in known
        if len(part)
    ]
    return 2 * sum(both) > len(parts)


def at_once(p: Samples, at: int, rate_hz: float) -> bool:
    """True where pressure falls from what is kept to that of the room faster than any leak or effort takes it."""
    return bool(np.all(p[max(0, at - max(1, round(SUDDEN_S * rate_hz))) : at] >= KEPT))


def moves(f: Samples, rate_hz: float, least: float) -> bool:
    """True where flow, evened out, ever is more than ``least``, L/s; when pressure returns is left out."""
    return bool(np.nanmax(np.abs(evened(f, rate_hz)), initial=0.0) > least)


def evened(f: Samples, rate_hz: float) -> Samples:
    """Flow without its quickest parts, and without what flows when pressure returns."""
    width = max(1, round(EVEN_S * rate_hz))
    return np.convolve(f[: -2 * width], np.full(width, 1 / width), "valid")


def level_of(part: Samples) -> float:
    """Pressure kept between inflations over some seconds, cmH2O; infinite where nothing was recorded."""
    known = part[np.isfinite(part)]
    return float(np.quantile(known, USUAL)) if len(known) else np.inf


def while_kept(p: Samples, f: Samples, rate_hz: float, peep_set_at: SetAt) -> tuple[Samples, Samples]:
    """Pressure and flow with gaps (NaN) where pressure was lost; the same arrays where it never was."""
    first, last = lost_pressure(p, f, rate_hz, peep_set_at)
    if not len(first):
        return p, f
    kept = np.cumsum(np.bincount(first, minlength=len(p) + 1) - np.bincount(last, minlength=len(p) + 1))[:-1] == 0
    return np.where(kept, p, np.nan), np.where(kept, f, np.nan)
