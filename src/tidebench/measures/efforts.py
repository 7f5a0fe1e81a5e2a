"""Efforts of one stretch: from an oesophageal signal where there is one, else from the airway if the lung is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tidebench.efforts.edges import delayed
from tidebench.efforts.equation import VOLUME
from tidebench.efforts.explain import EFFORT
from tidebench.efforts.muscle import gained, lowest, muscle_pressure, resting_levels, ripple
from tidebench.efforts.stretch import Stretch, loss_flow, steep, window
from tidebench.efforts.timing import (
    BRIDGE_S,
    LEAST_EFFORT,
    LEAST_EFFORT_S,
    ONSET,
    bridged,
    find_efforts,
    seen_rising,
)
from tidebench.inflations import delivery as kinds
from tidebench.inflations.pushes import find_pushes
from tidebench.interaction import outcomes, owner
from tidebench.kernels import kernel
from tidebench.measures.stretch import Column, Measured, before

Samples = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

CREST = 4.0  # a peak in multiples of a standard deviation: noise and heartbeat do not reach it
PUSHING, PUSHING_SHARE = 0.15, 0.02  # of the strongest effort, as an elastance may err, for more than this time's share
PUSHED = 0.07  # of the strongest effort, half of that, where the elastance is still to be chosen
TOO_SOON, SPLIT_SHARE = 0.5, 0.05  # of the usual time between efforts, for more than this share of them
MOST = 0.5  # of the inflations that a patient called for: more of them are not all begun by chance
STIFFER = tuple(1.0 + 0.05 * step for step in range(1, 13))  # multiples of the elastance that expirations show
STIFFEST = (*STIFFER, *(STIFFER[-1] * 1.05**step for step in range(1, 20)))  # where all of expiration is relaxing
WORKING = 0.5  # of the strongest effort, for more than half of the time: no muscles breathe so
LATE_S = 0.2
"""By how much the onset of an effort that is estimated from the airway may be put too late: small muscle pressure hides
in noise until the trigger is near."""


@dataclass(frozen=True)
class Efforts:
    """Efforts as columns (onset, end of neural inspiration, over: samples; peak cmH2O), their source and outcomes.

    ``columns`` are what they add to the breaths: peak effort, pressure–time product, transpulmonary driving pressure.
    """

    onset: Indices
    end: Indices
    over: Indices
    peak: Samples
    source: str
    outcome: tuple[str, ...]
    columns: dict[str, Column]

    def shifted(self, by: int) -> Efforts:
        """The same, counted from ``by`` samples earlier."""
        return Efforts(
            self.onset + by, self.end + by, self.over + by, self.peak, self.source, self.outcome, self.columns
        )

    def kept(self, first: int, last: int) -> Efforts:
        """Those with their onset from ``first`` and before ``last``."""
        inside = (self.onset >= first) & (self.onset < last)
        words = tuple(word for word, keep in zip(self.outcome, inside, strict=True) if keep)
        return Efforts(
            self.onset[inside], self.end[inside], self.over[inside], self.peak[inside], self.source, words, self.columns
        )


@kernel
def at_breath(
    muscle: Samples, flow: Samples, start: Indices, end: Indices, dt: float
) -> tuple[Samples, Samples, Samples]:
    """Peak of a muscle pressure over each breath (cmH2O), and what it has above zero integrated over time (cmH2O·s) and
    over inspired volume (cmH2O·L); NaN if unknown for more than half of the breath.
    """
    n = len(start)
    peak = np.full(n, np.nan)
    product = np.full(n, np.nan)
    work = np.full(n, np.nan)
    for j in range(n):
        count = 0
        highest = 0.0
        area = 0.0
        energy = 0.0
        for i in range(start[j], end[j]):
            if np.isfinite(muscle[i]):
                count += 1
                highest = max(highest, muscle[i])
                area += max(0.0, muscle[i]) * dt
                energy += max(0.0, muscle[i]) * max(0.0, flow[i]) * dt
        if 2 * count > end[j] - start[j]:
            peak[j] = highest
            product[j] = area
            work[j] = energy
    return peak, product, work


@kernel
def means(x: Samples, first: Indices, last: Indices) -> Samples:
    """Mean of x between each pair of indices, NaN passed over; NaN where nothing is left."""
    out = np.full(len(first), np.nan)
    for j in range(len(first)):
        total = 0.0
        count = 0
        for i in range(first[j], last[j]):
            if np.isfinite(x[i]):
                total += x[i]
                count += 1
        if count:
            out[j] = total / count
    return out


def spread_over(values: Samples, start: Indices, end: Indices, n: int) -> Samples:
    """A value per breath at each of its samples, NaN outside, shape (n,)."""
    out = np.full(n, np.nan)
    lengths = end - start
    inside = np.repeat(start - np.concatenate([[0], np.cumsum(lengths)[:-1]]), lengths) + np.arange(lengths.sum())
    out[inside] = np.repeat(values, lengths)
    return out


@kernel
def rested(raw: Samples, start: Indices, end: Indices, level: Samples, passive: npt.NDArray[np.int8]) -> Samples:
    """Muscle pressure from its kernel above each breath's level of rest; 0 on passive breaths, NaN outside breaths."""
    out = np.full(len(raw), np.nan)
    for j in range(len(start)):
        for i in range(start[j], end[j]):
            out[i] = 0.0 if passive[j] == 1 else raw[i] - level[j]
    return out


