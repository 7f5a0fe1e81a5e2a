"""The newest of every number that people hand over: measured under the settings in force, else noted, else why not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import polars as pl

from tidebench.limits import Limit, Policy, judge, limits_for, population, volume_weight_kg
from tidebench.quantities import Quantity, quantity
from tidebench.records import Hold, Spread
from tidebench.views.numbers import (
    COMPUTED,
    EFFORT,
    ESTIMATED,
    OF_VOLUME,
    PER_PREDICTED,
    PER_WEIGHT,
    mostly_leak,
    spread_over,
)
from tidebench.views.verdicts import KINDS

if TYPE_CHECKING:
    from tidebench.case import Case, Observed
    from tidebench.review import Review

WINDOW_S = 1800.0
"""How far back breaths speak for now, unless settings changed since: this house's choice."""
FEWEST = 3
HANDED = (
    "rate_per_min",
    "minute_volume_l_min",
    "peak_pressure_cmh2o",
    "plateau_pressure_cmh2o",
    "driving_pressure_cmh2o",
    "mean_pressure_cmh2o",
    "peep_cmh2o",
    "total_peep_cmh2o",
    "intrinsic_peep_cmh2o",
    "compliance_ml_cmh2o",
    "resistance_cmh2o_s_l",
    "mechanical_power_j_min",
    EFFORT,
    "p01_cmh2o",
    "spo2",
    "etco2_mmhg",
    "bohr_dead_space_fraction",
    "cuff_pressure_cmh2o",
)
"""After volume per weight; the same lines on every page, so that a blank is seen."""
AT_THE_BED = ("spo2", "cuff_pressure_cmh2o", "p01_cmh2o")
FROM_CAPNOGRAM = ("etco2_mmhg", "bohr_dead_space_fraction")
FROM_HOLDS = {
    "plateau_pressure_cmh2o": "inspiratory",
    "driving_pressure_cmh2o": "inspiratory",
    "total_peep_cmh2o": "expiratory",
    "intrinsic_peep_cmh2o": "expiratory",
    "p01_cmh2o": "expiratory",
}
State = Literal["met", "crossed", "crossed at times", "not judged"]


@dataclass(frozen=True, slots=True)
class Latest:
    """A number as it is handed over; a spread of None says in ``why`` what stands against it.

    Attributes
    ----------
    quantity : Quantity
    spread : Spread or None
    origin : str
        ``measured``, ``estimated``, ``by a hold`` or ``noted``.
    at_s : float or None
        When, on the case clock: the end of the breaths, the hold, the note.
    note : str
        What a reader must know of it.
    why : str
        What is missing, where it is.
    limit : Limit or None
    state : str
    """

    quantity: Quantity
    spread: Spread | None
    origin: str = ""
    at_s: float | None = None
    note: str = ""
    why: str = ""
    limit: Limit | None = None
    state: State = "not judged"

    @property
    def value(self) -> str:
        """The median with its unit; a dash where there is none."""
        return "–" if self.spread is None else self.quantity.text(self.spread.median)

    @property
    def doubt(self) -> str:
        """5th to 95th percentile and the number of breaths; empty for a single value."""
        if self.spread is None or self.spread.n < 2:
            return ""
        low, high = (self.quantity.text(edge, unit=False) for edge in (self.spread.p05, self.spread.p95))
        return f"{low if low == high else f'{low} to {high}'}, n {self.spread.n}"

    @property
    def bound(self) -> str:
        """The limit and what it is, in words; empty without one."""
        return "" if self.limit is None else f"{self.limit.bound} ({KINDS[self.limit.kind]})"


def latest_numbers(case: Case, review: Review | None, policy: Policy | None, until_s: float) -> tuple[Latest, ...]:
    """Every number that is handed over, in a fixed order."""
    young = population(case.patient).group in ("child", "newborn")
    limits = {limit.key: limit for limit in limits_for(case.patient, policy=policy)}
    keys = (PER_WEIGHT if young else PER_PREDICTED, *HANDED)
    return tuple(_judged(_latest(key, case, review, until_s), limits.get(key)) for key in keys)


def _judged(number: Latest, limit: Limit | None) -> Latest:
    if limit is None:
        return number
    seen = number.spread
    if seen is None or "doubtful" in number.note:
        return replace(number, limit=limit)
    state: State = "met" if judge(limit, seen.median) == "within" else "crossed"
    if state == "met" and seen.n > 1 and not judge(limit, seen.p05) == judge(limit, seen.p95) == "within":
        state = "crossed at times"
    return replace(number, limit=limit, state=state)


def _latest(key: str, case: Case, review: Review | None, until_s: float) -> Latest:
    """By a hold under these settings, else of breaths, else as noted, whichever there is."""
    since = _since(case, until_s)
    candidates = () if review is None else (_held(key, review, since), _measured(key, review, since, until_s))
    found = next((one for one in candidates if one is not None), None)
    noted = _noted(key, case, until_s)
    if found is None or (noted is not None and found.at_s is not None and (noted.at_s or 0.0) > found.at_s + WINDOW_S):
        found = noted or found
    return found or Latest(quantity(key), None, why=_why(key, case, review, since))


