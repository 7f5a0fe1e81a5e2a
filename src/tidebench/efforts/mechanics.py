"""Which lung explains which breaths: robust fits of the equation of motion over the breaths of a stretch.

A passive breath obeys the equation of motion to within the sensor's noise; a breath with effort does not, or only with
a lung that cannot be (a resistance that is lower in expiration, a negative elastance). So the search is for lungs that
explain many breaths down to the noise: the breaths that agree are passive, the rest are not explained by that lung.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME, Sums, residuals
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

WORTH = 0.93  # a further term must bring the smoothed residual below this share of what it was
BEYOND = 3.0  # standard errors of an elastance by which one that lacks a term is biased, not unlucky
ONLY_NOISE = 0.7  # of the noise floor: an excess that a fit with many terms leaves by chance
INSTEAD = 0.5  # below which a term must bring it that takes the place of another
LEAST_BREATHS = 5
SEEDS = 24  # single breaths from which the search may start
GOLDEN = 0.5 * (5.0**0.5 - 1.0)
SINGULAR = 1e-9  # determinant of normal equations scaled to a unit diagonal
FLOORS = 3.0  # smoothed residual, in multiples of what noise alone leaves, that still counts as explained
LEAST_EXCESS = 0.3  # of the noise floor: differences below it are not evidence
CORE = 0.12  # the share of breaths whose fit a lung is judged by while searching: passive breaths may be few
TERMS: tuple[tuple[tuple[str, ...], tuple[int, ...]], ...] = (
    (("flow squared",), (SQUARE,)),
    (("flow squared", "expiratory resistance"), (SQUARE, EXPIRATION)),
)
PLAINER: tuple[tuple[tuple[str, ...], tuple[int, ...]], ...] = (
    ((), ()),
    (("expiratory resistance",), (EXPIRATION,)),
)
LOUD = 0.3  # cmH2O
UNSEEN = 0.15  # cmH2O: what a muscle pressure of 0.5 cmH2O, no effort by definition, leaves over a breath
HEART_LEFT = 0.15  # of a heartbeat's amplitude stays behind where its rate wanders within a breath
SPREAD = 0.06  # relative spread of single-breath elastance below which breaths are called the same
TIMED_SPREAD = 0.12  # the same for breaths that the ventilator's time began
HALF, ALL_BUT = 0.5, 0.9  # of the members that must be so
GAUGE = 0.03  # of the pressure of inflations: what pressure and flow gauges may be off


@dataclass(frozen=True)
class Lung:
    """One set of mechanics and the breaths that follow it.

    ``theta`` as the columns of :mod:`tidebench.efforts.equation`; ``terms`` names those used beyond volume and flow;
    ``members`` (n,) the breaths it was fitted to; ``residual`` their median smoothed residual, cmH2O; ``floor`` what
    noise alone would leave; ``tolerance`` the smoothed residual up to which a breath counts as explained.
    ``one_compartment`` is False where the breaths agree with each other but not with the equation.
    """

    theta: Samples
    terms: tuple[str, ...]
    members: Mask
    residual: float
    floor: float
    tolerance: float
    one_compartment: bool

    @property
    def elastance(self) -> float:
        """cmH2O/L."""
        return float(self.theta[VOLUME])

    @property
    def loud(self) -> bool:
        """True where the heart moves airway pressure by more than a curve may bend unseen."""
        return len(self.theta) > EXPIRATION + 1 and float(np.hypot(*self.theta[4:6])) > LOUD


@kernel
def fitted(zx: Samples, zy: Samples, keep: Mask, columns: Indices) -> Samples:
    """Instrumental-variable estimate over the breaths ``keep``; zeros for columns not used; NaN where singular."""
    m = len(columns)
    left = np.zeros((m, m))
    right = np.zeros(m)
    for j in range(len(keep)):
        if keep[j]:
            for a in range(m):
                right[a] += zy[j, columns[a]]
                for b in range(m):
                    left[a, b] += zx[j, columns[a], columns[b]]
    theta = np.zeros(zy.shape[1])
    scale = np.ones(m)
    for a in range(m):
        scale[a] = 1.0 / np.sqrt(abs(left[a, a])) if left[a, a] != 0 else 1.0
    for a in range(m):
        right[a] *= scale[a]
        for b in range(m):
            left[a, b] *= scale[a] * scale[b]
    if abs(np.linalg.det(left)) < SINGULAR:
        theta[:] = np.nan
        return theta
    solution = np.linalg.solve(left, right)
    for a in range(m):
        theta[columns[a]] = solution[a] * scale[a]
    return theta


def own_trace(sums: Sums, lung: Lung) -> float:
    """The pressure that a lung's elastance alone explains over its members, root mean square, cmH2O.

    What volume shares with the other terms is projected out: under a slow exponential, volume and flow say the same.
    A misfit of this size, in the shape that is worst, would move the elastance by the whole of it.
    """
    others = [FLOW, *(column for column in range(SQUARE, len(lung.theta)) if lung.theta[column] != 0)]
    shared = sums.zz[lung.members].sum(axis=0) / max(1.0, float(sums.count[lung.members].sum()))
    across = shared[others, VOLUME]
    alone = shared[VOLUME, VOLUME] - across @ np.linalg.lstsq(shared[np.ix_(others, others)], across, rcond=None)[0]
    return float(lung.elastance * np.sqrt(max(alone, 0.0)))


def solve(sums: Sums, keep: Mask, columns: Sequence[int]) -> Samples | None:
    """Instrumental-variable estimate over the breaths ``keep``; zeros for columns not used; None where singular."""
    theta = fitted(sums.zx, sums.zy, keep, np.array(columns))
    return theta if np.all(np.isfinite(theta)) else None


@kernel
def plausible(theta: Samples) -> bool:
    """A lung that can be: it recoils, it resists, and it resists at least as much on the way out as on the way in."""
    return bool(
        theta[VOLUME] > 0
        and theta[FLOW] > 0
        and theta[SQUARE] >= -0.05 * abs(theta[FLOW])
        and theta[EXPIRATION] >= -0.05 * theta[FLOW]
    )


@kernel
def core_of(residual: Samples, among: Mask) -> tuple[float, float]:
    """The residual that a share :data:`CORE` of the breaths stay below, and that of the fifth best."""
    ordered = np.sort(residual[among])
    ordered = ordered[np.isfinite(ordered)]
    if len(ordered) == 0:
        return np.inf, np.inf
    return ordered[int(CORE * (len(ordered) - 1))], ordered[min(len(ordered), LEAST_BREATHS) - 1]


@kernel
def concentrated(
    zx: Samples,
    zy: Samples,
    zz: Samples,
    zs: Samples,
    ss: Samples,
    count: Samples,
    among: Mask,
    theta: Samples,
    columns: Indices,
) -> tuple[Samples, Mask]:
    """Alternate between fitting and keeping the breaths that the fit explains best (least trimmed squares; Rousseeuw
    and Van Driessen, Data Min Knowl Discov 2006;12:29): first the core alone, so that of several lungs one is found
    and not their mean, then all that come near it. NaN where the breaths kept can't tell the terms apart.
    """
    members = among.copy()
    for width in (1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0):
        residual = residuals(zz, zs, ss, count, theta.reshape(1, -1))
        core, fifth = core_of(residual, among)
        kept = among & (residual <= max(width * core, fifth))
        estimate = fitted(zx, zy, kept, columns)
        if not np.all(np.isfinite(estimate)):
            return estimate, kept
        settled = width > 1.0 and np.all(kept == members)
        theta, members = estimate, kept
        if settled:
            break
    return theta, members


@kernel
def best_seed(
    zx: Samples, zy: Samples, zz: Samples, zs: Samples, ss: Samples, count: Samples, among: Mask, columns: Indices
) -> Samples:
    """Of single-breath fits spread over the stretch, the plausible one that explains its core best; NaN if none is.

    The breaths are drawn by steps of the golden ratio, which follow no rhythm: efforts may come every second breath.
    """
    best = np.full(zy.shape[1], np.nan)
    best_core = np.inf
    alone = np.zeros(len(among), np.bool_)
    breaths = np.flatnonzero(among)
    m = len(breaths)
    for s in range(min(m, SEEDS)):
        j = breaths[s if m <= SEEDS else int((s * GOLDEN) % 1.0 * m)]
        alone[j] = True
        theta = fitted(zx, zy, alone, columns)
        alone[j] = False
        if not np.all(np.isfinite(theta)) or not plausible(theta):
            continue
        core = core_of(residuals(zz, zs, ss, count, theta.reshape(1, -1)), among)[0]
        if core < best_core:
            best, best_core = theta, core
    return best


def concentrate(sums: Sums, among: Mask, theta: Samples, columns: Sequence[int]) -> tuple[Samples, Mask]:
    """:func:`concentrated` on sums."""
    arrays = (sums.zx, sums.zy, sums.zz, sums.zs, sums.ss, sums.count)
    return concentrated(*arrays, among, theta, np.array(columns))


def seed(sums: Sums, among: Mask, columns: Sequence[int]) -> Samples | None:
    """:func:`best_seed` on sums, None where no breath has a plausible fit."""
    theta = best_seed(sums.zx, sums.zy, sums.zz, sums.zs, sums.ss, sums.count, among, np.array(columns))
    return theta if np.all(np.isfinite(theta)) else None


def elastance_error(sums: Sums, members: Mask, theta: Samples, columns: Sequence[int]) -> float:
    """Standard error of the elastance that noise leaves, cmH2O/L, from the instrumental equations over its members.

    Var θ = σ²·(ZᵀX)⁻¹·ZᵀZ·(XᵀZ)⁻¹ with σ² the variance of one sample's noise in p − R·f; infinite where singular.
    """
    across = np.ix_(list(columns), list(columns))
    crossed, squared = (each[members].sum(axis=0)[across] for each in (sums.zx, sums.zz))
    if not np.linalg.cond(crossed) < 1 / SINGULAR:
        return np.inf
    variance = float(np.median(np.square(sums.noise_floor(theta)[members]))) * sums.width
    inverse = np.linalg.inv(crossed)
    return float(np.sqrt(max(0.0, variance * (inverse @ squared @ inverse.T)[0, 0])))


@dataclass(frozen=True)
class Timing:
    """Which breaths the ventilator's own time began, shape (n,), and the usual size of inflations, cmH2O.

    ``by_heart`` is True where inflations keep the beat of a heart that triggers them.
    """

    timed: Mask
    size: float
    by_heart: bool


@dataclass(frozen=True)
class Candidate:
    """A fit with its breaths and terms, before it is judged."""

    theta: Samples
    members: Mask
    terms: tuple[str, ...]
    extra: tuple[int, ...]

    def excess(self, sums: Sums, over: Mask) -> float:
        """See :func:`excess`."""
        return excess(sums, self.theta, over)

    def departs(self, other: Candidate, sums: Sums, heart: bool) -> bool:
        """True where the elastance is another than with fewer terms, beyond noise: theirs was biased.

        The test of Hausman (Econometrica 1978;46:1251): the error of the difference is at most that of the richer fit.
        """
        columns = [VOLUME, FLOW, *self.extra, *(range(4, len(self.theta)) if heart else ())]
        error = elastance_error(sums, self.members, self.theta, columns)
        return abs(float(self.theta[VOLUME] - other.theta[VOLUME])) > BEYOND * error


def likeliest(sums: Sums, among: Mask, heart: bool, by_heart: bool = False) -> Candidate | None:
    """The fit that explains most of the breaths ``among``, with the terms that the evidence asks for; or None.

    Flow through a tube or an upper airway is turbulent, so the flow-squared term is there unless it comes out negative,
    or a resistance that is higher in expiration leaves less than half in its place.
    Further terms are added where they bring the smoothed residual of the breaths explained so far well down
    (:data:`WORTH` for each), or the elastance without them is biased beyond noise, and leave a lung that can be.
    """
    if among.sum() < LEAST_BREATHS:
        return None
    rhythm = list(range(4, sums.zs.shape[1])) if heart else []
    theta = seed(sums, among, [VOLUME, FLOW, *(rhythm[:2] if by_heart else ())])
    if theta is None:
        return None
    best: Candidate | None = None
    for terms, extra in (*TERMS, *PLAINER):
        if best is not None and not extra:
            continue
        trial, members = concentrate(sums, among, theta, [VOLUME, FLOW, *extra, *rhythm])
        if not plausible(trial):
            continue
        instead = INSTEAD if SQUARE not in extra else WORTH ** (len(extra) - len(best.extra if best else ()))
        before = np.inf if best is None else instead * best.excess(sums, best.members)
        named = (*terms, *(("heartbeat",) if heart else ()))
        candidate = Candidate(trial, members, named, extra)
        left = candidate.excess(sums, members if best is None else best.members)
        if left < before or (best is not None and _unbiased(candidate, best, left, sums, heart)):
            best, theta = candidate, trial
    return best


def _unbiased(candidate: Candidate, best: Candidate, left: float, sums: Sums, heart: bool) -> bool:
    """True where a candidate has the terms of the best and more, leaves but noise, and departs from it beyond noise.

    Where more than noise is left, the lung is not that of the equation, and further terms bend to what it does.
    """
    further = set(candidate.extra) > set(best.extra)
    floor = float(np.median(sums.noise_floor(candidate.theta)[candidate.members]))
    return further and left < ONLY_NOISE * floor and candidate.departs(best, sums, heart)


def find_lung(sums: Sums, among: Mask, heart: bool, timing: Timing) -> Lung | None:
    """The lung that explains most of the breaths ``among``, if it explains them well or they are alike; or None."""
    found = likeliest(sums, among, heart, timing.by_heart)
    if found is None:
        return None
    lung = as_lung(sums, found)
    return lung if lung.one_compartment or alike(sums, lung, timing) else None


def excess(sums: Sums, theta: Samples, over: Mask) -> float:
    """Median smoothed residual over some breaths beyond what noise leaves, cmH2O: root of the difference of squares."""
    residual = float(np.median(sums.smoothed_residual(theta)[over]))
    floor = float(np.median(sums.noise_floor(theta)[over]))
    return float(np.sqrt(max(residual**2 - floor**2, (LEAST_EXCESS * floor) ** 2)))


def as_lung(sums: Sums, found: Candidate) -> Lung:
    """A fit with its tolerance; ``one_compartment`` where it leaves its breaths no more than noise or a heart does."""
    theta, members = found.theta, found.members
    residual = float(np.median(sums.smoothed_residual(theta)[members]))
    floor = float(np.median(sums.noise_floor(theta)[members]))
    beat = float(np.hypot(*theta[4:6])) if len(theta) > 4 else 0.0
    explained = residual <= max(FLOORS * floor, HEART_LEFT * beat)
    tolerance = max(2.0 * residual, FLOORS * floor, UNSEEN, HEART_LEFT * beat)
    return Lung(theta, found.terms, members, residual, floor, tolerance, explained)


def alike(sums: Sums, lung: Lung, timing: Timing) -> bool:
    """True where a lung's members are the same breath again and again, begun by the ventilator's time.

    Their own elastances agree closely, or to within what gauges allow where time began nearly all of them: an effort
    would have to come at the same moment with the same strength each time.
    """
    spread = relative_spread(own_elastance(sums, lung.theta)[lung.members])
    timed = timing.timed[lung.members].mean()
    within_gauge = timed >= ALL_BUT and lung.residual < GAUGE * timing.size and spread < TIMED_SPREAD
    return bool((timed >= HALF and spread < SPREAD) or within_gauge)


def relative_spread(values: Samples) -> Samples:
    """Distance between the 10th and 90th percentile, as a share of the median, along the last axis."""
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9], axis=-1)
    return np.asarray((high - low) / np.abs(middle), np.float64)


def own_elastance(sums: Sums, theta: Samples) -> Samples:
    """Elastance of each breath with everything else as in ``theta`` ((k,) or (n, k)), shape (n,), cmH2O/L."""
    theta = np.broadcast_to(theta, sums.zs.shape)
    rest = sums.zy[:, VOLUME] - np.einsum("nk,nk->n", sums.zx[:, VOLUME, 1:], theta[:, 1:])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(rest / sums.zx[:, VOLUME, VOLUME], np.float64)


def own_elastance_error(sums: Sums, theta: Samples) -> Samples:
    """Standard error that noise leaves in :func:`own_elastance`, shape (n,), cmH2O/L; NaN or infinite where no samples.

    σ·√(ZᵀZ)/|ZᵀX| for volume alone, with σ the standard deviation of one sample's noise in p − R·f.
    """
    noise = sums.noise_floor(theta) * np.sqrt(sums.width)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(noise * np.sqrt(sums.zz[:, VOLUME, VOLUME]) / np.abs(sums.zx[:, VOLUME, VOLUME]), np.float64)