def from_airway(found: Measured) -> Samples:
    """Muscle pressure of breaths with effort where a lung is known, cmH2O; NaN elsewhere."""
    explained, stretch = found.explained, found.stretch
    muscle = by_lung(found, explained.theta)
    if explained.doubtful is not None:
        muscle = pulling(found, muscle)
    unknown = spread_over((explained.passive < 0).astype(np.float64), stretch.start, stretch.end, len(muscle)) > 0
    return np.where(unknown | unlikely(muscle), np.nan, muscle)


def by_lung(found: Measured, theta: Samples) -> Samples:
    """Muscle pressure above its level of rest by a lung for each breath, ``theta`` (n, k), cmH2O; 0 on passive ones."""
    stretch, explained = found.stretch, found.explained
    heart = explained.heart_phase if len(explained.heart_phase) else np.zeros(len(stretch.flow))
    flow = delayed(stretch.flow - loss_flow(stretch, explained.loss), explained.lag_s, stretch.dt)
    raw = muscle_pressure(
        stretch.pressure, flow, stretch.start, stretch.turn, stretch.end, stretch.dt, theta, heart,
        window(stretch), steep(stretch),
    )  # fmt: skip
    low = lowest(raw, stretch.turn, stretch.end)
    low[find_pushes(stretch.flow, stretch.rate_hz, stretch.turn, stretch.end)[0] >= 0] = np.nan
    gain = gained(flow, stretch.start, stretch.end, stretch.dt, theta[:, VOLUME])
    level = resting_levels(low, gain, explained.lung, found.columns["joined"])
    return rested(raw, stretch.start, stretch.end, level, explained.passive)


def pulling(found: Measured, muscle: Samples) -> Samples:
    """Muscle pressure by the least stiff of lungs with which muscles pull and do not push, once a breath, cmH2O.

    Expirations in which muscles go on relaxing show a lung that is too soft, for what is left of an effort falls with
    volume as recoil does; inflations with little effort then look pushed out, and efforts within others fall in two.
    That inspiratory muscle pressure is not negative and has one peak bounds elastance from below (so in Vicario, IEEE
    Trans Biomed Eng 2016;63:775). Where no elastance within
    :data:`STIFFER` does, it is not the elastance, and muscle pressure stays what it was.

    Where inflations are cut so short that all of expiration is relaxing, expirations show half the elastance or less.
    The first half of each effort is then lost in its inflation: most triggers meet none, and each inflation is followed
    by one. An effort that triggers is there before it, so those lungs are too soft, too, and by more
    (:data:`STIFFEST`).
    """
    follows = following(found.stretch, muscle) > MOST
    if not (follows or pushed(muscle) or split(found.stretch, muscle)):
        return muscle
    for more in STIFFEST if follows else STIFFER:
        theta = found.explained.theta.copy()
        theta[:, VOLUME] *= more
        stiffer = by_lung(found, theta)
        late = follows and following(found.stretch, stiffer) > SPLIT_SHARE
        if not (late or pushed(stiffer) or split(found.stretch, stiffer)):
            return stiffer
    return muscle


def following(stretch: Stretch, muscle: Samples) -> float:
    """Share of the inflations not begun by time that no effort calls for, and that one follows within twice their time.

    0 where there are none.
    """
    called = ~stretch.timed
    onset, _, over, _ = effort_times(stretch, muscle)
    if not called.any() or not len(onset):
        return 0.0
    start, turn = stretch.start[called], stretch.turn[called]
    last = np.searchsorted(onset, start, side="right") - 1
    under_way = (last >= 0) & (over[np.maximum(last, 0)] >= start)
    next_one = np.append(onset, len(muscle) + 2 * turn[-1])[last + 1]
    return float(np.mean(~under_way & (next_one < 2 * turn - start)))


def pushed(muscle: Samples) -> bool:
    """True where a muscle pressure is more often negative, by more than an effort's least, than chance makes it."""
    known = muscle[np.isfinite(muscle)]
    if not len(known):
        return False
    lowest, highest = np.quantile(known, [PUSHING_SHARE, 1.0 - PUSHING_SHARE])
    return bool(lowest < -max(EFFORT, PUSHED * highest))


