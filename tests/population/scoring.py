"""What a review found of a virtual patient, against the truth: event by event, by the rules of the open set's scorer.

Efforts count as found within 0.45 s of their onset, breaths within 0.12 s of their start (0.06 s in newborns); the
first and last four seconds, efforts under 1.5 cmH2O, and cycling within 0.10 of its threshold are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench import interaction

EFFORT_KINDS = {
    "ineffective-effort": "ineffective", "reverse-trigger": "reverse-trigger",
    "effort-in-inflation": "effort-in-inflation",
}  # fmt: skip
THRESHOLDS = {"premature-cycling": interaction.PREMATURE, "delayed-cycling": interaction.DELAYED}
BREATH_KINDS = ("double-trigger", "auto-trigger", *THRESHOLDS)
GREY, LEAST_CMH2O, EFFORT_S = 0.10, 1.5, 0.45
BREATH_S = {"newborn": 0.06}
USUAL_BREATH_S = 0.12
EDGE_S = 4.0


@dataclass(frozen=True)
class Event:
    """One event of a kind: found or missed (truth), right or wrong (finding); ``confidence`` of findings."""

    kind: str
    true: bool
    found: bool
    confidence: float | None


def matches(want: Sequence[float], got: Sequence[float], tolerance: float) -> list[tuple[int, int]]:
    """One-to-one nearest pairs of two sorted lists of times."""
    used: set[int] = set()
    pairs = []
    for i, at in enumerate(want):
        near = [k for k in np.argsort(np.abs(np.asarray(got) - at))[:3].tolist() if k not in used]
        if near and abs(got[near[0]] - at) <= tolerance:
            used.add(near[0])
            pairs.append((i, near[0]))
    return pairs


def events_of(
    kind: str, want: pl.Series, findings: pl.DataFrame, skip: pl.Series, tolerance: float, seconds: float
) -> list[Event]:
    """Every true event and every finding of a kind, matched; those near a skipped time or the ends are left out."""
    found = findings.filter(pl.col("kind") == kind).sort("start_s")
    times, got = sorted(want.to_list()), found["start_s"].to_list()
    pairs = matches(times, got, tolerance)
    hit, right = dict(pairs), {j for _, j in pairs}
    sure = found["confidence"].to_list()

    def inside(at: float) -> bool:
        return EDGE_S <= at <= seconds - EDGE_S

    events = [
        Event(kind, True, i in hit, sure[hit[i]] if i in hit else None) for i, at in enumerate(times) if inside(at)
    ]
    for j, at in enumerate(got):
        if j not in right and inside(at) and not (np.abs(skip.to_numpy() - at) <= tolerance).any():
            events.append(Event(kind, False, True, sure[j]))
    return events


def score(
    size: str, breaths: pl.DataFrame, efforts: pl.DataFrame, findings: pl.DataFrame, seconds: float
) -> list[Event]:
    """All events of one patient; ``breaths`` and ``efforts`` are the truth."""
    out = []
    unsure = (pl.col("amplitude_cmh2o") < LEAST_CMH2O) | pl.col("outcome").is_in(["outside", "met-by-machine"])
    skip = efforts.filter(unsure)["onset_s"]
    for kind, outcome in EFFORT_KINDS.items():
        want = efforts.filter((pl.col("outcome") == outcome) & (pl.col("amplitude_cmh2o") >= LEAST_CMH2O))["onset_s"]
        out += events_of(kind, want, findings, skip, EFFORT_S, seconds)
    for kind in BREATH_KINDS:
        labelled = breaths.filter(pl.col("labels").str.split("|").list.contains(kind))
        near = pl.lit(value=False)
        if kind in THRESHOLDS:
            near = ((pl.col("cycling_margin") - THRESHOLDS[kind]).abs() < GREY).fill_null(value=False)
        out += events_of(
            kind, labelled.filter(~near)["start_s"], findings, breaths.filter(near)["start_s"],
            BREATH_S.get(size, USUAL_BREATH_S), seconds,
        )  # fmt: skip
    return out


def end_errors_s(efforts: pl.DataFrame, found: pl.DataFrame) -> list[float]:
    """Estimated less true end of neural inspiration of the efforts that were found, s."""
    true = efforts.filter(pl.col("amplitude_cmh2o") >= LEAST_CMH2O).sort("onset_s")
    seen = found.sort("start_s")
    pairs = matches(true["onset_s"].to_list(), seen["start_s"].to_list(), EFFORT_S)
    return [float(seen["end_s"][j] - true["end_s"][i]) for i, j in pairs]
