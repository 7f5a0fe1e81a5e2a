"""A patient who breathes at two pressure levels: the lung from where muscles are quiet, efforts from what it lacks.

Each change of level moves much gas by a pressure that is known, and between efforts muscles give nothing. With a lung
at hand the equation of motion says when they are quiet: what airway pressure has beyond the lung's share is then the
rest of that cycle, its most frequent value. The lung is fitted to those samples alone, quiet is sought anew with it,
and so on. A wrong lung asks muscles for a pressure most of the time, so of nine starts the end at which muscles are
quiet longest is the lung; how far the others lie that are quiet nearly as long is in its doubt, and where that is far,
effort and lung can't be told apart.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from tidebench.fitting.effort import RELAXING, SMOOTH_S, Drive, spread
from tidebench.fitting.mechanics import ELASTANCE, EXPIRATION, Mechanics, fit_mechanics, modelled, solved
from tidebench.fitting.records import FitError, Samples
from tidebench.fitting.ventilator import some_waves
from tidebench.fitting.waves import Wave, wave
from tidebench.fitting.window import FEWEST, Window
from tidebench.measures.account import smoothed

QUIET_CMH2O = 1.0  # of muscle pressure, within which muscles count as quiet (this house's choice)
LEAST_QUIET = 0.3  # of the samples (this house's choice)
LEAST_STIFF = 0.3  # of the elastance of a start (this house's choice)
STARTS = tuple(itertools.product((0.7, 1.0, 1.4), (0.12, 0.3, 0.7)))
"""Of the elastance that volume over the levels' difference says; time constant, s."""
NEARLY, APART = 0.95, np.array([0.15, 0.5, 0.5])
"""Share of the longest quiet from which an end counts, and how far such ends may lie apart in elastance and in both
resistances, relative (this house's choice)."""
ROUNDS = 12
PLAIN = np.array([True, True, True, False, False])  # unknowns of one compartment
EFFORT_CMH2O, EFFORT_SHARE = 1.0, 0.4  # the least effort, and as a share of the largest (this house's choice)
ONSET = 0.9  # of an effort's height below its peak, where it began
LEAST_SWING, FEWEST_OWN = 0.05, 3  # of the range of volume; breaths
HELP = (
    "a stretch without efforts, oesophageal pressure, or a longer low level; --assume compliance_ml_cmh2o=... and "
    "inspiratory_resistance_cmh2o_s_l=... names a lung instead"
)


@dataclass(frozen=True)
class Rises:
    """Breaths by the lung's volume: what each rise takes and the fall before it, mL, and how long both last, s."""

    rise_ml: Samples
    fall_ml: Samples
    rising_s: Samples
    falling_s: Samples
    seconds: float

    @property
    def medians(self) -> dict[str, float]:
        """By key of the breath table; ``mean_vte_ml`` beside them."""
        rate = 60.0 * len(self.rise_ml) / self.seconds
        return {
            "vti_ml": float(np.median(self.rise_ml)), "vte_ml": float(np.median(self.fall_ml)),
            "mean_vte_ml": float(np.mean(self.fall_ml)), "rate_per_min": rate,
            "minute_volume_l_min": rate * float(np.mean(self.fall_ml)) / 1000,
            "inspiratory_time_s": float(np.median(self.rising_s)),
            "expiratory_time_s": float(np.median(self.falling_s)),
        }  # fmt: skip


def every_rise(volume_ml: Samples, rate_hz: float) -> Rises | None:
    """Breaths of a lung's volume, shape (n,): every rise beyond :data:`LEAST_SWING` of its range and the fall before
    it, whoever began it; smaller ones are the heart's. None of fewer than three.
    """
    from scipy.signal import find_peaks

    if len(volume_ml) < FEWEST_OWN:
        return None
    least = LEAST_SWING * float(np.ptp(np.quantile(volume_ml, [0.02, 0.98])))
    top = find_peaks(volume_ml, prominence=least)[0]
    if len(top) <= FEWEST_OWN:
        return None
    bottom = np.array([a + int(np.argmin(volume_ml[a:b])) for a, b in pairwise(top)])
    return Rises(
        volume_ml[top[1:]] - volume_ml[bottom], volume_ml[top[:-1]] - volume_ml[bottom],
        (top[1:] - bottom) / rate_hz, (bottom - top[:-1]) / rate_hz, float(top[-1] - top[0]) / rate_hz,
    )  # fmt: skip


def recorded_rises(window: Window) -> Rises | None:
    """The breaths of a window at two levels, by the volume of its rows put end to end; a straight drift taken off."""
    from scipy.signal import detrend

    parts, level = [], 0.0
    for breath in window.breaths:
        volume = wave(window.review, int(breath)).volume
        parts.append(level + volume)
        level += float(volume[-1]) if len(volume) else 0.0
    whole = np.concatenate(parts)
    if not np.isfinite(whole).all():
        return None
    return every_rise(1000.0 * detrend(whole), float(window.review.recording.rate_hz))


def rest_of(breath: Wave, mechanics: Mechanics) -> float:
    """What airway pressure most often has beyond the lung's share, cmH2O: there muscles are quiet.

    The shorter half of the sorted values, and of that again, until three are left.
    """
    left = np.sort((breath.pressure - modelled(breath, mechanics.theta, mechanics.relaxation_s))[breath.clear])
    while len(left) > 3:
        half = (len(left) + 1) // 2
        at = int(np.argmin(left[half - 1 :] - left[: len(left) - half + 1]))
        left = left[at : at + half]
    return float(np.mean(left)) if len(left) else np.nan


