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

from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME, Sums

Samples = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

WORTH = 0.93  # a further term must bring the smoothed residual below this share of what it was
LEAST_BREATHS = 5
FLOORS = 3.0  # smoothed residual, in multiples of what noise alone leaves, that still counts as explained
LEAST_EXCESS = 0.3  # of the noise floor: differences below it are not evidence
CORE = 0.12  # the share of breaths whose fit a lung is judged by while searching: passive breaths may be few
TERMS: tuple[tuple[tuple[str, ...], tuple[int, ...]], ...] = (
    ((), ()),
    (("flow squared",), (SQUARE,)),
    (("expiratory resistance",), (EXPIRATION,)),
    (("flow squared", "expiratory resistance"), (SQUARE, EXPIRATION)),
)
UNSEEN = 0.15  # cmH2O: what a muscle pressure of 0.5 cmH2O, no effort by definition, leaves over a breath
HEART_LEFT = 0.15  # of a heartbeat's amplitude stays behind where its rate wanders within a breath
SPREAD = 0.06  # relative spread of single-breath elastance below which breaths are called the same
TIMED_SPREAD = 0.12  # the same for breaths that the ventilator's time began
ALL_BUT = 0.9  # of the members that must be so
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


def solve(sums: Sums, keep: Mask, columns: Sequence[int]) -> Samples | None:
    """Instrumental-variable estimate over the breaths ``keep``; zeros for columns not used; None where singular."""
    chosen = np.array(columns)
    left = sums.zx[keep].sum(axis=0)[np.ix_(chosen, chosen)]
    right = sums.zy[keep].sum(axis=0)[chosen]
    theta = np.zeros(sums.zs.shape[1])
    try:
        theta[chosen] = np.linalg.solve(left, right)
    except np.linalg.LinAlgError:
        return None
    return theta if np.all(np.isfinite(theta)) else None


def single_breaths(sums: Sums, columns: Sequence[int]) -> Samples:
    """The estimate of every breath on its own, shape (n, k); NaN where a breath has too few samples or is singular."""
    chosen = np.array(columns)
    theta = np.full(sums.zs.shape, np.nan)
    left = sums.zx[:, chosen[:, None], chosen[None, :]]
    right = sums.zy[:, chosen]
    scale = np.sqrt(np.abs(np.einsum("nii->ni", left))) + 1e-300
    normal = left / scale[:, :, None] / scale[:, None, :]
    good = (sums.count > 0) & (np.abs(np.linalg.det(normal)) > 1e-9)
    solved = np.linalg.solve(normal[good], (right / scale)[good][..., None])[..., 0] / scale[good]
    rows = np.full((int(good.sum()), theta.shape[1]), 0.0)
    rows[:, chosen] = solved
    theta[good] = rows
    return theta


def plausible(theta: Samples) -> bool:
    """A lung that can be: it recoils, it resists, and it resists at least as much on the way out as on the way in."""
    return bool(
        theta[VOLUME] > 0
        and theta[FLOW] > 0
        and theta[SQUARE] >= -0.05 * abs(theta[FLOW])
        and theta[EXPIRATION] >= -0.05 * theta[FLOW]
    )


def concentrate(sums: Sums, among: Mask, theta: Samples, columns: Sequence[int]) -> tuple[Samples, Mask]:
    """Alternate between fitting and keeping the breaths that the fit explains best (least trimmed squares)."""
    members = among
    for _ in range(6):
        residual = np.where(among, sums.smoothed_residual(theta), np.inf)
        core = np.quantile(residual[among], CORE)
        kept = residual <= max(2.0 * core, np.partition(residual, LEAST_BREATHS - 1)[LEAST_BREATHS - 1])
        fitted = solve(sums, kept, columns)
        if fitted is None:
            break
        settled = np.array_equal(kept, members)
        theta, members = fitted, kept
        if settled:
            break
    return theta, members


