"""The search for the lungs of a stretch: with which loss taken off, with or without a heartbeat, one or several."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from tidebench.efforts import heartbeat
from tidebench.efforts.equation import EXPIRATION, FLOW, VOLUME, Sums
from tidebench.efforts.mechanics import (
    LEAST_BREATHS,
    LEAST_EXCESS,
    Lung,
    Timing,
    excess,
    find_lung,
    plausible,
    solve,
)
from tidebench.efforts.stretch import Stretch, longest, loss_flow, sums_with, unleaked
from tidebench.inflations import leak as losses
from tidebench.inflations.leak import Loss

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

BETTER = 0.88  # of what is left: more than that is no evidence for another loss
SURE = 3.0  # standard errors, over breaths, of what two losses leave
APART = 0.12  # of the elastance: further apart, two explanations of a loss don't agree
MOST_OFFSET, PEAK = 0.1, 0.97  # of peak flow (this house's choice); the quantile of inward flow that stands for it
HEART_BETTER = 0.7  # of the excess: what a heartbeat must bring
LUNGS = 3  # sets of mechanics looked for in one stretch
FURTHER_SHARE = 0.15  # of the breaths that a further lung must explain


def timing(stretch: Stretch) -> Timing:
    """What the search for lungs may know of time and size."""
    return Timing(stretch.timed, float(np.median(stretch.size)), stretch.beat_of_triggers is not None)


@dataclass(frozen=True)
class Attempt:
    """A lung, the loss it was found with, and the sums it was found in.

    ``in_doubt`` is True where another loss explains the breaths as well, with quite another elastance.
    """

    lung: Lung
    loss: Loss
    sums: Sums
    in_doubt: bool = False

    def excess(self, over: Mask) -> float:
        """Residual of some breaths beyond noise, cmH2O."""
        return excess(self.sums, self.lung.theta, over)

    def left(self, over: Mask) -> Samples:
        """What is left of each of some breaths beyond noise, cmH2O squared; about zero where it is all noise."""
        theta = self.lung.theta
        beyond = np.square(self.sums.smoothed_residual(theta)) - np.square(self.sums.noise_floor(theta))
        return np.asarray(beyond[over], np.float64)

    def surely_leaves_less(self, other: Attempt) -> bool:
        """True where less is left of the other's own breaths than with it, beyond chance.

        The paired test of Vuong (Econometrica 1989;57:307) for models of which neither contains the other, by breath.
        """
        gain = other.left(other.lung.members) - self.left(other.lung.members)
        return bool(np.mean(gain) > SURE * np.std(gain) / np.sqrt(len(gain)))

    def outdoes(self, other: Attempt) -> bool:
        """True where the other's loss is told to be the wrong one: surely less is left with this, and clearly less.

        A hundredth of a cmH2O is surely there, and says nothing: the equation is not that exact. Where it doesn't
        describe the lung, something is left with any loss, and less by a share is asked (:data:`BETTER`).
        """
        over = other.lung.members
        ours, theirs = float(np.mean(self.left(over))), float(np.mean(other.left(over)))
        clear = theirs - ours > (LEAST_EXCESS * other.lung.floor) ** 2 and ours < BETTER**2 * theirs
        return clear and self.surely_leaves_less(other)

    def beats(self, other: Attempt | None, factor: float) -> bool:
        """True where this explains the other's breaths with less than ``factor`` of its excess."""
        if other is None:
            return True
        return self.excess(other.lung.members) < factor * other.excess(other.lung.members)


def breathed_out(sums: Sums) -> Mask:
    """Breaths that show an expiration: what is left of one cut short, an inflation at constant flow, fits any lung."""
    return np.asarray(sums.zz[:, EXPIRATION, EXPIRATION] > 0, bool)


