"""Recruitment within the breath: pressure bends downwards while flow is constant."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.incomplete_expiration import SHARE
from tidebench.findings.runs import among_neighbours, each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "recruitment"
RULE = "stress index below its range"
VERSION = 3

BELOW, MUCH = 0.9, 0.3
UNEVEN = 0.45  # off the grade where expiration is incomplete
SLOW = 1.0  # inspiratory times: lungs that empty so slowly fill part by part through the whole of an inflation
MOSTLY = 0.75  # of neighbouring breaths must lie below
ABOUT = About(
    seen="Over at least 5 passive breaths with constant flow three in four stress indices are below 0.9: compliance "
    "rises within the breath. Parts that fill at different speeds bend it too: nothing is told where the expiratory "
    "time constant is longer than the inflation.",
    source="Grasso, Crit Care Med 2004;32:1018: a stress index of 0.9 to 1.1 (limits from memory)",
    behind="Units that open with each breath and close again; unequal time constants.",
    further="PEEP, the recoil curve, a hold.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths whose stress index is below 0.9, of lungs whose parts have time to fill alike."""
    key = "stress_index"
    slow = pl.col("expiratory_time_constant_s") > SLOW * pl.col("inspiratory_time_s")
    return each_run(
        KIND,
        (RULE, VERSION),
        seen.breaths.filter(among_neighbours(key, MOSTLY) < BELOW).filter(~slow.fill_null(value=False)),
        key,
        sure,
        lambda n, middle: (
            f"Over {n} breaths pressure bends downwards at constant flow: stress index {quantity(key).text(middle)}."
        ),
    )


def sure(run: pl.DataFrame) -> float:
    """The grade of a run: parts that have not emptied fill unequally, and bend pressure down without any opening."""
    leaving = run["end_expiratory_flow_l_min"] / run["peak_expiratory_flow_l_min"].abs()
    middle = leaving.median()
    emptied = isinstance(middle, float) and middle < SHARE
    return graded(BELOW - middle_of(run, "stress_index"), MUCH, run.height) - (0.0 if emptied else UNEVEN)
