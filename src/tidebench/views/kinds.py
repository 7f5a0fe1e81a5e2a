"""Findings by kind, with how often they come and how sure that is, and one finding in full with what people said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.findings import ABOUT
from tidebench.findings.about import DECIDE, About
from tidebench.marks import SAME_S, Mark
from tidebench.quantities import quantity
from tidebench.views.wording import clock, count, duration, sentence

Starts = npt.NDArray[np.float64]
HOUR_S = 3600.0
MANY = 100
"""Events that bear a third figure: of so many, a rate is known to a tenth of itself (Poisson)."""

if TYPE_CHECKING:
    from tidebench.review import Review


@dataclass(frozen=True, slots=True)
class KindRow:
    """One kind of finding: how often, and from when to when each of its findings lasts, on which breath."""

    kind: str
    label: str
    about: About
    count: int
    rate: str
    share: str
    cluster: str
    index: tuple[int, ...]
    starts_s: tuple[float, ...]
    ends_s: tuple[float, ...]
    breaths: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class FindingPage:
    """One finding in full. ``mark`` is the last word on it; None while nobody said anything."""

    index: int
    kind: str
    label: str
    breath: int | None
    start_s: float
    end_s: float
    time: str
    confidence: str
    evidence: str
    values: tuple[tuple[str, str], ...]
    rule: str
    rule_version: int
    about: About
    decide: str
    mark: Mark | None


def label_of(kind: str) -> str:
    """A kind in words."""
    return kind.replace("-", " ")


def kind_rows(review: Review) -> tuple[KindRow, ...]:
    """The kinds that were found, the most frequent first."""
    told: dict[str, Any] = review.summary.get("findings", {})
    table = review.findings.with_row_index("row")
    groups = {str(key[0]): rows for key, rows in table.partition_by("kind", as_dict=True).items()}
    starts = review.breaths["start_s"].to_numpy()
    length = review.recording.duration_s
    rows = [_row(kind, entry, groups[kind], starts, length) for kind, entry in told.items() if kind in groups]
    return tuple(sorted(rows, key=lambda row: (-row.count, row.kind)))


def _row(kind: str, told: dict[str, Any], rows: pl.DataFrame, starts: Starts, length_s: float) -> KindRow:
    return KindRow(
        kind=kind,
        label=label_of(kind),
        about=ABOUT[kind],
        count=int(told["count"]),
        rate=rate_words(told, length_s),
        share=share_of_breaths(told, rows, starts),
        cluster=f"at most {told['most_in_3_min']} in three minutes",
        index=tuple(rows["row"].to_list()),
        starts_s=tuple(rows["start_s"].round(3).to_list()),
        ends_s=tuple(rows["end_s"].round(3).to_list()),
        breaths=tuple(rows["breath"].to_list()),
    )


def rate_words(told: dict[str, Any], length_s: float) -> str:
    """How often an hour, with its interval; of a recording of less than an hour also how many in how long."""
    low, high = (_figure(bound, told["count"]) for bound in told["per_hour_interval"])
    rate = f"{_figure(told['per_hour'], told['count'])} per hour (95 % interval {low} to {high})"
    return rate if length_s >= HOUR_S else f"{told['count']} in {duration(length_s)}: {rate}"


def share_of_breaths(told: dict[str, Any], rows: pl.DataFrame, starts: Starts) -> str:
    """The share of breaths that have one; no share where a finding stands for a run of them."""
    share = told["percent_of_breaths"]
    if share is None:
        return ""
    begins, ends = rows["start_s"].to_numpy(), rows["end_s"].to_numpy()
    if (np.searchsorted(starts, ends) - np.searchsorted(starts, begins, "right") > 1).any():
        return "some stand for several breaths in a row"
    least, most = told["percent_interval"]
    share, least, most = (_figure(value, told["count"]) for value in (share, least, most))
    return f"{share} % of breaths ({least} to {most} %)"


def _figure(value: float, events: int) -> str:
    """Two figures of fewer events than a hundred, else three; whole numbers from a hundred on."""
    return f"{value:.0f}" if value >= 100 else f"{value:.{3 if events >= MANY else 2}g}"


def _value(key: str, value: float) -> str:
    """A value with its unit; a bare number has none."""
    record = quantity(key)
    return record.text(value, unit=record.unit != "1")


def finding_page(review: Review, index: int, marks: Sequence[Mark] = ()) -> FindingPage | None:
    """One finding by its place in the table; None where there is none."""
    if not 0 <= index < review.findings.height:
        return None
    row = review.findings.row(index, named=True)
    return FindingPage(
        index=index,
        kind=row["kind"],
        label=label_of(row["kind"]),
        breath=row["breath"],
        start_s=row["start_s"],
        end_s=row["end_s"],
        time=clock(row["start_s"]),
        confidence=f"{100 * row['confidence']:.0f} %",
        evidence=sentence(row["evidence"]),
        values=tuple((quantity(v["quantity"]).label, _value(v["quantity"], v["value"])) for v in row["values"]),
        rule=row["rule"],
        rule_version=row["rule_version"],
        about=ABOUT[row["kind"]],
        decide=DECIDE,
        mark=mark_on(marks, row["kind"], row["start_s"]),
    )


def mark_on(marks: Sequence[Mark], kind: str, start_s: float) -> Mark | None:
    """The last word on a finding; None where there is none or it was taken back."""
    said = [mark for mark in marks if mark.kind == kind and abs(mark.start_s - start_s) <= SAME_S]
    return said[-1] if said and said[-1].state != "open" else None


def marked(review: Review, marks: Sequence[Mark]) -> dict[int, str]:
    """State of each finding that somebody marked, by its place in the table."""
    states: dict[int, str] = {}
    for mark in marks:
        near = (pl.col("kind") == mark.kind) & ((pl.col("start_s") - mark.start_s).abs() <= SAME_S)
        for index in review.findings.select(near.arg_true()).to_series():
            states[index] = mark.state
    return {index: state for index, state in states.items() if state != "open"}


def tally(states: dict[int, str], total: int) -> str:
    """How many findings somebody looked at: ``2 confirmed, 1 rejected, 12 not yet marked``."""
    found = list(states.values())
    parts = [f"{found.count(state)} {state}" for state in ("confirmed", "rejected", "unsure") if state in found]
    left = total - len(found)
    return ", ".join([*parts, f"{left} not yet marked"]) if total else count(0, "finding")
