"""What a lung's elastance is once gas has settled between its parts, and between what bounds the breaths leave it.

Two parts that fill at different speeds act, seen from their mouth, as one with a spring that relaxes (Otis, J Appl
Physiol 1956;8:427; Mount, J Physiol 1955;127:157):

    p(t) = P0 + E·V + R·f + K·f|f| + D·min(f, 0) + E_r·x,    dx/dt = f − x/τ

E is the elastance that a long hold shows. Fitted without x, the relaxing spring passes for elastance: 5 to 30 % too
much. Noise averages out of the average breath, so that all terms may stand there, x with every τ: those fits that leave
no more than the best one, beyond chance, tell where E lies. So do losses that explain the breath alike. A recoil that
bends (terms in V² and V³) may pass for a spring that relaxes: where it explains the breath as well, no second part is
told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tidebench.efforts.average import Average
from tidebench.efforts.equation import EXPIRATION, quiet
from tidebench.efforts.mechanics import Lung
from tidebench.efforts.stretch import steep, window
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

RELAXING = np.geomspace(0.25, 6.0, 14)  # times τ, in inspiratory times: quicker is resistance, slower is elastance
FINER = np.geomspace(RELAXING[0] / RELAXING[1], RELAXING[1] / RELAXING[0], 9)  # about the best of them
MOST_SLOW = 2.0  # of E: the relaxing spring of parts of which the slow ones, ever so slow, are two thirds
CHANCE = 3.0  # standard errors
TELLS = 0.1  # of an elastance: bounds further away than that tell nothing of parts that fill unevenly
PASSES = 0.015
"""Of the trace: a misfit that may change elastance by several times as much, since what parts at different speeds do
hides in the other terms as well (in simulations by 12 to 30 %): this house's choice."""
KNOWN = 0.03  # of an elastance: bounds as near as that are as good as a number (what is asked of a review)
UNFELT = 0.02  # cmH2O: a misfit that no gauge shows is no evidence, however little noise there is
SINGULAR = 1e-16  # determinant of normal equations scaled to a unit diagonal
MOST_ALIKE = 0.95  # correlation of neighbours among what is left
SLOW = 5  # column of x


class Settled(NamedTuple):
    """Elastance (cmH2O/L), its bounds, and recoil at the breath's start (cmH2O).

    ``around`` are the bounds that noise and losses leave without a second part; ``parts`` is True where one part does
    not explain the average breath and two do otherwise, ``bent`` where a recoil that bends does; ``left`` is what is
    left of it beyond noise and chance, root mean square, cmH2O. ``usual`` is the recoil at the start by the lung that
    single breaths told. ``lossy`` is True where losses of several kinds were asked.
    """

    elastance: float
    low: float
    high: float
    rest: float
    around: tuple[float, float]
    parts: bool
    left: float
    usual: float
    lossy: bool
    bent: bool = False

    @property
    def width(self) -> float:
        """How far the bounds are apart, as a share of the elastance."""
        return (self.high - self.low) / self.elastance


class Told(NamedTuple):
    """What is told of a lung: its elastance and its bounds as multiples of that which single breaths told, by how much
    recoil at the start is higher (cmH2O), whether two parts explain it, and whether it is too far from known.
    """

    ratio: float = 1.0
    low: float = np.nan
    high: float = np.nan
    shift: float = 0.0
    parts: bool = False
    hidden: bool = False


def told(lung: Lung, found: Settled | None, trace: float) -> Told:
    """What a lung's average breath changes of what single breaths told.

    Where one part explains the breath, what single breaths told stays unless it is off by more than noise makes it, or
    where recoil bends, which no elastance of one breath follows;
    where two do, their elastance is told if its bounds are near. Of losses of several kinds none is told from a breath
    (all terms free, one of the wrong kind may leave no more than noise, and an elastance a sixth off), so they make
    bounds alone. Nothing changes where neither explains the breath.
    """
    if found is None or (found.left > PASSES * trace and not found.bent):
        return Told()
    alike = found.bent or found.around[0] <= lung.elastance <= found.around[1]
    stays = found.lossy or (alike and not found.parts)
    low, high = (min(found.low, lung.elastance), max(found.high, lung.elastance)) if stays else (found.low, found.high)
    return Told(
        1.0 if stays else found.elastance / lung.elastance,
        max(low, 0.0) / lung.elastance,
        high / lung.elastance,
        0.0 if stays else found.rest - found.usual,
        found.parts,
        found.parts and found.width > 2.0 * TELLS,
    )


@dataclass(frozen=True)
class Fits:
    """Fits of one average breath: ``plain`` without a relaxing spring, ``slow`` with one, for each τ, ``bent`` with a
    recoil that bends instead, None where it can't be told apart.

    ``noise`` is the variance of a sample's noise, cmH2O squared; ``count`` how many samples were fitted;
    ``rest`` the recoil at the start by the lung that single breaths told, cmH2O.
    """

    plain: Solved
    slow: tuple[Solved, ...]
    bent: Solved | None
    noise: float
    count: int
    rest: float

    @property
    def alone(self) -> float:
        """Mean square that one part leaves, cmH2O squared."""
        return self.plain.square / self.count

    @property
    def best(self) -> Solved:
        """The fit of a possible lung that leaves least."""
        return min((self.plain, *(each for each in self.slow if each.possible)), key=lambda each: each.square)


