"""The patient's drive as recorded: rate, size and time of efforts, and how they vary from one to the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench.fitting.mechanics import Mechanics, modelled
from tidebench.fitting.records import FitError, Samples
from tidebench.fitting.ventilator import some_waves
from tidebench.fitting.waves import Wave
from tidebench.fitting.window import Window
from tidebench.measures.account import smoothed

FEWEST = 5
SIZE_DOUBT, TIME_DOUBT = 0.12, 0.08
"""Relative error of effort size and neural time that are estimated from airway pressure and flow alone, beyond their
spread (open population of virtual patients)."""
SURER = 0.4  # of it where oesophageal pressure was recorded
BEFORE_S, SMOOTH_S = 0.1, 0.06  # that an effort begins before its inflation; muscle pressure is smoothed over
RELAXING = 0.12  # of neural time (common practice, no source)


@dataclass(frozen=True)
class Drive:
    """Efforts of a stretch: medians, coefficients of variation, how many, and the source of muscle pressure."""

    rate_per_min: float
    rate_cv: float
    size_cmh2o: float
    size_cv: float
    neural_time_s: float
    neural_time_cv: float
    count: int
    source: str

    @property
    def relaxing_time_s(self) -> float:
        """Time constant of relaxation."""
        return float(np.clip(RELAXING * self.neural_time_s, 0.03, 0.2))

    def draw(self, rng: np.random.Generator, n: int) -> Samples:
        """Size, neural time and rate within the doubt, shape (n, 3)."""
        surer = SURER if self.source == "oesophageal" else 1.0
        root = 1.0 / np.sqrt(self.count)
        relative = np.array([
            np.hypot(self.size_cv * root, SIZE_DOUBT * surer),
            np.hypot(self.neural_time_cv * root, TIME_DOUBT * surer),
            self.rate_cv * root,
        ])  # fmt: skip
        middle = np.array([self.size_cmh2o, self.neural_time_s, self.rate_per_min])
        return middle * np.exp(relative * rng.standard_normal((n, 3)))


def drive_of(window: Window) -> Drive | None:
    """The drive over the window; None where nobody breathes.

    Raises
    ------
    FitError
        Breaths with effort whose muscle pressure is not known: no lung was seen at rest, and none at the edges of flow.
    """
    table = window.review.breaths[window.breaths.tolist()]
    active = int((~table["passive"]).fill_null(False).sum())
    efforts = window.review.efforts.filter(pl.col("start_s").is_between(window.from_s, window.to_s))
    if efforts.height < FEWEST:
        if active >= FEWEST:
            raise FitError(
                f"the patient breathes, and muscle pressure is not known in {active} of {table.height} breaths",
                where="not identifiable from this stretch",
                expected="a stretch near passive breaths, a hold, or oesophageal pressure",
                remedy="Effort and elastance can't both be free: --assume compliance_ml_cmh2o=... and "
                "inspiratory_resistance_cmh2o_s_l=... names a lung instead.",
            )
        return None
    onset = efforts["start_s"].to_numpy()
    every = np.diff(onset)
    usual = float(np.median(every))
    every = every[every < 2.5 * usual]
    size, lasts = efforts["peak_cmh2o"].to_numpy(), (efforts["end_s"] - efforts["start_s"]).to_numpy()
    return Drive(
        60.0 / float(np.mean(every)), spread(every), float(np.median(size)), spread(size),
        float(np.median(lasts)), spread(lasts), efforts.height, str(efforts["source"][0]),
    )  # fmt: skip


def spread(values: Samples) -> float:
    """Robust coefficient of variation, at most 0.6."""
    middle = float(np.median(values))
    off = 1.4826 * float(np.median(np.abs(values - middle)))
    return min(off / middle, 0.6) if middle > 0 else 0.0


def muscle_pressure(breath: Wave, mechanics: Mechanics) -> Samples:
    """What muscles give, cmH2O, shape (n,): what the lung asks for beyond its rest less what the airway has.

    Rest is the pressure late in expiration less what outflow costs then. Smoothed, never below zero.
    """
    asked = modelled(breath, mechanics.theta, mechanics.relaxation_s)
    late = slice(len(breath.pressure) - max(3, len(breath.pressure) // 8), None)
    rest = float(np.nanmedian((breath.pressure - asked)[late]))
    left = np.nan_to_num(rest + asked - breath.pressure, nan=0.0)
    return smoothed(left, max(1, round(SMOOTH_S / breath.dt)))


def drive_by(window: Window, mechanics: Mechanics) -> Drive:
    """The drive of breaths whose lung somebody named: muscle pressure is what that lung lacks, breath by breath."""
    sizes, times = [], []
    for each in some_waves(window, window.breaths):
        muscle = muscle_pressure(each, mechanics)
        at = int(np.argmax(muscle))
        sizes.append(float(muscle[at]))
        times.append(at * each.dt + BEFORE_S)
    start = window.review.breaths["start_s"].to_numpy()[window.breaths]
    every = np.diff(start)
    size, lasts = np.array(sizes), np.array(times)
    return Drive(
        60.0 / float(np.median(every)), spread(every), max(0.5, float(np.median(size))), spread(size),
        max(0.2, float(np.median(lasts))), spread(lasts), len(sizes), "by the lung assumed",
    )  # fmt: skip
