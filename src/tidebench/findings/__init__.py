"""Findings: one module per kind, in one table. They read tables and return records; they never edit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import polars as pl

from tidebench.findings import (
    auto_trigger,
    beyond_limit,
    channel_delay,
    clipped_signal,
    cough,
    delayed_cycling,
    disconnection,
    double_trigger,
    effort_in_inflation,
    expiratory_flow_limitation,
    flat_line,
    flow_starvation,
    gap,
    incomplete_expiration,
    ineffective_effort,
    intrinsic_peep,
    leak,
    leak_change,
    mechanics_change,
    obstruction,
    over_assistance,
    overdistension,
    premature_cycling,
    recruitment,
    reverse_trigger,
    secretions,
    sensor_drift,
    sensor_offset,
    strong_effort,
    trigger_delay,
    weak_effort,
)
from tidebench.findings.about import About
from tidebench.findings.calibration import calibrated
from tidebench.findings.seen import Seen
from tidebench.quantities import quantity
from tidebench.records import FINDING_COLUMNS, Finding

Rule = Callable[[Seen], Sequence[Finding]]

MODULES = (
    auto_trigger,
    beyond_limit,
    channel_delay,
    clipped_signal,
    cough,
    delayed_cycling,
    disconnection,
    double_trigger,
    effort_in_inflation,
    expiratory_flow_limitation,
    flat_line,
    flow_starvation,
    gap,
    incomplete_expiration,
    ineffective_effort,
    intrinsic_peep,
    leak,
    leak_change,
    mechanics_change,
    obstruction,
    over_assistance,
    overdistension,
    premature_cycling,
    recruitment,
    reverse_trigger,
    secretions,
    sensor_drift,
    sensor_offset,
    strong_effort,
    trigger_delay,
    weak_effort,
)
FINDINGS: dict[str, Rule] = {module.KIND: module.find for module in MODULES}
"""The rule of each kind of finding."""

ABOUT: dict[str, About] = {module.KIND: module.ABOUT for module in MODULES}
"""What each kind is, in words."""

RULES: dict[str, int] = {module.KIND: module.VERSION for module in MODULES}
"""The version of each kind's rule."""

TOO_FINE = (secretions.KIND, channel_delay.KIND)
"""Kinds that rest on less than a traced curve tells: on three of thirty pictures of quiet signals flow rattled,
on five of thirty photographs a channel seemed late.
"""


def find_all(seen: Seen) -> pl.DataFrame:
    """All findings of a recording as a table, in the order of time."""
    graded = graded_findings(seen)
    found = calibrated(graded, oesophageal=bool((seen.efforts["source"] == "oesophageal").any()))
    return as_table(sorted(found, key=lambda finding: (finding.start_s, finding.kind)))


def graded_findings(seen: Seen) -> Iterator[Finding]:
    """What every rule finds, as sure as the rule itself grades it; not what a recording is too uncertain for."""
    left_out = TOO_FINE if seen.recording.uncertainty is not None else ()
    return (finding for kind, rule in FINDINGS.items() if kind not in left_out for finding in rule(seen))


def as_table(findings: Sequence[Finding]) -> pl.DataFrame:
    """Findings as rows, values with their units."""
    rows = [
        {
            "kind": finding.kind,
            "breath": finding.breath,
            "start_s": finding.start_s,
            "end_s": finding.end_s,
            "confidence": finding.confidence,
            "evidence": finding.evidence,
            "values": [{"quantity": key, "value": value, "unit": quantity(key).unit} for key, value in finding.values],
            "rule": finding.rule,
            "rule_version": finding.rule_version,
        }
        for finding in findings
    ]
    return pl.DataFrame(rows, schema=FINDING_COLUMNS)