def split(stretch: Stretch, muscle: Samples) -> bool:
    """True where efforts fall in two within inflations, more often than by chance: in less than half the usual time."""
    onset, _, over, _ = effort_times(stretch, muscle)
    if len(onset) < 2:
        return False
    apart = np.diff(onset)
    inflation = np.maximum(np.searchsorted(stretch.start, onset[1:], side="right") - 1, 0)
    within = (onset[1:] < stretch.turn[inflation]) & (over[:-1] > stretch.start[inflation])
    return bool(np.mean(within & (apart < TOO_SOON * np.median(apart))) > SPLIT_SHARE)


def effort_times(stretch: Stretch, muscle: Samples) -> tuple[Indices, Indices, Indices, Samples]:
    """Efforts in a muscle pressure told from the airway, as :func:`find_efforts`: none is as small as its ripple."""
    spread = ripple(muscle, stretch.turn, stretch.end, stretch.timed)
    return find_efforts(
        bridged(muscle, round(BRIDGE_S * stretch.rate_hz)), max(LEAST_EFFORT, CREST * spread), max(ONSET, spread),
        round(LEAST_EFFORT_S * stretch.rate_hz),
    )  # fmt: skip


def unlikely(muscle: Samples) -> bool:
    """True where a lung makes inspiratory muscles push out, or work without rest: it is not this patient's."""
    known = muscle[np.isfinite(muscle)]
    if not len(known):
        return False
    lowest, usual, highest = np.quantile(known, [PUSHING_SHARE, 0.5, 1.0 - PUSHING_SHARE])
    return bool(lowest < -max(LEAST_EFFORT, PUSHING * highest) or usual > max(LEAST_EFFORT, WORKING * highest))


def chest_wall(found: Measured, oesophageal: Samples) -> float:
    """Elastance of the chest wall, cmH2O/L: swing of oesophageal pressure by volume over passive breaths; else 0."""
    stretch = found.stretch
    passive = found.explained.passive == 1
    if passive.sum() < 3:
        return 0.0
    short = max(2, round(0.1 * stretch.rate_hz))
    turn, start = stretch.turn[passive], stretch.start[passive]
    rise = means(oesophageal, turn - short, turn) - means(oesophageal, np.maximum(0, start - short), start)
    volume = np.asarray(found.columns["vti"], np.float64)[passive]
    return float(max(0.0, np.nanmedian(rise / volume)))


