"""Passive or not, and with which lung: decided once for every breath of a stretch, used by all that follows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tidebench.efforts import heartbeat
from tidebench.efforts.equation import FLOW, HARMONICS, LONGEST_EXPIRATION_S, VOLUME, Sums, gather
from tidebench.efforts.mechanics import (
    HALF,
    HEART_LEFT,
    LEAST_BREATHS,
    SPREAD,
    Lung,
    Timing,
    excess,
    find_lung,
    own_elastance,
    plausible,
    relative_spread,
    solve,
)
from tidebench.efforts.muscle import rise_at_end
from tidebench.inflations import leak as losses
from tidebench.inflations.leak import Loss
from tidebench.kernels import kernel

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

LONGEST_WINDOW_S = 0.16  # smoothing: long against noise and secretions, short against a breath
WINDOW_SHARE = 0.2  # of inspiratory time, where that is shorter
STEEP = 0.25  # of the flow scale within two samples: an edge, not a breath
BETTER = 0.88  # of the excess: what another exponent must bring
HEART_BETTER = 0.7  # of the excess: what a heartbeat must bring
HELD_ALLOWANCE = 3.0  # after a hold, tissue has relaxed, which the equation does not know
LUNGS = 3  # sets of mechanics looked for in one stretch
FURTHER_SHARE = 0.15  # of the breaths that a further lung must explain
TRIGGER_S = 0.08  # an effort that triggers has at least this long to show before the start
EFFORT = 0.5  # cmH2O of muscle pressure: an effort, by definition
LEAST_RISE = 0.3  # cmH2O, mean over that time, when an effort has just reached it
USUAL_RISE = 0.15  # cmH2O, median over many breaths before triggered ones
VARIOUS = 0.2  # relative spread of elastance that no passive patient shows from breath to breath
SHOWN = 2.0  # residuals by which pressure must vary within a breath to show a lung at all
STEP = 1.0  # cmH2O by which the resting pressure changes over a breath when PEEP was moved, not its noise
HELPED = 4.0  # noise floors above which the best possible passive lung leaves an effort, not a doubt


@dataclass(frozen=True)
class Stretch:
    """Samples of one stretch without gaps in its breaths, and its breaths as sample indices, shape (n,) each."""

    pressure: Samples
    flow: Samples
    rate_hz: float
    start: Indices
    held: Indices  # where an inspiratory hold has gone on long enough; the turn if there is none
    turn: Indices
    free: Indices  # where expiration ends or is occluded
    end: Indices
    size: Samples  # local pressure scale at each breath
    drive: Samples  # local flow scale at each breath
    timed: Mask  # True where the ventilator's own time began the breath

    @property
    def dt(self) -> float:
        """Seconds per sample."""
        return 1.0 / self.rate_hz


@dataclass(frozen=True)
class Explained:
    """What the efforts stage knows of every breath.

    ``passive`` is 1, 0, or −1 where it can't be told; ``lung`` the index of the lung that explains the breath, or of
    the nearest one in time for a breath with effort, −1 without any; ``elastance``, ``resistance``, ... of passive
    breaths, NaN otherwise. ``intercept`` is the recoil pressure at the breath's start, passive breaths only.
    """

    lungs: tuple[Lung, ...]
    loss: Loss
    passive: npt.NDArray[np.int8]
    lung: Indices
    theta: Samples
    elastance: Samples
    intercept: Samples
    residual: Samples
    floor: Samples
    heart_hz: float | None
    heart_phase: Samples

    def with_effort(self, moved_by_effort: Mask) -> Explained:
        """The same, knowing of some breaths that effort alone moved them (no inflation was delivered)."""
        return replace(
            self,
            passive=np.where(moved_by_effort, 0, self.passive).astype(np.int8),
            elastance=np.where(moved_by_effort, np.nan, self.elastance),
            intercept=np.where(moved_by_effort, np.nan, self.intercept),
        )


def window(stretch: Stretch) -> int:
    """Width of the smoothing, an odd number of samples."""
    inspiration = float(np.median(stretch.turn - stretch.start)) * stretch.dt
    return max(1, round(min(LONGEST_WINDOW_S, WINDOW_SHARE * inspiration) * stretch.rate_hz)) | 1


def sums_with(stretch: Stretch, loss: Loss, phase: Samples, heart_hz: float | None) -> Sums:
    """The equation's sums with a loss taken off, and a heartbeat among the columns where one is given."""
    width = window(stretch)
    passed = np.zeros(0)
    if heart_hz is not None:
        passed = np.sinc(np.arange(1, HARMONICS + 1) * heart_hz * width * stretch.dt)
    longest = round(LONGEST_EXPIRATION_S * stretch.rate_hz)
    arrays = gather(
        stretch.pressure, stretch.flow, stretch.start, stretch.held, stretch.turn, stretch.free, stretch.dt,
        loss.offset, loss.leak, loss.exponent, phase, passed, STEEP * stretch.drive, width, longest,
    )  # fmt: skip
    return Sums(*arrays, width)


