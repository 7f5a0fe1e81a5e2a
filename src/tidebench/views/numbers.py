"""A number as a person reads it: what it is, how it spreads, from how many breaths."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import polars as pl

from tidebench.limits import population, volume_weight_kg
from tidebench.measures.computed import COMPUTED
from tidebench.quantities import TABLES, Quantity, quantity
from tidebench.records import BREATH_COLUMNS, Spread
from tidebench.views.mechanics import one_resistance

if TYPE_CHECKING:
    from tidebench.review import Review

EFFORT = "effort_cmh2o"
EXPIRATORY_RESISTANCE = "expiratory_resistance_cmh2o_s_l"
PER_PREDICTED, PER_WEIGHT = "vt_per_pbw_ml_kg", "vt_per_weight_ml_kg"
LEAK = "leak_fraction"
OF_VOLUME = (PER_PREDICTED, PER_WEIGHT, "vti_ml", "vte_ml", "minute_volume_l_min", "rapid_shallow_index")
"""What stands or falls with the exhaled volume."""

MOSTLY_LEAK = 0.5
"""Above which leak a volume is in doubt (Klingenberg, J Perinatol 2011;31:575)."""

ESTIMATED = ("total_peep_cmh2o", "intrinsic_peep_cmh2o")
"""On breaths these are estimates: an expiratory hold measures them. So is effort without an oesophageal signal."""

Origin = Literal["measured", "estimated", "set", "noted"]


@dataclass(frozen=True, slots=True)
class Number:
    """One quantity over the recording.

    Attributes
    ----------
    quantity : Quantity
        What it is.
    spread : Spread or None
        Median, 5th and 95th percentile and the number of breaths behind them.
    origin : str
        ``measured`` from the signals, ``estimated`` from them by a model, ``set`` on the ventilator, or ``noted`` by a
        person.
    source : str
        Where it comes from when not from breaths: ``inspiratory hold at 2:10``.
    note : str
        What a reader must know of it, in few words that stand behind the label.
    left_open : str
        What the samples of an uncertain recording leave open, nine times in ten: ``405 to 433``; empty otherwise.
    """

    quantity: Quantity
    spread: Spread | None
    origin: Origin = "measured"
    source: str = ""
    note: str = ""
    left_open: str = ""

    @property
    def label(self) -> str:
        """The label; before it "estimated", or "measured" where the same word also names a setting."""
        words = [self.note, f"its samples leave {self.left_open} open" if self.left_open else ""]
        note = f" ({'; '.join(filter(None, words))})" if any(words) else ""
        if self.origin == "estimated" or (self.origin == "measured" and self.quantity.key in TABLES["settings"]):
            return f"{self.origin} {self.quantity.label}{note}"
        return f"{self.quantity.label}{note}"

    @property
    def value(self) -> str:
        """The median with its unit."""
        return self.quantity.text(self.spread.median) if self.spread else "–"

    @property
    def range(self) -> str:
        """5th to 95th percentile, without the unit; empty for a single value."""
        if self.spread is None or self.spread.n < 2:
            return ""
        low, high = (self.quantity.text(value, unit=False) for value in (self.spread.p05, self.spread.p95))
        return low if low == high else f"{low} to {high}"

    @property
    def n(self) -> int:
        """Breaths (or holds) behind the number."""
        return self.spread.n if self.spread else 0


def spread_of(entry: Mapping[str, Any] | None) -> Spread | None:
    """A spread from its form in ``summary.json``; None where there is no median."""
    if not entry or entry.get("median") is None:
        return None
    median = float(entry["median"])
    low, high = (median if entry.get(edge) is None else float(entry[edge]) for edge in ("p05", "p95"))
    return Spread(median, low, high, int(entry.get("n") or 0))


def spread_over(values: pl.Series) -> Spread | None:
    """Median, 5th and 95th percentile of the values that are known."""
    known = values.drop_nulls().drop_nans()
    if known.is_empty():
        return None
    median, low, high = (float(known.quantile(q, "linear") or 0.0) for q in (0.5, 0.05, 0.95))
    return Spread(median, low, high, len(known))


def breath_values(review: Review, key: str) -> pl.Series:
    """The quantity on each breath that has it: a column, or what follows from columns at once; else empty.

    Effort is that of breaths that show one: zeros of passive breaths would hide it.
    """
    breaths = review.breaths
    if key == EFFORT:
        return breaths.filter(~pl.col("passive"))[EFFORT].drop_nulls()
    if key in BREATH_COLUMNS:
        return breaths[key].drop_nulls()
    if key in COMPUTED:
        return breaths.select(COMPUTED[key]).to_series().drop_nulls()
    young = population(review.case.patient).group in ("child", "newborn")
    weight = volume_weight_kg(review.case.patient) if key == (PER_WEIGHT if young else PER_PREDICTED) else None
    return (breaths["vte_ml"] / weight).drop_nulls() if weight else pl.Series(dtype=pl.Float64)


def summary_number(review: Review, key: str) -> Number:
    """A number by its key: from the summary where it stands there, else over the breaths."""
    computed = review.summary.get("intervals", {}).get("computed", {})
    entry = review.summary.get("quantities", {}).get(key) or computed.get(key) or {}
    found = breath_number(review, key, _over_recording(review, key))
    return replace(found, left_open=left_open_words(key, entry.get("low"), entry.get("high"), review))


def left_open_words(key: str, low: float | None, high: float | None, review: Review) -> str:
    """``405 to 433``, or that it can't be told; empty where the recording is certain, or as good as that."""
    if "intervals" not in review.summary:
        return ""
    if low is None or high is None:
        known = key in review.summary["quantities"] or key in review.summary["intervals"]["computed"]
        return "more than can be told" if known else ""
    ends = [quantity(key).text(end, unit=False) for end in (low, high)]
    return " to ".join(ends) if ends[0] != ends[1] else ""


