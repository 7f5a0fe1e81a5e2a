"""Strong effort: the patient pulls hard, breath after breath."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.runs import each_run
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "strong-effort"
RULE = "large muscle pressure"
VERSION = 1

MOST = 15.0  # cmH2O
ABOUT = About(
    seen="At least 5 breaths in a row with an effort of 15 cmH2O or more.",
    source="limit: common practice, no source",
    behind="High drive (acidosis, pain, fever), too little support or flow, stiff or narrow lungs.",
    further="Support, flow, cause of the drive; transpulmonary pressure and stacked volume.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths with a large effort."""
    key = "effort_cmh2o"
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(pl.col(key) >= MOST),
        key,
        0.7,
        lambda n, middle: f"In {n} breaths in a row the effort is {quantity(key).text(middle)}.",
    )
