"""Expiration that the lung itself limits: flow that follows recoil and not the pressure at the airway.

    |V'| = (P_alv − P_c) / R_lim    wherever that is less than pressure at the airway would let out

P_c is what the lung empties against instead of PEEP. At one PEEP a limited and a slow expiration look alike: both fall
as an exponential, one towards P_c, the other towards PEEP. So where gas leaves against much more resistance than it
enters, a share of the drawn patients has a limit that empties the recorded volume in the recorded time, the others are
slow; an interval then holds what both would do. A change of PEEP in the recording tells them apart (Tobin and Lodato,
Chest 1989;96:449; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tidebench.findings.expiratory_flow_limitation import ALIKE, FOLLOWS, LEAST_STEP, TRAPPED
from tidebench.fitting.mechanics import ELASTANCE, EXPIRATION, INSPIRATION, Mechanics
from tidebench.fitting.records import Samples
from tidebench.fitting.window import Window
from tidebench.records import Step
from tidebench.steps import around

NARROW = 1.5
"""Expiratory over inspiratory resistance from where on a limit may be behind it (open population)."""
UNDECIDED = 0.5  # share of drawn patients that have a limit where nothing tells
FLOWING = 0.1  # of peak inspiratory flow at the end of expiration: gas is trapped
FOLLOWED = 0.75  # of a step of PEEP by total PEEP: nothing limits
LEAST_ABOVE = 0.3  # cmH2O that recoil stays above what the lung empties against
LEAST_TRAPPED = 0.5  # cmH2O: a lung that empties shows no limit
WIDE = (1.0, 1.6)  # times inspiratory resistance: what expiration meets besides its limit (this house's choice)
TRAPPED_DOUBT = 0.15  # of trapped pressure
UNFELT = {
    "peep_cmh2o", "peak_pressure_cmh2o", "end_expiratory_flow_l_min", "peak_inspiratory_flow_l_min", "vti_ml",
    "rate_per_min",
}  # fmt: skip


@dataclass(frozen=True)
class Limitation:
    """What is known of a limit: how probable it is and why, and the expiration that it has to explain.

    Pressures in cmH2O: PEEP, total PEEP and the lung's at the turn; ``seconds`` that expiration lasts.
    """

    share: float
    why: str
    peep: float
    total_peep: float
    turn: float
    seconds: float

    @property
    def words(self) -> str:
        """What is assumed of it, in plain words."""
        if self.share == 1.0:
            return f"expiration is limited by flow: {self.why}; what PEEP adds below that limit is mostly not felt"
        return (
            "expiration may be limited by flow: half of the drawn patients have a limit, so that a higher PEEP may add "
            f"less than the estimate says ({self.why})"
        )

    def draw(self, rng: np.random.Generator, lungs: Samples, known: Samples | None = None) -> Samples:
        """Limiting resistance (0 for none) and P_c of every lung, shape (n, 2); limited ones get a wider airway.

        The first lung is the estimate: limited where more than half are. ``known`` is what each has trapped, cmH2O,
        shape (n,), where breaths don't tell it; what is trapped at the turn then goes with each lung's elastance.
        """
        n = len(lungs)
        limited = rng.random(n) < self.share
        limited[0] = self.share > UNDECIDED
        against = rng.uniform(0.0, max(self.peep, 0.0), n)
        trapped = (self.total_peep - self.peep) * (1.0 + TRAPPED_DOUBT * rng.standard_normal(n))
        trapped[0], against[0] = self.total_peep - self.peep, 0.5 * max(self.peep, 0.0)
        turn = np.full(n, self.turn)
        if known is not None:
            trapped = known
            turn = self.peep + known + (self.turn - self.total_peep) * lungs[:, ELASTANCE] / lungs[0, ELASTANCE]
        left = np.maximum(self.peep + trapped - against, LEAST_ABOVE)
        fell = np.log(np.maximum((turn - against) / left, 1.05))
        resistance = lungs[:, ELASTANCE] * self.seconds / fell
        width = rng.uniform(*WIDE, n)
        width[0] = np.mean(WIDE)
        lungs[limited, EXPIRATION] = np.minimum(lungs[:, EXPIRATION], width * lungs[:, INSPIRATION])[limited]
        return np.where(limited[:, None], np.stack([resistance, against], axis=1), 0.0)


def limitation_of(window: Window, mechanics: Mechanics) -> Limitation | None:
    """A limit that the passive breaths of a window may have; None where there is no sign of one, or steps refute it.

    Where a PEEP was not felt, total PEEP is above it by at least what the flow at the end of expiration costs.
    """
    table = window.review.breaths[window.passive.tolist()]
    keys = ("peep_cmh2o", "vti_ml", "expiratory_time_s", "end_expiratory_flow_l_min")
    told = [float(value) for key in keys if isinstance(value := table[key].median(), float)]
    if not len(mechanics.total_peep) or len(told) < len(keys):
        return None
    peep, volume, seconds, leaving = told
    total = float(np.median(mechanics.total_peep))
    elastance, inspiration, expiration = mechanics.theta[[ELASTANCE, INSPIRATION, EXPIRATION]]
    unfelt, why = evidence(window)
    share = UNDECIDED if unfelt is None else 1.0
    if unfelt == np.inf or (unfelt is None and (expiration < NARROW * inspiration or total - peep < LEAST_TRAPPED)):
        return None
    total = max(total, peep + LEAST_TRAPPED, (unfelt or 0.0) + inspiration * max(leaving, 0.0) / 60)
    return Limitation(share, why, peep, total, total + elastance * volume / 1000, seconds)


class Followed(NamedTuple):
    """PEEP and total PEEP before and after a step, what was trapped at the lower PEEP, and the share that followed."""

    peep: tuple[float, float]
    total_peep: tuple[float, float]
    trapped: float
    share: float


def followed(step: Step, start_s: Samples, end_s: Samples, recoil: Samples) -> Followed | None:
    """How total PEEP followed a change of PEEP at like volume and rate; None where the step does not tell.

    ``recoil`` (breaths,) is its estimate, also where total PEEP can't be told: what is amiss with that is in both.
    """
    told = step.quantities
    if not {"peep_cmh2o", "vti_ml", "rate_per_min"} <= told.keys() or not len(recoil):
        return None
    low, high = (spread.median for spread in told["peep_cmh2o"])
    known = [recoil[side][np.isfinite(recoil[side])] for side in around(start_s, end_s, step.at_s, -np.inf, np.inf)]
    if not all(len(part) for part in known):
        return None
    total_before, total_after = (float(np.median(part)) for part in known)
    moved = high - low
    trapped = (total_before - low) if moved > 0 else (total_after - high)
    alike = all(abs(told[key][1].median / told[key][0].median - 1) <= ALIKE for key in ("vti_ml", "rate_per_min"))
    if not alike or abs(moved) < LEAST_STEP or trapped < TRAPPED:
        return None
    return Followed((low, high), (total_before, total_after), trapped, (total_after - total_before) / moved)


def evidence(window: Window) -> tuple[float | None, str]:
    """The highest PEEP that was not felt, cmH2O (infinity: all were felt; None: no change tells), and the reason."""
    high, felt = [], False
    review = window.review
    start_s, end_s = (review.breaths[key].to_numpy() for key in ("start_s", "end_s"))
    for step in review.steps:
        seen = followed(step, start_s, end_s, review.mechanics.get("recoil", np.zeros(0)))
        if unfelt(step) or (seen is not None and seen.share < FOLLOWS):
            high.append(max(spread.median for spread in step.quantities["peep_cmh2o"]))
        felt = felt or (seen is not None and seen.share >= FOLLOWED)
    if high:
        return max(high), "pressures and the flow at the end of expiration did not follow a change of PEEP"
    if felt:
        return np.inf, "total PEEP followed a change of PEEP"
    return None, "a slow and a limited expiration look alike at one PEEP; a change of PEEP would tell them apart"


def unfelt(step: Step) -> bool:
    """True where a change of PEEP moved neither the peak pressure of a like volume nor the flow that was left at the
    end of expiration: what trapped gas shows where total PEEP can't be told.
    """
    told = step.quantities
    if not told.keys() >= UNFELT:
        return False
    before, after = ({key: told[key][k].median for key in told} for k in (0, 1))
    moved = after["peep_cmh2o"] - before["peep_cmh2o"]
    if abs(moved) < LEAST_STEP or min(before["end_expiratory_flow_l_min"], after["end_expiratory_flow_l_min"]) <= 0:
        return False
    if any(
        abs(after[key] / before[key] - 1) > ALIKE for key in ("vti_ml", "rate_per_min", "end_expiratory_flow_l_min")
    ):
        return False
    left = after["end_expiratory_flow_l_min"] > FLOWING * after["peak_inspiratory_flow_l_min"]
    return left and (after["peak_pressure_cmh2o"] - before["peak_pressure_cmh2o"]) / moved < FOLLOWS