def seed(sums: Sums, among: Mask, columns: Sequence[int]) -> Samples | None:
    """Of single-breath fits spread over the stretch, the plausible one that explains a fifth of the breaths best."""
    own = single_breaths(sums, columns)
    able = [j for j in np.flatnonzero(among) if np.all(np.isfinite(own[j])) and plausible(own[j])]
    best, best_core = None, np.inf
    for j in able[:: max(1, len(able) // 40)]:
        core = float(np.quantile(sums.smoothed_residual(own[j])[among], CORE))
        if core < best_core:
            best, best_core = own[j], core
    return best


@dataclass(frozen=True)
class Timing:
    """Which breaths the ventilator's own time began, shape (n,), and the usual size of inflations, cmH2O."""

    timed: Mask
    size: float


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


def find_lung(sums: Sums, among: Mask, heart: bool, timing: Timing) -> Lung | None:
    """The lung that explains most of the breaths ``among``, with the terms that the evidence asks for; or None.

    Terms are added only where they bring the smoothed residual of the breaths explained so far well down
    (:data:`WORTH` for each) and leave a lung that can be.
    """
    if among.sum() < LEAST_BREATHS:
        return None
    rhythm = list(range(4, sums.zs.shape[1])) if heart else []
    theta = seed(sums, among, [VOLUME, FLOW])
    if theta is None:
        return None
    best: Candidate | None = None
    for terms, extra in TERMS:
        trial, members = concentrate(sums, among, theta, [VOLUME, FLOW, *extra, *rhythm])
        if not plausible(trial):
            continue
        before = np.inf if best is None else best.excess(sums, best.members) * WORTH ** (len(extra) - len(best.extra))
        candidate = Candidate(trial, members, terms, extra)
        if candidate.excess(sums, members if best is None else best.members) < before:
            best, theta = candidate, trial
    if best is None:
        return None
    return judge(sums, best.theta, (*best.terms, *(("heartbeat",) if heart else ())), best.members, timing)


def excess(sums: Sums, theta: Samples, over: Mask) -> float:
    """Median smoothed residual over some breaths beyond what noise alone leaves (cmH2O, root of the difference of squares)."""
    residual = float(np.median(sums.smoothed_residual(theta)[over]))
    floor = float(np.median(sums.noise_floor(float(theta[FLOW]))[over]))
    return float(np.sqrt(max(residual**2 - floor**2, (LEAST_EXCESS * floor) ** 2)))


def judge(sums: Sums, theta: Samples, terms: tuple[str, ...], members: Mask, timing: Timing) -> Lung | None:
    """A lung with its tolerance, or None where it can't be, or explains its breaths neither well nor alike."""
    if not plausible(theta) or members.sum() < LEAST_BREATHS:
        return None
    residual = float(np.median(sums.smoothed_residual(theta)[members]))
    floor = float(np.median(sums.noise_floor(float(theta[FLOW]))[members]))
    explained = residual <= FLOORS * floor
    if not explained and not alike(sums, theta, members, residual, timing):
        return None
    beat = float(np.hypot(*theta[4:6])) if len(theta) > 4 else 0.0
    tolerance = max(2.0 * residual, FLOORS * floor, UNSEEN, HEART_LEFT * beat)
    return Lung(theta, terms, members, residual, floor, tolerance, explained)


def alike(sums: Sums, theta: Samples, members: Mask, residual: float, timing: Timing) -> bool:
    """True where the members are the same breath again and again.

    Their own elastances agree closely. Where the ventilator's time began them, agreement to within what gauges allow
    is enough: an effort would have to come at the same moment with the same strength each time.
    """
    spread = relative_spread(own_elastance(sums, theta)[members])
    timed = timing.timed[members].mean() >= ALL_BUT and residual < GAUGE * timing.size
    return bool(spread < SPREAD or (timed and spread < TIMED_SPREAD))


def relative_spread(values: Samples) -> float:
    """Distance between the 10th and 90th percentile, as a share of the median."""
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return float((high - low) / abs(middle))


def own_elastance(sums: Sums, theta: Samples) -> Samples:
    """Elastance of each breath with everything else as in ``theta`` ((k,) or (n, k)), shape (n,), cmH2O/L."""
    theta = np.broadcast_to(theta, sums.zs.shape)
    rest = sums.zy[:, VOLUME] - np.einsum("nk,nk->n", sums.zx[:, VOLUME, 1:], theta[:, 1:])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(rest / sums.zx[:, VOLUME, VOLUME], np.float64)
