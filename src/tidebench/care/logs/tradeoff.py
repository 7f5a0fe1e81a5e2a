"""Burden against missed events: what a limit and its delay cost, and what they would not have told."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.replay import KEYS, Replay, Runs, Series, Side, Table, replay, runs, series, sounds
from tidebench.case import Case
from tidebench.errors import OptionError
from tidebench.limits import Policy, population
from tidebench.quantities import COMMON_PRACTICE, quantity

DELAYS_S = (0.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 120.0)
GRID = 20
"""Limits that are tried for each quantity, so that with the delays there are 200 pairs."""
GRACE_S = 30.0
"""An alarm that comes so long after an event's end still tells of it (this house's choice)."""
SURE = 0.5
"""Findings less sure than this are not held to be true events."""
LONGEST_OFFERED_S = 15.0
"""No longer delay is offered: a disconnection is to be told within 10 to 15 s (common practice, no source)."""
HIGHEST_PRESSURE = 40.0
"""No higher pressure limit is offered for an adult: 40 to 50 cmH2O ask for a reason (common practice, no source)."""
MOST_OFFERS = 4
FEW_EVENTS = 5
WEIGHED = "Weighed on this one record, to be weighed again by those who may set limits. It silences nothing."


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
    Watched("peak_pressure_cmh2o", "low", ("leak", "leak-change", "disconnection"), ("peak_pressure_cmh2o",)),
    Watched("vte_ml", "low", ("leak", "leak-change", "obstruction", "disconnection"), ("vte_ml",)),
    Watched("vte_ml", "high", ("double-trigger",), ("vt_per_pbw_ml_kg", "vt_per_weight_ml_kg", "vte_ml")),
    Watched("minute_volume_l_min", "low", ("leak", "leak-change", "obstruction", "disconnection")),
    Watched("minute_volume_l_min", "high", ("auto-trigger", "double-trigger")),
    Watched("rate_per_min", "high", ("auto-trigger", "double-trigger"), ("rate_per_min",)),
    Watched("peep_cmh2o", "low", ("leak", "leak-change", "disconnection")),
)  # fmt: skip
"""Alarms that are replayed. A cough is no event here: what it needs is not told by a pressure."""


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


@dataclass(frozen=True, slots=True)
class Offer:
    """A pair of limit and delay, what it would have cost, and what it would have missed.

    ``halves_per_hour`` are alarms per hour in the first and the second half of the record: how little one record says.
    """

    limit: float
    delay_s: float
    alarms_per_hour: float
    minutes_per_hour: float
    missed: int
    halves_per_hour: tuple[float, float]


@dataclass(frozen=True)
class Tradeoff:
    """One alarm, replayed.

    Attributes
    ----------
    watched : Watched
    hours : float
        Hours in which the quantity was known.
    unknown : float
        Part of the breaths of which it was not.
    events : int
        True events that it is there to tell.
    played : Replay
    usual : Asked or None
        Where people usually set it, and ``usual_words`` from what.
    offers : tuple of Offer
        From none missed on, each with the fewest alarms for what it misses.
    reason : str
        Why nothing is offered, or how little stands behind it; empty where neither.
    """

    watched: Watched
    hours: float
    unknown: float
    events: int
    played: Replay
    usual: Asked | None
    usual_words: str
    offers: tuple[Offer, ...]
    reason: str


@dataclass(frozen=True)
class Changed:
    """One limit against another: what would have sounded with each, which alarms would have gone, and what with them."""

    now: Asked
    then: Asked
    alarms: tuple[int, int]
    minutes: tuple[float, float]
    missed: tuple[int, int]
    events: int
    gone: pl.DataFrame


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
        raise OptionError(f"{text!r} is no limit", where=option, expected="peak_pressure_cmh2o.high=40@10, with @ the delay in s")
    key, side, limit, delay = match[1], match[2], float(match[3]), float(match[4] or 0.0)
    if key not in KEYS:
        raise OptionError(f"{key!r} can't be replayed", where=option, expected=", ".join(KEYS))
    low, high = quantity(key).plausible
    if not low <= limit <= high:
        raise OptionError(f"{limit:g} is no limit of {quantity(key).label}", where=option, expected=f"{low:g} to {high:g}")
    if delay > 3600:
        raise OptionError(f"a delay of {delay:g} s", where=option, expected="0 to 3600 s")
    return Asked(key, "high" if side == "high" else "low", limit, delay)


def tradeoffs(
    breaths: pl.DataFrame, findings: pl.DataFrame, case: Case, policy: Policy | None, further: Sequence[Asked] = ()
) -> tuple[Tradeoff, ...]:
    """Every alarm of :data:`WATCHED` whose quantity is known, replayed over a grid of limits and delays.

    Parameters
    ----------
    breaths, findings : DataFrame
        Of a review.
    case : Case
        Who the patient is, and what was set.
    policy : Policy or None
        A house's limits bound what is offered.
    further : sequence of Asked
        What a person will not have missed: stretches beyond these limits are events too.
    """
    return tuple(
        told for watched in WATCHED if (told := tradeoff(watched, breaths, findings, case, policy, further)) is not None
    )


def tradeoff(
    watched: Watched,
    breaths: pl.DataFrame,
    findings: pl.DataFrame,
    case: Case,
    policy: Policy | None,
    further: Sequence[Asked] = (),
) -> Tradeoff | None:
    """One alarm, replayed; None where its quantity is not known of any breath."""
    of = series(breaths, watched.key)
    if not np.isfinite(of.value).any() or of.hours <= 0:
        return None
    events = events_of(watched, findings, of, further)
    usual, words = usual_limit(watched, of, case)
    limits = grid(of, watched.side, (usual.limit,) if usual else ())
    played = replay(of, watched.side, limits, DELAYS_S, events, GRACE_S)
    reason = _unweighable(len(events), watched, case, policy)
    offers = () if reason else _offers(of, watched, played, _bound(watched, policy))
    if not reason and len(events) < FEW_EVENTS:
        reason = f"Only {len(events)} {'event stands' if len(events) == 1 else 'events stand'} behind this."
    unknown = float(1.0 - np.isfinite(of.value).mean())
    return Tradeoff(watched, of.hours, unknown, len(events), played, usual, words, offers, reason)


def events_of(watched: Watched, findings: pl.DataFrame, of: Series, further: Sequence[Asked] = ()) -> Table:
    """Begin and end of what an alarm is there to tell, shape (e, 2), in order: findings, limits crossed, what is asked."""
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


def grid(of: Series, side: Side, further: Sequence[float] = ()) -> tuple[float, ...]:
    """At most :data:`GRID` limits on round numbers, from the usual value to the outermost, and further ones."""
    known = of.value[np.isfinite(of.value)]
    middle, far = float(np.median(known)), float(np.quantile(known, 0.999 if side == "high" else 0.001))
    low, high = min(middle, far), max(middle, far)
    least = 10.0 ** -quantity(of.key).decimals
    step = _round_step(max((high - low) / (GRID - 2), least))
    begin = np.floor(low / step) * step
    values = [value for value in (begin + step * np.arange(GRID)).round(6).tolist() if value <= high + step and value >= 0]
    extra = [value for value in dict.fromkeys(further) if value not in values]
    return tuple(sorted([*values[: GRID - len(extra)], *extra]))


def _round_step(least: float) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that is no less."""
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(size * power for size in (1.0, 2.0, 5.0, 10.0) if size * power >= least * (1 - 1e-9)))


