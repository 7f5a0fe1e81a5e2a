"""Passive or not, and with which lung: decided once for every breath of a stretch, used by all that follows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from tidebench.efforts.average import Average, average_of, excerpt, misfit
from tidebench.efforts.edges import delayed, lag_at_edges, lung_at_edges
from tidebench.efforts.equation import FLOW, VOLUME, Sums
from tidebench.efforts.mechanics import (
    BEYOND,
    HALF,
    HEART_LEFT,
    LEAST_BREATHS,
    SPREAD,
    Lung,
    own_elastance,
    own_elastance_error,
    own_trace,
    relative_spread,
    solve,
)
from tidebench.efforts.muscle import rise_at_end
from tidebench.efforts.repetition import Differences, allowed_difference, compared, fitted_to_pairs, lung_of, runs
from tidebench.efforts.search import (
    Attempt,
    best_lung,
    candidate_losses,
    further_lungs,
    refine,
    timing,
    with_heartbeat,
)
from tidebench.efforts.settled import Told, settled, told
from tidebench.efforts.stretch import Stretch, longest, loss_flow, passed_by, steep, sums_with, unleaked
from tidebench.inflations import leak as losses
from tidebench.inflations.leak import Loss

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

HELD_ALLOWANCE = 3.0  # after a hold, tissue has relaxed, which the equation does not know
TRIGGER_S = 0.08  # an effort that triggers has at least this long to show before the start
EFFORT = 0.5  # cmH2O of muscle pressure: an effort, by definition
LEAST_RISE = 0.3  # cmH2O, mean over that time, when an effort has just reached it
USUAL_RISE = 0.15  # cmH2O, median over many breaths before triggered ones
MORE_THAN_NOISE = 2.0  # noise floors: a triggered lung that leaves more is doubted, and any sure rise counts
SURE = 3.75  # 3 standard errors of a median, in standard deviations over the root of the number
OUTER = 1.9  # 10th to 90th percentile over the distance of quartiles, of chance
VARIOUS = 0.2  # relative spread of elastance that no passive patient shows from breath to breath
SHOWN = 2.0  # residuals by which pressure must vary within a breath to show a lung at all
STEP = 1.0  # cmH2O by which the resting pressure changes over a breath when PEEP was moved, not its noise
SETTLING = 5  # breaths after such a step in which a lung may still open or close
ABOUT = 10  # breaths before and after one among which it is asked whether they differ
HELPED = 4.0  # noise floors above which the best possible passive lung leaves an effort, not a doubt


@dataclass(frozen=True)
class Explained:
    """What the efforts stage knows of every breath.

    ``passive`` is 1, 0, or −1 where it can't be told; ``lung`` the index of the lung that explains the breath, or of
    the nearest one in time for a breath with effort, −1 without any; ``elastance``, ``resistance``, ... of passive
    breaths, NaN otherwise. ``intercept`` is the recoil pressure at the breath's start, passive breaths only; ``trace``
    the pressure that its lung's elastance alone explains (:func:`own_trace`), cmH2O, and ``misfit`` what the equation
    leaves of that lung's average breath (:func:`misfit`). ``low`` and ``high`` are the bounds that the average breath
    leaves elastance (:mod:`tidebench.efforts.settled`), NaN where it says nothing; ``parts`` is True where two parts
    explain the lung and one does not, ``hidden`` where besides they leave its elastance unknown. ``lag_s`` is by how
    much flow still has to be put later where
    edges alone tell the lung. ``loss_in_doubt`` is True where a leak and an offset, or leaks of several kinds, explain
    the breaths alike with elastances far apart. ``doubtful`` are breaths of a patient who never rests that only the
    lung of the edges has: where their muscle pressure by it is not known either, nothing tells of an effort in them.
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
    low: Samples
    high: Samples
    parts: Mask
    hidden: Mask
    trace: Samples
    misfit: Samples
    heart_hz: float | None
    heart_phase: Samples
    lag_s: float = 0.0
    loss_in_doubt: bool = False
    doubtful: Mask | None = None

    def with_effort(self, moved_by_effort: Mask) -> Explained:
        """The same, knowing of some breaths that effort alone moved them (no inflation was delivered)."""
        return replace(
            self,
            passive=np.where(moved_by_effort, 0, self.passive).astype(np.int8),
            elastance=np.where(moved_by_effort, np.nan, self.elastance),
            intercept=np.where(moved_by_effort, np.nan, self.intercept),
            doubtful=None if self.doubtful is None else self.doubtful & ~moved_by_effort,
        )


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
    if best is None or shows_nothing(best) or helped_by_effort(stretch, best, phase):
        return without_rest(stretch, candidates, resting_pressure)
    given, stretch, sums = stretch, unleaked(stretch, best.loss), best.sums
    lungs = [refine(sums, lung) for lung in further_lungs(sums, best.lung, heart_hz is not None, timing(stretch))]
    allowance = np.where(stretch.held < stretch.turn, HELD_ALLOWANCE, 1.0)
    share, choice = nearest(sums, lungs, allowance)
    differences = differences_of(stretch, best, phase, heart_hz, share > 1)
    repeating = [
        lung_of(sums, run, heart_hz is not None) for run in runs(differences.repeats, (share > 1) & stretch.timed)
    ]
    lungs += [lung for lung in repeating if lung is not None]
    among_all, nearest_of_all = nearest(sums, lungs, allowance)
    changed = (share > 1) & stretch.timed & (among_all <= 1)
    choice[changed], share[changed] = nearest_of_all[changed], among_all[changed]
    choice = np.where(share <= 1, choice, nearest_in_time(choice, share <= 1))
    passive = np.where(share <= 1, 1, 0).astype(np.int8)
    passive[~np.isfinite(share) | between_lungs(passive, choice, differences.changed)] = -1
    theta = np.array([lung.theta for lung in lungs])[choice]
    passive[(passive == 0) & after_a_step(resting_pressure, passive == 1)] = -1
    rise = end_rises(stretch, best.loss, theta, phase)
    passive[rising(rise, theta, passive == 1, stretch.timed)] = 0
    known = passive == 1
    traces = [own_trace(sums, lung) for lung in lungs]
    averages = [average_of(stretch, best.loss, lung) for lung in lungs]
    tells = [of_lung(given, candidates, best, *each) for each in zip(lungs, averages, traces, strict=True)]
    ratio, low, high, shift, parts, hidden = (np.array(each)[choice] for each in zip(*tells, strict=True))
    own = np.where(known, own_elastance(sums, theta), np.nan)
    return Explained(
        lungs=tuple(lungs),
        loss=best.loss,
        passive=passive,
        lung=choice,
        theta=theta,
        elastance=own * ratio,
        intercept=np.where(known, sums.intercept(theta) + shift, np.nan),
        low=own * low,
        high=own * high,
        parts=parts & known,
        hidden=hidden & known,
        residual=sums.smoothed_residual(theta),
        floor=sums.noise_floor(theta),
        trace=np.array(traces)[choice],
        misfit=np.array([misfit(*each) for each in zip(averages, lungs, strict=True)])[choice],
        heart_hz=heart_hz,
        heart_phase=phase,
        loss_in_doubt=best.in_doubt,
    )