class Solved(NamedTuple):
    """Least squares: parameters, the inverse of the normal equations, squares left, how many samples are worth one."""

    theta: Samples
    inverse: Samples
    square: float
    correlated: float

    @property
    def elastance(self) -> float:
        """cmH2O/L."""
        return float(self.theta[0])

    @property
    def error(self) -> float:
        """Standard error of the elastance at one cmH2O of noise, cmH2O/L."""
        return float(np.sqrt(self.inverse[0, 0]))

    @property
    def possible(self) -> bool:
        """True where a lung may have this relaxing spring."""
        return bool(self.elastance > 0 and 0 <= self.theta[SLOW] <= MOST_SLOW * self.elastance)

    def within(self, room: float) -> tuple[float, float] | None:
        """Bounds of the elastance among the relaxing springs that leave at most ``room``; None where none does."""
        spare = room - self.square
        if spare < 0:
            return None
        spring, slope = float(self.theta[SLOW]), float(self.inverse[0, SLOW] / self.inverse[SLOW, SLOW])
        reach = float(np.sqrt(spare * self.inverse[SLOW, SLOW]))
        alone = self.elastance - slope * spring
        most = MOST_SLOW * alone / max(1.0 - MOST_SLOW * slope, 1e-9)
        first, last = max(spring - reach, 0.0), min(spring + reach, most)
        if last < first:
            return None
        ends = alone + slope * first, alone + slope * last
        return min(ends), max(ends)


@kernel
def relaxing(flow: Samples, dt: float, tau: float) -> Samples:
    """x of a breath that repeats itself: dx/dt = f − x/τ, at the end as at the start; litres."""
    n = len(flow)
    keep = np.exp(-dt / tau)
    gain = 0.5 * tau * (1.0 - keep)
    out = np.zeros(n)
    for i in range(1, n):
        out[i] = keep * out[i - 1] + gain * (flow[i] + flow[i - 1])
    start = (keep * out[n - 1] + 2.0 * gain * flow[n - 1]) / (1.0 - keep**n)
    for i in range(n):
        out[i] += start
        start *= keep
    return out


def fits_of(average: Average, theta: Samples, *, springs: bool = True) -> Fits | None:
    """All fits of one average breath, or those without springs; None where its terms can't be told apart."""
    whole = average.whole
    flow, p, dt, turn = whole.flow, whole.pressure, whole.dt, int(whole.turn[0])
    mask = np.zeros(len(flow), bool)
    quiet(flow, 0, turn, turn, len(flow), window(whole) // 2, float(steep(whole)[0]), mask)
    volume = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * dt)])
    terms = np.stack([volume, flow, flow * np.abs(flow), np.minimum(flow, 0.0), np.ones(len(flow))], axis=1)[mask]
    y = p[mask]
    plain = least_squares(terms, y)
    if plain is None or plain.elastance <= 0:
        return None

    coarse = RELAXING * turn * dt
    slow = with_springs(terms, y, flow, mask, dt, coarse) if springs else []
    if slow:
        best = coarse[int(np.argmin([each.square for each in slow]))]
        slow += with_springs(terms, y, flow, mask, dt, best * FINER)
    rest = float(np.mean(y - terms[:, : EXPIRATION + 1] @ theta[: EXPIRATION + 1]))
    bent = least_squares(np.column_stack([terms, volume[mask] ** 2, volume[mask] ** 3]), y)
    return Fits(plain, tuple(slow), bent, noise_of(average, mask, plain.theta), int(mask.sum()), rest)


def with_springs(terms: Samples, y: Samples, flow: Samples, mask: Mask, dt: float, times: Samples) -> list[Solved]:
    """Least squares with a spring of each relaxation time; empty where one can't be told from the other terms."""
    springs = np.stack([relaxing(flow, dt, tau)[mask] for tau in times])
    scale = np.sqrt(np.sum(np.square(terms), axis=0))
    size = np.sqrt(np.sum(np.square(springs), axis=1))
    if not np.all(size > 0):
        return []
    base, springs = terms / scale, springs / size[:, None]
    normal, target = np.empty((len(times), SLOW + 1, SLOW + 1)), np.empty((len(times), SLOW + 1, 1))
    normal[:, :SLOW, :SLOW], target[:, :SLOW, 0] = base.T @ base, base.T @ y
    normal[:, SLOW, :SLOW] = normal[:, :SLOW, SLOW] = springs @ base
    normal[:, SLOW, SLOW], target[:, SLOW, 0] = 1.0, springs @ y
    if np.linalg.det(normal).min() < SINGULAR:
        return []
    inverse = np.linalg.inv(normal)
    theta = (inverse @ target)[:, :, 0]
    left = y - theta[:, :SLOW] @ base.T - theta[:, SLOW:] * springs
    square = np.einsum("kn,kn->k", left, left)
    alike = np.clip(np.einsum("kn,kn->k", left[:, 1:], left[:, :-1]) / np.maximum(square, 1e-30), 0.0, MOST_ALIKE)
    found = []
    for k in range(len(times)):
        scales = np.append(scale, size[k])
        worth = float((1 + alike[k]) / (1 - alike[k]))
        found.append(Solved(theta[k] / scales, inverse[k] / np.outer(scales, scales), float(square[k]), worth))
    return found


