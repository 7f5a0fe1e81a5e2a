"""Leak: part of the inhaled gas does not come back."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.runs import each_run
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

LEAST = 0.10  # of the inhaled volume (common practice, no source)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths with a leak of at least a tenth of the inhaled volume."""
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(pl.col("leak_fraction") >= LEAST),
        "leak_fraction",
        0.9,
        lambda n, middle: f"Over {n} breaths {100 * middle:.0f} % of the inhaled volume does not return.",
    )
