"""Drive and effort in the trial: occlusions, trigger phases, muscle pressure, pressure-time product; what is noted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench.care.weaning import found
from tidebench.care.weaning.trial import Trial
from tidebench.case import Case
from tidebench.limits import Limit, Policy, judge, limits_of_case
from tidebench.quantities import quantity
from tidebench.records import Hold, Spread
from tidebench.review import Review

PER_MINUTE = "pressure_time_product_cmh2o_s_min"
IN_HOLDS = ("p01_cmh2o", "occlusion_swing_cmh2o", "occlusion_effort_cmh2o", "dynamic_transpulmonary_pressure_cmh2o")
WANTED = {
    "p01_cmh2o": "a short occlusion in the trial, a trigger phase that lasts, or p01_cmh2o under [[observed]]",
    "occlusion_swing_cmh2o": "a short occlusion in the trial",
    "occlusion_effort_cmh2o": "a short occlusion in the trial",
    "effort_cmh2o": "breaths that show the lung: passive ones, or an oesophageal signal",
    PER_MINUTE: "an oesophageal signal",
}
"""What would tell each quantity, where nothing does."""
EFFORT_KEYS = (*WANTED, *(key for key in IN_HOLDS if key not in WANTED))


@dataclass(frozen=True, slots=True)
class EffortNumber:
    """A measure of effort over a trial; a spread of None says in ``why`` what would tell it.

    ``limit`` is the bound of the house or of a paper in words, with its kind and source, and ``standing`` how the
    median stands to it; both are empty where none is known for this patient.
    """

    key: str
    spread: Spread | None
    origin: str
    limit: str = ""
    standing: str = ""
    why: str = ""


def effort_numbers(
    trial: Trial, case: Case, review: Review | None, policy: Policy | None = None
) -> tuple[EffortNumber, ...]:
    """Every measure of effort of a trial."""
    limits = {one.key: one for one in limits_of_case(case, policy=policy)}
    told = {key: (values, origin) for key, values, origin in _measured(trial, case, review) if values}
    keys = (key for key in EFFORT_KEYS if key in WANTED or key in told)
    return tuple(_number(key, told.get(key), limits.get(key)) for key in keys)


def _number(key: str, told: tuple[Sequence[float], str] | None, limit: Limit | None) -> EffortNumber:
    if told is None:
        return EffortNumber(key, None, "", why=WANTED[key])
    values, origin = told
    low, middle, high = np.percentile(np.asarray(values), (5, 50, 95))
    seen = Spread(float(middle), float(low), float(high), len(values))
    if limit is None:
        return EffortNumber(key, seen, origin)
    return EffortNumber(
        key, seen, origin, f"{limit.bound} ({limit.kind}; {limit.source})", judge(limit, float(middle))
    )  # fmt: skip


def _measured(trial: Trial, case: Case, review: Review | None) -> Iterator[tuple[str, Sequence[float], str]]:
    """Key, values and origin; a later one with the same key counts only through its own values."""
    typed = [one.value for one in found.noted(case, "p01_cmh2o", trial.start_s, trial.end_s)]
    yield "p01_cmh2o", [abs(value) for value in typed], "noted"
    if review is None:
        return
    inside = (review.breaths["start_s"] >= trial.start_s) & (review.breaths["end_s"] <= trial.end_s)
    early = review.mechanics.get("p01")
    if early is not None and len(early) == review.breaths.height:
        values = np.asarray(early, float)[inside.to_numpy()]
        yield "p01_cmh2o", values[np.isfinite(values)].tolist(), "measured in trigger phases that last"
    holds = [hold for hold in review.holds if trial.start_s <= hold.at_s - hold.duration_s < trial.end_s]
    for key in IN_HOLDS:
        yield key, _of_holds(holds, key), "measured in occlusions"
    breaths = review.breaths.filter(inside)
    active = breaths.filter(~pl.col("passive"))
    heard = "oesophageal_pressure" in review.recording
    origin = "measured in the oesophagus" if heard else "estimated by the equation of motion"
    yield "effort_cmh2o", active["effort_cmh2o"].drop_nulls().to_list(), origin
    product = breaths["pressure_time_product_cmh2o_s"] * breaths["rate_per_min"]
    yield PER_MINUTE, product.drop_nulls().to_list(), "measured in the oesophagus, times the rate"


def _of_holds(holds: Sequence[Hold], key: str) -> list[float]:
    return [float(value) for hold in holds if (value := getattr(hold, key)) is not None]


def words_of(one: EffortNumber) -> str:
    """``3.2 cmH2O (2.9 to 3.5, n 6)``."""
    if one.spread is None:
        return "not known"
    record, seen = quantity(one.key), one.spread
    span = f"{record.text(seen.p05, unit=False)} to {record.text(seen.p95, unit=False)}, n {seen.n}"
    return f"{record.text(seen.median)} ({span})"