def of_lung(
    stretch: Stretch, candidates: list[Loss], best: Attempt, lung: Lung, average: Average | None, trace: float
) -> Told:
    """What a lung's average breath tells beyond single ones, with the loss that was taken off and the other candidates.

    ``stretch`` is as it was recorded, no leak taken from its pressure.
    """
    if average is None:
        return Told()
    averages = [average]
    if len(candidates) > 1:
        few, with_losses = excerpt(stretch, [best.loss, *(each for each in candidates if each is not best.loss)], lung)
        all_of_them = replace(lung, members=np.ones(len(few.start), bool))
        tried = (average_of(unleaked(few, loss), loss, all_of_them) for loss in with_losses)
        averages = [each for each in tried if each is not None]
    return told(lung, settled(averages, lung.theta, trace), trace)


def differences_of(
    stretch: Stretch, attempt: Attempt, phase: Samples, heart_hz: float | None, wanted: Mask
) -> Differences:
    """How far breaths are from the breath before them, where that is wanted."""
    sums = attempt.sums
    theta = fitted_to_pairs(sums)
    flow = stretch.flow - loss_flow(stretch, attempt.loss)
    apart, unlike = compared(
        stretch.pressure, flow, stretch.start, stretch.held, stretch.turn, stretch.free, stretch.dt, phase,
        passed_by(stretch, heart_hz), steep(stretch), sums.width, longest(stretch),
        theta, wanted & stretch.timed,
    )  # fmt: skip
    return Differences(apart, unlike, allowed_difference(sums, theta))


def between_lungs(passive: npt.NDArray[np.int8], lung: Indices, changed: Mask) -> Mask:
    """Breaths with which one lung becomes another: all that each does otherwise than the one before is to change.

    Mechanics that are on their way explain what neither lung does, so an effort can't be told there.
    """
    out = np.zeros(len(passive), bool)
    known = np.flatnonzero(passive == 1)
    for before, after in pairwise(known):
        inside = slice(before + 1, after)
        out[inside] = lung[before] != lung[after] and bool(np.all(changed[inside]))
    return out


