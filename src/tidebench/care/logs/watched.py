"""Which alarms are replayed, what each is there to tell, and where people usually set it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench.apnoea import LONG_S
from tidebench.care.logs.replay import KEYS, Series, Side, Table, runs, sounds
from tidebench.case import Case
from tidebench.errors import OptionError
from tidebench.limits import ITEMS, Limit, Policy, Practice, limits_of_case, population, practice
from tidebench.quantities import quantity

SURE = 0.5
"""Findings less sure than this are not held to be true events."""
ALARM_ITEMS = {
    ("peak_pressure_cmh2o", "high"): "alarm_pressure_above_peak_cmh2o",
    ("peak_pressure_cmh2o", "low"): "alarm_pressure_below_peak_cmh2o",
    ("vte_ml", "low"): "alarm_volume_low_percent",
    ("vte_ml", "high"): "alarm_volume_high_percent",
    ("minute_volume_l_min", "low"): "alarm_minute_volume_below_percent",
    ("minute_volume_l_min", "high"): "alarm_minute_volume_above_percent",
    ("rate_per_min", "high"): "alarm_rate_high_per_min",
    ("peep_cmh2o", "low"): "alarm_peep_under_cmh2o",
}
"""The record of practice that says where an alarm is usually set, by quantity and side."""


@dataclass(frozen=True, slots=True)
class Watched:
    """An alarm: of which quantity, on which side, and which findings it is there to tell (this house's choice).

    ``beyond`` names quantities whose crossed limits count as events of it; ``pauses``: apnoea is one too.
    """

    key: str
    side: Side
    tells: tuple[str, ...]
    beyond: tuple[str, ...] = ()
    pauses: bool = False


WATCHED = (
    Watched(
        "peak_pressure_cmh2o", "high", ("obstruction", "mechanics-change"),
        ("plateau_pressure_cmh2o", "driving_pressure_cmh2o", "peak_pressure_cmh2o"),
    ),
    Watched("peak_pressure_cmh2o", "low", ("leak", "leak-change"), ("peak_pressure_cmh2o",)),
    Watched("vte_ml", "low", ("leak", "leak-change", "obstruction"), ("vte_ml",)),
    Watched("vte_ml", "high", ("double-trigger",), ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg", "vte_ml")),
    Watched("minute_volume_l_min", "low", ("leak", "leak-change", "obstruction"), pauses=True),
    Watched("minute_volume_l_min", "high", ("auto-trigger",)),
    Watched("rate_per_min", "high", ("auto-trigger",), ("rate_per_min",)),
    Watched("peep_cmh2o", "low", ("leak", "leak-change")),
)  # fmt: skip
"""Alarms that are replayed. A cough is no event here: what it needs is not told by a pressure. Neither is a
disconnection: while there are no breaths, nothing is replayed."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A limit with its delay that a person names: ``peak_pressure_cmh2o.high=40@10``."""

    key: str
    side: Side
    limit: float
    delay_s: float

    @property
    def words(self) -> str:
        """``peak airway pressure above 40 cmH2O for 10 s``."""
        return limit_words(self.key, self.side, self.limit, self.delay_s)


def limit_words(key: str, side: Side, limit: float, delay_s: float) -> str:
    """A limit in words."""
    record = quantity(key)
    held = f" for {delay_s:g} s" if delay_s else ""
    return f"{record.label} {'above' if side == 'high' else 'below'} {record.bounds(round(limit, 6))}{held}"


def asked_of(text: str, option: str) -> Asked:
    """A limit as typed.

    Raises
    ------
    OptionError
        Another form, a quantity that can't be replayed, a limit that it can't reach, a delay below 0 or above an hour.
    """
    match = re.fullmatch(r"\s*(\w+)\.(high|low)\s*=\s*([-+]?\d+(?:\.\d+)?)\s*(?:@\s*(\d+(?:\.\d+)?)\s*s?)?\s*", text)
    if match is None:
        raise OptionError(
            f"{text!r} is no limit", where=option, expected="peak_pressure_cmh2o.high=40@10, with @ the delay in s"
        )
    key, side, limit, delay = match[1], match[2], float(match[3]), float(match[4] or 0.0)
    if key not in KEYS:
        raise OptionError(f"{key!r} can't be replayed", where=option, expected=", ".join(KEYS))
    low, high = quantity(key).plausible
    if not low <= limit <= high:
        raise OptionError(
            f"{limit:g} is no limit of {quantity(key).label}", where=option, expected=f"{low:g} to {high:g}"
        )
    if delay > 3600:
        raise OptionError(f"a delay of {delay:g} s", where=option, expected="0 to 3600 s")
    return Asked(key, "high" if side == "high" else "low", limit, delay)


def events_of(
    watched: Watched, findings: pl.DataFrame, of: Series, further: Sequence[Asked] = (), limits: Sequence[Limit] = ()
) -> Table:
    """Begin and end of what an alarm is there to tell, shape (e, 2): findings, limits crossed, what is asked for.

    ``limits`` are those that the findings were held against: what lies beyond the other side's is no event here.
    """
    sure = findings.filter(pl.col("confidence") >= SURE)
    wanted = pl.col("kind").is_in(watched.tells) | ((pl.col("kind") == "beyond-limit") & _crossed(watched, limits))
    parts = [sure.filter(wanted).select("start_s", "end_s").to_numpy()]
    for asked in further:
        if (asked.key, asked.side) == (watched.key, watched.side):
            held = sounds(runs(of, asked.limit, asked.side), asked.delay_s)
            parts.append(np.column_stack([held.start_s - asked.delay_s, held.end_s]))
    if watched.pauses:
        parts.append(_pauses(of))
    events = np.concatenate(parts)
    return np.asarray(events[np.argsort(events[:, 0], kind="stable")], float)


def _crossed(watched: Watched, limits: Sequence[Limit]) -> pl.Expr:
    """True of a finding with a value of what the alarm is there to tell, not beyond the limit of the other side."""
    seen, value = pl.element().struct.field("quantity"), pl.element().struct.field("value")
    mine = seen.is_in(watched.beyond)
    for limit in limits:
        other = limit.low if watched.side == "high" else limit.high
        if limit.key in watched.beyond and other is not None:
            mine &= (seen != limit.key) | ~(value < other if watched.side == "high" else value > other)
    return pl.col("values").list.eval(mine).list.any()


def _pauses(of: Series) -> Table:
    """Breaths that last so long, to the begin of the next, that they hold a pause; shape (n, 2)."""
    ends = np.column_stack([of.known_s[:-1], of.known_s[1:]])
    return ends[of.joined[1:] & (ends[:, 1] - ends[:, 0] > LONG_S)]


@dataclass(frozen=True, slots=True)
class Usual:
    """Where people usually set an alarm for such a patient, and by which rule.

    Attributes
    ----------
    tight, wide : float
        The span of the rule; nothing beyond the wide end is offered.
    rule : str
        In words, with its source.
    own : bool
        True where a house says so.
    house : tuple of str
        What of the house's practice and limits went into the span, each in words.
    reason : str
        Why no limit within the span would help; empty where one may.
    """

    tight: float
    wide: float
    rule: str
    own: bool = False
    house: tuple[str, ...] = ()
    reason: str = ""


def usual_limit(watched: Watched, of: Series, case: Case, policy: Policy | None) -> Usual | None:
    """Where people usually set an alarm, by the median of this record or what is set; None for whom there is no rule.

    The rules are the records of practice (:mod:`tidebench.limits.starts`), a house's own before those, chosen by age.
    A house's limit of the quantity itself is never passed.
    """
    middle, peep = float(np.nanmedian(of.value)), _set_peep(case)
    made = _ends(watched, middle, middle if peep is None else peep, case, policy)
    if made is None:
        return None
    tight, wide, records = made
    used = [practice_words(one) for one in records if one.kind == "house policy"]
    house = house_limit(watched, case, policy)
    high = watched.side == "high"
    nearer = min if high else max
    bound = None if house is None else house.high if high else house.low
    if house is not None and bound is not None:
        used += [f"{quantity(house.key).label} {house.bound} ({house.source})"] if nearer(wide, bound) == bound else []
        tight, wide = nearer(tight, bound), nearer(wide, bound)
    own = records[0].kind == "house policy"
    reason = _no_room(watched, middle, wide)
    return Usual(_two_figures(tight), _two_figures(wide), practice_words(records[0]), own, tuple(used), reason)


def practice_words(record: Practice) -> str:
    """A record of practice with its source: ``high pressure, above peak: 10 to 15 cmH2O (common practice)``."""
    item = ITEMS[record.item]
    ends = f"{record.low:g}" if record.low == record.high else f"{record.low:g} to {record.high:g}"
    return f"{f'{item.label}: {ends} {item.unit}'.rstrip()} ({record.source})"


def _no_room(watched: Watched, middle: float, wide: float) -> str:
    if watched.side == "low" or middle < wide:
        return ""
    record = quantity(watched.key)
    return (
        f"half of all breaths reach {record.text(middle)}, and nothing above {record.bounds(wide)} is usual: no "
        "limit within that leaves room above them, and a higher one needs a reason that a person gives."
    )


def _ends(
    watched: Watched, middle: float, peep: float, case: Case, policy: Policy | None
) -> tuple[float, float, tuple[Practice, ...]] | None:
    """The tight and the wide end of the usual span, and the records that say so, the rule's first.

    A high pressure is not set above the cap's low end without a reason: the peak itself is one, up to its high end.
    """
    item = ALARM_ITEMS[watched.key, watched.side]
    record = record_of(item, case, policy)
    if record is None:
        return None
    low, high = record.low, record.high
    ends = {
        ("peak_pressure_cmh2o", "high"): (middle + low, middle + high),
        ("peak_pressure_cmh2o", "low"): (middle - low, middle - high),
        ("vte_ml", "low"): (middle * high / 100, middle * low / 100),
        ("vte_ml", "high"): (middle * low / 100, middle * high / 100),
        ("minute_volume_l_min", "low"): (middle * (1 - low / 100), middle * (1 - high / 100)),
        ("minute_volume_l_min", "high"): (middle * (1 + low / 100), middle * (1 + high / 100)),
        ("rate_per_min", "high"): (low, high),
        ("peep_cmh2o", "low"): (peep - low, peep - high),
    }[watched.key, watched.side]
    cap = record_of("alarm_pressure_cap_cmh2o", case, policy)
    if item != "alarm_pressure_above_peak_cmh2o" or cap is None:
        return *ends, (record,)
    tight = min(ends[0], cap.high)
    wide = min(ends[1], max(cap.low, tight))
    return tight, wide, (record, cap) if ends[1] > cap.low else (record,)


def record_of(item: str, case: Case, policy: Policy | None) -> Practice | None:
    """A record of practice for the patient of a case; None where the age is not known, or there is none."""
    group, patient = population(case.patient).group, case.patient
    if group is None:
        return None
    days = patient.age_days
    years = patient.age_years if days is None else days / 365.25
    return practice(item, group, years, case.condition, policy.practice if policy else ())


def house_limit(watched: Watched, case: Case, policy: Policy | None) -> Limit | None:
    """A house's own limit of the quantity that holds for this patient and condition; None where its policy has none."""
    if policy is None:
        return None
    held = (limit for limit in limits_of_case(case, policy=policy) if limit.key == watched.key)
    return next((limit for limit in held if limit.kind == "house policy"), None)


def _set_peep(case: Case) -> float | None:
    return next((one.peep_cmh2o for one in reversed(case.settings) if one.peep_cmh2o is not None), None)


def _two_figures(value: float) -> float:
    return float(f"{max(value, 0.0):.2g}")
