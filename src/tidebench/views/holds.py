"""The holds: what was done, what it gave, how far it can be trusted."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from tidebench.quantities import Quantity, quantity
from tidebench.recording import Samples
from tidebench.records import Hold, Spread
from tidebench.views.numbers import Number

if TYPE_CHECKING:
    from tidebench.review import Review

COLUMNS = (
    "peak_pressure_cmh2o",
    "initial_pressure_cmh2o",
    "plateau_pressure_cmh2o",
    "total_peep_cmh2o",
    "intrinsic_peep_cmh2o",
    "driving_pressure_cmh2o",
    "static_compliance_ml_cmh2o",
    "inspiratory_resistance_max_cmh2o_s_l",
    "inspiratory_resistance_min_cmh2o_s_l",
    "occlusion_swing_cmh2o",
    "occlusion_effort_cmh2o",
    "dynamic_transpulmonary_pressure_cmh2o",
    "p01_cmh2o",
)
TOTAL_PEEP = "total_peep_cmh2o"
BY_OCCLUSION = ("occlusion_effort_cmh2o", "dynamic_transpulmonary_pressure_cmh2o")
BEFORE_S, AFTER_S, LONGEST_S = 1.0, 1.5, 20.0
MOST_TRACES = 4


@dataclass(frozen=True, slots=True)
class HoldRow:
    """One hold with its numbers, in the order of ``HoldsPage.columns``."""

    number: int
    hold: Hold
    numbers: tuple[Number, ...]
    lender: int | None = None

    @property
    def quality(self) -> str:
        """In words: ``steady``, or what disturbs it, and the hold that total PEEP was taken from."""
        lent = () if self.lender is None else (f"total PEEP of hold {self.lender}",)
        return ", ".join((*self.hold.quality, *lent)) or "not judged"


@dataclass(frozen=True)
class HoldTrace:
    """Signals around a hold; time from the hold's end."""

    number: int
    hold: Hold
    time_s: Samples
    pressure: Samples
    flow: Samples


@dataclass(frozen=True)
class HoldsPage:
    """All holds, the quantities that at least one of them gives, and the signals around a few of them."""

    columns: tuple[Quantity, ...]
    rows: tuple[HoldRow, ...]
    traces: tuple[HoldTrace, ...]


def holds_page(review: Review) -> HoldsPage:
    """What the page of holds shows."""
    keys = [key for key in COLUMNS if any(getattr(hold, key) is not None for hold in review.holds)]
    rows = tuple(
        HoldRow(i, hold, tuple(hold_number(hold, key, lent) for key in keys), lent)
        for i, hold, lent in ((i, hold, lender(hold, review.holds)) for i, hold in enumerate(review.holds, start=1))
    )
    return HoldsPage(tuple(quantity(key) for key in keys), rows, tuple(_trace(review, row) for row in _drawn(rows)))


def _drawn(rows: tuple[HoldRow, ...]) -> list[HoldRow]:
    """The holds worth drawing: both kinds, undisturbed ones first, then in the order of time."""
    kinds = ("inspiratory", "expiratory")
    ranked = [sorted((r for r in rows if r.hold.kind == kind), key=_disturbed) for kind in kinds]
    in_turn = [row for pair in itertools.zip_longest(*ranked) for row in pair if row is not None]
    return sorted(in_turn[:MOST_TRACES], key=lambda row: row.number)


def _disturbed(row: HoldRow) -> bool:
    return row.hold.quality != ("steady",)


def lender(hold: Hold, holds: Sequence[Hold]) -> int | None:
    """Number of the expiratory hold whose total PEEP an inspiratory one goes by; None where it goes by its breath."""
    if hold.kind != "inspiratory" or hold.total_peep_cmh2o is None:
        return None
    pairs = ((i, one) for i, one in enumerate(holds, start=1) if one.kind == "expiratory")
    return next((i for i, one in pairs if one.total_peep_cmh2o == hold.total_peep_cmh2o), None)


def hold_number(hold: Hold, key: str, lent: int | None = None) -> Number:
    """One number of one hold; an inspiratory hold's total PEEP is the estimate of its breath, unless one was lent."""
    value: float | None = getattr(hold, key)
    spread = None if value is None else Spread(value, value, value, 1)
    estimated = (hold.kind == "inspiratory" and key == TOTAL_PEEP and lent is None) or key in BY_OCCLUSION
    return Number(quantity(key), spread, origin="estimated" if estimated else "measured")


def _trace(review: Review, row: HoldRow) -> HoldTrace:
    hold, recording = row.hold, review.recording
    starts = review.breaths.filter(pl.col("breath") == hold.breath)["start_s"]
    begin = hold.at_s - hold.duration_s - BEFORE_S if starts.is_empty() else float(starts[0]) - BEFORE_S
    first = max(0, round(max(begin, hold.at_s - LONGEST_S) * recording.rate_hz))
    last = min(len(recording), round((hold.at_s + AFTER_S) * recording.rate_hz))
    time = np.arange(first, last) / recording.rate_hz - hold.at_s
    return HoldTrace(row.number, hold, time, recording["airway_pressure"][first:last], recording["flow"][first:last])
