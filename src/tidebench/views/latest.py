"""The newest of every number that people hand over: measured under the settings in force, else noted, else why not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import polars as pl

from tidebench.contradictions import against
from tidebench.limits import Limit, Policy, judge, limits_of_case, on_oxygen, population, volume_weight_kg
from tidebench.measures.computed import COMPUTED
from tidebench.quantities import Quantity, quantity
from tidebench.records import Hold, Spread
from tidebench.tensions import MMHG_PER_KPA
from tidebench.views.numbers import (
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
SET_DRIVING = "driving_pressure_set_peep_cmh2o"
HELD_AS = {SET_DRIVING: "driving_pressure_cmh2o"}
"""Whose limit holds for a number that has none of its own: the trials' driving pressure was mostly from set PEEP."""
HANDED = (
    "rate_per_min",
    "minute_volume_l_min",
    "peak_pressure_cmh2o",
    "plateau_pressure_cmh2o",
    "driving_pressure_cmh2o",
    SET_DRIVING,
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
POWER = "mechanical_power_j_min"
AFTER_A_PAUSE = ("plateau_pressure_cmh2o", "driving_pressure_cmh2o", SET_DRIVING)
EARLIER, CONTRADICTED = "under earlier settings", "doubtful: contradicts another number"
FROM_CAPNOGRAM = ("etco2_mmhg", "bohr_dead_space_fraction")
FROM_HOLDS = {
    "plateau_pressure_cmh2o": "inspiratory",
    "driving_pressure_cmh2o": "inspiratory",
    SET_DRIVING: "inspiratory",
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
        ``measured``, ``estimated``, ``by a hold``, ``noted`` or ``computed from noted numbers``.
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
        if self.limit is None:
            return ""
        in_kpa = self.quantity.unit == "kPa"
        bound = self.limit.bound_in(self.quantity, MMHG_PER_KPA) if in_kpa else self.limit.bound
        return f"{bound} ({KINDS[self.limit.kind]})"


def latest_numbers(case: Case, review: Review | None, policy: Policy | None, until_s: float) -> tuple[Latest, ...]:
    """Every number that is handed over, in a fixed order."""
    young = population(case.patient).group in ("child", "newborn")
    limits = {limit.key: limit for limit in limits_of_case(case, policy=policy)}
    keys = (PER_WEIGHT if young else PER_PREDICTED, *HANDED)
    ended = until_s if review is None else min(until_s, float(review.recording.duration_s))
    latest = (_latest(key, case, review, until_s, ended) for key in keys)
    return tuple(_judged(one, limits.get(HELD_AS.get(one.quantity.key, one.quantity.key)), case) for one in latest)


def _judged(number: Latest, limit: Limit | None, case: Case) -> Latest:
    if limit is None:
        return number
    setting = None if number.at_s is None else case.setting_at(number.at_s)
    limit = on_oxygen(limit, None if setting is None else setting.fio2)
    seen = number.spread
    if seen is None or "doubtful" in number.note:
        return replace(number, limit=limit)
    state: State = "met" if judge(limit, seen.median) == "within" else "crossed"
    if state == "met" and seen.n > 1 and not judge(limit, seen.p05) == judge(limit, seen.p95) == "within":
        state = "crossed at times"
    return replace(number, limit=limit, state=state)


def _latest(key: str, case: Case, review: Review | None, until_s: float, ended_s: float) -> Latest:
    """By a hold under these settings, else of breaths, else as noted, whichever there is.

    ``ended_s`` is when the recording ended; what was set or noted since is later than it.
    """
    since = _since(case, ended_s)
    candidates = (
        () if review is None else (_held(key, review, _changed(case, ended_s)), _measured(key, review, since, ended_s))
    )
    found = next((one for one in candidates if one is not None), None)
    if found is not None and any(ended_s < setting.at_s <= until_s for setting in case.settings):
        found = replace(found, note=", ".join(filter(None, (found.note, EARLIER))))
    noted = _noted(key, case, until_s)
    if found is None or (noted is not None and found.at_s is not None and (noted.at_s or 0.0) > found.at_s + WINDOW_S):
        found = noted or found
    return found or Latest(quantity(key), None, why=_why(key, case, review, since))


def _since(case: Case, until_s: float) -> float:
    """From when on breaths count: the last change of settings, at most half an hour back."""
    return max(_changed(case, until_s), until_s - WINDOW_S)


def _changed(case: Case, until_s: float) -> float:
    """When settings last changed; a hold since then counts, however old."""
    return max((row.at_s for row in case.settings if row.at_s < until_s), default=0.0)


def _held(key: str, review: Review, since_s: float) -> Latest | None:
    kind = FROM_HOLDS.get(key)
    holds = [
        hold
        for hold in review.holds
        if hold.kind == kind and hold.at_s >= since_s and _of_hold(key, hold, review.case) is not None
    ]
    if not holds:
        return None
    steady = [hold for hold in holds if hold.quality == ("steady",)]
    hold: Hold = (steady or holds)[-1]
    value = _of_hold(key, hold, review.case) or 0.0
    doubts = [word for word in hold.quality if word != "steady"]
    held = f"hold of {hold.duration_s:.1f} s" if key in AFTER_A_PAUSE else ""
    note = ", ".join(filter(None, (*doubts, held)))
    return Latest(quantity(key), Spread(value, value, value, 1), "by a hold", hold.at_s, note)


def _of_hold(key: str, hold: Hold, case: Case) -> float | None:
    """A number of a hold; driving pressure from set PEEP by what was set then."""
    if key != SET_DRIVING:
        value = getattr(hold, key)
        return None if value is None else float(value)
    setting = case.setting_at(hold.at_s)
    if hold.plateau_pressure_cmh2o is None or setting is None or setting.peep_cmh2o is None:
        return None
    return hold.plateau_pressure_cmh2o - setting.peep_cmh2o


def _measured(key: str, review: Review, since_s: float, until_s: float) -> Latest | None:
    values = _values(key, review, since_s)
    spread = None if values is None or values.drop_nulls().len() < FEWEST else spread_over(values)
    if spread is None:
        return None
    estimated = key in ESTIMATED or (key == EFFORT and "oesophageal_pressure" not in review.recording)
    doubt = "doubtful: large leak" if key in OF_VOLUME and mostly_leak(review) else ""
    note = ", ".join(filter(None, (doubt, _taken_under(key, review.case, until_s, recorded=True))))
    return Latest(quantity(key), spread, "estimated" if estimated else "measured", until_s, note)


def _taken_under(key: str, case: Case, at_s: float, *, recorded: bool) -> str:
    """What a reader must know of how a pressure or a power was taken: the pause, passive or not."""
    setting = case.setting_at(at_s)
    if key in AFTER_A_PAUSE:
        pause = None if setting is None else setting.pause_s
        return "length of the pause not stated" if pause is None else f"after a set pause of {pause:g} s"
    if key == POWER:
        return "passive breaths" if recorded else "passive or not is not stated"
    return ""


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
            number, origin, made_of = value
            earlier = EARLIER if any(row.at_s < setting.at_s <= until_s for setting in case.settings) else ""
            doubt = CONTRADICTED if any(against(case, part, row.at_s) for part in made_of) else ""
            under = _taken_under(key, case, row.at_s, recorded=False)
            note = ", ".join(filter(None, (doubt, earlier, under)))
            number = abs(number) if key == "p01_cmh2o" else number
            return Latest(quantity(key, "observed"), Spread(number, number, number, 1), origin, row.at_s, note)
    return None


def _number(key: str, row: Observed, case: Case) -> tuple[float, str, tuple[str, ...]] | None:
    """A noted number, or what follows from those noted together; how it came about, and of which numbers."""
    numbers = row.numbers
    if key in numbers:
        return float(numbers[key]), "noted", (key,)
    made = _computed(key, numbers, case, row.at_s)
    return None if made is None else (made[0], "computed from noted numbers", made[1])


def _computed(key: str, numbers: Mapping[str, float], case: Case, at_s: float) -> tuple[float, tuple[str, ...]] | None:
    volume, rate, weight = numbers.get("vte_ml"), numbers.get("rate_per_min"), volume_weight_kg(case.patient)
    if key in (PER_PREDICTED, PER_WEIGHT) and volume is not None and weight:
        return float(volume / weight), ("vte_ml",)
    if key == "minute_volume_l_min" and volume is not None and rate is not None:
        return float(volume * rate / 1000), ("vte_ml", "rate_per_min")
    ends = _driving_ends(key, numbers, case, at_s)
    if ends is None or ends[0] <= ends[1]:
        return None
    base = "total_peep_cmh2o" if key == "driving_pressure_cmh2o" else "peep_cmh2o"
    return ends[0] - ends[1], ("plateau_pressure_cmh2o", base)


def _driving_ends(key: str, numbers: Mapping[str, float], case: Case, at_s: float) -> tuple[float, float] | None:
    """Plateau and the PEEP under it, as noted together; None where one is missing, or for another quantity."""
    plateau = numbers.get("plateau_pressure_cmh2o")
    stated = [one.peep_cmh2o for one in case.settings if one.at_s <= at_s and one.peep_cmh2o is not None]
    level = stated[-1] if stated else numbers.get("peep_cmh2o")
    base = {"driving_pressure_cmh2o": numbers.get("total_peep_cmh2o"), SET_DRIVING: level}.get(key)
    return None if plateau is None or base is None else (float(plateau), float(base))


def _why(key: str, case: Case, review: Review | None, since_s: float) -> str:
    """Why a line is blank, in few words."""
    if key in (PER_PREDICTED, PER_WEIGHT) and volume_weight_kg(case.patient) is None:
        return "weight, or age and height, not known" if key == PER_WEIGHT else "height and sex not known"
    if any(_driving_ends(key, row.numbers, case, row.at_s) for row in case.observed):
        return "the noted plateau is not above PEEP"
    if review is None or key in AT_THE_BED:
        return "not noted"
    if key in FROM_CAPNOGRAM:
        return review.capnogram.reason if review.capnogram else "carbon dioxide not recorded"
    passive = review.breaths.filter(pl.col("start_s") >= since_s)["passive"].fill_null(value=False)
    if not len(passive):
        return "no breath was seen since" if review.breaths.height else "no breath was seen"
    if key == EFFORT and passive.all():
        return "every breath was passive"
    return next(_reasons(key, review, since_s), "no breath allowed it")


def _reasons(key: str, review: Review, since_s: float) -> Iterator[str]:
    """The commonest reason first."""
    breaths = review.breaths.filter(pl.col("start_s") >= since_s)
    told = breaths.select("not_measured").explode("not_measured").drop_nulls().unnest("not_measured")
    if told.height:
        counted = told.filter(pl.col("quantity") == key)["text"].value_counts(sort=True)
        yield from counted["text"].to_list()
