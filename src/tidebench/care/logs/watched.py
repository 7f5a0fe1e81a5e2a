"""Which alarms are replayed, what each is there to tell, and where people usually set it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from tidebench.care.logs.replay import KEYS, Series, Side, Table, runs, sounds
from tidebench.case import Case
from tidebench.errors import OptionError
from tidebench.limits import Policy, population, predicted_weight_kg
from tidebench.quantities import COMMON_PRACTICE, quantity

SURE = 0.5
"""Findings less sure than this are not held to be true events."""
RATES = {"adult": 35.0, "newborn": 70.0}
"""High rates at which people set the alarm, per minute (common practice, no source)."""

Alarm = tuple[str, str]
"""Quantity and side."""


@dataclass(frozen=True, slots=True)
class Watched:
    """An alarm: of which quantity, on which side, and which findings it is there to tell (this house's choice).

    ``beyond`` names quantities whose crossed limits count as events of it.
    """

    key: str
    side: Side
    tells: tuple[str, ...]
    beyond: tuple[str, ...] = ()


WATCHED = (
    Watched(
        "peak_pressure_cmh2o", "high", ("obstruction", "mechanics-change"),
        ("plateau_pressure_cmh2o", "driving_pressure_cmh2o", "peak_pressure_cmh2o"),
    ),
    Watched("peak_pressure_cmh2o", "low", ("leak", "leak-change"), ("peak_pressure_cmh2o",)),
    Watched("vte_ml", "low", ("leak", "leak-change", "obstruction"), ("vte_ml",)),
    Watched("vte_ml", "high", ("double-trigger",), ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg", "vte_ml")),
    Watched("minute_volume_l_min", "low", ("leak", "leak-change", "obstruction")),
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


def events_of(watched: Watched, findings: pl.DataFrame, of: Series, further: Sequence[Asked] = ()) -> Table:
    """Begin and end of what an alarm is there to tell, shape (e, 2): findings, limits crossed, what is asked for."""
    sure = findings.filter(pl.col("confidence") >= SURE)
    crossed = pl.col("values").list.eval(pl.element().struct.field("quantity").is_in(watched.beyond)).list.any()
    wanted = pl.col("kind").is_in(watched.tells) | ((pl.col("kind") == "beyond-limit") & crossed)
    parts = [sure.filter(wanted).select("start_s", "end_s").to_numpy()]
    for asked in further:
        if (asked.key, asked.side) == (watched.key, watched.side):
            held = sounds(runs(of, asked.limit, asked.side), asked.delay_s)
            parts.append(np.column_stack([held.start_s - asked.delay_s, held.end_s]))
    events = np.concatenate(parts)
    return np.asarray(events[np.argsort(events[:, 0], kind="stable")], float)


def usual_limit(watched: Watched, of: Series, case: Case) -> tuple[Asked | None, str]:
    """Where people usually set an alarm, by the usual value of this record or by what is set; with the rule.

    Rules are common practice without a source; for rates of a child, and of a patient of unknown age, there is none.
    """
    group = population(case.patient).group
    middle = float(np.nanmedian(of.value))
    under, over = (0.8, 1.3) if group == "newborn" else (0.75, 1.5)
    peep = _set_peep(case)
    rules: dict[Alarm, tuple[float | None, str]] = {
        ("peak_pressure_cmh2o", "high"): (min(middle + 10.0, 50.0), "10 cmH2O above the median, at most 50"),
        ("peak_pressure_cmh2o", "low"): (middle - 5.0, "5 cmH2O below the median"),
        ("vte_ml", "low"): (0.7 * middle, "70 % of the median"),
        ("vte_ml", "high"): (1.5 * middle, "150 % of the median"),
        ("minute_volume_l_min", "low"): (under * middle, f"{100 * under:.0f} % of the median"),
        ("minute_volume_l_min", "high"): (over * middle, f"{100 * over:.0f} % of the median"),
        ("rate_per_min", "high"): (RATES.get(group or ""), "by age"),
        ("peep_cmh2o", "low"): (None if peep is None else peep - 3.0, "3 cmH2O under the set PEEP"),
    }
    value, rule = rules[watched.key, watched.side]
    if value is None:
        return None, ""
    return Asked(watched.key, watched.side, _two_figures(value), 0.0), f"{rule} ({COMMON_PRACTICE})"


def outermost_limit(watched: Watched, of: Series, case: Case, policy: Policy | None) -> float | None:
    """The limit beyond which none is offered: the widest that people usually set for an adult, or the house's own.

    Of the two the tighter one. None for whom no such rule is held.
    """
    house = house_limit(watched, policy)
    if population(case.patient).group != "adult":
        return house
    middle, weight = float(np.nanmedian(of.value)), predicted_weight_kg(case.patient)
    peep = _set_peep(case)
    rules: dict[Alarm, float] = {
        ("peak_pressure_cmh2o", "high"): 40.0,
        ("peak_pressure_cmh2o", "low"): middle - 10.0,
        ("vte_ml", "low"): 4.0 * weight if weight else 0.7 * middle,
        ("vte_ml", "high"): 1.5 * middle,
        ("minute_volume_l_min", "low"): 0.5 * middle,
        ("minute_volume_l_min", "high"): 1.5 * middle,
        ("rate_per_min", "high"): RATES["adult"],
        ("peep_cmh2o", "low"): (middle if peep is None else peep) - 3.0,
    }
    widest = _two_figures(rules[watched.key, watched.side])
    if house is None:
        return widest
    return min(widest, house) if watched.side == "high" else max(widest, house)


def house_limit(watched: Watched, policy: Policy | None) -> float | None:
    """A house's own limit of the quantity on that side, where its policy has one."""
    own = next((limit for limit in policy.limits if limit.key == watched.key), None) if policy else None
    if own is None:
        return None
    return own.high if watched.side == "high" else own.low


def _set_peep(case: Case) -> float | None:
    return next((one.peep_cmh2o for one in reversed(case.settings) if one.peep_cmh2o is not None), None)


def _two_figures(value: float) -> float:
    return float(f"{max(value, 0.0):.2g}")
