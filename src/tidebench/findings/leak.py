"""Leak: part of the inhaled gas does not come back."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.runs import each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.records import Finding

KIND = "leak"
RULE = "inhaled volume that does not return"
VERSION = 1
ABOUT = About(
    seen="Over at least 5 breaths a tenth or more of the inhaled volume does not return.",
    source="limits: common practice, no source",
    behind="Cuff, mask, chest drain, a loose joint; under a mask some is expected.",
    further="The ventilator's own leak check; exhaled volumes with care.",
)

LEAST, MUCH = 0.10, 0.3
"""Of the inhaled volume (common practice, no source), and the margin from which on more says no more."""


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths with a leak of at least a tenth of the inhaled volume."""
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(pl.col("leak_fraction") >= LEAST),
        "leak_fraction",
        lambda run: graded(middle_of(run, "leak_fraction") - LEAST, MUCH, run.height),
        lambda n, middle: f"Over {n} breaths {100 * middle:.0f} % of the inhaled volume does not return.",
    )