def least_squares(columns: Samples, y: Samples) -> Solved | None:
    """Ordinary least squares; None where singular."""
    scale = np.sqrt(np.sum(np.square(columns), axis=0))
    if len(y) <= 2 * (SLOW + 1) or not np.all(scale > 0):
        return None
    columns = columns / scale
    normal = columns.T @ columns
    if np.linalg.det(normal) < SINGULAR:
        return None
    inverse = np.linalg.inv(normal)
    theta = inverse @ (columns.T @ y)
    left = y - columns @ theta
    square = float(left @ left)
    alike = min(max(float(left[1:] @ left[:-1]) / max(square, 1e-30), 0.0), MOST_ALIKE)
    return Solved(theta / scale, inverse / np.outer(scale, scale), square, (1 + alike) / (1 - alike))


def noise_of(average: Average, mask: Mask, theta: Samples) -> float:
    """Variance of noise in a sample of the average's p − R·f, cmH2O squared, from what its halves differ by."""
    span = len(average.apart.flow)
    flow = average.whole.flow[:span]
    slope = theta[1] + 2.0 * theta[2] * np.abs(flow) + theta[3] * (flow < 0)
    return float(np.mean(np.square(average.apart.pressure - slope * average.apart.flow)[mask[:span]]))


def settled(averages: Sequence[Average], theta: Samples, trace: float) -> Settled | None:
    """Where a lung's elastance lies, by its average breath with each loss that may have been taken off it.

    Parameters
    ----------
    averages : sequence of Average
        The same breaths with each loss; first that which was believed.
    theta : ndarray
        The lung that single breaths told with that loss, as the columns of :mod:`tidebench.efforts.equation`.
    trace : float
        The pressure that its elastance alone explains, root mean square, cmH2O.

    None where no fit is possible. What a loss of another kind leaves, a spring may make up for: of several losses, two
    parts are not told, and only widen the bounds where they leave less beyond chance with the best of them.
    """
    several = len(averages) > 1
    fits = [(fits_of(each, theta, springs=not several), each) for each in averages]
    found = [(fit, average) for fit, average in fits if fit is not None]
    if not found:
        return None
    lone, average = min(found, key=lambda each: each[0].alone)
    best = (fits_of(average, theta) or lone) if several else lone
    alone, least = best.alone, best.best.square / best.count
    allowed = CHANCE**2 * max(best.noise, least) * best.best.correlated
    better = alone > least + allowed / best.count
    moved = abs(best.best.elastance / best.plain.elastance - 1.0) > KNOWN
    material = alone - best.noise > (PASSES * trace) ** 2 or (alone > max(best.noise, UNFELT**2) and moved)
    bent = better and best.bent is not None and best.bent.square <= best.best.square + allowed
    parts = not several and better and material and not bent
    alike = [fit.plain.elastance for fit, _ in found if fit.alone <= alone + allowed / best.count]
    springs = better or not several
    within = bounded(best, alike, found[0][0].rest, allowed, parts=parts, several=several, springs=springs)
    return within._replace(bent=bent)


def bounded(
    best: Fits, alike: list[float], usual: float, allowed: float, *, parts: bool, several: bool, springs: bool
) -> Settled:
    """The estimate and its bounds: by ``parts``, two or one, and by ``springs``, those that a second part might be.

    ``alike`` are elastances that explain the breath without a spring, ``allowed`` the squares beyond the least.
    """
    chosen = best.best if parts else best.plain
    left = chosen.square / best.count
    error = float(np.sqrt(max(best.noise, left) * chosen.correlated)) * best.plain.error
    bounds = [chosen.elastance] if parts else alike
    around = min(bounds) - CHANCE * error, max(bounds) + CHANCE * error
    room = allowed + best.best.square
    ends = [end for one in best.slow if springs and (within := one.within(room)) for end in within]
    chance = best.noise * (1.0 + CHANCE * np.sqrt(2.0 * chosen.correlated / best.count))
    return Settled(
        chosen.elastance,
        min([*bounds, *ends]) - CHANCE * error,
        max([*bounds, *ends]) + CHANCE * error,
        float(chosen.theta[4]),
        around,
        parts,
        float(np.sqrt(max(0.0, left - chance))),
        usual,
        several,
    )
