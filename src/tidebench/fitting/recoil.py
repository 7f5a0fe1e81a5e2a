"""Recoil that bends, where passive breaths on several levels of PEEP show it; else it is straight.

Each level gives a chord: so much volume between the recoil at the start of a breath and that at its top. A sigmoid
(Venegas, J Appl Physiol 1998;84:389) is laid through the chords of all levels by least squares on their volumes, from
two starts that have to agree. No absolute volume is needed, so nothing drifts. The inflations themselves have a say: a
sigmoid that leaves more of them than a straight line does is not theirs. Then, and with fewer levels, lung opens or
closes from level to level, and each level keeps its own compliance.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from tidebench.fitting.mechanics import ELASTANCE, TURBULENCE, Mechanics, fit_mechanics
from tidebench.fitting.records import Samples
from tidebench.fitting.ventilator import some_waves
from tidebench.fitting.window import FEWEST, Window, settled
from tidebench.formulas.recoil import Sigmoid

LEVELS, STEPPED, APART = 3, 2, 1.5  # levels at least for a bend and for steps, and cmH2O between them
LEAST_SPAN = 6.0  # cmH2O from the lowest PEEP to the highest
STRAIGHT = 0.04  # of volume, root mean square: so far chords may be from one compliance
BETTER = 0.5  # of what a straight line leaves
CHORD_DOUBT = 0.03  # of a chord's volume: an elastance of breaths on a bent recoil is no chord's to better than that
STARTS = ((8.0, 6.0), (25.0, 18.0))  # cmH2O: middle and width
LOW, HIGH = (-20.0, 1.5), (60.0, 40.0)
AGREE = 0.05  # of the middle's and the width's sum
NO_WORSE = 1.1  # of what a straight recoil leaves of the inflations


@dataclass(frozen=True)
class Chord:
    """Of one level: recoil at the start and the top of its breaths, cmH2O, and the volume between, L."""

    bottom: float
    top: float
    volume: float


@dataclass(frozen=True)
class Bend:
    """A sigmoid's middle and width, cmH2O, with their covariance; the chord of the stretch itself; what recoil
    was seen, on how many levels of PEEP, from the lowest to the highest, cmH2O.
    """

    middle: float
    width: float
    covariance: Samples
    here: Chord
    seen: tuple[float, float]
    levels: int
    levels_seen: tuple[float, float] = (0.0, 0.0)

    def span_l(self, middle: Samples, width: Samples, elastance: Samples) -> Samples:
        """Span of sigmoids whose chord over the stretch's breaths is of these elastances, L."""
        part = share(np.full_like(middle, self.here.top), middle, width)
        part -= share(np.full_like(middle, self.here.bottom), middle, width)
        return np.asarray((self.here.top - self.here.bottom) / elastance / part, np.float64)

    def draw(self, rng: np.random.Generator, lungs: Samples) -> Samples:
        """Span (L), middle and width (cmH2O) of every lung, shape (n, 3); the first is the estimate's."""
        own = rng.multivariate_normal([self.middle, self.width], self.covariance, size=len(lungs), method="svd")
        own[0] = self.middle, self.width
        middle, width = np.clip(own, LOW, HIGH).T
        return np.stack([self.span_l(middle, width, lungs[:, ELASTANCE]), middle, width], axis=1)

    @property
    def words(self) -> str:
        """What is assumed of it."""
        lower, upper = Sigmoid(0.0, 1.0, self.middle, self.width).corners()
        return (
            f"recoil bends as {self.levels} levels of PEEP show, with corners at {lower:.0f} and {upper:.0f} cmH2O; "
            f"seen from {self.seen[0]:.0f} to {self.seen[1]:.0f} cmH2O"
        )


@dataclass(frozen=True)
class Steps:
    """Levels of PEEP that were seen, rising: recoil at the start and the top, cmH2O, and elastance, cmH2O/L."""

    bottom: Samples
    top: Samples
    elastance: Samples
    bent: bool

    @property
    def seen(self) -> tuple[float, float]:
        """Lowest and highest recoil that was seen, cmH2O."""
        return float(self.bottom.min()), float(self.top.max())

    def factor(self, here: float, there: float) -> float:
        """Elastance at another level of PEEP over that here: straight between levels, beyond them as at the last."""
        at_here, at_there = np.interp([here, there], self.bottom, self.elastance)
        return float(at_there / at_here)

    @property
    def words(self) -> str:
        """What is assumed of it."""
        each = ", ".join(
            f"{1000 / elastance:.0f} at {bottom:.0f}"
            for bottom, elastance in zip(self.bottom, self.elastance, strict=True)
        )
        contradicted = "; no one bend of recoil is in the inflations themselves" if self.bent else ""
        return f"compliance, mL/cmH2O, is that of the levels of PEEP, cmH2O, that were seen: {each}{contradicted}"