def nearest(sums: Sums, lungs: list[Lung], allowance: Samples) -> tuple[Samples, Indices]:
    """What the nearest lung leaves of each breath, as a share of its tolerance (NaN without samples), and its index."""
    residuals = np.array([sums.smoothed_residual(lung.theta) / (lung.tolerance * allowance) for lung in lungs])
    choice = np.argmin(np.where(np.isfinite(residuals), residuals, np.inf), axis=0).astype(np.int64)
    return residuals[choice, np.arange(len(choice))], choice


def nearest_in_time(choice: Indices, explained: Mask) -> Indices:
    """The lung of the explained breath nearest to each breath; ``choice`` where none is explained."""
    known = np.flatnonzero(explained)
    if not len(known):
        return choice
    each = np.arange(len(choice))
    after = np.minimum(np.searchsorted(known, each), len(known) - 1)
    before = np.maximum(after - 1, 0)
    closer = np.where(np.abs(known[after] - each) < np.abs(known[before] - each), after, before)
    return choice[known[closer]]


def after_a_step(resting_pressure: Samples, explained: Mask) -> Mask:
    """Breaths at whose end the lung rests at another PEEP than at their start, and those after that still settle.

    Such a breath moves along more of the recoil curve than its neighbours, which no one elastance describes, and units
    go on opening or closing for some breaths: what the equation leaves of them is no sign of effort.
    """
    step = np.abs(np.diff(resting_pressure, prepend=resting_pressure[:1])) > STEP
    settling = step.copy()
    for j in np.flatnonzero(step):
        for k in range(int(j) + 1, min(int(j) + 1 + SETTLING, len(step))):
            if explained[k]:
                break
            settling[k] = True
    return settling


def end_rises(stretch: Stretch, loss: Loss, theta: Samples, phase: Samples) -> Samples:
    """Rise of muscle pressure at the end of each breath, cmH2O, shape (n,); 0 where it can't be seen."""
    heart = phase if len(phase) else np.zeros(len(stretch.flow))
    flow = stretch.flow - loss_flow(stretch, loss)
    short = max(2, round(TRIGGER_S * stretch.rate_hz))
    rise = rise_at_end(stretch.pressure, flow, stretch.turn, stretch.free, stretch.dt, theta, heart, short)
    return np.where(np.isfinite(rise), rise, 0.0)


def rising(rise: Samples, theta: Samples, among: Mask, timed: Mask) -> Mask:
    """Breaths ``among`` those given at whose end muscle pressure rises: the next breath's effort begins within them.

    What breaths before a timed one show is no effort's, and taken off. After the last breath nothing is known to begin.
    """
    among = among & (np.arange(len(rise)) < len(rise) - 1)
    before_timed = among & np.append(timed[1:], False)
    usual = float(np.median(rise[before_timed])) if before_timed.sum() >= LEAST_BREATHS else 0.0
    spread = 1.48 * np.median(np.abs(rise[among] - np.median(rise[among]))) if among.any() else 0.0
    beat = np.hypot(theta[:, 4], theta[:, 5]) if theta.shape[1] > 4 else np.zeros(len(rise))
    limit = np.minimum(max(LEAST_RISE, 3.0 * spread), EFFORT + HEART_LEFT * beat)
    return among & (rise - usual > limit)


def shows_nothing(attempt: Attempt) -> bool:
    """True where pressure hardly varies within the members' breaths, as on CPAP: any very soft lung explains it."""
    sums, members = attempt.sums, attempt.lung.members
    swing = np.sqrt(np.maximum(sums.ss[members], 0.0) / sums.count[members])
    return bool(np.median(swing) < SHOWN * attempt.lung.residual)


def helped_by_effort(stretch: Stretch, attempt: Attempt, phase: Samples) -> bool:
    """True where a lung's breaths look helped by effort: then it is no passive lung.

    A patient whose every inflation is helped by a like effort obeys the equation of motion with a lung softer than the
    real one. But efforts vary from breath to breath, which is no drift of mechanics, and they show before an inflation
    that they trigger. A sensitive trigger is reached by little: where a lung leaves more than noise, a rise that is
    surely there is enough.
    """
    lung = attempt.lung
    if lung.one_compartment and varies(attempt):
        return True
    following = np.append(stretch.timed[1:], True)
    members = lung.members & ~following
    if members.sum() < HALF * lung.members.sum():
        return False
    theta = np.tile(lung.theta, (len(members), 1))
    rise = end_rises(stretch, attempt.loss, theta, phase)[members]
    beat = float(np.hypot(*lung.theta[4:6])) if len(lung.theta) > 4 else 0.0
    doubted = lung.residual > MORE_THAN_NOISE * lung.floor
    least = min(USUAL_RISE, SURE * float(np.std(rise)) / np.sqrt(len(rise))) if doubted else USUAL_RISE
    own = own_elastance(attempt.sums, lung.theta)[members]
    return bool(np.median(rise) > least + HEART_LEFT * beat or relative_spread(own) > SPREAD)