def muscle_over_rest(breath: Wave, mechanics: Mechanics) -> Samples:
    """What muscles give, cmH2O, shape (n,), smoothed, of either sign: positive draws gas in."""
    asked = modelled(breath, mechanics.theta, mechanics.relaxation_s)
    return np.nan_to_num(rest_of(breath, mechanics) + asked - breath.pressure)


def quiet_only(waves: Sequence[Wave], mechanics: Mechanics) -> tuple[list[Wave], float]:
    """The waves with no sample left in which muscles work, and the share of samples that are left."""
    out, left, whole = [], 0, 0
    for each in waves:
        still = np.abs(muscle_over_rest(each, mechanics)) < QUIET_CMH2O
        clear = each.clear & still
        left, whole = left + int(clear.sum()), whole + int(each.clear.sum())
        if clear.any():
            out.append(replace(each, clear=clear))
    return out, left / max(1, whole)


def fit_quiet(waves: Sequence[Wave], square: float | None, start: Samples) -> tuple[Mechanics, float] | None:
    """One compartment where muscles are quiet, from a start, and the share of quiet samples; None of no lung."""
    found, share = Mechanics(start, np.zeros((5, 5)), 1.0, np.nan, np.zeros(0), square is not None), 0.0
    for _ in range(ROUNDS):
        quiet, share = quiet_only(waves, found)
        if len(quiet) < FEWEST:
            return None
        theta, covariance, residual = solved(quiet, None, square, PLAIN)
        theta[-1] = square or 0.0
        found = replace(found, theta=theta, covariance=covariance, residual=residual)
    is_lung = found.theta[ELASTANCE] > LEAST_STIFF * start[ELASTANCE] and (found.theta[: EXPIRATION + 1] > 0).all()
    return (found, share) if is_lung else None


def lung_on_levels(window: Window, square: float | None) -> tuple[Mechanics, str, bool, list[str]]:
    """The lung of a patient who breathes at two levels, from where muscles are quiet.

    Raises
    ------
    FitError
        Muscles are hardly ever quiet, or several lungs leave them quiet as long.
    """
    waves = some_waves(window, window.breaths)
    chord = float(np.median([np.ptp(each.pressure[each.clear]) / max(np.ptp(each.volume), 1e-4) for each in waves]))
    starts = [chord * share * np.array([1.0, slow, slow, 0.0, 0.0]) for share, slow in STARTS]
    ends = [end for start in starts if (end := fit_quiet(waves, square, start)) is not None]
    longest = max((share for _, share in ends), default=0.0)
    near = np.array([found.theta for found, share in ends if share >= NEARLY * longest])
    told = near[:, PLAIN]
    if longest < LEAST_QUIET or (np.ptp(told, axis=0) > APART * np.median(told, axis=0)).any():
        why = (
            f"muscles are quiet no more than {100 * longest:.0f} % of the time" if longest < LEAST_QUIET
            else "lungs that differ describe the time between efforts as well as each other"
        )  # fmt: skip
        raise FitError(
            f"the patient breathes at two pressure levels, and effort and lung can't be told apart: {why}",
            where="not identifiable from this stretch", expected=HELP,
        )  # fmt: skip
    best = max(ends, key=lambda end: end[1])[0]
    found = fit_mechanics(quiet_only(waves, best)[0], square)
    further = np.zeros((5, 5)) if len(near) < 2 else np.cov(near, rowvar=False)
    mechanics = replace(found, covariance=found.covariance + further, total_peep=np.zeros(0))
    said = [
        f"the patient breathes at two pressure levels: the lung is that of the {100 * longest:.0f} % of the time in "
        f"which muscle pressure by it stays within {QUIET_CMH2O:g} cmH2O"
    ]
    return mechanics, f"{len(waves)} cycles of two levels, between efforts", True, said


def drive_on_levels(window: Window, mechanics: Mechanics) -> Drive | None:
    """The drive at two levels: what the lung lacks, effort by effort, at whichever level; None where fewer than five
    efforts show.
    """
    from scipy.signal import find_peaks, peak_widths

    dt = 1.0 / float(window.review.recording.rate_hz)
    each = [muscle_over_rest(wave(window.review, int(breath)), mechanics) for breath in window.breaths]
    muscle = smoothed(np.concatenate(each), max(1, round(SMOOTH_S / dt)))
    tall = float(np.quantile(muscle, 0.95))
    at = find_peaks(muscle, height=EFFORT_CMH2O, prominence=max(EFFORT_CMH2O, EFFORT_SHARE * tall))[0]
    if len(at) < FEWEST:
        return None
    onset = peak_widths(muscle, at, rel_height=ONSET)[2]
    size, lasts = muscle[at], (at - onset) * dt
    every = np.diff(at) * dt
    return Drive(
        60.0 * (len(at) - 1) / float(np.sum(every)), spread(every), float(np.median(size)), spread(size),
        max(0.2, float(np.median(lasts)) * (1.0 + RELAXING)), spread(lasts), len(at), "at two levels, by the lung",
    )  # fmt: skip
