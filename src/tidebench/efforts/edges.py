"""A lung of patients who never rest: resistance from edges of flow, elastance from expirations.

Where every breath has an effort no breath shows the lung alone. But a muscle takes time and a valve does not: within
a quarter of a second about the start and the turn of an inflation flow changes by far more than muscle pressure can,
which over so short a time is a smooth curve,

    p(t) = c0 + c1·t + c2·t² + E·V(t) + R·f(t) + K·f|f|(t) + D·min(f, 0)(t),

so that least squares over all such edges, each with a curve of its own, gives R and D; a delay of flow against pressure
is the shift at which the edges leave least. And once inspiratory muscles have relaxed, expiration is the lung's alone:

    p − R·f − K·f|f| − D·f = P0 + E·V,

a straight line. Pieces of expiration in which muscles work have other slopes, each its own; those of a relaxed lung
agree, so E is the slope at which most pieces lie. Edges tell R + K·|f| well and its parts badly, so K is the published
one of the tube where there is one. Both steps are this house's; that muscle pressure is smooth and ends before
expiration does is used by Vicario, IEEE Trans Biomed Eng 2016;63:775, in another way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.efforts.mechanics import LEAST_BREATHS, Lung
from tidebench.efforts.stretch import Stretch, flow_noise
from tidebench.kernels import summing

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

EDGE_S, EDGE_SHARE = 0.25, 0.6  # length of an edge, and its part of the inspiration where that is shorter
BEFORE = 0.4  # of an edge lies before the start or the turn
PIECE_S, PIECE_SHARE = 0.35, 0.3  # length of a piece of expiration, and its part of the expiration
SMOOTH_S = 0.04  # noise averages out over it, an edge does not
CLEAR_S = 0.05  # before the next inflation
CURVE = 3  # terms of the curve that muscle pressure may follow over an edge
LONGEST_DELAY_S, DELAY_STEP_S = 0.03, 0.005
ALIKE = 0.06  # relative difference of slopes that a lung's own unevenness makes (common practice, no source)
CORRELATED_S = 0.06  # over which what is left of a straight line is one observation
NEAR = 2.0  # standard deviations
ROUNDS = 4
LEAST_SHARE = 0.25  # of the pieces that must agree
MOST_UNEXPLAINED = 0.5  # of what pressure does at edges: else, as on CPAP, no valve moved it
Y = 4  # column of pressure, after those of the equation


@summing
def piece_sums(
    p: Samples, f: Samples, smooth_p: Samples, smooth_f: Samples, first: Indices, dt: float, curve: Samples
) -> tuple[Samples, Samples]:
    """Sums of products over pieces of equal length, cleared of curves of their own, shape (n, 5, 5) each.

    Columns are volume from the piece's start, flow, flow squared, expiratory flow and pressure; ``curve`` (terms,
    length) is orthonormal. The first result is smoothed by raw columns (instruments), the second smoothed by smoothed.
    """
    n, length = len(first), curve.shape[1]
    crossed, smoothed = np.zeros((n, 5, 5)), np.zeros((n, 5, 5))
    x, z = np.empty((5, length)), np.empty((5, length))
    for j in range(n):
        volume = 0.0
        for i in range(length):
            at = first[j] + i
            if i > 0:
                volume += 0.5 * (f[at] + f[at - 1]) * dt
            x[0, i] = z[0, i] = volume
            x[1, i], z[1, i] = f[at], smooth_f[at]
            x[2, i], z[2, i] = f[at] * abs(f[at]), smooth_f[at] * abs(smooth_f[at])
            x[3, i], z[3, i] = min(f[at], 0.0), min(smooth_f[at], 0.0)
            x[4, i], z[4, i] = p[at], smooth_p[at]
        for columns in (x, z):
            for a in range(5):
                for term in range(len(curve)):
                    share = np.sum(columns[a] * curve[term])
                    for i in range(length):
                        columns[a, i] -= share * curve[term, i]
        for a in range(5):
            for b in range(5):
                crossed[j, a, b] = np.sum(z[a] * x[b])
                smoothed[j, a, b] = np.sum(z[a] * z[b])
    return crossed, smoothed


def curve_of(terms: int, length: int) -> Samples:
    """Orthonormal polynomials over ``length`` samples, shape (terms, length)."""
    powers = np.vander(np.linspace(-1.0, 1.0, length), terms, increasing=True)
    return np.ascontiguousarray(np.linalg.qr(powers)[0].T)


@dataclass(frozen=True)
class Pieces:
    """Pieces of equal length: their sums (n, 5, 5), see :func:`piece_sums`, and how many samples each has."""

    crossed: Samples
    smoothed: Samples
    length: int

    def left(self, theta: Samples) -> Samples:
        """Mean square of what ``theta`` (4,) or (n, 4) leaves of each piece, cmH2O², shape (n,)."""
        by = np.concatenate([-np.broadcast_to(theta, (len(self.crossed), 4)), np.ones((len(self.crossed), 1))], axis=1)
        square = np.einsum("nij,ni,nj->n", self.smoothed, by, by)
        return np.asarray(np.maximum(square, 0.0) / self.length, np.float64)


def resistances(edges: Pieces, elastance: float, square: float) -> Samples:
    """R, K and D that edges show at an elastance, shape (4,) with it; ``square`` is K where it is known, else NaN.

    Turbulence and a further resistance in expiration are none where they come out negative.
    """
    crossed = edges.crossed.sum(axis=0)
    known = np.array([elastance, 0.0, square if np.isfinite(square) else 0.0, 0.0])
    columns = [FLOW, EXPIRATION] if np.isfinite(square) else [FLOW, SQUARE, EXPIRATION]
    while True:
        theta = known.copy()
        right = crossed[columns, Y] - crossed[columns, :Y] @ known
        theta[columns] = np.linalg.lstsq(crossed[np.ix_(columns, columns)], right, rcond=None)[0]
        lowest = min(columns, key=lambda column: theta[column])
        if lowest == FLOW or theta[lowest] >= 0.0:
            return theta
        columns.remove(lowest)


def smoothed_over(x: Samples, width: int) -> Samples:
    """Moving mean, shape as ``x``."""
    return np.convolve(x, np.full(width, 1.0 / width), "same")


def delayed(f: Samples, delay_s: float, dt: float) -> Samples:
    """Flow as it would be were it recorded so much later."""
    at = np.arange(len(f), dtype=np.float64)
    return np.interp(at - delay_s / dt, at, f)


def pieces_at(stretch: Stretch, flow: Samples, first: Indices, length: int, terms: int) -> Pieces:
    """Pieces of a stretch that begin at ``first``, with the flow given."""
    width = max(1, round(SMOOTH_S * stretch.rate_hz)) | 1
    p, f = stretch.pressure, flow
    arrays = (p, f, smoothed_over(p, width), smoothed_over(f, width))
    return Pieces(*piece_sums(*arrays, first, stretch.dt, curve_of(terms, length)), length)


def edges_of(stretch: Stretch, flow: Samples) -> Pieces:
    """The edges of all inflations: about their start and about their turn."""
    inspiration = float(np.median(stretch.turn - stretch.start))
    length = max(8, round(min(EDGE_S * stretch.rate_hz, EDGE_SHARE * inspiration)))
    first = np.concatenate([stretch.start, stretch.turn]) - round(BEFORE * length)
    inside = (first >= 0) & (first + length <= len(flow))
    return pieces_at(stretch, flow, first[inside], length, CURVE)


def expirations_of(stretch: Stretch, flow: Samples, clear: int) -> Pieces:
    """Pieces of all expirations, each overlapping half of the one before; the first ``clear`` samples left out."""
    expiration = float(np.median(stretch.free - stretch.turn))
    length = max(8, round(min(PIECE_S * stretch.rate_hz, PIECE_SHARE * expiration)))
    last = stretch.free - round(CLEAR_S * stretch.rate_hz) - length
    first = [np.arange(a, b + 1, length // 2) for a, b in zip(stretch.turn + clear, last, strict=True)]
    return pieces_at(stretch, flow, np.concatenate(first).astype(np.int64), length, 1)


def common_slope(slopes: Samples, error: Samples) -> tuple[float, Mask]:
    """The slope at which most of the pieces lie, and which they are; NaN where none is positive."""
    positive = slopes[slopes > 0]
    if not len(positive):
        return np.nan, np.zeros(len(slopes), bool)
    grid = np.geomspace(*np.quantile(positive, [0.03, 0.98]), 400)[:, None]
    width = np.hypot(ALIKE * grid, error)
    density = (np.exp(-0.5 * np.square((slopes - grid) / width)) * grid / width).sum(axis=1)
    slope = float(grid[density.argmax(), 0])
    for _ in range(20):
        width = np.hypot(ALIKE * slope, error)
        near = np.abs(slopes - slope) < NEAR * width
        weight = 1.0 / np.square(width[near])
        slope = float(np.sum(weight * slopes[near]) / np.sum(weight)) if near.any() else slope
    return slope, near


def elastance_of(expirations: Pieces, theta: Samples, stretch: Stretch) -> tuple[float, Mask]:
    """The elastance on which most pieces of expiration agree, and which they are, given the resistances."""
    spread = expirations.crossed[:, VOLUME, VOLUME]
    some = spread > 0
    own = np.zeros((len(spread), 4))
    own[:, 1:] = theta[1:]
    moved = expirations.crossed[:, VOLUME, 1:Y] @ theta[1:]
    own[some, VOLUME] = (expirations.crossed[some, VOLUME, Y] - moved[some]) / spread[some]
    noise = (theta[FLOW] * flow_noise(stretch)) ** 2
    correlated = max(1.0, CORRELATED_S * stretch.rate_hz)
    error = np.full(len(spread), np.inf)
    error[some] = np.sqrt((correlated * expirations.left(own)[some] + noise) / spread[some])
    slope, near = common_slope(own[some, VOLUME], error[some])
    members = np.zeros(len(spread), bool)
    members[some] = near
    return slope, members


def lung_at_edges(stretch: Stretch, flow: Samples) -> Lung | None:
    """The lung that edges and expirations show, or None where they don't.

    Parameters
    ----------
    stretch : Stretch
    flow : ndarray
        Its flow with the loss taken off, L/s.
    """
    if len(stretch.start) < LEAST_BREATHS:
        return None
    steps = round(LONGEST_DELAY_S / DELAY_STEP_S)
    best: tuple[float, Samples, Pieces] | None = None
    for delay in DELAY_STEP_S * np.arange(-steps, steps + 1):
        moved = delayed(flow, float(delay), stretch.dt)
        edges = edges_of(stretch, moved)
        if not len(edges.crossed):
            return None
        left = float(edges.left(resistances(edges, 0.0, stretch.square)).sum())
        if best is None or left < best[0]:
            best = (left, moved, edges)
    assert best is not None
    _, moved, edges = best
    expirations = expirations_of(stretch, moved, round((1.0 - BEFORE) * edges.length))
    if len(expirations.crossed) < LEAST_BREATHS:
        return None
    theta = resistances(edges, 0.0, stretch.square)
    for _ in range(ROUNDS):
        elastance, near = elastance_of(expirations, theta, stretch)
        if not np.isfinite(elastance):
            return None
        theta = resistances(edges, elastance, stretch.square)
    unexplained = edges.left(theta).sum() / edges.left(np.zeros(Y)).sum()
    if theta[FLOW] <= 0.0 or unexplained > MOST_UNEXPLAINED or near.mean() < LEAST_SHARE:
        return None
    residual = float(np.sqrt(np.median(expirations.left(theta)[near])))
    members = np.zeros(len(stretch.start), bool)
    return Lung(theta, ("effort",), members, residual, residual, residual, one_compartment=True)
