"""Intrinsic PEEP: breath after breath begins before the lung has emptied."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.runs import runs
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "intrinsic-peep"
RULE = "total PEEP above PEEP"
VERSION = 1
ABOUT = About(
    seen="At least 5 breaths in a row begin with 2 cmH2O or more above PEEP still in the lung.",
    source="limits: common practice, no source",
    behind="Too little time to empty: rate, inspiratory time, narrow airways or tube. Or flow limitation.",
    further="Flow before the next breath; a hold at the end of expiration.",
)

LEAST = 2.0  # cmH2O (common practice, no source)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths whose total PEEP is at least 2 cmH2O above PEEP."""
    above = seen.breaths.filter(pl.col("intrinsic_peep_cmh2o") >= LEAST)
    return [
        Finding(
            kind=KIND,
            breath=int(run["breath"][0]),
            start_s=float(run["start_s"][0]),
            end_s=float(run["end_s"][-1]),
            confidence=0.9 if run["passive"].fill_null(False).all() else 0.6,
            evidence=f"{run.height} breaths in a row begin with {quantity('intrinsic_peep_cmh2o').text(middle)} of "
            "pressure above PEEP still in the lung.",
            rule=RULE,
            rule_version=VERSION,
            values=(("intrinsic_peep_cmh2o", middle),),
        )
        for run, middle in runs(above, "intrinsic_peep_cmh2o")
    ]