def steps_of(window: Window, bend: Bend | None) -> Steps | None:
    """Compliance by level of PEEP, where two levels or more were seen and no bend explains them."""
    found = chords(window)
    if bend is not None or len(found) < STEPPED:
        return None
    bottom, top, volume = (np.array([getattr(one, key) for one in found]) for key in ("bottom", "top", "volume"))
    elastance = (top - bottom) / volume
    return Steps(bottom, top, elastance, bent=len(found) >= LEVELS and _rms(_left(top - bottom, volume)) > STRAIGHT)


def share(pressure: Samples, middle: Samples, width: Samples) -> Samples:
    """Of a sigmoid's span at a pressure."""
    return np.asarray(0.5 * (1.0 + np.tanh(0.5 * (pressure - middle) / width)), np.float64)


def chords(window: Window) -> list[Chord]:
    """Medians of the recording's passive breaths by level of PEEP, where enough of them are settled."""
    review = window.review
    usable = settled(review, review.breaths["start_s"].to_numpy()) & (review.mechanics["passive"] == 1)
    keys = ("total_peep_cmh2o", "compliance_ml_cmh2o", "vti_ml")
    rows = review.breaths.filter(usable).drop_nulls(keys).sort("total_peep_cmh2o")
    peep = rows["total_peep_cmh2o"].to_numpy()
    cuts = [0, *(np.flatnonzero(np.diff(peep) > APART) + 1).tolist(), len(peep)]
    out = []
    for first, last in itertools.pairwise(cuts):
        if last - first >= FEWEST:
            bottom, compliance, volume = (float(np.median(rows[key].to_numpy()[first:last])) for key in keys)
            out.append(Chord(bottom, bottom + volume / compliance, volume / 1000))
    return out


def bend_of(window: Window, mechanics: Mechanics) -> Bend | None:
    """The bend that the recording's levels of PEEP show; None where they show none, or are too few or too near."""
    found = chords(window)
    if len(found) < LEVELS or found[-1].bottom - found[0].bottom < LEAST_SPAN or not len(mechanics.total_peep):
        return None
    bottom, top, volume = (np.array([getattr(one, key) for one in found]) for key in ("bottom", "top", "volume"))
    straight = _left((top - bottom), volume)
    if _rms(straight) < STRAIGHT:
        return None
    from scipy.optimize import least_squares

    def left(shape: Samples) -> Samples:
        middle, width = (np.full_like(bottom, value) for value in shape)
        return _left(share(top, middle, width) - share(bottom, middle, width), volume)

    tried = [least_squares(left, start, bounds=(LOW, HIGH), x_scale=(5.0, 5.0)) for start in STARTS]
    first, other = (one.x for one in tried)
    if np.abs(first - other).sum() > AGREE * np.abs(first).sum() or _rms(tried[0].fun) > BETTER * _rms(straight):
        return None
    noise = max(CHORD_DOUBT, _rms(tried[0].fun))
    covariance = noise**2 * np.linalg.pinv(tried[0].jac.T @ tried[0].jac)
    table = window.review.breaths.filter(pl.col("breath").is_in(window.passive.tolist()))
    here, rest = float(np.median(table["vti_ml"].to_numpy())) / 1000, float(np.median(mechanics.total_peep))
    chord = Chord(rest, rest + here * float(mechanics.theta[ELASTANCE]), here)
    bend = Bend(
        float(first[0]), float(first[1]), covariance, chord, (float(bottom.min()), float(top.max())), len(found),
        (float(bottom.min()), float(bottom.max())),
    )  # fmt: skip
    return None if contradicted(bend, window, mechanics) else bend


def contradicted(bend: Bend, window: Window, mechanics: Mechanics) -> bool:
    """True where the inflations are less well described with the bend than without: recoil replaces volume in the
    equation of motion, all else is fitted anew.
    """
    waves = some_waves(window, window.passive)
    middle, width = np.array([bend.middle]), np.array([bend.width])
    elastance, rest = float(mechanics.theta[ELASTANCE]), bend.here.bottom
    span = float(bend.span_l(middle, width, np.array([elastance]))[0])
    curve = Sigmoid(0.0, span, bend.middle, bend.width)
    begins = float(curve.volume_l(rest))
    bent = []
    for wave in waves:
        inside = np.clip(wave.volume + begins, 0.001 * span, 0.999 * span)
        recoil = (np.asarray(curve.pressure_cmh2o(inside)) - rest) / elastance
        bent.append(replace(wave, volume=recoil))
    square = float(mechanics.theta[TURBULENCE]) if mechanics.known_square else None
    return fit_mechanics(bent, square).residual > NO_WORSE * mechanics.residual


def _left(part: Samples, volume: Samples) -> Samples:
    """What the best multiple of these parts leaves of the volumes, relative."""
    relative = part / volume
    scale = float(relative.sum() / (relative @ relative))
    return np.asarray(scale * relative - 1.0, np.float64)


def _rms(values: Samples) -> float:
    return float(np.sqrt(np.mean(values**2)))
