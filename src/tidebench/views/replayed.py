"""Limits replayed, as sections: each alarm as people usually set it and as this record weighs it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.quantities import quantity
from tidebench.views.section import Section, moment, rated
from tidebench.views.wording import duration, listed, sentence

if TYPE_CHECKING:
    from tidebench.care.logs.changed import Changed
    from tidebench.care.logs.room import Told
    from tidebench.care.logs.tradeoff import Offer, Tradeoff

FIRST = 8
NEVER = (
    "Numbers to weigh, from this record alone. None of them is a reason to silence an alarm: who may set limits, and "
    "to what, is for the ventilator's manual, local protocols and licensed clinicians to say."
)
MODEL = (
    "A value counts from the breath that shows it until the next; the alarm sounds once it has been beyond the limit "
    "for the delay. Ventilators average and hold alarms in ways of their own. Apnoea, disconnection and oxygen alarms "
    "are not replayed."
)
EVENTS = (
    "Missed: true events (findings that the alarm is there to tell, limits crossed) without a sound during them or in "
    "the 30 s after. Usual: where people set it (common practice, no source). Suggested: of the pairs that miss none, "
    "the one with the fewest alarms, within what is usual, with a delay up to 15 s, sounding less than a fifth of the "
    "time. Fewer alarms: what they would miss. In halves: alarms per hour in the first and second half of the record."
)


def replayed(told: Told) -> Iterator[Section]:
    """Every alarm that was replayed, then one limit against another where that was asked."""
    if told.tradeoffs:
        rows = tuple(row for one in told.tradeoffs for row in _tradeoff(one))
        head = ("alarm", "limit", "delay", "per hour", "min per h", "missed", "in halves")
        own = [one.usual.rule for one in told.tradeoffs if one.usual is not None and one.usual.own]
        practice = f"Practice of this house: {'; '.join(own)}." if own else ""
        house = (words for words in (told.policy, practice) if words)
        notes = tuple(f"{sentence(_alarm(one))[:-1]}: {one.reason}" for one in told.tradeoffs if one.reason)
        right = frozenset(range(1, 7))
        yield Section("Limits replayed", (NEVER, MODEL, *house), head, rows, right, (EVENTS, *notes), "tradeoff")
    if told.changed is not None:
        yield _changed(told, told.changed)


def alarm_words(key: str, side: str) -> str:
    """``high peak airway pressure``."""
    return f"{side} {quantity(key).label}"


def _alarm(one: Tradeoff) -> str:
    return alarm_words(one.watched.key, one.watched.side)


@dataclass(frozen=True, slots=True)
class Choice:
    """A limit with its delay that is shown: as people usually set it, or as this record weighs it.

    ``cells`` are limit, delay, alarms per hour, minutes per hour, missed, and alarms per hour in the two halves.
    """

    name: str
    limit: float
    delay_s: float
    cells: tuple[str, ...]


def choices(one: Tradeoff) -> Iterator[Choice]:
    """Where people usually set it, what is suggested, and what fewer alarms would cost."""
    record = quantity(one.watched.key)
    if one.usual is not None:
        m, played = list(one.played.limits).index(one.usual.tight), one.played
        alarms, minutes = played.alarms[m, 0] / one.hours, played.sounding_s[m, 0] / 60 / one.hours
        missed = f"{played.missed[m, 0]} of {one.events}" if one.events else "–"
        usual = (record.bounds(one.usual.tight), "0 s", rated(alarms), rated(minutes), missed, "")
        yield Choice("usual", one.usual.tight, 0.0, usual)
    for place, offer in enumerate(one.offers):
        name = "fewer alarms" if place else "least missed" if offer.missed else "suggested"
        cells = (record.bounds(offer.limit), *_numbers(offer, one.events))
        yield Choice(name, offer.limit, offer.delay_s, cells)


def _tradeoff(one: Tradeoff) -> Iterator[tuple[str, ...]]:
    """The alarm, then its choices."""
    yield _alarm(one), "", "", "", "", "", ""
    for choice in choices(one):
        yield f"  {choice.name}", *choice.cells


def _numbers(offer: Offer, events: int) -> tuple[str, ...]:
    halves = ", ".join(rated(half) for half in offer.halves_per_hour)
    numbers = rated(offer.alarms_per_hour), rated(offer.minutes_per_hour), f"{offer.missed} of {events}"
    return f"{offer.delay_s:g} s", *numbers, halves


def _changed(told: Told, done: Changed) -> Section:
    sides = zip(("now", "then"), (done.now, done.then), done.alarms, done.minutes, done.missed, strict=True)
    rows = tuple(
        (name, asked.words, f"{alarms}", f"{minutes:.1f}", f"{missed} of {done.events}")
        for name, asked, alarms, minutes, missed in sides
    )
    gone, of_events = done.gone.height, int(done.gone["event"].sum())
    lines = ["No alarm of now would have gone."]
    if gone:
        told_of = f"{of_events} of which told of a true event" if of_events else "none of which told of a true event"
        lines = [sentence(f"{gone} of {done.alarms[0]} alarms of now would have gone, {told_of}")]
    for row in done.gone.sort("event", "start_s", descending=[True, False]).head(FIRST).iter_rows(named=True):
        near = f"; meanwhile {listed(row['findings'])}" if row["findings"] else ""
        about = f"{'a true event' if row['event'] else 'none that it is there to tell'}{near}"
        value = quantity(done.now.key).text(row["furthest"])
        lines.append(f"{moment(told, row['start_s'])}, {duration(row['end_s'] - row['start_s'])}, to {value}: {about}.")
    more = (f"and {gone - FIRST} more, in gone.parquet.",) if gone > FIRST else ()
    head = ("", "limit", "alarms", "min in all", "missed")
    return Section("One limit against another", (), head, rows, frozenset({2, 3, 4}), (*lines, *more))
