"""Expiratory flow limitation: what pressure at the airway does not change the flow that leaves the lung.

Below a waterfall the level may rise without the stream above it changing: PEEP that is raised below the pressure at
which airways close leaves total PEEP where it is, and fills up what was trapped (Tobin and Lodato, Chest 1989;96:449;
from memory). A lung whose expiration is only slow is raised by as much as PEEP is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tidebench.findings.about import About
from tidebench.findings.seen import Seen, Times
from tidebench.quantities import quantity
from tidebench.records import Finding, Step
from tidebench.steps import around

KIND = "expiratory-flow-limitation"
RULE = "total PEEP that does not follow PEEP"
VERSION = 1

LEAST_STEP, TRAPPED = 1.5, 2.0  # cmH2O of PEEP, of intrinsic PEEP at the lower level
FOLLOWS = 0.5  # of the step: a lung without limitation follows nearly whole
ALIKE = 0.15  # volume and rate before and after
ABOUT = About(
    seen="PEEP is changed by 1.5 cmH2O or more, volume and rate are not; at its lower level 2 cmH2O or more are "
    "trapped, and total PEEP follows by less than half of the step.",
    source="Tobin and Lodato, Chest 1989;96:449 (from memory); limits: this house's",
    behind="Small airways that close in expiration: obstructive lungs, obesity, age, lying flat.",
    further="Whether PEEP below what is trapped eases triggering; expiratory time; posture. Without a change of PEEP "
    "slow and limited expiration look alike.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every change of PEEP that total PEEP did not follow."""
    return [finding for step in seen.known.steps for finding in limited(step, seen)]


class Followed(NamedTuple):
    """PEEP and total PEEP before and after a step, what was trapped at the lower PEEP, and the share that followed."""

    peep: tuple[float, float]
    total_peep: tuple[float, float]
    trapped: float
    share: float


def followed(step: Step, start_s: Times, end_s: Times, recoil: Times) -> Followed | None:
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


def limited(step: Step, known: Seen) -> Sequence[Finding]:
    """The finding of one step, if it is one."""
    seen = followed(step, known.start, known.end, known.known.column("recoil"))
    if seen is None or seen.share >= FOLLOWS:
        return []
    of = quantity("total_peep_cmh2o")
    words = (
        f"PEEP went from {of.text(seen.peep[0])} to {of.text(seen.peep[1])}, total PEEP from "
        f"{of.text(seen.total_peep[0])} to {of.text(seen.total_peep[1])}, at the same volume and rate."
    )
    return [
        Finding(
            kind=KIND,
            breath=None,
            start_s=step.at_s,
            end_s=step.at_s,
            confidence=0.8,
            evidence=words,
            rule=RULE,
            rule_version=VERSION,
            values=(("intrinsic_peep_cmh2o", seen.trapped),),
        )
    ]
