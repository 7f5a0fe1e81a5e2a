"""Holds findings against the truth of every kind: which were right, and which of what is owed was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import polars as pl

from tests.conditions.of_sensors import LABEL
from tests.conditions.patients import SECONDS, Drawn
from tests.conditions.told import CHANNELS, Span, Told
from tests.conditions.truths import TOUCH, TRUTHS
from tidebench.case import case_from
from tidebench.findings import as_table, graded_findings
from tidebench.findings.calibration import curve_of
from tidebench.findings.seen import Known, Seen
from tidebench.interval import Interval
from tidebench.limits import limits_for, volume_weight_kg
from tidebench.recording import Recording
from tidebench.review import Review, review
from tidebench.simulation import Scenario, simulate
from tidebench.simulation.write import case_tables

MOSTLY = 0.5
EDGE_S = 4.0
OF_RULE = ("weak-effort", "strong-effort")


def reviewed(one: Drawn, scenario: Scenario) -> tuple[Told, Review]:
    """A patient simulated, recorded with what spoils it, and reviewed; the case says patient and settings."""
    done = simulate(scenario, CHANNELS)
    said = {key: rows for key, rows in case_tables(scenario, "").items() if key not in ("recording", "events")}
    case = case_from(said)
    found = review(case, spoil(done.recording, one))
    flow = found.mechanics.get("drive", np.ones(1))
    return Told(one, done, float(np.median(flow)), limits_for(case.patient), volume_weight_kg(case.patient)), found


def spoil(recording: Recording, one: Drawn) -> Recording:
    """The recording with its gaps, held values and ends of range."""
    channels = {name: values.copy() for name, values in recording.channels.items()}
    at = np.arange(len(channels["flow"])) / recording.rate_hz
    for spoilt in one.spoilt:
        inside = (at >= spoilt.start_s) & (at < spoilt.end_s)
        for name in spoilt.channels:
            values = channels[name]
            if spoilt.kind == "gap":
                values[inside] = np.nan
            elif spoilt.kind == "flat":
                values[inside] = values[inside][:1]
            else:
                np.minimum(values, spoilt.share * np.nanmax(values), out=values)
    gaps = tuple(Interval(spoilt.start_s, spoilt.end_s) for spoilt in one.spoilt if spoilt.kind == "gap")
    return Recording(recording.rate_hz, channels, gaps=gaps, steps=recording.steps)


def part_of(finding: dict[str, Any]) -> str:
    """What of its kind a finding is: the rule, the limit's quantity, or the channel."""
    kind = finding["kind"]
    if kind in OF_RULE:
        return "occlusion" if "occlusion" in finding["rule"] else str(finding["rule"])
    if kind == "beyond-limit":
        return str(finding["values"][0]["quantity"])
    if kind in ("flat-line", "clipped-signal"):
        return next(label for label in LABEL.values() if finding["evidence"].startswith(label))
    return ""


def lies_in(start: float, end: float, spans: Sequence[Span], touch: bool) -> bool:
    """True where a stretch touches a span, or lies in spans for the most part."""
    inside = [min(end, span.end_s) - max(start, span.start_s) for span in spans]
    if touch:
        return any(length >= 0 for length in inside)
    return sum(length for length in inside if length > 0) >= MOSTLY * max(end - start, 1e-9)


def score(
    told: Told, findings: pl.DataFrame, about: dict[str, Any]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """A row for each finding, with whether it is right, and for each thing owed, with whether it is found."""
    rows, owed = [], []
    by_kind = findings.partition_by("kind", as_dict=True)
    for kind, truth_of in TRUTHS.items():
        truth = truth_of(told)
        got = by_kind[(kind,)].rows(named=True) if (kind,) in by_kind else []
        right: list[tuple[str, float, float]] = []
        for one in got:
            of, start, end = part_of(one), one["start_s"], one["end_s"]
            spans = [span for span in truth.there if span.of == of]
            good = lies_in(start, end, spans, kind in TOUCH)
            right += [(of, start, end)] if good else []
            told_of = {"kind": kind, "of": of, "curve": curve_of(kind, one["rule"]), "confidence": one["confidence"]}
            rows.append(about | told_of | {"right": good})
        for span in truth.owed:
            if span.end_s < EDGE_S or span.start_s > SECONDS - EDGE_S:
                continue
            hit = any(of == span.of and a <= span.end_s and b >= span.start_s for of, a, b in right)
            owed.append(about | asdict(span) | {"kind": kind, "found": hit})
    return rows, owed


def grades(told: Told, found: Review) -> pl.DataFrame:
    """The findings of a review as its rules grade them, before calibration."""
    known = Known(told.limits, told.weight_kg, found.steps, found.holds, found.mechanics)
    return as_table(list(graded_findings(Seen(found.breaths, found.efforts, found.recording, known))))