def usual_limit(watched: Watched, of: Series, case: Case) -> tuple[Asked | None, str]:
    """Where people usually set an alarm, from the usual value of this record or from what is set; with the rule.

    Rules are common practice without a source; none is held for rates of a child.
    """
    group = population(case.patient).group
    middle = float(np.nanmedian(of.value))
    peeps = [setting.peep_cmh2o for setting in case.settings if setting.peep_cmh2o is not None]
    newborn = group == "newborn"
    rules: dict[tuple[str, Side], tuple[float | None, str]] = {
        ("peak_pressure_cmh2o", "high"): (middle + 10.0, "10 cmH2O above the median"),
        ("peak_pressure_cmh2o", "low"): (middle - 5.0, "5 cmH2O below the median"),
        ("vte_ml", "low"): (0.7 * middle, "70 % of the median"),
        ("vte_ml", "high"): (1.5 * middle, "150 % of the median"),
        ("minute_volume_l_min", "low"): ((0.8 if newborn else 0.75) * middle, f"{20 if newborn else 25} % under the median"),
        ("minute_volume_l_min", "high"): ((1.3 if newborn else 1.5) * middle, f"{30 if newborn else 50} % over the median"),
        ("rate_per_min", "high"): ({"adult": 35.0, "newborn": 70.0}.get(group or ""), f"for {'an adult' if group == 'adult' else 'a newborn'}"),
        ("peep_cmh2o", "low"): (peeps[-1] - 3.0 if peeps else None, "3 cmH2O under the set PEEP"),
    }  # fmt: skip
    value, rule = rules[watched.key, watched.side]
    if value is None:
        return None, ""
    limit = round(max(value, 0.0), quantity(watched.key).decimals + (1 if value < 10 else 0))
    return Asked(watched.key, watched.side, limit, 0.0), f"{rule} ({COMMON_PRACTICE})"