def varies(attempt: Attempt) -> bool:
    """True where elastance varies from each of a lung's breaths to the next by more than noise and passive lungs do."""
    members, theta = attempt.lung.members, attempt.lung.theta
    own = own_elastance(attempt.sums, theta)[members]
    noise = 2.56 * float(np.median(own_elastance_error(attempt.sums, theta)[members])) / attempt.lung.elastance
    return bool(from_breath_to_breath(own) > max(SPREAD, BEYOND * noise))


def various(own: Samples) -> Mask:
    """Where elastances differ from breath to breath by more than in passive patients: about each breath, and in all.

    A lung that changes lets them differ for a while, and one that has become another makes all differ from some.
    """
    out = np.zeros(len(own), bool)
    known = np.flatnonzero(np.isfinite(own))
    if len(known) > 1 and from_breath_to_breath(own[known]) > VARIOUS:
        about = sliding_window_view(own[known], min(2 * ABOUT + 1, len(known)))
        middle = np.clip(np.arange(len(known)) - ABOUT, 0, len(about) - 1)
        out[known] = (from_breath_to_breath(about) > VARIOUS)[middle]
    return out


def from_breath_to_breath(own: Samples) -> Samples:
    """Relative spread of the elastances of breaths, or of most of their steps where a lung that changes spreads them.

    Along the last axis, of two breaths or more. A change makes large steps for some breaths, effort in most of them: so
    steps count by their quartiles, which lie closer than what :func:`relative_spread` takes, of chance by as much.
    """
    low, high = np.quantile(np.diff(own), [0.25, 0.75], axis=-1)
    steps = OUTER * (high - low) / np.sqrt(2.0) / np.abs(np.median(own, axis=-1))
    return np.asarray(np.minimum(relative_spread(own), steps), np.float64)


def without_rest(stretch: Stretch, candidates: list[Loss], resting_pressure: Samples) -> Explained:
    """No breath shows a lung alone: the one that edges and expirations show, if any.

    It serves muscle pressure only. It is an estimate, so no breath is passive by it, and none has its compliance. Where
    the ventilator began every breath and none shows an effort otherwise, it would make efforts of what an unusual lung
    does (flow that is limited looks like one), so nothing is told.
    """
    unknown = unexplained(stretch, candidates, resting_pressure)
    if stretch.timed[1:].all() and not np.any(unknown.passive == 0):
        return unknown
    stretch = unleaked(stretch, unknown.loss)
    flow = stretch.flow - loss_flow(stretch, unknown.loss)
    lag_s = lag_at_edges(stretch, flow)
    lung = lung_at_edges(stretch, delayed(flow, lag_s, stretch.dt))
    if lung is None:
        return unknown
    sums = sums_with(stretch, unknown.loss, np.zeros(0), None)
    residual = sums.smoothed_residual(lung.theta)
    return replace(
        unknown,
        lungs=(lung,),
        passive=np.where(np.isfinite(residual), 0, -1).astype(np.int8),
        lung=np.zeros(len(residual), np.int64),
        theta=np.tile(lung.theta, (len(residual), 1)),
        residual=residual,
        floor=sums.noise_floor(lung.theta),
        lag_s=lag_s,
        doubtful=unknown.passive < 0,
    )


def unexplained(stretch: Stretch, candidates: list[Loss], resting_pressure: Samples) -> Explained:
    """No lung that can be explains the breaths.

    They are with effort where even the best fit leaves far more than noise, and where that can't be an unusual lung on
    a ventilator that keeps time, since the breaths differ each from the one before or were triggered. Else it can't be
    told: a lung that changes on the way, as in bronchospasm, spreads them too.
    """
    loss = candidates[0]
    if loss.leaking:
        loss = losses.from_rest(
            stretch.pressure, stretch.flow, stretch.start, stretch.turn, stretch.end, stretch.dt, resting_pressure,
            loss.across,
        )  # fmt: skip
    sums = sums_with(unleaked(stretch, loss), loss, np.zeros(0), None)
    n = len(stretch.start)
    theta = solve(sums, sums.count > 0, [VOLUME, FLOW]) if n else None
    residual = np.full(n, np.nan) if theta is None else sums.smoothed_residual(theta)
    floor = np.full(n, np.nan) if theta is None else sums.noise_floor(theta)
    helped = residual > HELPED * floor
    if theta is not None:
        own = own_elastance(sums, theta)
        triggered = ~stretch.timed
        triggered[0] = False  # nothing tells what began the first
        helped &= various(own) | triggered
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
        low=nothing,
        high=nothing,
        parts=np.zeros(n, bool),
        hidden=np.zeros(n, bool),
        residual=residual,
        floor=floor,
        trace=nothing,
        misfit=nothing,
        heart_hz=None,
        heart_phase=np.zeros(0),
    )
