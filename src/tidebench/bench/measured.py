"""What is measured of a bench so far: the review of what was recorded, as a saved case would be reviewed."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from tidebench.case import Case
from tidebench.recording import Recording
from tidebench.review import review
from tidebench.views.asked import BreathNumber, breath_numbers
from tidebench.views.breath import breath_heading
from tidebench.views.holds import HoldRow, holds_page
from tidebench.views.kinds import FindingPage, finding_page
from tidebench.views.matters import Matter, first_three
from tidebench.views.numbers import EFFORT
from tidebench.views.verdicts import verdicts
from tidebench.views.wording import clock, listed, sentence

COLUMNS = (
    "vti_ml", "vte_ml", "peak_pressure_cmh2o", "plateau_pressure_cmh2o", "peep_cmh2o", "total_peep_cmh2o",
    "rate_per_min", "inspiratory_time_s", EFFORT,
)  # fmt: skip
"""Numbers that stand beside each breath; the others a saved case tells."""
SPOKEN = ("vte_ml", "peak_pressure_cmh2o", "rate_per_min")
UNDER_WAY_S = 0.03  # a breath that ends so near the end of what was recorded is still under way
LATEST_BREATHS, LATEST_FINDINGS, LATEST_HOLDS = 8, 12, 3


@dataclass(frozen=True, slots=True)
class BreathSeen:
    """One breath: its heading, its numbers in the order of :data:`COLUMNS`, and a sentence to be spoken."""

    breath: int
    start_s: float
    heading: str
    numbers: tuple[BreathNumber, ...]
    spoken: str


@dataclass(frozen=True, slots=True)
class HoldSeen:
    """A hold in a sentence."""

    at_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Measured:
    """A review of what was recorded until ``until_s``, latest first: breaths, findings, holds, and what matters."""

    until_s: float
    breaths: tuple[BreathSeen, ...]
    findings: tuple[FindingPage, ...]
    holds: tuple[HoldSeen, ...]
    matters: tuple[Matter, ...]


def measured(case: Case, recording: Recording) -> Measured:
    """Review what :meth:`tidebench.bench.Bench.recorded` gives, and tell the latest of it.

    Raises
    ------
    SignalError, CaseError
        As :func:`tidebench.review.review`.
    """
    done = review(case, recording)
    whole = done.breaths.filter(pl.col("end_s") < recording.duration_s - UNDER_WAY_S)
    last = whole.height - 1
    breaths = []
    for breath in range(last, max(-1, last - LATEST_BREATHS), -1):
        row = done.breaths.row(breath, named=True)
        numbers = {number.quantity.key: number for number in breath_numbers(done, breath)}
        told = tuple(numbers[key] for key in COLUMNS if key in numbers)
        words = listed(f"{numbers[key].quantity.label} {numbers[key].value}" for key in SPOKEN if key in numbers)
        heading = sentence(breath_heading(row))
        breaths.append(BreathSeen(breath, row["start_s"], heading, told, sentence(f"breath {breath}: {words}")))
    order = done.findings.with_row_index("row").sort("start_s", descending=True)["row"][:LATEST_FINDINGS]
    findings = (finding_page(done, int(index)) for index in order)
    holds = [_hold(row) for row in holds_page(done).rows[::-1][:LATEST_HOLDS]]
    return Measured(
        recording.duration_s, tuple(breaths), tuple(page for page in findings if page), tuple(holds),
        first_three(done, verdicts(done)),
    )  # fmt: skip


def _hold(row: HoldRow) -> HoldSeen:
    told = listed(f"{number.label} {number.value}" for number in row.numbers if number.spread)
    at_s = row.hold.at_s
    return HoldSeen(at_s, sentence(f"{row.hold.kind} hold until {clock(at_s)} ({row.quality}): {told or 'nothing'}"))
