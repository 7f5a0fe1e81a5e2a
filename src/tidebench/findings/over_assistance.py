"""Over-assistance: supported breaths for which the patient does next to nothing."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.runs import each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "over-assistance"
RULE = "small effort on support"
VERSION = 1

LEAST = 3.0  # cmH2O
ABOUT = About(
    seen="At least 5 supported breaths in a row that the patient triggered, with an effort below 3 cmH2O.",
    source="limit: common practice, no source",
    behind="More support than the patient needs, sedation, high PEEP that weakens the diaphragm.",
    further="Level of support, sedation, PaCO2; occlusion pressure.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of supported, triggered breaths with a small effort."""
    key = "effort_cmh2o"
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(
            (pl.col("delivery") == "pressure-support") & (pl.col("trigger") == "patient") & (pl.col(key) < LEAST)
        ),
        key,
        lambda run: graded(LEAST - middle_of(run, key), LEAST, run.height),
        lambda n, middle: f"In {n} supported breaths in a row the effort is {quantity(key).text(middle)}.",
    )