def from_oesophagus(found: Measured, oesophageal: Samples) -> Samples:
    """Muscle pressure by oesophagus: rest + Ecw·V − Pes (Ecw from passive breaths), cmH2O; NaN outside breaths."""
    stretch = found.stretch
    wall = chest_wall(found, oesophageal)
    flow = stretch.flow - loss_flow(stretch, found.explained.loss)
    volume = np.cumsum(flow) * stretch.dt
    n = len(volume)
    base_volume = spread_over(volume[stretch.start], stretch.start, stretch.end, n)
    half = np.maximum(stretch.turn, (stretch.turn + stretch.end) // 2)
    rest = means(oesophageal, half, stretch.end)
    highest = before(rest, np.asarray(found.columns["joined"]) == 1)
    rest = np.fmax(rest, highest)
    level = spread_over(rest, stretch.start, stretch.end, n)
    return level + wall * np.maximum(volume - base_volume, 0) - oesophageal


@kernel
def before_triggering(muscle: Samples, onset: Indices, triggered: Indices, late: int) -> Indices:
    """Onsets, those found within ``late`` samples after an inflation that muscle pressure had triggered put before it.

    About a start the airway shows muscle pressure badly; where it had left rest by then, the effort had begun.
    """
    out = onset.copy()
    for k in range(len(onset)):
        n = np.searchsorted(triggered, onset[k], side="right") - 1
        if n < 0 or onset[k] - triggered[n] > late or muscle[triggered[n]] <= ONSET:
            continue
        i = triggered[n]
        while i > 0 and i > triggered[n] - late and not muscle[i - 1] <= ONSET:
            i -= 1
        out[k] = min(i, triggered[n] - 1)
    return out


def efforts_of(found: Measured, oesophageal: Samples | None) -> Efforts:
    """All efforts of a stretch, and what they add to its breaths."""
    stretch, columns = found.stretch, found.columns
    n = len(stretch.start)
    nothing = np.full(n, np.nan)
    if oesophageal is not None:
        muscle, source = from_oesophagus(found, oesophageal), "oesophageal"
    elif found.explained.lungs and np.any(found.explained.passive == 0):
        muscle, source = from_airway(found), "airway"
    else:
        none = np.zeros(0, np.int64)
        return Efforts(
            none, none, none, np.zeros(0), "airway", (),
            {"effort": nothing, "pressure_time": nothing, "muscle_work": nothing, "transpulmonary_driving": nothing},
        )  # fmt: skip
    muscle_through = bridged(muscle, round(BRIDGE_S * stretch.rate_hz))
    if source == "airway":
        onset, end, over, peak = effort_times(stretch, muscle)
    else:
        shortest = round(LEAST_EFFORT_S * stretch.rate_hz)
        onset, end, over, peak = find_efforts(muscle_through, LEAST_EFFORT, ONSET, shortest)
    by_patient = np.asarray(columns["trigger"]) == kinds.PATIENT
    if source == "airway":
        seen = seen_rising(muscle, onset, peak)
        onset, end, over, peak = onset[seen], end[seen], over[seen], peak[seen]
        onset = before_triggering(muscle_through, onset, stretch.start[by_patient], round(LATE_S * stretch.rate_hz))
    delivery = np.asarray(columns["delivery"])
    free = (delivery == kinds.HIGH_LEVEL) | (delivery == kinds.UNASSISTED)
    inside = owner(onset.astype(float), stretch.start.astype(float)) >= 0
    onset, end, over, peak = onset[inside], end[inside], over[inside], peak[inside]
    words = outcomes(
        onset.astype(float), over.astype(float), stretch.start.astype(float), stretch.turn.astype(float),
        by_patient, free,
    )  # fmt: skip
    words = unanswered(words, closed(found, onset, over))
    highest, product, work = at_breath(muscle_through, stretch.flow, stretch.start, stretch.end, stretch.dt)
    swing = nothing if oesophageal is None else transpulmonary(found, oesophageal)
    passive = without_unseen(found, highest, onset, over)
    return Efforts(
        onset, end, over, peak, source, tuple(words),
        {
            "passive": passive,
            "effort": np.where(passive == 1, np.nan, highest),
            "pressure_time": product if oesophageal is not None else nothing,
            "muscle_work": work if oesophageal is not None else nothing,
            "transpulmonary_driving": swing,
        },
    )  # fmt: skip


def closed(found: Measured, onset: Indices, over: Indices) -> npt.NDArray[np.bool_]:
    """True for efforts that meet a closed airway: one that is held or occluded while they last, shape (m,)."""
    still, stretch = found.still, found.stretch
    first = np.where(still.hold, still.pause, still.occluded)
    last = np.where(still.hold, stretch.turn, still.released)
    at = np.maximum(owner(onset.astype(float), stretch.start.astype(float)), 0)
    return np.asarray((over > first[at]) & (onset < last[at]) & (first[at] < last[at]), bool)


def unanswered(words: list[str], meets_closed: npt.NDArray[np.bool_]) -> list[str]:
    """Outcomes, those left out that no ventilator could have answered."""
    asked = ("ineffective", "effort-in-inflation")
    return ["unassisted" if shut and word in asked else word for word, shut in zip(words, meets_closed, strict=True)]


def without_unseen(found: Measured, highest: Samples, onset: Indices, over: Indices) -> npt.NDArray[np.int8]:
    """Passivity of each breath, undecided (−1) where the equation of motion left something that is no effort.

    An effort is 0.5 cmH2O of muscle pressure or more by definition, and more than the lung itself leaves of passive
    breaths; a breath in which muscle pressure stays below that, and which no effort overlaps, departs from the
    equation for another reason. So may one of which only a lung that was refused would tell muscle pressure.
    """
    explained, stretch = found.explained, found.stretch
    left = np.array([lung.residual for lung in explained.lungs] or [0.0])[np.maximum(explained.lung, 0)]
    touched = np.searchsorted(onset, stretch.end) > np.searchsorted(over, stretch.start)
    least = np.maximum(EFFORT, CREST * left)
    unknown = False if explained.doubtful is None else explained.doubtful & ~np.isfinite(highest)
    unseen = (explained.passive == 0) & ((highest < least) | unknown) & ~touched
    return np.where(unseen, -1, explained.passive).astype(np.int8)


def transpulmonary(found: Measured, oesophageal: Samples) -> Samples:
    """Change of airway less oesophageal pressure from rest to a passive inspiratory pause's end, cmH2O; else NaN."""
    stretch, pause = found.stretch, np.asarray(found.columns["pause"], np.int64)
    short = max(2, round(0.1 * stretch.rate_hz))
    plateau = np.asarray(found.columns["plateau_pressure"], np.float64)
    at_plateau = plateau - means(oesophageal, np.maximum(pause, stretch.turn - 3 * short), stretch.turn)
    at_rest = np.asarray(found.columns["total_peep"], np.float64) - means(
        oesophageal, np.maximum(0, stretch.start - short), stretch.start
    )
    return np.where(found.explained.passive == 1, at_plateau - at_rest, np.nan)
