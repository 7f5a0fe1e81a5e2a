"""Beyond a limit: breath after breath lies outside a published limit, or the house's own."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import polars as pl

from tidebench.findings.about import About
from tidebench.findings.grades import graded
from tidebench.findings.runs import each_run, middle_of
from tidebench.findings.seen import Seen
from tidebench.limits import Limit
from tidebench.quantities import quantity
from tidebench.records import Finding

KIND = "beyond-limit"
RULE = "quantity outside its limit"
VERSION = 1

PER_KG = ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg")
"""A breath that is too small, or stacked on another, is no harm of its own: only what lies above is told of these."""
OWN_KIND = ("stress_index", "effort_cmh2o", "intrinsic_peep_cmh2o", "leak_fraction")
"""Of what lies beyond these, a finding of its own speaks."""
MUCH = 0.2  # of the limit, beyond it, from which on more says no more
ABOUT = About(
    seen="At least 5 breaths in a row lie outside a limit for this patient: volume per kg, plateau and driving "
    "pressure, power, or what the house's policy names.",
    source="with each limit: what a trial aimed at, what experts agreed on, or what was linked with harm; else the "
    "house's policy",
    behind="A setting, stiff or small lungs, strong efforts; a height or weight that is wrong.",
    further="Whether the limit is meant for this patient; volume, pressure, rate; the breaths beside.",
)


def find(seen: Seen) -> Sequence[Finding]:
    """Runs of breaths beyond each limit that the patient has."""
    return [finding for limit in seen.known.limits if limit.key not in OWN_KIND for finding in beyond(seen, limit)]


def beyond(seen: Seen, limit: Limit) -> Sequence[Finding]:
    """Runs of breaths beyond one limit; none where the table doesn't hold its quantity."""
    rows = seen.breaths
    if limit.key in PER_KG and seen.known.weight_kg:
        rows = rows.with_columns((pl.col("vte_ml") / seen.known.weight_kg).alias(limit.key))
    if limit.key not in rows.columns:
        return []
    value = pl.col(limit.key)
    outside = [value > limit.high] if limit.high is not None else []
    outside += [value < limit.low] if limit.low is not None and limit.key not in PER_KG else []
    words = partial(told, limit)
    bounds = [bound for bound in (limit.low, limit.high) if bound is not None]

    def sure(run: pl.DataFrame) -> float:
        middle = middle_of(run, limit.key)
        bound = min(bounds, key=lambda one: abs(middle - one))
        return graded(abs(middle / bound - 1) if bound else 0.0, MUCH, run.height)

    return [
        finding
        for test in outside
        for finding in each_run(KIND, (RULE, VERSION), rows.filter(test), limit.key, sure, words)
    ]


def told(limit: Limit, n: int, middle: float) -> str:
    """The evidence: how many breaths, where they lie, what the limit is and whose."""
    of = quantity(limit.key)
    return f"{n} breaths in a row have {of.label} {of.text(middle)}: {limit.bound} ({limit.kind}; {limit.source})."
