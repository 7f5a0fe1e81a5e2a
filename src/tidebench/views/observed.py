"""Numbers that a person noted from a screen or at the bed, beside the measured ones, and why the two may differ."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from tidebench.measures.computed import COMPUTED
from tidebench.quantities import Quantity, quantity
from tidebench.records import BREATH_COLUMNS, Spread
from tidebench.views.numbers import spread_over
from tidebench.views.wording import clock

if TYPE_CHECKING:
    from tidebench.review import Review

AROUND_S = 30.0
AGREES = 0.03
"""Noted and measured agree where they differ by no more than this part, or by what rounding hides."""


@dataclass(frozen=True)
class Facts:
    """What explanations draw on: the case, and medians around the moment."""

    review: Review
    around: pl.DataFrame

    def median(self, key: str) -> float | None:
        """Median of a breath-table column around the moment."""
        value = self.around[key].median()
        return float(value) if isinstance(value, (int, float)) else None

    def text(self, key: str) -> str:
        """The same with its unit."""
        return quantity(key).text(self.median(key))


@dataclass(frozen=True, slots=True)
class Observation:
    """One noted number. ``measured`` is None where nothing like it was measured."""

    at_s: float
    quantity: Quantity
    noted: float
    measured: Spread | None
    agrees: bool
    why: tuple[str, ...]

    @property
    def label(self) -> str:
        """``plateau pressure at 2:10``."""
        return f"{self.quantity.label} at {clock(self.at_s)}"


def observations(review: Review) -> tuple[Observation, ...]:
    """Every noted number with its measured counterpart, in the order of time."""
    return tuple(_all(review))


def _all(review: Review) -> Iterator[Observation]:
    for noted in review.case.observed:
        facts = Facts(review, _around(review.breaths, noted.at_s))
        for key, value in noted.numbers.items():
            record = quantity(key, "observed")
            measured = _measured(facts.around, key)
            agrees = measured is not None and _agree(record, value, measured.median)
            why = () if measured is None or agrees else tuple(_why(key, facts))
            yield Observation(noted.at_s, record, value, measured, agrees, (*why, *_doubts(noted.numbers, key)))


def _around(breaths: pl.DataFrame, at_s: float) -> pl.DataFrame:
    near = breaths.filter((pl.col("start_s") - at_s).abs() <= AROUND_S)
    return near if near.height >= 3 else breaths


def _measured(breaths: pl.DataFrame, key: str) -> Spread | None:
    if key in COMPUTED:
        values = breaths.select(COMPUTED[key]).to_series()
    elif key in BREATH_COLUMNS:
        values = breaths[key]
    else:
        return None
    return spread_over(values)


def _agree(record: Quantity, noted: float, measured: float) -> bool:
    rounding = 10.0**-record.decimals
    return abs(noted - measured) <= max(rounding, AGREES * abs(measured))


def _doubts(numbers: dict[str, float], key: str) -> Iterator[str]:
    """Noted numbers that can't all be right together."""
    volume, rate, minute = (numbers.get(k) for k in ("vte_ml", "rate_per_min", "minute_volume_l_min"))
    if key == "minute_volume_l_min" and volume and rate and minute:
        product = volume * rate / 1000
        if abs(product - minute) > 0.1 * minute:
            record = quantity("minute_volume_l_min")
            yield (
                f"The noted volume times the noted rate is {record.text(product)}, not {record.text(minute)}: "
                "one of the three was noted at another moment, or is an average of another length."
            )


# --- why they differ --------------------------------------------------------------------------------------------------

_OCCLUDED = (
    "Total PEEP shows only while the airway is occluded; a short hold, or an effort in it, gives another number.",
    "Intrinsic PEEP is total PEEP less PEEP: check which of the two was noted.",
)
_PLACE = (
    "Pressure at the ventilator is higher than at the wye by what the tubing and filters resist.",
    "A screen may show the highest of the last breaths, or their average.",
)
_AVERAGE = ("A screen averages over its own window, and may count triggered and spontaneous breaths apart.",)
_FLOW = ("Resistance grows with flow, and the tube's part with it; two methods at two flows give two numbers.",)
_DIVISOR = ("A screen may divide by peak less PEEP (dynamic), or use set in place of total PEEP; both give less.",)

