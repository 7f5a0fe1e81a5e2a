"""A lung of patients who never rest: resistance from edges of flow, elastance from expirations.

Where every breath has an effort no breath shows the lung alone. But a muscle takes time and a valve does not: within
a quarter of a second about the start and the turn of an inflation flow changes by far more than muscle pressure can,
which over so short a time is a smooth curve,

    p(t) = c0 + c1·t + c2·t² + E·V(t) + R·f(t) + K·f|f|(t) + D·min(f, 0)(t),

so that least squares over all such edges, each with a curve of its own, gives R and D; a delay of flow against pressure
is the shift at which the edges leave least. And once inspiratory muscles have relaxed, expiration is the lung's alone:

    p − R·f − K·f|f| − D·f = P0 + E·V,

a straight line. Pieces of expiration in which muscles work have other slopes, each its own; those of a relaxed lung
agree, so E is their robust mean. Where muscles work through expiration, as when each inflation is followed by an
effort, inflations that the ventilator's time began show the lung before it: where most were, pieces of them are taken
if they agree better. Edges tell R + K·|f| well and its parts badly, so K is the published
one of the tube where there is one. Both steps are this house's; that muscle pressure is smooth and ends before
expiration does is used by Vicario, IEEE Trans Biomed Eng 2016;63:775, in another way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tidebench.efforts.equation import EXPIRATION, FLOW, SQUARE, VOLUME
from tidebench.efforts.mechanics import HALF, LEAST_BREATHS, Lung
from tidebench.efforts.stretch import Stretch, flow_noise
from tidebench.kernels import summing

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

START_S, TURN_S, EDGE_SHARE = 0.2, 0.12, 0.6  # length of edges, and their part of the inspiration if that is shorter
START_BEFORE, TURN_BEFORE = 0.2, 0.05  # shares of an edge before the start, after an effort's onset, or the turn
PIECE_S, PIECE_SHARE = 0.35, 0.3  # length of a piece of expiration, and its part of the expiration
SMOOTH_S = 0.04  # noise averages out over it, an edge does not
CLEAR_S = 0.05  # before the next inflation
CURVE = 3  # terms of the curve that muscle pressure may follow over an edge
LONGEST_DELAY_S, DELAY_STEP_S, LAG_S = 0.06, 0.005, 0.01
TELLING = 0.5  # of what edges leave without a delay: chance and uneven lungs don't halve it
ENOUGH_BREATHS = 80
ALIKE = 0.06  # relative difference of slopes that a lung's own unevenness makes (common practice, no source)
CORRELATED_S = 0.06  # over which what is left of a straight line is one observation
HEAVIEST = 0.8  # quantile of the pieces' weights above which none weighs more
EXACT = 1e-6  # of the slope: pieces of a signal without noise differ by rounding
CUT, NEAR = 4.0, 2.0  # robust standard deviations: beyond, a piece tells of something else; within, it agrees
ROUNDS = 4
WORST = 0.15  # standard error of the elastance as a share of it, beyond which there is none
OVERLAP = 2  # pieces of expiration that share samples
MOST_UNEXPLAINED = 0.8  # of what pressure does at edges: else, as on CPAP, no valve moved it
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
                    share = 0.0
                    for i in range(length):
                        share += columns[a, i] * curve[term, i]
                    for i in range(length):
                        columns[a, i] -= share * curve[term, i]
        for a in range(5):
            for b in range(5):
                by_raw = by_smooth = 0.0
                for i in range(length):
                    by_raw += z[a, i] * x[b, i]
                    by_smooth += z[a, i] * z[b, i]
                crossed[j, a, b], smoothed[j, a, b] = by_raw, by_smooth
    return crossed, smoothed


@cache
def curve_of(terms: int, length: int) -> Samples:
    """Orthonormal polynomials over ``length`` samples, shape (terms, length)."""
    powers = np.vander(np.linspace(-1.0, 1.0, length), terms, increasing=True)
    curve = np.ascontiguousarray(np.linalg.qr(powers)[0].T)
    curve.flags.writeable = False
    return curve


@dataclass(frozen=True)
class Pieces:
    """Pieces of equal length: their sums (n, 5, 5), see :func:`piece_sums`, and how many samples each has."""

    crossed: Samples
    smoothed: Samples
    length: int

    def joined(self, other: Pieces) -> Pieces:
        """Both together; ``length`` is of those that come first."""
        crossed, smoothed = (
            np.concatenate([getattr(self, name), getattr(other, name)]) for name in ("crossed", "smoothed")
        )
        return Pieces(crossed, smoothed, self.length)

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


class Traces(NamedTuple):
    """Pressure (cmH2O) and flow (L/s) of a stretch, as recorded and with noise averaged out, shape (samples,) each."""

    pressure: Samples
    flow: Samples
    smooth_pressure: Samples
    smooth_flow: Samples


def traces_of(stretch: Stretch, flow: Samples) -> Traces:
    """Those of a stretch with the flow given."""
    return Traces(stretch.pressure, flow, smooth(stretch.pressure, stretch), smooth(flow, stretch))


def smooth(x: Samples, stretch: Stretch) -> Samples:
    """Moving mean over :data:`SMOOTH_S`, shape as ``x``."""
    width = max(1, round(SMOOTH_S * stretch.rate_hz)) | 1
    return np.convolve(x, np.full(width, 1.0 / width), "same")


def delayed(f: Samples, delay_s: float, dt: float) -> Samples:
    """Flow as it would be were it recorded so much later: between samples a straight line, beyond the ends the last."""
    whole, part = divmod(delay_s / dt, 1.0)
    near = f[np.clip(np.arange(-1, len(f)) - int(whole), 0, len(f) - 1)]
    return np.asarray(near[1:] + part * (near[:-1] - near[1:]), np.float64)


def pieces_at(traces: Traces, dt: float, first: Indices, length: int, terms: int) -> Pieces:
    """Pieces that begin at ``first``."""
    p, f, smooth_p, smooth_f = traces
    return Pieces(*piece_sums(p, f, smooth_p, smooth_f, first, dt, curve_of(terms, length)), length)


def edges_of(stretch: Stretch, traces: Traces) -> Pieces:
    """The edges of all inflations: at their start, from the onset of an effort before it, and at their turn."""
    return edges_at(stretch, traces, stretch.start, START_S, START_BEFORE).joined(
        edges_at(stretch, traces, stretch.turn, TURN_S, TURN_BEFORE)
    )


def edges_at(stretch: Stretch, traces: Traces, at: Indices, seconds: float, before: float) -> Pieces:
    """Edges about some samples, as long as given or as inspirations allow, a share of them before."""
    inspiration = float(np.median(stretch.turn - stretch.start))
    length = max(2 * CURVE, round(min(seconds * stretch.rate_hz, EDGE_SHARE * inspiration)))
    first = at - round(before * length)
    inside = first[(first >= 0) & (first + length <= len(traces.flow))]
    return pieces_at(traces, stretch.dt, inside, length, CURVE)


def pieces_between(stretch: Stretch, traces: Traces, begin: Indices, stop: Indices, phase: float) -> Pieces:
    """Pieces of equal length between samples of each breath, each overlapping half of the one before.

    ``phase`` is how long the phase lasts of which they are taken, in samples.
    """
    length = max(8, round(min(PIECE_S * stretch.rate_hz, PIECE_SHARE * phase)))
    first = [np.arange(a, b - length + 1, length // 2) for a, b in zip(begin, stop, strict=True)]
    return pieces_at(traces, stretch.dt, np.concatenate([*first, np.zeros(0)]).astype(np.int64), length, 1)


def expirations_of(stretch: Stretch, traces: Traces) -> Pieces:
    """Pieces of all expirations, after the edge and clear of the next inflation."""
    after = stretch.turn + round(TURN_S * stretch.rate_hz)
    before = stretch.free - round(CLEAR_S * stretch.rate_hz)
    return pieces_between(stretch, traces, after, before, float(np.median(stretch.free - stretch.turn)))


def timed_inspirations_of(stretch: Stretch, traces: Traces) -> Pieces:
    """Pieces of the inflations that the ventilator's time began, after the edge and before they end or are held."""
    after = stretch.start + round(TURN_S * stretch.rate_hz)
    before = np.minimum(stretch.turn, stretch.held) - round(CLEAR_S * stretch.rate_hz)
    timed, phase = stretch.timed, float(np.median(stretch.turn - stretch.start))
    return pieces_between(stretch, traces, after[timed], before[timed], phase)