def _unweighable(events: int, watched: Watched, case: Case, policy: Policy | None) -> str:
    """Why no limit can be offered; empty where one can."""
    if not events:
        return (
            "Nothing that this alarm is there to tell was found in this record, so no limit can be weighed: fewer "
            "alarms would have cost nothing here, and might elsewhere."
        )
    group = population(case.patient).group
    if group != "adult" and _bound(watched, policy) is None:
        who = {"child": "a child", "newborn": "a newborn"}.get(group or "", "a patient of unknown age")
        return f"No bound of such a limit is held for {who}: none is offered unless a house's policy has one."
    return ""


def _bound(watched: Watched, policy: Policy | None) -> float | None:
    """The limit beyond which none is offered: the house's own for the quantity, if it has one."""
    own = next((limit for limit in policy.limits if limit.key == watched.key), None) if policy else None
    if own is None:
        return None
    return own.high if watched.side == "high" else own.low


def _offers(of: Series, watched: Watched, played: Replay, bound: float | None) -> tuple[Offer, ...]:
    """For none missed, then for more, the pair with the fewest alarms; of equals the tightest limit, the shortest delay."""
    high = watched.side == "high"
    if bound is None and watched.key == "peak_pressure_cmh2o" and high:
        bound = HIGHEST_PRESSURE
    inside = np.ones(len(played.limits), bool)
    if bound is not None:
        inside = played.limits <= bound if high else played.limits >= bound
    pairs = [
        (int(played.missed[m, k]), int(played.alarms[m, k]), m if high else -m, k)
        for m in np.flatnonzero(inside).tolist()
        for k in np.flatnonzero(played.delays_s <= LONGEST_OFFERED_S).tolist()
    ]
    found: list[Offer] = []
    fewest = np.inf
    for missed, alarms, m, k in sorted(pairs):
        if alarms >= fewest or len(found) == MOST_OFFERS:
            continue
        fewest, m = alarms, abs(m)
        limit, delay, sounding = float(played.limits[m]), float(played.delays_s[k]), float(played.sounding_s[m, k])
        found.append(
            Offer(limit, delay, alarms / of.hours, sounding / 60 / of.hours, missed, _halves(of, watched.side, limit, delay))
        )
    return tuple(found)


def _halves(of: Series, side: Side, limit: float, delay_s: float) -> tuple[float, float]:
    """Alarms per hour in the two halves of the record."""
    start = sounds(runs(of, limit, side), delay_s).start_s
    known = np.isfinite(of.value)
    lasts = of.until_s - of.known_s
    middle = (of.known_s[0] + of.until_s[-1]) / 2
    first = of.known_s < middle
    hours = [float(lasts[known & part].sum()) / 3600 for part in (first, ~first)]
    counts = [int((start < middle).sum()), int((start >= middle).sum())]
    return tuple(count / hour if hour else 0.0 for count, hour in zip(counts, hours, strict=True))  # type: ignore[return-value]


