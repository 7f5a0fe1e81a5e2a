"""Strong effort: the patient pulls hard, breath after breath, or against a closed airway."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.drive import HIGH, in_occlusions, in_trigger_phases
from tidebench.findings.grades import graded
from tidebench.findings.runs import each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding, Hold

KIND = "strong-effort"
RULE = "large muscle pressure"
VERSION = 3

MOST, MUCH = 15.0, 10.0  # cmH2O, and the margin from which on more says no more
ACROSS = 17.0  # cmH2O across the lung
ABOUT = About(
    seen="At least 5 breaths in a row with an effort of 15 cmH2O or more; or an occlusion with P0.1 above 4 cmH2O, or "
    "with a swing that stands for a muscle pressure of 15 or for 17 cmH2O across the lung; or at least 5 trigger "
    "phases of 0.1 s or more in a row with P0.1 above 4.",
    source="P0.1: Telias, Am J Respir Crit Care Med 2020;201:1086 (3.5 or 4.0 by author); occlusion: Bertoni, Crit "
    "Care 2019;23:346 (limits from memory); estimated effort: common practice, no source",
    behind="High drive (acidosis, pain, fever), too little support or flow, stiff or narrow lungs.",
    further="Support, flow, cause of the drive; transpulmonary pressure and stacked volume.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths with a large effort, and occlusions that show one."""
    key = "effort_cmh2o"
    return [
        *each_run(
            KIND,
            (RULE, VERSION),
            seen.breaths.filter(pl.col(key) >= MOST),
            key,
            lambda run: graded(middle_of(run, key) - MOST, MUCH, run.height),
            lambda n, middle: f"In {n} breaths in a row the effort is {quantity(key).text(middle)}.",
        ),
        *in_occlusions(KIND, VERSION, seen, pulled, sure),
        *in_occlusions(KIND, VERSION, seen, stretched, sure_of_swing, "swing across the lung in an occlusion"),
        *in_trigger_phases(KIND, VERSION, seen, pl.col("p01_cmh2o") > HIGH),
    ]


def pulled(hold: Hold) -> bool:
    """True where drive or effort in an occlusion is high."""
    return (hold.p01_cmh2o or 0.0) > HIGH or (hold.occlusion_effort_cmh2o or 0.0) >= MOST


def stretched(hold: Hold) -> bool:
    """True where the swing across the lung alone is high: peak pressure is in it, and with it what resistance takes."""
    return not pulled(hold) and (hold.dynamic_transpulmonary_pressure_cmh2o or 0.0) > ACROSS


def sure(hold: Hold) -> float:
    """The grade of drive and effort in an occlusion."""
    drive, effort = hold.p01_cmh2o or 0.0, hold.occlusion_effort_cmh2o or 0.0
    return graded(max(drive / HIGH, effort / MOST) - 1.0, 0.5)


def sure_of_swing(hold: Hold) -> float:
    """The grade of the swing across the lung in an occlusion."""
    return graded((hold.dynamic_transpulmonary_pressure_cmh2o or 0.0) - ACROSS, MUCH)