def timing(stretch: Stretch) -> Timing:
    """What the search for lungs may know of time and size."""
    return Timing(stretch.timed, float(np.median(stretch.size)))


@dataclass(frozen=True)
class Attempt:
    """A lung, the loss it was found with, and the sums it was found in."""

    lung: Lung
    loss: Loss
    sums: Sums

    def excess(self, over: Mask) -> float:
        """Residual of some breaths beyond noise, cmH2O."""
        return excess(self.sums, self.lung.theta, over)

    def beats(self, other: Attempt | None, factor: float) -> bool:
        """True where this explains the other's breaths with less than ``factor`` of its excess."""
        if other is None:
            return True
        return self.excess(other.lung.members) < factor * other.excess(other.lung.members)


def best_lung(stretch: Stretch, candidates: list[Loss], phase: Samples, heart_hz: float | None) -> Attempt | None:
    """The lung that the evidence prefers over all candidate losses: the first unless another is clearly better."""
    best: Attempt | None = None
    for loss in candidates:
        sums = sums_with(stretch, loss, phase, heart_hz)
        lung = find_lung(sums, sums.count > 0, heart_hz is not None, timing(stretch))
        if lung is None:
            continue
        attempt = Attempt(lung, loss, sums)
        if attempt.beats(best, BETTER):
            best = attempt
    return best


def candidate_losses(stretch: Stretch, offset: Loss, material: bool, resting_pressure: Samples) -> list[Loss]:
    """Losses to try, the likeliest first: a leak with several exponents and an offset where the loss is material."""
    if not material:
        return [offset]
    arrays = (stretch.pressure, stretch.flow, stretch.start, stretch.end, stretch.dt)
    leaks = [losses.as_leak(*arrays, exponent) for exponent in losses.EXPONENTS]
    return [offset, *leaks] if losses.looks_like_offset(*arrays, stretch.turn, resting_pressure) else [*leaks, offset]


@kernel
def lost(p: Samples, start: Indices, end: Indices, offset: Samples, leak: Samples, exponent: float) -> Samples:
    """The flow that offset and leak take at every sample of every breath, L/s, shape (len(p),); zero elsewhere."""
    out = np.zeros(len(p))
    for j in range(len(start)):
        for i in range(start[j], end[j]):
            out[i] = offset[j]
            if leak[j] > 0 and p[i] > 0:
                out[i] += leak[j] * p[i] ** exponent
    return out


def loss_flow(stretch: Stretch, loss: Loss) -> Samples:
    """:func:`lost` of a loss."""
    return lost(stretch.pressure, stretch.start, stretch.end, loss.offset, loss.leak, loss.exponent)


def listen(stretch: Stretch, loss: Loss, theta: Samples, over: Mask) -> tuple[Samples, float] | None:
    """Phase and rate of the heartbeat in what a lung leaves of the pressure of some breaths; None where there is none.

    Its rate is sought over the breaths ``over``, without the noise that efforts make; its phase is followed through
    all.
    """
    if len(stretch.start) < 2:
        return None
    clear = max(3, round(0.06 * stretch.rate_hz))
    longest = round(LONGEST_EXPIRATION_S * stretch.rate_hz)
    flow = stretch.flow - loss_flow(stretch, loss)
    breathing = 1.0 / (float(np.median(np.diff(stretch.start))) * stretch.dt)

    def left(turn: Indices, end: Indices) -> Samples:
        return heartbeat.leftover(stretch.pressure, flow, turn, end, stretch.dt, theta, clear, longest)

    rate = heartbeat.find_rate(left(stretch.turn[over], stretch.free[over]), stretch.rate_hz, breathing)
    if rate is None:
        return None
    return heartbeat.phase(left(stretch.turn, stretch.free), stretch.rate_hz, rate), rate