def weighted_median(values: Samples, weight: Samples) -> float:
    """The value below and above which lies half of the weight."""
    order = np.argsort(values)
    heaped = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(heaped, 0.5 * heaped[-1])])


def common_slope(slopes: Samples, error: Samples) -> tuple[float, float, Mask]:
    """The slope on which pieces agree, their robust standard deviation, and which they are.

    Tukey's biweight about the weighted median (Beaton and Tukey, Technometrics 1974;16:147): a heartbeat spreads the
    slopes to both sides, muscles that work bring some of them far off.
    """
    weight = 1.0 / np.square(np.hypot(ALIKE * np.median(np.abs(slopes)), error))
    weight = np.minimum(weight, np.quantile(weight, HEAVIEST))
    slope = weighted_median(slopes, weight)
    spread = max(1.4826 * weighted_median(np.abs(slopes - slope), weight), EXACT * abs(slope))
    for _ in range(20):
        counted = weight * np.square(np.maximum(0.0, 1.0 - np.square((slopes - slope) / (CUT * spread))))
        slope = float(np.sum(counted * slopes) / np.sum(counted))
    return slope, spread, np.abs(slopes - slope) < NEAR * spread


def elastance_of(expirations: Pieces, theta: Samples, stretch: Stretch) -> tuple[float, float, Mask]:
    """The elastance on which pieces of expiration agree given the resistances, its spread, and which they are."""
    spread = expirations.crossed[:, VOLUME, VOLUME]
    some = spread > 0
    if some.sum() < LEAST_BREATHS:
        return np.nan, np.nan, some
    own = np.zeros((len(spread), 4))
    own[:, 1:] = theta[1:]
    moved = expirations.crossed[:, VOLUME, 1:Y] @ theta[1:]
    own[some, VOLUME] = (expirations.crossed[some, VOLUME, Y] - moved[some]) / spread[some]
    noise = (theta[FLOW] * flow_noise(stretch)) ** 2
    correlated = max(1.0, CORRELATED_S * stretch.rate_hz)
    error = np.full(len(spread), np.inf)
    error[some] = np.sqrt((correlated * expirations.left(own)[some] + noise) / spread[some])
    slope, scatter, near = common_slope(own[some, VOLUME], error[some])
    members = np.zeros(len(spread), bool)
    members[some] = near
    return slope, scatter, members


