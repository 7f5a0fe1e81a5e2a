"""Burden against missed events: what a limit and its delay cost, and what they would not have told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from tidebench.care.logs.replay import Replay, Series, Side, replay, runs, series, sounds
from tidebench.care.logs.watched import WATCHED, Asked, Usual, Watched, events_of, record_of, usual_limit
from tidebench.case import Case
from tidebench.limits import Policy, Practice, limits_of_case
from tidebench.quantities import quantity

DELAYS_S = (0.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 120.0)
GRID = 20
"""Limits that are tried for each quantity, at most, so that with the delays there are up to 200 pairs."""
GRACE_S = 30.0
"""An alarm that comes so long after an event's end still tells of it (this house's choice)."""
MOST_SOUNDING = 0.2
"""Part of the time from which on an alarm sounds so long that its count tells nothing (this house's choice)."""
MOST_OFFERS = 3
LEAST_KNOWN_H = 0.95
"""Hours of known values from which on rates are told and limits weighed: an hour, less its first and lost breaths."""
FEW_EVENTS = 5
WEIGHED = "Weighed on this one record, to be weighed again by those who may set limits. It silences nothing."


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
    usual : Usual or None
        Where people usually set it; nothing beyond its wide end is offered.
    offers : tuple of Offer
        From the fewest missed on, each with the fewest alarms for what it misses.
    reason : str
        Why nothing is offered, or how little stands behind it; empty where neither.
    delay : Practice or None
        The longest delay that is offered, by the record for a disconnection; None of an unknown age.
    """

    watched: Watched
    hours: float
    unknown: float
    events: int
    played: Replay
    usual: Usual | None
    offers: tuple[Offer, ...]
    reason: str
    delay: Practice | None

    @property
    def rated(self) -> bool:
        """True where so much is known that numbers per hour say something."""
        return self.hours >= LEAST_KNOWN_H

    @property
    def at_usual(self) -> tuple[int, float, int] | None:
        """Alarms, seconds sounding and events missed with the usual limit, without delay."""
        if self.usual is None:
            return None
        m, played = list(self.played.limits).index(self.usual.tight), self.played
        return int(played.alarms[m, 0]), float(played.sounding_s[m, 0]), int(played.missed[m, 0])


@dataclass(frozen=True, slots=True)
class Together:
    """All alarms together: per hour, and events missed, each counted at every alarm that is there to tell it.

    Where nothing is suggested of an alarm, its usual limit stands in ``suggested`` too.
    """

    usual_per_hour: float
    suggested_per_hour: float
    usual_missed: int
    suggested_missed: int
    events: int
    suggested: int


def together(told: Sequence[Tradeoff]) -> Together | None:
    """What all suggested limits come to, beside the usual ones; None where nothing is suggested."""
    known = [(one, at) for one in told if (at := one.at_usual) is not None and one.rated]
    offers = [one.offers[0] if one.offers else None for one, _ in known]
    if not any(offers):
        return None
    usual = [at[0] / one.hours for one, at in known]
    return Together(
        usual_per_hour=sum(usual),
        suggested_per_hour=sum(
            offer.alarms_per_hour if offer else per_hour for offer, per_hour in zip(offers, usual, strict=True)
        ),
        usual_missed=sum(at[2] for _, at in known),
        suggested_missed=sum(offer.missed if offer else at[2] for offer, (_, at) in zip(offers, known, strict=True)),
        events=sum(one.events for one, _ in known),
        suggested=sum(offer is not None for offer in offers),
    )


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
    events = events_of(watched, findings, of, further, limits_of_case(case, policy=policy))
    usual = usual_limit(watched, of, case, policy)
    limits = grid(of, watched.side, (usual.tight, usual.wide) if usual else ())
    played = replay(of, watched.side, limits, DELAYS_S, events, GRACE_S)
    reason = _unweighable(len(events), usual, of.hours)
    delay = record_of("alarm_disconnection_s", case, policy)
    offers = _offers(of, watched, played, usual, delay, len(events)) if usual and delay and not reason else ()
    reason = reason or _doubt(offers, len(events))
    unknown = float(1.0 - np.isfinite(of.value).mean())
    return Tradeoff(watched, of.hours, unknown, len(events), played, usual, offers, reason, delay)


def grid(of: Series, side: Side, further: Sequence[float] = ()) -> tuple[float, ...]:
    """At most :data:`GRID` limits on round numbers, from the usual value to the outermost, and further ones."""
    known = of.value[np.isfinite(of.value)]
    middle, far = float(np.median(known)), float(np.quantile(known, 0.999 if side == "high" else 0.001))
    low, high = min(middle, far), max(middle, far)
    least = 10.0 ** -quantity(of.key).decimals
    step = _round_step(max((high - low) / (GRID - 2), least))
    begin = np.floor(low / step) * step
    values = [
        value for value in (begin + step * np.arange(GRID)).round(6).tolist() if value <= high + step and value >= 0
    ]
    extra = [value for value in dict.fromkeys(further) if value not in values]
    return tuple(sorted([*values[: GRID - len(extra)], *extra]))


def _round_step(least: float) -> float:
    """The smallest of 1, 2 and 5 times a power of ten that is no less."""
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(size * power for size in (1.0, 2.0, 5.0, 10.0) if size * power >= least * (1 - 1e-9)))


def _unweighable(events: int, usual: Usual | None, hours: float) -> str:
    """Why no limit can be offered; empty where one can."""
    if usual is not None and usual.reason:
        return usual.reason
    if not events:
        return (
            "nothing that this alarm is there to tell was found in this record, so no limit can be weighed: fewer "
            "alarms would have cost nothing here, and might elsewhere."
        )
    if usual is None:
        return "where people set it is not known for a patient of unknown age, so none is offered."
    if hours < LEAST_KNOWN_H:
        return f"known for {60 * hours:.2g} min, less than an hour: too short a record to weigh a limit on."
    return ""


def _doubt(offers: Sequence[Offer], events: int) -> str:
    """What is to be known of offers; empty where nothing is."""
    if not offers:
        return f"within what is usual, this alarm would have told none of {events}: the quantity doesn't show them."
    if offers[0].missed:
        return f"within what is usual, even the tightest limit that was tried misses {offers[0].missed} of {events}."
    stand = "event stands" if events == 1 else "events stand"
    return f"only {events} {stand} behind this." if events < FEW_EVENTS else ""


def _offers(
    of: Series, watched: Watched, played: Replay, usual: Usual, delay: Practice, events: int
) -> tuple[Offer, ...]:
    """For the fewest missed, then for more, the pair with the fewest alarms; of equals the tightest limit.

    None beyond the wide end of what is usual, nor with a longer delay than a disconnection may have.
    """
    high = watched.side == "high"
    inside = telling(played, of.hours) & (played.delays_s <= delay.high)[None, :]
    inside &= (played.limits <= usual.wide if high else played.limits >= usual.wide)[:, None]
    pairs = [
        (int(played.missed[m, k]), int(played.alarms[m, k]), m if high else -m, k)
        for m, k in np.argwhere(inside).tolist()
    ]
    found: list[Offer] = []
    fewest = np.inf
    for missed, alarms, m, k in sorted(pairs):
        if alarms >= fewest or len(found) == MOST_OFFERS or missed == events:
            continue
        fewest, at = alarms, (abs(m), k)
        limit, delay_s = float(played.limits[at[0]]), float(played.delays_s[k])
        minutes, split = float(played.sounding_s[at]) / 60 / of.hours, halves(of, watched.side, limit, delay_s)
        found.append(Offer(limit, delay_s, alarms / of.hours, minutes, missed, split))
    return tuple(found)


def telling(played: Replay, hours: float) -> npt.NDArray[np.bool_]:
    """Pairs that sound at most :data:`MOST_SOUNDING` of the time, shape (m, k)."""
    return np.asarray(played.sounding_s <= MOST_SOUNDING * 3600.0 * hours)


def front(played: Replay, hours: float) -> list[tuple[int, int]]:
    """Pairs, as indices of limit and delay, that no other beats in alarms and in misses, the most missed first."""
    pairs = sorted(
        (int(played.alarms[m, k]), int(played.missed[m, k]), m, k)
        for m, k in np.argwhere(telling(played, hours)).tolist()
    )
    found: list[tuple[int, int]] = []
    least = np.inf
    for _, missed, m, k in pairs:
        if missed < least:
            least = missed
            found.append((m, k))
    return found


def halves(of: Series, side: Side, limit: float, delay_s: float) -> tuple[float, float]:
    """Alarms per hour in the two halves of the record."""
    start = sounds(runs(of, limit, side), delay_s).start_s
    known = np.isfinite(of.value)
    lasts = of.until_s - of.known_s
    middle = (of.known_s[0] + of.until_s[-1]) / 2
    first = of.known_s < middle
    hours = [float(lasts[known & part].sum()) / 3600 for part in (first, ~first)]
    counts = [int((start < middle).sum()), int((start >= middle).sum())]
    return tuple(count / hour if hour else 0.0 for count, hour in zip(counts, hours, strict=True))  # type: ignore[return-value]


def _per_hour(one: Tradeoff, total: npt.NDArray[np.generic]) -> pl.Series:
    """A total by hours known; null where they are too few for a rate."""
    rates = pl.Series(np.asarray(total, float) / one.hours)
    return rates if one.rated else pl.repeat(None, len(rates), dtype=pl.Float64, eager=True)


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
                    "alarms_per_hour": _per_hour(one, one.played.alarms.ravel()),
                    "sounding_s": one.played.sounding_s.ravel(),
                    "minutes_per_hour": _per_hour(one, one.played.sounding_s.ravel() / 60),
                    "missed": one.played.missed.ravel(),
                    "events": [one.events] * (m * k),
                }
            )
        )
    return pl.concat(parts) if parts else pl.DataFrame()
