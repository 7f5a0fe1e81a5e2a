"""Recoil that bends, where passive breaths on several levels of PEEP show it; else it is straight.

A sigmoid (Venegas, J Appl Physiol 1998;84:389) takes the place of a straight recoil in the equation of motion, in the
breaths of all levels at once:

    P = P0 + S(V0 + V) - S(V0) + R_in·V'₊ + R_ex·V'₋ + k2·V'·|V'| + P_r,    S(V0) = total PEEP of the level

by least squares, from several starts; ends that leave as little have to agree. No absolute volume is needed, so nothing
drifts. What a straight line makes of such a breath is neither its chord nor its slope: slow pressure and resistances
take what bends. A sigmoid that leaves more of the inflations than a straight recoil for each level does is not theirs.
Then, and with fewer levels, lung opens or closes from level to level, and each level keeps its own compliance.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.fitting.mechanics import ELASTANCE, RELAXATION, TURBULENCE, Mechanics, fit_mechanics, terms
from tidebench.fitting.records import Samples
from tidebench.fitting.waves import Wave, wave
from tidebench.fitting.window import FEWEST, Window, settled
from tidebench.formulas.recoil import Sigmoid

LEVELS, STEPPED, APART = 3, 2, 1.5  # levels at least for a bend and for steps, and cmH2O between them
LEAST_SPAN = 6.0  # cmH2O from the lowest PEEP to the highest
STRAIGHT = 0.04  # of volume, root mean square: so far chords may be from one compliance
CHORD_DOUBT = 0.03  # of a level's volume between two recoils: no lung is a sigmoid to better (this house's choice)
EACH = 6  # breaths of a level
INSIDE = 0.001  # of a sigmoid's span, to its ends
TRIES, FARTHEST = 4, 2.5  # draws for each that is used; times their doubt that volumes may be missed by
STEP = 0.01  # cmH2O by which a shape is moved to see what that does
STARTS = ((8.0, 6.0), (8.0, 18.0), (25.0, 18.0))  # cmH2O: middle and width
LOW, HIGH = (-20.0, 1.5), (60.0, 40.0)
SPANS_L = (0.005, 50.0)
AGREE = 0.05  # of the middle's and the width's sum
NO_WORSE = 1.1  # of what a straight recoil leaves of the inflations


@dataclass(frozen=True)
class Chord:
    """Of one level: recoil at the start and the top of its breaths, cmH2O, the volume between, L, and the breaths."""

    bottom: float
    top: float
    volume: float
    breaths: npt.NDArray[np.intp]


@dataclass(frozen=True)
class Bend:
    """A sigmoid's middle and width, cmH2O, with their covariance; the chord of the stretch itself; from where to
    where recoil was seen, cmH2O; of each level of PEEP the recoils and the volume between, shape (3, levels); and the
    lung with it, as :attr:`~tidebench.fitting.mechanics.Mechanics.theta` with the chord's elastance.
    """

    middle: float
    width: float
    covariance: Samples
    here: Chord
    seen: tuple[float, float]
    levels: Samples
    theta: Samples

    @property
    def levels_seen(self) -> tuple[float, float]:
        """Recoil at the start of breaths on the lowest and on the highest PEEP, cmH2O."""
        return float(self.levels[0].min()), float(self.levels[0].max())

    def of(self, mechanics: Mechanics) -> Mechanics:
        """A lung with straight recoil as it is with this one; slow pressure that was bent recoil is gone."""
        covariance = mechanics.covariance.copy()
        if not self.theta[RELAXATION]:
            covariance[RELAXATION] = covariance[:, RELAXATION] = 0.0
        return replace(mechanics, theta=self.theta, covariance=covariance)

    def span_l(self, middle: Samples, width: Samples, elastance: Samples) -> Samples:
        """Span of sigmoids whose chord over the stretch's breaths is of these elastances, L."""
        part = share(np.full_like(middle, self.here.top), middle, width)
        part -= share(np.full_like(middle, self.here.bottom), middle, width)
        return np.asarray((self.here.top - self.here.bottom) / elastance / part, np.float64)

    def draw(self, rng: np.random.Generator, lungs: Samples) -> Samples:
        """Span (L), middle and width (cmH2O) of every lung, shape (n, 3); the first is the estimate's.

        Shapes that miss the levels' volumes by far more than their doubt are none that were seen.
        """
        drawn = rng.multivariate_normal(
            [self.middle, self.width], self.covariance, size=TRIES * len(lungs), method="svd"
        )
        drawn[0] = self.middle, self.width
        drawn = np.clip(drawn, LOW, HIGH)
        fit = np.sqrt(np.mean(misses(drawn, self.levels) ** 2, axis=1)) < FARTHEST * CHORD_DOUBT
        able = drawn[fit | (np.arange(len(drawn)) == 0)]
        middle, width = able[np.arange(len(lungs)) % len(able)].T
        return np.stack([self.span_l(middle, width, lungs[:, ELASTANCE]), middle, width], axis=1)

    @property
    def words(self) -> str:
        """What is assumed of it."""
        lower, upper = Sigmoid(0.0, 1.0, self.middle, self.width).corners()
        return (
            f"recoil bends as {self.levels.shape[1]} levels of PEEP show, with corners at {lower:.0f} and {upper:.0f} "
            f"cmH2O; seen from {self.seen[0]:.0f} to {self.seen[1]:.0f} cmH2O"
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
    table = review.breaths.with_row_index("at").filter(usable)
    rows = table.drop_nulls(keys).sort("total_peep_cmh2o")
    peep = rows["total_peep_cmh2o"].to_numpy()
    cuts = [0, *(np.flatnonzero(np.diff(peep) > APART) + 1).tolist(), len(peep)]
    out = []
    for first, last in itertools.pairwise(cuts):
        if last - first >= FEWEST:
            bottom, compliance, volume = (float(np.median(rows[key].to_numpy()[first:last])) for key in keys)
            breaths = np.sort(rows["at"].to_numpy()[first:last]).astype(np.intp)
            out.append(Chord(bottom, bottom + volume / compliance, volume / 1000, breaths))
    return out


class Inflations:
    """Passive breaths of several levels, as one recoil has to explain them together with what else takes pressure."""

    def __init__(self, levels: Sequence[Sequence[Wave]], bottom: Samples, mechanics: Mechanics) -> None:
        self._square = float(mechanics.theta[TURBULENCE]) if mechanics.known_square else None
        self.levels, waves = levels, [each for level in levels for each in level]
        relaxing = mechanics.relaxation_s if mechanics.theta[RELAXATION] > 0 else None
        told = [terms(each, relaxing, self._square) for each in waves]
        self.columns = np.concatenate([x[:, 1:] for x, _ in told])
        self._told = np.concatenate([y for _, y in told])
        self._volume = np.concatenate([each.volume[each.clear] for each in waves])
        self._length = np.array([len(y) for _, y in told])
        self._first = np.concatenate([[0], np.cumsum(self._length)[:-1]])
        self._bottom = np.repeat(bottom, [len(level) for level in levels])
        self.without(np.zeros(0, np.intp))

    def without(self, columns: npt.NDArray[np.intp]) -> None:
        """Leave these columns, and those in which nothing is, out."""
        self.columns[:, columns] = 0.0
        self._used = np.ptp(self.columns, axis=0) > 0
        self._base = np.linalg.qr(self.columns[:, self._used])[0]

    def against(self, shape: Samples) -> Samples:
        """What is left beside the recoil of a shape (middle, width, logarithm of span)."""
        middle, width, span = shape[0], shape[1], np.exp(shape[2])
        begins = np.repeat(share(self._bottom, middle, width), self._length)
        inside = np.clip(begins + self._volume / span, INSIDE, 1.0 - INSIDE)
        recoil = middle + width * np.log(inside / (1.0 - inside))
        means = np.add.reduceat(recoil, self._first) / self._length
        return np.asarray(self._told - recoil + np.repeat(means, self._length), np.float64)

    def left(self, shape: Samples) -> Samples:
        """What neither that recoil nor flow explains, cmH2O."""
        told = self.against(shape)
        return np.asarray(told - self._base @ (self._base.T @ told), np.float64)

    def beside(self, shape: Samples) -> Samples:
        """What flow takes beside that recoil: R_in, R_ex, E_r, k2; 0 for what is left out."""
        out = np.zeros(4)
        out[self._used] = np.linalg.lstsq(self.columns[:, self._used], self.against(shape), rcond=None)[0]
        if self._square is not None:
            out[-1] = self._square
        return out

    def straight(self) -> float:
        """Root mean square that a straight recoil for each level leaves, cmH2O."""
        each = [fit_mechanics(level, self._square).residual for level in self.levels]
        return float(np.sqrt(np.average(np.square(each), weights=[len(level) for level in self.levels])))


def bend_of(window: Window, mechanics: Mechanics) -> Bend | None:
    """The bend that the recording's levels of PEEP show; None where they show none, or are too few or too near."""
    found = chords(window)
    if len(found) < LEVELS or found[-1].bottom - found[0].bottom < LEAST_SPAN or not len(mechanics.total_peep):
        return None
    bottom, top, volume = (np.array([getattr(one, key) for one in found]) for key in ("bottom", "top", "volume"))
    if _rms(_left(top - bottom, volume)) < STRAIGHT:
        return None
    chosen = [one.breaths[:: -(-len(one.breaths) // EACH)] for one in found]
    inflations = Inflations([[wave(window.review, int(k)) for k in each] for each in chosen], bottom, mechanics)
    shape = shape_of(inflations, bottom, top, volume)
    if shape is not None and inflations.beside(shape)[RELAXATION - 1] < 0:
        inflations.without(np.array([RELAXATION - 1]))
        shape = shape_of(inflations, bottom, top, volume)
    if shape is None or _rms(inflations.left(shape)) > NO_WORSE * inflations.straight():
        return None
    table = window.review.breaths.filter(pl.col("breath").is_in(window.passive.tolist()))
    here, rest = float(np.median(table["vti_ml"].to_numpy())) / 1000, float(np.median(mechanics.total_peep))
    curve = Sigmoid(0.0, float(np.exp(shape[2])), float(shape[0]), float(shape[1]))
    ends = min(float(curve.volume_l(rest)) + here, (1.0 - INSIDE) * curve.span_l)
    chord = Chord(rest, float(curve.pressure_cmh2o(ends)), here, window.passive)
    theta = np.array([(chord.top - rest) / here, *inflations.beside(shape)])
    tops = np.minimum(np.asarray(curve.volume_l(bottom)) + volume, (1.0 - INSIDE) * curve.span_l)
    levels = np.stack([bottom, np.asarray(curve.pressure_cmh2o(tops)), volume])
    seen = (float(levels[0].min()), float(levels[1].max()))
    return Bend(curve.middle_cmh2o, curve.width_cmh2o, doubt_of(curve, levels), chord, seen, levels, theta)


def shape_of(inflations: Inflations, bottom: Samples, top: Samples, volume: Samples) -> Samples | None:
    """The sigmoid (middle, width, logarithm of span) that leaves least of the inflations; None where starts end
    apart that leave as little. The starts' spans are those that their chords ask for.
    """
    from scipy.optimize import least_squares

    low, high = ((*edge, float(np.log(span))) for edge, span in zip((LOW, HIGH), SPANS_L, strict=True))
    tried = []
    for middle, width in STARTS:
        part = share(top, np.array(middle), np.array(width)) - share(bottom, np.array(middle), np.array(width))
        start = np.clip([middle, width, np.log(float(part @ volume / (part @ part)))], low, high)
        tried.append(least_squares(inflations.left, start, bounds=(low, high), x_scale=(5.0, 5.0, 0.3)))
    best = min(tried, key=lambda one: float(one.cost))
    as_well = [one.x[:2] for one in tried if _rms(one.fun) < NO_WORSE * _rms(best.fun)]
    if np.ptp(as_well, axis=0).sum() > AGREE * np.abs(best.x[:2]).sum():
        return None
    return np.asarray(best.x, np.float64)


def doubt_of(curve: Sigmoid, levels: Samples) -> Samples:
    """Covariance of middle and width, where volumes between the recoils of levels (bottom, top, volume; shape (3,
    levels)) are known to :data:`CHORD_DOUBT`.
    """
    at = np.array([curve.middle_cmh2o, curve.width_cmh2o])
    ahead, behind = (misses(at + sign * STEP * np.eye(2), levels) for sign in (1.0, -1.0))
    slopes = (ahead - behind) / (2 * STEP)
    return np.asarray(CHORD_DOUBT**2 * np.linalg.pinv(slopes @ slopes.T), np.float64)


def misses(shapes: Samples, levels: Samples) -> Samples:
    """What sigmoids (middle, width; shape (n, 2)) leave of the levels' volumes, relative, shape (n, levels)."""
    bottom, top, volume = levels
    middle, width = shapes[:, :1], shapes[:, 1:]
    return _left(share(top, middle, width) - share(bottom, middle, width), volume)


def _left(part: Samples, volume: Samples) -> Samples:
    """What the best multiple of these parts leaves of the volumes, relative."""
    relative = part / volume
    scale = relative.sum(axis=-1, keepdims=True) / (relative**2).sum(axis=-1, keepdims=True)
    return np.asarray(scale * relative - 1.0, np.float64)


def _rms(values: Samples) -> float:
    return float(np.sqrt(np.mean(values**2)))
