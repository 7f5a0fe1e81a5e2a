"""Alarms replayed on a screen: the course of a quantity, every pair of limit and delay, and what one limit does."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tidebench.care.logs.changed import changed
from tidebench.care.logs.replay import Series, Side, latest_delay, replay, runs, series, sounds
from tidebench.care.logs.tradeoff import GRACE_S, LEAST_KNOWN_H, Tradeoff, front, halves, telling, tradeoffs
from tidebench.care.logs.watched import WATCHED, Asked, Watched, events_of, usual_limit
from tidebench.errors import OptionError
from tidebench.limits import Policy, limits_of_case
from tidebench.quantities import Quantity, quantity
from tidebench.review import Review
from tidebench.views.kinds import label_of
from tidebench.views.replayed import Choice, alarm_words, choices
from tidebench.views.section import percent, rated
from tidebench.views.window import downsampled
from tidebench.views.wording import clock, duration, sentence

MOST_SOUNDS = 2000
MOST_GONE = 12
COURSE_POINTS = 1600


@dataclass(frozen=True)
class Pair:
    """A limit and a delay replayed: what it would cost in alarms, and what it would miss.

    ``burden`` is per hour, or all alarms where so little is known that no rate is told.
    ``told`` is False where it sounds so long that its count tells nothing; ``best`` where no other beats it.
    """

    limit: float
    delay_s: float
    burden: float
    missed: int
    told: bool
    best: bool


@dataclass(frozen=True)
class AlarmPage:
    """An alarm that can be replayed.

    Attributes
    ----------
    quantity : Quantity
    side : str
    name : str
    about : str
        What it is there to tell, over how many hours, of how many breaths it is unknown.
    events : int
    low, high, step : float
        Where a limit can be moved, and by how much.
    choices : tuple of Choice
    burden : str
        What the burden of a pair counts.
    pairs : tuple of Pair
    delays_s : tuple of float
    usual : str
        The rule by which people set it; empty where there is none.
    reason : str
        Why nothing is suggested, or how little stands behind it.
    """

    quantity: Quantity
    side: Side
    name: str
    about: str
    events: int
    low: float
    high: float
    step: float
    choices: tuple[Choice, ...]
    burden: str
    pairs: tuple[Pair, ...]
    delays_s: tuple[float, ...]
    usual: str
    reason: str


@dataclass(frozen=True)
class Course:
    """A quantity breath by breath, as an alarm would see it, and the events that it is there to tell."""

    time_s: np.ndarray[tuple[int], np.dtype[np.float64]]
    values: np.ndarray[tuple[int], np.dtype[np.float64]]
    events: tuple[tuple[float, float], ...]
    duration_s: float


@dataclass(frozen=True)
class Played:
    """What a limit with its delay does on this record, in numbers and words; against another limit where one is held.

    ``burden`` counts as that of a :class:`Pair` does; ``heard`` says of every event whether it would have been told.
    """

    words: str
    burden: float
    missed: int
    told: bool
    numbers: tuple[tuple[str, str], ...]
    sounds: tuple[tuple[float, float], ...]
    more: int
    heard: tuple[bool, ...]
    against: tuple[str, ...]


def alarm_pages(review: Review, policy: Policy | None, must: Sequence[Asked] = ()) -> tuple[AlarmPage, ...]:
    """Every alarm whose quantity is known of some breath."""
    found = tradeoffs(review.breaths, review.findings, review.case, policy, must)
    return tuple(_page(one, series(review.breaths, one.watched.key)) for one in found)


def _page(one: Tradeoff, of: Series) -> AlarmPage:
    record, limits = quantity(one.watched.key), one.played.limits
    step = 10.0**-record.decimals
    known = of.value[np.isfinite(of.value)]
    low, high = min(limits.min(), known.min()), max(limits.max(), known.max())
    least, most = record.plausible
    kinds = [label_of(kind) for kind in one.watched.tells]
    unknown = f"; not known of {percent(one.unknown)} of the breaths" if one.unknown else ""
    about = (
        f"{one.events} true {'event' if one.events == 1 else 'events'} over {duration(3600 * one.hours)}{unknown}. "
        f"It is there to tell: {', '.join(kinds)}"
    )
    return AlarmPage(
        record, one.watched.side, sentence(alarm_words(one.watched.key, one.watched.side))[:-1], sentence(about),
        one.events, max(least, _down(low, step)), min(most, -_down(-high, step)), step, tuple(choices(one)),
        "alarms per hour" if one.rated else "alarms in all: too little is known for a rate", tuple(_pairs(one)),
        tuple(one.played.delays_s.tolist()), "" if one.usual is None else one.usual.rule,
        one.reason,
    )  # fmt: skip


def _down(value: float, step: float) -> float:
    return round(float(np.floor(value / step)) * step, 6)


def _pairs(one: Tradeoff) -> Iterator[Pair]:
    done = one.played
    told, best = telling(done, one.hours), set(front(done, one.hours))
    burden = done.alarms / (one.hours if one.rated else 1.0)
    for m, k in np.ndindex(*done.alarms.shape):
        yield Pair(
            float(done.limits[m]), float(done.delays_s[k]), float(burden[m, k]),
            int(done.missed[m, k]), bool(told[m, k]), (m, k) in best,
        )  # fmt: skip


def course(review: Review, key: str, side: Side, must: Sequence[Asked] = ()) -> Course:
    """A quantity as an alarm would see it.

    Raises
    ------
    OptionError
        It can't be replayed, or isn't known of any breath.
    """
    of, watched = _known(review, key, side)
    shown = downsampled(of.value, COURSE_POINTS)
    events = events_of(watched, review.findings, of, must, limits_of_case(review.case, policy=review.policy))
    return Course(of.known_s[shown], of.value[shown], tuple(map(tuple, events.tolist())), review.recording.duration_s)


def played(
    review: Review, asked: Asked, policy: Policy | None, now: Asked | None = None, must: Sequence[Asked] = ()
) -> Played:
    """What a limit does, and against ``now`` which alarms would have gone.

    Raises
    ------
    OptionError
        As :func:`course`.
    """
    of, watched = _known(review, asked.key, asked.side)
    events = events_of(watched, review.findings, of, must, limits_of_case(review.case, policy=review.policy))
    done = replay(of, asked.side, [asked.limit], [asked.delay_s], events, GRACE_S)
    found = runs(of, asked.limit, asked.side)
    heard = latest_delay(found, events, GRACE_S) > asked.delay_s
    sounding = sounds(found, asked.delay_s)
    spans = list(zip(sounding.start_s.tolist(), sounding.end_s.tolist(), strict=True))
    alarms, minutes = int(done.alarms[0, 0]), float(done.sounding_s[0, 0]) / 60
    missed, told = int(done.missed[0, 0]), bool(telling(done, of.hours)[0, 0])
    return Played(
        sentence(asked.words), alarms / of.hours if _rated(of) else float(alarms), missed, told,
        tuple(_numbers(of, asked, alarms, minutes, missed, len(events))),
        tuple(spans[:MOST_SOUNDS]), max(0, len(spans) - MOST_SOUNDS), tuple(heard.tolist()),
        tuple(_against(review, watched, of, asked, policy, now, must)),
    )  # fmt: skip


def _rated(of: Series) -> bool:
    return of.hours >= LEAST_KNOWN_H


def _numbers(
    of: Series, asked: Asked, alarms: int, minutes: float, missed: int, events: int
) -> Iterator[tuple[str, str]]:
    yield "alarms", f"{alarms}"
    if _rated(of):
        yield "alarms per hour", rated(alarms / of.hours)
        yield "minutes sounding per hour", rated(minutes / of.hours)
    else:
        yield "minutes sounding", rated(minutes)
    yield "true events missed", f"{missed} of {events}" if events else "no event in this record"
    if _rated(of):
        first, second = halves(of, asked.side, asked.limit, asked.delay_s)
        yield "per hour in the first and second half", f"{rated(first)}, {rated(second)}"


def _against(
    review: Review, watched: Watched, of: Series, then: Asked, policy: Policy | None, now: Asked | None,
    must: Sequence[Asked],
) -> Iterator[str]:  # fmt: skip
    """What stands against the limit: the wide end of what is usual, and alarms that would have gone."""
    usual = usual_limit(watched, of, review.case, policy)
    beyond = usual is not None and (then.limit > usual.wide if then.side == "high" else then.limit < usual.wide)
    if usual is not None and beyond:
        wide = quantity(then.key).bounds(usual.wide)
        yield f"Beyond the wide end of what is usual, {wide} ({usual.rule}): it is not weighed here."
    if now is None or now == then:
        return
    done = changed(now, then, review.breaths, review.findings, must, limits_of_case(review.case, policy=review.policy))
    gone, of_events = done.gone.height, int(done.gone["event"].sum())
    with_event = f"{of_events} of which told of a true event" if of_events else "none of which told of a true event"
    missed = f"missed of {done.events}: {done.missed[0]} before, {done.missed[1]} with it"
    lost = f"{gone} of {done.alarms[0]} alarms would have gone, {with_event}" if gone else "no alarm would have gone"
    yield f"Against {now.words}: {lost}; {missed}."
    for row in done.gone.sort("event", "start_s", descending=[True, False]).head(MOST_GONE).iter_rows(named=True):
        about = "a true event" if row["event"] else "none that it is there to tell"
        value = quantity(now.key).text(row["furthest"])
        yield f"{clock(row['start_s'])}, {duration(row['end_s'] - row['start_s'])}, to {value}: {about}."


def _known(review: Review, key: str, side: Side) -> tuple[Series, Watched]:
    watched = next((one for one in WATCHED if (one.key, one.side) == (key, side)), None)
    if watched is None:
        raise OptionError(f"{key}.{side} is no alarm that is replayed", expected=_names())
    of = series(review.breaths, key)
    if not np.isfinite(of.value).any() or of.hours <= 0:
        raise OptionError(f"{quantity(key).label} is not known of any breath", where=f"{key}.{side}")
    return of, watched


def _names() -> str:
    return ", ".join(f"{one.key}.{one.side}" for one in WATCHED)