def changed(
    now: Asked, then: Asked, breaths: pl.DataFrame, findings: pl.DataFrame, further: Sequence[Asked] = ()
) -> Changed:
    """One limit against another on the same quantity and side.

    Raises
    ------
    OptionError
        They are not of the same alarm, or its quantity is not known.
    """
    if (now.key, now.side) != (then.key, then.side):
        raise OptionError(
            f"{now.key}.{now.side} and {then.key}.{then.side} are two alarms", where="--now and --then", expected="the same"
        )
    of = series(breaths, now.key)
    if not np.isfinite(of.value).any():
        raise OptionError(f"{quantity(now.key).label} is not known of any breath", where="--now")
    watched = next((one for one in WATCHED if (one.key, one.side) == (now.key, now.side)), Watched(now.key, now.side, ()))
    events = events_of(watched, findings, of, further)
    played = [replay(of, asked.side, [asked.limit], [asked.delay_s], events, GRACE_S) for asked in (now, then)]
    alarms, minutes, missed = zip(
        *((int(one.alarms[0, 0]), float(one.sounding_s[0, 0]) / 60, int(one.missed[0, 0])) for one in played), strict=True
    )
    gone = _gone(*(sounds(runs(of, asked.limit, asked.side), asked.delay_s) for asked in (now, then)), of, findings, events)
    return Changed(now, then, alarms, minutes, missed, len(events), gone)


def _gone(now: Runs, then: Runs, of: Series, findings: pl.DataFrame, events: Table) -> pl.DataFrame:
    """Soundings of now during which nothing sounds then, each with its furthest value, an event near, findings in it."""
    kept = _overlap(now.start_s, now.end_s, then.start_s, then.end_s)
    start, end = now.start_s[~kept], now.end_s[~kept]
    told = _overlap(start, end, events[:, 0], events[:, 1] + GRACE_S)
    begins, ends = findings["start_s"].to_numpy(), findings["end_s"].to_numpy()
    kinds = findings["kind"].to_list()
    rows = [
        {
            "start_s": float(a),
            "end_s": float(b),
            "furthest": _furthest(of, a, b),
            "event": bool(event),
            "findings": sorted({kinds[k] for k in np.flatnonzero((begins < b) & (ends > a)).tolist()}),
        }
        for a, b, event in zip(start, end, told, strict=True)
    ]
    schema = {"start_s": pl.Float64, "end_s": pl.Float64, "furthest": pl.Float64, "event": pl.Boolean, "findings": pl.List(pl.String)}
    return pl.DataFrame(rows, schema=schema)


def _furthest(of: Series, start_s: float, end_s: float) -> float:
    """The value furthest from the median while it sounded."""
    inside = of.value[(of.known_s < end_s) & (of.until_s > start_s)]
    return float(inside[np.nanargmax(np.abs(inside - np.nanmedian(of.value)))])


def _overlap(
    start: npt.NDArray[np.float64], end: npt.NDArray[np.float64], other: npt.NDArray[np.float64], until: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Which spans any of the other spans meets; the others in order of their begin."""
    if not len(other):
        return np.zeros(len(start), bool)
    latest = np.maximum.accumulate(until)
    k = np.searchsorted(other, end, side="left") - 1
    return (k >= 0) & (latest[np.maximum(k, 0)] > start)


def table_of(told: Sequence[Tradeoff]) -> pl.DataFrame:
    """A row for each pair of limit and delay of every alarm that was replayed."""
    parts = []
    for one in told:
        m, k = one.played.alarms.shape
        parts.append(
            pl.DataFrame(
                {
                    "quantity": [one.watched.key] * (m * k),
                    "side": [one.watched.side] * (m * k),
                    "unit": [quantity(one.watched.key).unit] * (m * k),
                    "limit": np.repeat(one.played.limits, k),
                    "delay_s": np.tile(one.played.delays_s, m),
                    "alarms": one.played.alarms.ravel(),
                    "alarms_per_hour": one.played.alarms.ravel() / one.hours,
                    "sounding_s": one.played.sounding_s.ravel(),
                    "minutes_per_hour": one.played.sounding_s.ravel() / 60 / one.hours,
                    "missed": one.played.missed.ravel(),
                    "events": [one.events] * (m * k),
                }
            )
        )
    return pl.concat(parts) if parts else pl.DataFrame()
