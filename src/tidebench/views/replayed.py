"""Limits replayed, as sections: each alarm as people usually set it and as this record weighs it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tidebench.care.logs.tradeoff import together
from tidebench.care.logs.watched import practice_words
from tidebench.quantities import quantity
from tidebench.views.section import Section, moment, rated
from tidebench.views.wording import duration, listed, sentence

if TYPE_CHECKING:
    from tidebench.care.logs.changed import Changed
    from tidebench.care.logs.pauses import Pauses
    from tidebench.care.logs.room import Told
    from tidebench.care.logs.tradeoff import Offer, Tradeoff

FIRST = 8
NEVER = (
    "Numbers to weigh, from this record alone. None of them is a reason to silence an alarm: who may set limits, and "
    "to what, is for the ventilator's manual, local protocols and licensed clinicians to say."
)
MODEL = (
    "A value counts from the breath that shows it until the next; the alarm sounds once it has been beyond the limit "
    "for the delay. Ventilators average and hold alarms in ways of their own. Apnoea is replayed below. Disconnection "
    "is not: a breath table has nothing that it goes by. Neither are alarms of SpO2 and FiO2: recordings hold no "
    "channel of them, and numbers noted now and then don't tell how long a limit was crossed."
)
APNOEA = (
    "From the begin of a breath to that of the next; the alarm sounds once that is longer than the delay, until a "
    "breath begins. Stretches of lost pressure, and what was not recorded, are no pause."
)
EVENTS = (
    "Missed: true events (findings that the alarm is there to tell, limits crossed) without a sound during them or in "
    "the 30 s after. Usual: where people set it (common practice, no source). Suggested: of the pairs that miss none, "
    "the one with the fewest alarms, within what is usual, with a delay up to {delay}, sounding less than a fifth of "
    "the time. Fewer alarms: what they would miss. In halves: alarms per hour in the first and second half."
)


def replayed(told: Told) -> Iterator[Section]:
    """Every alarm that was replayed, then one limit against another where that was asked."""
    if told.tradeoffs:
        rows = tuple(row for one in told.tradeoffs for row in _tradeoff(one))
        head = ("alarm", "limit", "delay", "n", "per hour", "min per h", "missed", "in halves")
        own = _house(told.tradeoffs)
        practice = f"Practice of this house: {'; '.join(own)}." if own else ""
        house = (words for words in (told.policy, practice) if words)
        notes = tuple(_reasons(told.tradeoffs))
        right = frozenset(range(1, 8))
        delays = [one.delay.high for one in told.tradeoffs if one.delay is not None]
        events = EVENTS.format(delay=f"{max(delays):g} s" if delays else "that for a disconnection")
        after = (*_together(told.tradeoffs), events, *notes)
        yield Section("Limits replayed", (NEVER, MODEL, *house), head, rows, right, after, "tradeoff")
    elif told.policy:
        yield Section("The policy of this house", (told.policy,))
    if told.pauses is not None:
        yield _apnoea(told.pauses)
    if told.changed is not None:
        yield _changed(told, told.changed)


def _apnoea(of: Pauses) -> Section:
    """Delays of an apnoea alarm, replayed."""
    rows = []
    for one in of.alarms:
        sounding = one.sounding_s / 60.0
        rates = (rated(one.alarms / of.hours), rated(sounding / of.hours)) if of.rated else (rated(None), rated(None))
        usual = of.usual is not None and of.usual.low <= one.delay_s <= of.usual.high
        rows.append((f"{one.delay_s:g} s", "usual" if usual else "", f"{one.alarms}", *rates))
    own = () if of.usual is None else (f"Usual: {practice_words(of.usual)}.",)
    longest = f"The longest took {duration(of.longest_s)}."
    head = ("delay", "", "n", "per hour", "min per h")
    return Section("Apnoea replayed", (APNOEA,), head, tuple(rows), frozenset({2, 3, 4}), (longest, *own))


def _reasons(told: Sequence[Tradeoff]) -> Iterator[str]:
    """Why nothing is offered or how little stands behind it, each reason once with the alarms that it is of."""
    named: dict[str, list[str]] = {}
    for one in told:
        if one.reason:
            named.setdefault(one.reason, []).append(_alarm(one))
    yield from (f"{sentence(listed(alarms))[:-1]}: {reason}" for reason, alarms in named.items())


def _house(told: Sequence[Tradeoff]) -> tuple[str, ...]:
    """What of a house's practice bounds the suggested limits and their delays."""
    spans = [words for one in told if one.usual is not None for words in one.usual.house]
    delays = [one.delay for one in told if one.delay is not None and one.delay.kind == "house policy"]
    return tuple(dict.fromkeys([*spans, *map(practice_words, delays)]))


def _together(told: Sequence[Tradeoff]) -> tuple[str, ...]:
    """All suggested limits in one sentence."""
    total = together(told)
    if total is None:
        return ()
    return (
        f"All together, per hour: {rated(total.usual_per_hour)} as usual, {rated(total.suggested_per_hour)} with the "
        f"first offer where there is one (of {total.suggested}). Missed, each event counted at every alarm that is "
        f"there to tell it: {total.usual_missed} as usual, {total.suggested_missed} so, of {total.events}.",
    )


def alarm_words(key: str, side: str) -> str:
    """``high peak airway pressure``."""
    return f"{side} {quantity(key).label}"


def _alarm(one: Tradeoff) -> str:
    return alarm_words(one.watched.key, one.watched.side)


@dataclass(frozen=True, slots=True)
class Choice:
    """A limit with its delay that is shown: as people usually set it, or as this record weighs it.

    ``cells`` are limit, delay, alarms, alarms and minutes per hour, missed, and alarms per hour in the two halves.
    """

    name: str
    limit: float
    delay_s: float
    cells: tuple[str, ...]


def choices(one: Tradeoff) -> Iterator[Choice]:
    """Where people usually set it, what is suggested, and what fewer alarms would cost."""
    record = quantity(one.watched.key)
    if one.usual is not None and one.at_usual is not None:
        alarms, sounding, missed = one.at_usual
        hours = one.hours if one.rated else None
        rates = (rated(alarms / hours), rated(sounding / 60 / hours)) if hours else (rated(None), rated(None))
        of = f"{missed} of {one.events}" if one.events else "–"
        usual = (record.bounds(one.usual.tight), "0 s", f"{alarms}", *rates, of, "")
        yield Choice("usual", one.usual.tight, 0.0, usual)
    for place, offer in enumerate(one.offers):
        name = "fewer alarms" if place else "least missed" if offer.missed else "suggested"
        yield Choice(name, offer.limit, offer.delay_s, (record.bounds(offer.limit), *_numbers(offer, one)))


def _tradeoff(one: Tradeoff) -> Iterator[tuple[str, ...]]:
    """The alarm, then its choices."""
    yield _alarm(one), "", "", "", "", "", "", ""
    for choice in choices(one):
        yield f"  {choice.name}", *choice.cells


def _numbers(offer: Offer, one: Tradeoff) -> tuple[str, ...]:
    halves = ", ".join(rated(half) for half in offer.halves_per_hour)
    numbers = rated(offer.alarms_per_hour), rated(offer.minutes_per_hour), f"{offer.missed} of {one.events}"
    return f"{offer.delay_s:g} s", f"{offer.alarms_per_hour * one.hours:.0f}", *numbers, halves


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