def breath_left_open(review: Review, breath: int, key: str) -> str:
    """The same of one breath's value."""
    if review.intervals is None:
        return ""
    rows = review.intervals.filter((pl.col("breath") == breath) & (pl.col("quantity") == key))
    return left_open_words(key, rows["low"][0], rows["high"][0], review) if rows.height else ""


def _over_recording(review: Review, key: str) -> Spread | None:
    entry = review.summary.get("quantities", {}).get(key)
    return spread_of(entry) if entry else spread_over(breath_values(review, key))


def breath_number(review: Review, key: str, spread: Spread | None) -> Number:
    """A number that stands on breaths, with how it came about."""
    estimated = key in ESTIMATED or (key == EFFORT and "oesophageal_pressure" not in review.recording)
    return Number(
        quantity(key), spread, origin="estimated" if estimated else "measured", note=_note(review, key, spread)
    )


def _note(review: Review, key: str, spread: Spread | None) -> str:
    """What a reader must know of a number, in few words."""
    if key == EXPIRATORY_RESISTANCE and one_resistance(review):
        return "one value fitted for both"
    if key in OF_VOLUME and spread is not None and mostly_leak(review):
        return "doubtful: large leak"
    return leak_flow(review) if key == LEAK and spread is not None else ""


def mostly_leak(review: Review) -> bool:
    """True where more than half of the inspired volume leaks away, so that volumes are in doubt."""
    spread = _over_recording(review, LEAK)
    return spread is not None and spread.median > MOSTLY_LEAK


def leak_flow(review: Review) -> str:
    """``24 L/min at the mean pressure of 9.1 cmH2O``, by the fitted leak; empty where none was fitted."""
    mechanics = review.summary.get("mechanics", {})
    scale, exponent = mechanics.get("leak_l_s_per_cmh2o_to_exponent"), mechanics.get("leak_exponent")
    mean = _over_recording(review, "mean_pressure_cmh2o")
    if scale is None or exponent is None or mean is None or mean.median <= 0:
        return ""
    flow = quantity("flow").text(60 * scale * mean.median**exponent)
    return f"{flow} at the mean pressure of {quantity('mean_pressure_cmh2o').text(mean.median)}"


def held_number(review: Review, key: Literal["total_peep_cmh2o", "intrinsic_peep_cmh2o"]) -> Number | None:
    """Total or intrinsic PEEP as expiratory holds measured it, steady ones where there are any; None where none did."""
    known = [hold for hold in review.holds if hold.kind == "expiratory" and getattr(hold, key) is not None]
    steady = [hold for hold in known if hold.quality == ("steady",)]
    held = steady or known
    spread = spread_over(pl.Series([getattr(hold, key) for hold in held], dtype=pl.Float64))
    if spread is None:
        return None
    where = "expiratory hold" if len(held) == 1 else "expiratory holds"
    words = dict.fromkeys(word for hold in held for word in hold.quality if word != "steady")
    return Number(quantity(key), spread, note=", ".join([where, *words]))