def with_heartbeat(
    stretch: Stretch, candidates: list[Loss], still: Attempt | None
) -> tuple[Attempt | None, Samples, float | None]:
    """The best lung with a heartbeat, if one is heard and explains enough; else the lung without.

    Where a lung explains its breaths to within the noise there is nothing left for a heart to explain.
    """
    none = np.zeros(0)
    if still and still.excess(still.lung.members) < still.lung.floor:
        return still, none, None
    loss, theta = candidates[0], still.lung.theta if still else None
    if theta is None:
        sums = sums_with(stretch, loss, none, None)
        theta = solve(sums, sums.count > 0, [VOLUME, FLOW])
    best, best_phase, best_rate = still, none, None
    for factor in (HEART_BETTER, 1.0):
        over = best.lung.members if best else np.ones(len(stretch.start), bool)
        heard = None if theta is None else listen(stretch, loss, theta, over)
        if heard is None:
            break
        attempt = best_lung(stretch, candidates, *heard)
        if attempt is None or not attempt.beats(best, factor):
            break
        best, best_phase, best_rate = attempt, *heard
        loss, theta = attempt.loss, attempt.lung.theta
    return best, best_phase, best_rate


def further_lungs(sums: Sums, first: Lung, heart: bool, timing: Timing) -> list[Lung]:
    """Lungs that explain breaths which the first does not: mechanics change, and a change is not an effort."""
    lungs = [first]
    usable = sums.count > 0
    while len(lungs) < LUNGS:
        left = usable.copy()
        for lung in lungs:
            left &= sums.smoothed_residual(lung.theta) > lung.tolerance
        if left.sum() < max(2 * LEAST_BREATHS, FURTHER_SHARE * usable.sum()):
            break
        found = find_lung(sums, left, heart, timing)
        if found is None or not found.one_compartment or found.members.sum() < FURTHER_SHARE * usable.sum():
            break
        lungs.append(found)
    return lungs


def refine(sums: Sums, lung: Lung) -> Lung:
    """The lung fitted again to all breaths that it explains."""
    explained = (sums.count > 0) & (sums.smoothed_residual(lung.theta) <= lung.tolerance)
    columns = [c for c in range(len(lung.theta)) if lung.theta[c] != 0 or c < 2]
    theta = solve(sums, explained, columns)
    return replace(lung, theta=theta, members=explained) if theta is not None and plausible(theta) else lung


def explain(stretch: Stretch, offset: Loss, material: bool, resting_pressure: Samples) -> Explained:
    """Decide for every breath of a stretch: passive or not, by which lung, with what loss taken off.

    Parameters
    ----------
    stretch : Stretch
    offset, material : Loss, bool
        The loss if all of it is the sensor's offset, and whether it could be a leak that matters.
    resting_pressure : ndarray, shape (n,)
        Mean over the quiet stretch at the end of each expiration, cmH2O.
    """
    candidates = candidate_losses(stretch, offset, material, resting_pressure)
    best, phase, heart_hz = with_heartbeat(stretch, candidates, best_lung(stretch, candidates, np.zeros(0), None))
    if best is None or shows_nothing(best) or triggered_by_effort(stretch, best, phase):
        return unexplained(stretch, candidates, resting_pressure)
    sums = best.sums
    lungs = [refine(sums, lung) for lung in further_lungs(sums, best.lung, heart_hz is not None, timing(stretch))]
    allowance = np.where(stretch.held < stretch.turn, HELD_ALLOWANCE, 1.0)
    residuals = np.array([sums.smoothed_residual(lung.theta) / (lung.tolerance * allowance) for lung in lungs])
    choice = np.argmin(np.where(np.isfinite(residuals), residuals, np.inf), axis=0).astype(np.int64)
    share = residuals[choice, np.arange(len(choice))]
    passive = np.where(share <= 1, 1, 0).astype(np.int8)
    passive[~np.isfinite(share)] = -1
    theta = np.array([lung.theta for lung in lungs])[choice]
    passive[(passive == 0) & over_a_step(resting_pressure)] = -1
    rise = end_rises(stretch, best.loss, theta, phase)
    passive[rising(rise, theta, passive == 1, stretch.timed)] = 0
    known = passive == 1
    return Explained(
        lungs=tuple(lungs),
        loss=best.loss,
        passive=passive,
        lung=choice,
        theta=theta,
        elastance=np.where(known, own_elastance(sums, theta), np.nan),
        intercept=np.where(known, sums.intercept(theta), np.nan),
        residual=sums.smoothed_residual(theta),
        floor=sums.noise_floor(theta[:, FLOW]),
        heart_hz=heart_hz,
        heart_phase=phase,
    )


def over_a_step(resting_pressure: Samples) -> Mask:
    """Breaths at whose end the lung rests at another PEEP than at their start.

    Such a breath moves along more of the recoil curve than its neighbours, which no one elastance describes: what the
    equation leaves of it is no sign of effort.
    """
    return np.abs(np.diff(resting_pressure, prepend=resting_pressure[:1])) > STEP