SAID: dict[str, tuple[str, ...]] = {
    "plateau_pressure_cmh2o": (
        "A screen reads its plateau at the end of its own pause, often before pressure has come to rest.",
        "Here a plateau is the mean of the last stretch at zero flow, and is left out where the patient breathed.",
    ),
    "peep_cmh2o": (
        "A screen may show the set PEEP, the lowest pressure, or the pressure at one moment of expiration.",
        "Here PEEP is the mean of the quiet stretch before the breath.",
    ),
    "total_peep_cmh2o": _OCCLUDED,
    "intrinsic_peep_cmh2o": _OCCLUDED,
    "compliance_ml_cmh2o": _DIVISOR,
    "dynamic_compliance_ml_cmh2o": _DIVISOR,
    "resistance_cmh2o_s_l": _FLOW,
    "expiratory_resistance_cmh2o_s_l": _FLOW,
    "peak_pressure_cmh2o": _PLACE,
    "mean_pressure_cmh2o": _PLACE,
    "rate_per_min": _AVERAGE,
    "minute_volume_l_min": _AVERAGE,
}
"""Why a screen and this review may differ, by quantity: what is always so."""


def _volume(facts: Facts) -> Iterator[str]:
    case = facts.review.case
    taken = case.circuit.compliance_ml_cmh2o
    peak, peep = facts.median("peak_pressure_cmh2o"), facts.median("peep_cmh2o")
    if taken and peak is not None and peep is not None and not case.circuit.volume_compensated:
        yield (
            f"The tubing takes {quantity('compliance_ml_cmh2o', 'circuit').text(taken)}: up to "
            f"{quantity('vti_ml').text(taken * (peak - peep))} of each breath is gas compressed in the circuit, "
            "which a sensor at the ventilator counts and one at the wye does not."
        )
    else:
        yield "A sensor at the ventilator also counts gas compressed in the tubing; one at the wye does not."
    if case.recording.flow_conditions != "BTPS":
        yield f"The recording was made in {case.recording.flow_conditions}; here volumes are given in BTPS."
    else:
        yield "Dry gas at room temperature is about a tenth less than the same gas in the lungs (BTPS)."
    leak = facts.median("leak_fraction")
    if leak is not None and leak > 0.05:
        yield f"Leak is {100 * leak:.0f} %: inspired, expired and corrected volumes differ."


def _driving(facts: Facts) -> Iterator[str]:
    yield (
        f"From total PEEP the driving pressure is {facts.text('driving_pressure_cmh2o')}, from set PEEP "
        f"{facts.text('driving_pressure_set_peep_cmh2o')}: check which one was noted."
    )


def _compliance(facts: Facts) -> Iterator[str]:
    yield (
        "Here compliance comes from the equation of motion on passive breaths; dynamic compliance is "
        f"{facts.text('dynamic_compliance_ml_cmh2o')}."
    )


def _total_peep(facts: Facts) -> Iterator[str]:
    yield f"Estimated total PEEP is {facts.text('total_peep_cmh2o')}."


FOUND: dict[str, Callable[[Facts], Iterator[str]]] = {
    "vti_ml": _volume,
    "vte_ml": _volume,
    "vti_measured_ml": _volume,
    "vte_measured_ml": _volume,
    "minute_volume_l_min": _volume,
    "driving_pressure_cmh2o": _driving,
    "driving_pressure_set_peep_cmh2o": _driving,
    "compliance_ml_cmh2o": _compliance,
    "dynamic_compliance_ml_cmh2o": _compliance,
    "peep_cmh2o": _total_peep,
}
"""The same, with numbers of this case."""


def _why(key: str, facts: Facts) -> Iterator[str]:
    yield from SAID.get(key, ())
    if key in FOUND:
        yield from FOUND[key](facts)