def best_lung(stretch: Stretch, candidates: list[Loss], phase: Samples, heart_hz: float | None) -> Attempt | None:
    """The lung that the evidence prefers over all candidate losses: the first unless another is clearly better.

    Of losses that explain the breaths as well, one with the fewest terms, since further ones make up for a wrong
    exponent; not for a wrong kind, so that an offset of which a leak surely leaves less, or the other way round, comes
    last. Where such losses ask for quite other elastances, none is to be believed.
    """
    attempts = []
    for loss in candidates:
        sums = sums_with(unleaked(stretch, loss), loss, phase, heart_hz)
        lung = find_lung(sums, breathed_out(sums), heart_hz is not None, timing(stretch))
        if lung is not None:
            attempts.append(Attempt(lung, loss, sums))
    if not attempts:
        return None
    best = attempts[0]
    for each in attempts[1:]:
        best = each if each.outdoes(best) else best
    equal = [each for each in attempts if each is best or not best.outdoes(each)]

    def disfavour(each: Attempt) -> tuple[bool, int, bool]:
        better = [other for other in equal if other.surely_leaves_less(each)]
        of_another_kind = any(other.loss.leaking != each.loss.leaking for other in better)
        return of_another_kind, len(each.lung.terms), bool(better)

    best = min(equal, key=disfavour)
    apart = max(abs(each.lung.elastance - best.lung.elastance) for each in equal)
    return replace(best, in_doubt=apart > APART * best.lung.elastance)


def candidate_losses(stretch: Stretch, offset: Loss, material: bool, resting_pressure: Samples) -> list[Loss]:
    """Losses to try, the likeliest first: an offset, and where the loss is material a leak with several exponents.

    A loss of more than :data:`MOST_OFFSET` of peak flow is a leak: no sensor's zero is that far off. Gas leaks at the
    airway opening, or past the cuff at the tip of a tube whose law is known.
    """
    if not material:
        return [offset]
    flow = stretch.flow[stretch.flow > 0]
    zero = [offset] if np.median(np.abs(offset.offset)) < MOST_OFFSET * np.quantile(flow, PEAK) else []
    arrays = (stretch.pressure, stretch.flow, stretch.start, stretch.end, stretch.dt)
    places = [stretch.pressure] if stretch.tube is None else [stretch.pressure, stretch.beyond_tube()]
    leaks = [losses.as_leak(*arrays, exponent, across) for across in places for exponent in losses.EXPONENTS]
    return [*zero, *leaks] if losses.looks_like_offset(*arrays, stretch.turn, resting_pressure) else [*leaks, *zero]


def listen(stretch: Stretch, loss: Loss, theta: Samples, over: Mask) -> tuple[Samples, float] | None:
    """Phase and rate of the heartbeat in what a lung leaves of the pressure of some breaths; None where there is none.

    Its rate is sought over the breaths ``over``, without the noise that efforts make; its phase is followed through
    all. Where its line is hidden among those of the breaths that it triggers, these tell rate and phase.
    """
    if len(stretch.start) < 2:
        return None
    beat, triggered = stretch.beat_of_triggers, stretch.start[~stretch.timed]
    clear = max(3, round(0.06 * stretch.rate_hz))
    stretch = unleaked(stretch, loss)
    flow = stretch.flow - loss_flow(stretch, loss)
    breathing = 1.0 / (float(np.median(np.diff(stretch.start))) * stretch.dt)

    def left(turn: Indices, end: Indices) -> Samples:
        return heartbeat.leftover(stretch.pressure, flow, turn, end, stretch.dt, theta, clear, longest(stretch))

    rate = heartbeat.find_rate(left(stretch.turn[over], stretch.free[over]), stretch.rate_hz, breathing)
    if rate is not None:
        return heartbeat.phase(left(stretch.turn, stretch.free), stretch.rate_hz, rate), rate
    if beat is not None:
        return heartbeat.phase_of_starts(triggered, len(flow), stretch.rate_hz, beat), beat
    return None


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
        sums = sums_with(unleaked(stretch, loss), loss, none, None)
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