def end_rises(stretch: Stretch, loss: Loss, theta: Samples, phase: Samples) -> Samples:
    """Rise of muscle pressure at the end of each breath, cmH2O, shape (n,); 0 where it can't be seen."""
    heart = phase if len(phase) else np.zeros(len(stretch.flow))
    flow = stretch.flow - loss_flow(stretch, loss)
    short = max(2, round(TRIGGER_S * stretch.rate_hz))
    rise = rise_at_end(stretch.pressure, flow, stretch.turn, stretch.free, stretch.dt, theta, heart, short)
    return np.where(np.isfinite(rise), rise, 0.0)


def rising(rise: Samples, theta: Samples, among: Mask, timed: Mask) -> Mask:
    """Breaths ``among`` those given at whose end muscle pressure rises: the next breath's effort begins within them.

    What breaths before a timed one show is no effort's, and taken off.
    """
    before_timed = among & np.append(timed[1:], False)
    usual = float(np.median(rise[before_timed])) if before_timed.sum() >= LEAST_BREATHS else 0.0
    spread = 1.48 * np.median(np.abs(rise[among] - np.median(rise[among]))) if among.any() else 0.0
    beat = np.hypot(theta[:, 4], theta[:, 5]) if theta.shape[1] > 4 else np.zeros(len(rise))
    limit = np.minimum(max(LEAST_RISE, 3.0 * spread), EFFORT + HEART_LEFT * beat)
    return among & (rise - usual > limit)


def shows_nothing(attempt: Attempt) -> bool:
    """True where pressure hardly varies within the members' breaths, as on CPAP: any very soft lung explains it."""
    sums, members = attempt.sums, attempt.lung.members
    swing = np.sqrt(sums.ss[members] / sums.count[members])
    return bool(np.median(swing) < SHOWN * attempt.lung.residual)


def triggered_by_effort(stretch: Stretch, attempt: Attempt, phase: Samples) -> bool:
    """True where a lung's breaths were triggered and look triggered by effort: then it is no passive lung.

    A patient whose every inflation is helped by a like effort obeys the equation of motion with a lung softer than the
    real one. But efforts show before the inflation that they trigger, and they vary.
    """
    lung = attempt.lung
    following = np.append(stretch.timed[1:], True)
    members = lung.members & ~following
    if members.sum() < HALF * lung.members.sum():
        return False
    theta = np.tile(lung.theta, (len(members), 1))
    rise = end_rises(stretch, attempt.loss, theta, phase)
    own = own_elastance(attempt.sums, lung.theta)[members]
    beat = float(np.hypot(*lung.theta[4:6])) if len(lung.theta) > 4 else 0.0
    return bool(np.median(rise[members]) > USUAL_RISE + HEART_LEFT * beat or relative_spread(own) > SPREAD)


def unexplained(stretch: Stretch, candidates: list[Loss], resting_pressure: Samples) -> Explained:
    """No lung that can be explains the breaths.

    They are with effort where even the best fit leaves far more than noise, and where that can't be an unusual lung on
    a ventilator that keeps time, since the breaths differ from each other or were triggered. Else it can't be told.
    """
    loss = candidates[0]
    if loss.leaking:
        loss = losses.from_rest(
            stretch.pressure, stretch.flow, stretch.start, stretch.turn, stretch.end, stretch.dt, resting_pressure
        )
    sums = sums_with(stretch, loss, np.zeros(0), None)
    n = len(stretch.start)
    theta = solve(sums, sums.count > 0, [VOLUME, FLOW]) if n else None
    residual = np.full(n, np.nan) if theta is None else sums.smoothed_residual(theta)
    floor = np.full(n, np.nan) if theta is None else sums.noise_floor(float(theta[FLOW]))
    helped = residual > HELPED * floor
    if theta is not None:
        own = own_elastance(sums, theta)
        various = relative_spread(own[np.isfinite(own)]) > VARIOUS
        helped &= various | ~stretch.timed
    passive = np.where(helped, 0, -1).astype(np.int8)
    nothing = np.full(n, np.nan)
    return Explained(
        lungs=(),
        loss=loss,
        passive=passive,
        lung=np.full(n, -1, np.int64),
        theta=np.full((n, 4), np.nan),
        elastance=nothing,
        intercept=nothing,
        residual=residual,
        floor=floor,
        heart_hz=None,
        heart_phase=np.zeros(0),
    )
