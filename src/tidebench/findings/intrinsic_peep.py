"""Intrinsic PEEP: breath after breath begins before the lung has emptied."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.runs import each_run, middle_of
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

LEAST, MUCH = 2.0, 4.0  # cmH2O (common practice, no source), and the margin from which on more says no more


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths whose total PEEP is at least 2 cmH2O above PEEP."""
    key = "intrinsic_peep_cmh2o"
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(pl.col(key) >= LEAST),
        key,
        lambda run: graded(middle_of(run, key) - LEAST, MUCH, run.height),
        lambda n, middle: (
            f"{n} breaths in a row begin with {quantity(key).text(middle)} of pressure above PEEP still in the lung."
        ),
    )
