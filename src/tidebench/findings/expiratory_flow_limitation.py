"""Expiratory flow limitation: what pressure at the airway does not change the flow that leaves the lung.

Below a waterfall the level may rise without the stream above it changing: PEEP that is raised below the pressure at
which airways close leaves total PEEP where it is, and fills up what was trapped (Tobin and Lodato, Chest 1989;96:449;
from memory). A lung whose expiration is only slow is raised by as much as PEEP is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.incomplete_expiration import SHARE
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding, Spread, Step

KIND = "expiratory-flow-limitation"
RULE = "total PEEP that does not follow PEEP"
VERSION = 2

LEAST_STEP, TRAPPED = 1.5, 2.0  # cmH2O of PEEP, of intrinsic PEEP at the lower level
FOLLOWS = 0.5  # of the step: a lung without limitation follows nearly whole
ALIKE = 0.15  # volume and rate before and after
STEADY = 0.5  # of the step: by which peak pressure may vary where it stands for total PEEP
Pairs = Mapping[str, tuple[Spread, Spread]]
ABOUT = About(
    seen="PEEP is changed by 1.5 cmH2O or more, volume and rate are not; at its lower level 2 cmH2O or more are "
    "trapped, and total PEEP follows by less than half of the step. Where total PEEP can't be told, peak pressure "
    "of steady breaths stands for it, and a tenth of peak expiratory flow that is left at the end for what is trapped.",
    source="Tobin and Lodato, Chest 1989;96:449 (from memory); limits: this house's",
    behind="Small airways that close in expiration: obstructive lungs, obesity, age, lying flat.",
    further="Whether PEEP below what is trapped eases triggering; expiratory time; posture. Without a change of PEEP "
    "slow and limited expiration look alike.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Every change of PEEP that total PEEP did not follow."""
    return [finding for step in seen.known.steps for finding in limited(step)]


def limited(step: Step) -> Sequence[Finding]:
    """The finding of one step, if it is one."""
    told = step.quantities
    if not {"peep_cmh2o", "vti_ml", "rate_per_min"} <= told.keys():
        return []
    key = next((key for key in ("total_peep_cmh2o", "peak_pressure_cmh2o") if key in told), "")
    alike = ("vti_ml", "rate_per_min", *(("peak_inspiratory_flow_l_min",) if key == "peak_pressure_cmh2o" else ()))
    if not key or any(one not in told or abs(change(told[one]) - 1) > ALIKE for one in alike):
        return []
    (low, high), (before, after) = (tuple(spread.median for spread in told[name]) for name in ("peep_cmh2o", key))
    moved, followed = high - low, after - before
    trapped = trapped_at_lower(told, key, moved)
    if abs(moved) < LEAST_STEP or trapped is None or followed / moved >= FOLLOWS:
        return []
    of = quantity(key)
    words = (
        f"PEEP went from {of.text(low)} to {of.text(high)}, {of.label} from {of.text(before)} to {of.text(after)}, at "
        "the same volume and rate."
    )
    return [
        Finding(
            kind=KIND,
            breath=None,
            start_s=step.at_s,
            end_s=step.at_s,
            confidence=graded(FOLLOWS - followed / moved, FOLLOWS),
            evidence=words,
            rule=RULE,
            rule_version=VERSION,
            values=trapped,
        )
    ]


def change(pair: tuple[Spread, Spread]) -> float:
    """What it is after, against before; NaN of nothing."""
    before, after = (spread.median for spread in pair)
    return after / before if before else float("nan")


def trapped_at_lower(told: Pairs, key: str, moved: float) -> tuple[tuple[str, float], ...] | None:
    """What shows that gas is trapped at the lower level, as values; None where nothing does.

    Total PEEP says it itself. Where it is not known, peak pressure of steady breaths stands for it, and flow that is
    left at the end of expiration says that gas is trapped; without, a lung that PEEP opens would look alike.
    """
    lower = 0 if moved > 0 else 1
    if key == "total_peep_cmh2o":
        trapped = told[key][lower].median - told["peep_cmh2o"][lower].median
        return (("intrinsic_peep_cmh2o", trapped),) if trapped >= TRAPPED else None
    steady = all(spread.p95 - spread.p05 <= STEADY * abs(moved) for spread in told[key])
    if not steady or not {"end_expiratory_flow_l_min", "peak_expiratory_flow_l_min"} <= told.keys():
        return None
    left, most = (told[name][lower].median for name in ("end_expiratory_flow_l_min", "peak_expiratory_flow_l_min"))
    return (("end_expiratory_flow_l_min", left),) if left >= SHARE * abs(most) else None