def in_time(stretch: Stretch) -> tuple[Stretch, float]:
    """The stretch with its flow in time with its pressure, and by how much flow was put later, s."""
    delay_s = delay_at_edges(stretch)
    if delay_s == 0.0:
        return stretch, 0.0
    return replace(stretch, flow=delayed(stretch.flow, delay_s, stretch.dt)), delay_s


def delay_at_edges(stretch: Stretch) -> float:
    """By how much flow is recorded too early against pressure, s: the shift with which edges fit best.

    It has to halve what edges leave without one; else, or within :data:`DELAY_STEP_S`, it is taken for none. So is one
    at the end of those tried: what fits ever better the further it is shifted is no delay.
    """
    delays, left = left_by_delay(stretch, stretch.flow, LONGEST_DELAY_S + DELAY_STEP_S)
    best = int(np.argmin(left))
    if best in (0, len(left) - 1):
        return 0.0
    telling = left[best] < TELLING * left[len(left) // 2] and abs(delays[best]) > 1.5 * DELAY_STEP_S
    return float(delays[best]) if telling else 0.0


def lag_at_edges(stretch: Stretch, flow: Samples) -> float:
    """As :func:`delay_at_edges`, the small shift that a sensor's lag or a filter makes of any recording, s."""
    delays, left = left_by_delay(stretch, flow, LAG_S)
    return float(delays[np.argmin(left)])


def left_by_delay(stretch: Stretch, flow: Samples, longest_s: float) -> tuple[Samples, Samples]:
    """Shifts of flow up to ``longest_s`` either way, s, and the sum of squares that edges leave with each.

    A sensor's delay stays, so the first :data:`ENOUGH_BREATHS` tell it. One shift of none where there are no edges.
    """
    last = int(stretch.end[:ENOUGH_BREATHS][-1])
    stretch = replace(
        stretch,
        pressure=stretch.pressure[:last],
        start=stretch.start[:ENOUGH_BREATHS],
        turn=stretch.turn[:ENOUGH_BREATHS],
    )
    traces = traces_of(stretch, flow[:last])
    if not len(edges_of(stretch, traces).crossed):
        return np.zeros(1), np.zeros(1)
    steps = round(longest_s / DELAY_STEP_S)
    delays = DELAY_STEP_S * np.arange(-steps, steps + 1)
    left = []
    for delay in delays.tolist():
        later = delayed(traces.flow, delay, stretch.dt)
        edges = edges_of(stretch, traces._replace(flow=later, smooth_flow=smooth(later, stretch)))
        left.append(float(edges.left(resistances(edges, 0.0, stretch.square)).sum()))
    return delays.astype(np.float64), np.array(left, np.float64)


@dataclass(frozen=True)
class Shown:
    """What edges and pieces show together: theta (4,), the elastance's standard error, cmH2O/L, what is left, cmH2O."""

    theta: Samples
    error: float
    residual: float

    @property
    def share(self) -> float:
        """The error as a share of the elastance; infinite where there is no lung."""
        return self.error / self.theta[VOLUME] if min(self.theta[FLOW], self.theta[VOLUME]) > 0.0 else np.inf


def shown_by(edges: Pieces, pieces: Pieces, stretch: Stretch) -> Shown | None:
    """Resistances of the edges and the elastance on which pieces agree, each with the other; None where too few are."""
    if len(pieces.crossed) < LEAST_BREATHS:
        return None
    theta = resistances(edges, 0.0, stretch.square)
    for _ in range(ROUNDS):
        elastance, spread, near = elastance_of(pieces, theta, stretch)
        if not np.isfinite(elastance):
            return None
        theta = resistances(edges, elastance, stretch.square)
    error = spread / np.sqrt(max(1.0, near.sum() / OVERLAP))
    return Shown(theta, error, float(np.sqrt(np.median(pieces.left(theta)[near]))))


def lung_at_edges(stretch: Stretch, flow: Samples) -> Lung | None:
    """The lung that edges and expirations, or timed inspirations, show; None where they don't.

    Parameters
    ----------
    stretch : Stretch
    flow : ndarray
        Its flow with the loss taken off and in time with pressure, L/s.
    """
    if len(stretch.start) < LEAST_BREATHS:
        return None
    traces = traces_of(stretch, flow)
    edges = edges_of(stretch, traces)
    if not len(edges.crossed):
        return None
    kinds = [expirations_of, timed_inspirations_of] if np.mean(stretch.timed) >= HALF else [expirations_of]
    each = [shown_by(edges, pieces(stretch, traces), stretch) for pieces in kinds]
    shown = min((one for one in each if one is not None), key=lambda one: one.share, default=None)
    if shown is None or shown.share > WORST:
        return None
    theta = shown.theta
    if edges.left(theta).sum() / edges.left(np.zeros(Y)).sum() > MOST_UNEXPLAINED:
        return None
    members = np.zeros(len(stretch.start), bool)
    named = ((SQUARE, "flow squared"), (EXPIRATION, "expiratory resistance"))
    terms = tuple(name for column, name in named if theta[column] > 0.0)
    return Lung(theta, terms, members, shown.residual, shown.residual, shown.residual, one_compartment=True)