def _since(case: Case, until_s: float) -> float:
    """From when on breaths count: the last change of settings, at most half an hour back."""
    changed = max((row.at_s for row in case.settings if row.at_s < until_s), default=0.0)
    return max(changed, until_s - WINDOW_S)


def _held(key: str, review: Review, since_s: float) -> Latest | None:
    kind = FROM_HOLDS.get(key)
    holds = [
        hold for hold in review.holds if hold.kind == kind and hold.at_s >= since_s and getattr(hold, key) is not None
    ]
    if not holds:
        return None
    steady = [hold for hold in holds if hold.quality == ("steady",)]
    hold: Hold = (steady or holds)[-1]
    value = float(getattr(hold, key))
    doubts = ", ".join(word for word in hold.quality if word != "steady")
    return Latest(quantity(key), Spread(value, value, value, 1), "by a hold", hold.at_s, doubts)


def _measured(key: str, review: Review, since_s: float, until_s: float) -> Latest | None:
    values = _values(key, review, since_s)
    spread = None if values is None or values.drop_nulls().len() < FEWEST else spread_over(values)
    if spread is None:
        return None
    estimated = key in ESTIMATED or (key == EFFORT and "oesophageal_pressure" not in review.recording)
    note = "doubtful: large leak" if key in OF_VOLUME and mostly_leak(review) else ""
    return Latest(quantity(key), spread, "estimated" if estimated else "measured", until_s, note)


def _values(key: str, review: Review, since_s: float) -> pl.Series | None:
    if key in FROM_CAPNOGRAM:
        table = None if review.capnogram is None else review.capnogram.breaths
        return None if table is None else table.filter(pl.col("start_s") >= since_s)[key]
    breaths = review.breaths.filter(pl.col("start_s") >= since_s)
    if key == EFFORT:
        breaths = breaths.filter(~pl.col("passive"))
    if key in (PER_PREDICTED, PER_WEIGHT):
        weight = volume_weight_kg(review.case.patient)
        return None if not weight else breaths["vte_ml"] / weight
    if key in COMPUTED:
        return breaths.select(COMPUTED[key].alias(key))[key]
    return breaths[key] if key in breaths.columns else None


def _noted(key: str, case: Case, until_s: float) -> Latest | None:
    for row in sorted(case.observed, key=lambda row: -row.at_s):
        value = None if row.at_s > until_s else _number(key, row, case)
        if value is not None:
            earlier = any(row.at_s < setting.at_s <= until_s for setting in case.settings)
            note = "under earlier settings" if earlier else ""
            value = abs(value) if key == "p01_cmh2o" else value
            return Latest(quantity(key, "observed"), Spread(value, value, value, 1), "noted", row.at_s, note)
    return None


def _number(key: str, row: Observed, case: Case) -> float | None:
    """A noted number, or what follows from those noted together."""
    numbers = row.numbers
    if key in numbers:
        return float(numbers[key])
    volume, rate, weight = numbers.get("vte_ml"), numbers.get("rate_per_min"), volume_weight_kg(case.patient)
    if key in (PER_PREDICTED, PER_WEIGHT) and volume is not None and weight:
        return float(volume / weight)
    if key == "minute_volume_l_min" and volume is not None and rate is not None:
        return float(volume * rate / 1000)
    plateau, total = numbers.get("plateau_pressure_cmh2o"), numbers.get("total_peep_cmh2o")
    if key == "driving_pressure_cmh2o" and plateau is not None and total is not None:
        return float(plateau - total)
    return None


def _why(key: str, case: Case, review: Review | None, since_s: float) -> str:
    """Why a line is blank, in few words."""
    if key in (PER_PREDICTED, PER_WEIGHT) and volume_weight_kg(case.patient) is None:
        return "weight not known" if key == PER_WEIGHT else "height and sex not known"
    if review is None or key in AT_THE_BED:
        return "not noted"
    if key in FROM_CAPNOGRAM:
        return review.capnogram.reason if review.capnogram else "carbon dioxide not recorded"
    if key == EFFORT and review.breaths.filter(pl.col("start_s") >= since_s)["passive"].fill_null(value=False).all():
        return "every breath was passive"
    return next(_reasons(key, review, since_s), "no breath allowed it")


def _reasons(key: str, review: Review, since_s: float) -> Iterator[str]:
    """The commonest reason first."""
    breaths = review.breaths.filter(pl.col("start_s") >= since_s)
    told = breaths.select("not_measured").explode("not_measured").drop_nulls().unnest("not_measured")
    if told.height:
        counted = told.filter(pl.col("quantity") == key)["text"].value_counts(sort=True)
        yield from counted["text"].to_list()
