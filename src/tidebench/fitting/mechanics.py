"""The lung of passive breaths: least squares on the equation of motion, tissue relaxation where the breaths show it.

    P = P0 + E·V + R_in·V'₊ + R_ex·V'₋ + k2·V'·|V'| + P_r,    dP_r/dt = E_r·V' − P_r/τ

P0 is each breath's own. For a given τ all else is linear, so τ is sought over its whole range instead of from a
start: there is no other minimum to fall into. A lung of two compartments in parallel is the same equation seen from its
mouth, as long as both are linear (:mod:`compartments`), so what would be too much slow pressure for tissue is two
compartments, where one leaves twice as much. k2 is the tube's by its published law, where there
is one. Intervals come from the spread of breaths (each breath's errors belong together, Liang and Zeger, Biometrika
1986;73:13) and from what a linear lung with one time constant was found to miss on virtual patients that are built
otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.fitting.waves import Wave
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]

TIMES_S = np.geomspace(0.12, 2.5, 12)
BETTER = 0.9  # of the residual: relaxation has to explain a tenth more
MOST_RELAXATION = 0.6  # of elastance: tissue takes less (common practice, no source)
MOST_UNEVEN, MUCH_BETTER = 6.0, 0.5
"""Of elastance, and of the residual: two compartments may ask for more slow pressure than tissue does, where they leave
half of what one leaves (this house's choice)."""
FINER = 1.3  # about the best time of the grid
SEEN = 2.0  # standard errors of its elastance
ELASTANCE, INSPIRATION, EXPIRATION, RELAXATION, TURBULENCE = range(5)
LIMIT, AGAINST, SPAN, MIDDLE, WIDTH = range(5, 10)
"""Further columns of drawn lungs: limiting resistance and what a limited lung empties against; a sigmoid's span (L),
middle and width (cmH2O). 0 for what a lung does not have.
"""
LEAST = np.array([0.3, 0.05, 0.05, 0.0, 0.0])
"""Bounds below which a draw is no lung."""
MISSED = np.array([0.015, 0.03, 0.05, 0.2, 0.2])
"""What the equation misses of lungs that are built otherwise, relative (open population of virtual patients)."""
UNEVEN_MISSED = np.array([0.03, 0.03, 0.05, 0.05, 0.2])
"""The same where two compartments are the lung: slow pressure is theirs, and large (this house's choice)."""


@dataclass(frozen=True)
class Mechanics:
    """A lung as fitted.

    Attributes
    ----------
    theta : ndarray, shape (5,)
        E (cmH2O/L), R_in and R_ex (cmH2O·s/L, tube's k2 taken off), E_r (cmH2O/L), k2 (cmH2O·s²/L²).
    covariance : ndarray, shape (5, 5)
    relaxation_s : float
        τ, s; 1 where there is no relaxation.
    residual : float
        Root mean square that is left, cmH2O.
    total_peep : ndarray, shape (n,)
        P0 of each breath, cmH2O.
    known_square : bool
        True where k2 is a published law's.
    """

    theta: Samples
    covariance: Samples
    relaxation_s: float
    residual: float
    total_peep: Samples
    known_square: bool
    relaxation_error: float = 0.0
    """Standard error of τ, relative."""

    @property
    def uneven(self) -> bool:
        """True where slow pressure is more than tissue's: two compartments in parallel, seen from their mouth."""
        return bool(self.theta[RELAXATION] > MOST_RELAXATION * self.theta[ELASTANCE])

    def draw(self, rng: np.random.Generator, n: int) -> Samples:
        """``n`` lungs within the doubt, shape (n, 5)."""
        missed = np.diag(((UNEVEN_MISSED if self.uneven else MISSED) * self.theta) ** 2)
        spread = rng.multivariate_normal(self.theta, self.covariance + missed, size=n, method="svd")
        return np.asarray(np.maximum(spread, np.minimum(LEAST, self.theta)), np.float64)


@kernel
def relaxing(flow: Samples, dt: float, time_s: float) -> Samples:
    """Pressure of a spring of 1 cmH2O/L behind a dashpot, from rest: ``dp/dt = V' − p/τ``, trapezoid rule."""
    out = np.zeros(len(flow))
    keep = (1.0 - 0.5 * dt / time_s) / (1.0 + 0.5 * dt / time_s)
    gain = 0.5 * dt / (1.0 + 0.5 * dt / time_s)
    for i in range(1, len(flow)):
        out[i] = keep * out[i - 1] + gain * (flow[i] + flow[i - 1])
    return out


def periodic(flow: Samples, dt: float, time_s: float) -> Samples:
    """The same for a breath that follows many like it: what it begins with is what it ends with."""
    once = relaxing(flow, dt, time_s)
    fades = np.exp(-np.arange(len(flow)) * dt / time_s)
    return np.asarray(once + once[-1] / (1.0 - fades[-1]) * fades, np.float64)


def terms(wave: Wave, time_s: float | None, square: float | None) -> tuple[Samples, Samples]:
    """Columns of the equation (unknowns in order) and what they have to make, each less its mean over the breath."""
    flow = wave.flow
    rows = [wave.volume, np.maximum(flow, 0.0), np.minimum(flow, 0.0)]
    rows.append(np.zeros(len(flow)) if time_s is None else periodic(flow, wave.dt, time_s))
    bent = flow * np.abs(flow)
    rows.append(bent if square is None else np.zeros(len(flow)))
    told = wave.pressure - (0.0 if square is None else square * bent)
    x, y = np.stack(rows, axis=1)[wave.clear], told[wave.clear]
    return x - x.mean(axis=0), y - y.mean()


def solved(
    waves: Sequence[Wave], time_s: float | None, square: float | None, use: npt.NDArray[np.bool_]
) -> tuple[Samples, Samples, float]:
    """Unknowns, covariance and root mean square residual for one τ; unknowns that are not used are zero."""
    parts = [terms(wave, time_s, square) for wave in waves]
    gram = sum((x.T @ x for x, _ in parts), start=np.zeros((5, 5)))
    right = sum((x.T @ y for x, y in parts), start=np.zeros(5))
    theta, inverse = np.zeros(5), np.zeros((5, 5))
    chosen = np.ix_(use, use)
    scale = np.sqrt(np.maximum(np.diag(gram)[use], 1e-12))
    inverse[chosen] = np.linalg.pinv(gram[chosen] / np.outer(scale, scale)) / np.outer(scale, scale)
    theta[use] = (inverse @ right)[use]
    scores = np.array([x.T @ (y - x @ theta) for x, y in parts])
    left = sum(float(np.sum((y - x @ theta) ** 2)) for x, y in parts)
    count = sum(len(y) for _, y in parts)
    breaths = len(parts)
    spread = scores.T @ scores * breaths / max(1, breaths - 1)
    return theta, inverse @ spread @ inverse, float(np.sqrt(left / max(1, count)))


def fit_mechanics(waves: Sequence[Wave], square: float | None) -> Mechanics:
    """Fit passive breaths; ``square`` is the tube's k2 by its law, None where the breaths have to tell it.

    Relaxation, and a k2 of the breaths' own, are kept where they are positive, seen beyond their error and worth it.
    """
    use = np.array([True, True, True, False, False])
    theta, covariance, residual = solved(waves, None, square, use)
    if square is None:
        bent = use | np.array([False, False, False, False, True])
        more, its_covariance, less = solved(waves, None, square, bent)
        if sensible(more, its_covariance, TURBULENCE) and less < BETTER * residual:
            use, theta, covariance, residual = bent, more, its_covariance, less
    time_s = 1.0
    relaxed = use | np.array([False, False, False, True, False])
    tau = best_time(waves, square, relaxed)
    more, its_covariance, less = solved(waves, tau, square, relaxed)
    off = 0.0
    most = MOST_UNEVEN if less < MUCH_BETTER * residual else MOST_RELAXATION
    if sensible(more, its_covariance, RELAXATION, most) and less < BETTER * residual:
        theta, covariance, residual, time_s = more, its_covariance, less, tau
        covariance, off = with_time(waves, theta, covariance, tau, square, relaxed)
    if square is not None:
        theta[TURBULENCE] = square
    origins = np.array([origin(wave, theta, time_s) for wave in waves])
    return Mechanics(theta, covariance, time_s, residual, origins, square is not None, off)


def best_time(waves: Sequence[Wave], square: float | None, use: npt.NDArray[np.bool_]) -> float:
    """The τ that leaves least, s: over the whole range by a grid, then between the neighbours of its best."""
    from scipy.optimize import minimize_scalar

    def left(log_time: float) -> float:
        return solved(waves, float(np.exp(log_time)), square, use)[2]

    best = float(min(TIMES_S, key=lambda tau: left(float(np.log(tau)))))
    edges = np.log([max(TIMES_S[0], best / FINER), min(TIMES_S[-1], best * FINER)])
    return float(np.exp(minimize_scalar(left, bounds=tuple(edges), method="bounded", options={"xatol": 0.01}).x))


def with_time(
    waves: Sequence[Wave], theta: Samples, covariance: Samples, tau: float, square: float | None,
    use: npt.NDArray[np.bool_],
) -> tuple[Samples, float]:  # fmt: skip
    """Covariance of the unknowns, and the relative error of τ beside them.

    τ's own column is ``E_r·∂p/∂ln τ`` (Gauss and Newton). What τ leaves open of two compartments is added to theirs;
    tissue's share is too small for that to matter.
    """
    step = 0.05
    gram, scores = np.zeros((6, 6)), []
    for wave in waves:
        x, y = terms(wave, tau, square)
        moved = [periodic(wave.flow, wave.dt, tau * float(np.exp(sign * step))) for sign in (1.0, -1.0)]
        slope = (theta[RELAXATION] * (moved[0] - moved[1]) / (2 * step))[wave.clear]
        rows = np.column_stack([x[:, :5], slope - slope.mean()])
        gram += rows.T @ rows
        scores.append(rows.T @ (y - x @ theta))
    chosen = np.append(use, True)
    part = np.ix_(chosen, chosen)
    scale = np.sqrt(np.maximum(np.diag(gram)[chosen], 1e-12))
    inverse = np.linalg.pinv(gram[part] / np.outer(scale, scale)) / np.outer(scale, scale)
    told = np.array(scores)[:, chosen]
    whole = inverse @ (told.T @ told) @ inverse * len(waves) / max(1, len(waves) - 1)
    if theta[RELAXATION] > MOST_RELAXATION * theta[ELASTANCE]:
        covariance = covariance.copy()
        covariance[np.ix_(use, use)] = whole[:-1, :-1]
    return covariance, float(np.sqrt(max(whole[-1, -1], 0.0)))


def sensible(theta: Samples, covariance: Samples, further: int, most: float = MOST_RELAXATION) -> bool:
    """True where a further unknown is positive and beyond its error, and leaves the others a lung's."""
    error = float(np.sqrt(max(covariance[further, further], 0.0)))
    if theta[RELAXATION] > most * theta[ELASTANCE]:
        return False
    return bool(theta[further] > SEEN * error and (theta[:EXPIRATION] > 0).all() and theta[EXPIRATION] >= 0)


def modelled(wave: Wave, theta: Samples, time_s: float) -> Samples:
    """Pressure that the lung asks for beyond P0, cmH2O, shape (n,)."""
    flow = wave.flow
    out = theta[ELASTANCE] * wave.volume + theta[TURBULENCE] * flow * np.abs(flow)
    out += theta[INSPIRATION] * np.maximum(flow, 0.0) + theta[EXPIRATION] * np.minimum(flow, 0.0)
    if theta[RELAXATION] > 0:
        out += theta[RELAXATION] * periodic(flow, wave.dt, time_s)
    return np.asarray(out, np.float64)


def origin(wave: Wave, theta: Samples, time_s: float) -> float:
    """P0 of a breath: what pressure has beyond the lung's share, mean over its clear samples."""
    return float(np.mean((wave.pressure - modelled(wave, theta, time_s))[wave.clear]))
