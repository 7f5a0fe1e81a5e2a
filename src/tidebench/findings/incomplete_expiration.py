"""Incomplete expiration: breath after breath begins while gas still leaves."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import PRACTICE, About
from tidebench.findings.grades import graded
from tidebench.findings.runs import each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "incomplete-expiration"
RULE = "flow at the end of expiration"
VERSION = 1

SHARE, MUCH = 0.1, 0.3  # of peak expiratory flow, and the margin from which on more says no more
ABOUT = About(
    seen="At least 5 breaths in a row begin while a tenth or more of peak expiratory flow still leaves the lung.",
    source=PRACTICE,
    behind="Too little time to empty, narrow airways or tube. A leak or a flow sensor whose zero is off imitates it.",
    further="A hold at the end of expiration; rate, inspiratory time, bronchodilation, tube.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths whose end-expiratory flow is at least a tenth of the peak."""
    key = "end_expiratory_flow_l_min"
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.with_columns(share=pl.col(key) / pl.col("peak_expiratory_flow_l_min").abs()).filter(
            pl.col("share") >= SHARE
        ),
        key,
        lambda run: graded(middle_of(run, "share") - SHARE, MUCH, run.height),
        lambda n, middle: f"{n} breaths in a row begin while {quantity(key).text(middle)} still leave the lung.",
    )
