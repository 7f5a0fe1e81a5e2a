"""What is told of an event log, as sections of words and rows that terminal and report share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import polars as pl

from tidebench.care.logs.beside import ALARMING, KEYS
from tidebench.care.logs.crowding import FLOOD_FROM, STANDING_S
from tidebench.quantities import quantity
from tidebench.views.replayed import replayed
from tidebench.views.section import Section, moment, percent, rated
from tidebench.views.wording import clock, count, duration, listed, sentence, setting_words

if TYPE_CHECKING:
    from tidebench.care.logs.beside import Beside
    from tidebench.care.logs.burden import Burden, Grade
    from tidebench.care.logs.coverage import Coverage
    from tidebench.care.logs.crowding import Crowding
    from tidebench.care.logs.log import Log
    from tidebench.care.logs.room import Told
    from tidebench.records import Spread

FIRST, MOST_ROWS, MOST_OF_A_KIND = 8, 60, 12
NO_ALARM = "No row of the log is an alarm."
ISA = (
    "Rules of the process industry (ANSI/ISA-18.2, from secondary sources), not made for a bed: a flood is ten alarms "
    "or more in ten minutes, until fewer than five; chatter is one alarm three times or more in a minute."
)
NEAR = (
    "Near: in part within the 30 s before an alarm or the 10 s after it (this house's choice). By chance: the part of "
    "all moments that have it near. What is near need not be the cause."
)
HEARD = "With an alarm: any was on during it, or came within 30 s after. Of these findings, some alarm may tell."


def log_page(told: Told) -> tuple[Section, ...]:
    """The page: what is covered before any rate, what the alarms come to, what was going on, limits replayed."""
    return tuple(part for part in _sections(told) if part.lines or part.rows or part.after)


def _sections(told: Told) -> Iterator[Section]:
    heard = told.heard
    if told.log is not None and heard is not None:
        yield _covered(told, told.log, heard.coverage)
        yield _place(told)
        if heard.burden is None or heard.crowding is None:
            yield Section("Alarms", (NO_ALARM,))
        else:
            yield _burden(heard.burden)
            yield _ten(heard.burden)
            yield _crowding(told, heard.crowding)
            yield _hours(heard.burden)
    yield _settings(told)
    if told.beside is not None:
        yield from _beside(told, told.beside)
    yield from replayed(told)


# --- what is covered --------------------------------------------------------------------------------------------------


def _covered(told: Told, log: Log, covered: Coverage) -> Section:
    beds = "" if covered.beds == 1 else f" of {covered.beds} beds together"
    resting = f", {duration(3600 * covered.standby_hours)} of standby taken off" if covered.standby_hours else ""
    left_out = [
        f"{number} left out, since {why}"
        for number, why in ((covered.unread, "their time can't be read"), (covered.repeated, "they repeat others"))
        if number
    ]
    rows = f"{count(covered.rows, 'row')} in {count(len(log.sources), 'file')}"
    silent = [
        f"Nothing is logged from {moment(told, begin)} to {moment(told, end)}, {duration(end - begin)}: switched off, "
        "elsewhere, or nothing happened. It counts as covered."
        for begin, end in covered.silences[:3]
    ]
    return Section(
        "What the log covers",
        (
            f"From {moment(told, covered.first_s)} to {moment(told, covered.last_s)}{_zone(log)}: "
            f"{duration(3600 * covered.hours)} covered{beds}{resting}. Rates are over that; of what came before, "
            "nothing is known.",
            sentence("; ".join([rows, *left_out])),
            *covered.notes,
            *silent,
            _read(log),
            *log.notes,
        ),
    )


def _zone(log: Log) -> str:
    """The zone of a log's stamps, where it has one."""
    return {"": "", "mixed": "", "Z": " UTC"}.get(log.zone, f" (UTC{log.zone})")


def _read(log: Log) -> str:
    """Which column holds what, and which of it nobody told."""
    read = ", ".join(f"{role} from {head!r}" for role, head in log.columns.items())
    if not log.proposed:
        return f"Read: {read}."
    guessed = "all" if len(log.proposed) == len(log.columns) else listed(log.proposed)
    return f"Read: {read}; {guessed} by name alone, and --column says otherwise."


def _place(told: Told) -> Section:
    if told.clock is None:
        return Section("")
    zone = "" if told.log is None else _zone(told.log)
    zero = "" if told.start is None else f"0 s of the case is {told.start:%Y-%m-%d %H:%M:%S}{zone}: "
    lines = [sentence(f"{zero}{told.clock.known_by}")]
    if told.offset is not None:
        shift, agreeing = told.offset
        lines.append(
            f"The log's clock may be off: {agreeing} holds of the recording and of the log would fall together with "
            f"--offset {shift:+.0f}. It was not moved."
        )
    return Section("The log on the case clock", tuple(lines))


# --- burden -----------------------------------------------------------------------------------------------------------


def lasted(spread: Spread | None) -> str:
    """Median duration with its spread; the median alone of one or two."""
    if spread is None:
        return "–"
    middle = _short(spread.median)
    return middle if spread.n < 3 else f"{middle} ({_short(spread.p05)} to {_short(spread.p95)})"


def _short(seconds: float) -> str:
    if seconds < 99.5:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5970 else f"{seconds / 3600:.1f} h"


def _burden(told: Burden) -> Section:
    rows = [_grade(one.priority or "not stated", one) for one in told.grades]
    if len(rows) > 1:
        rows.append(_grade("all", told.whole))
    after = [sentence(told.whole.rate.reason)] if told.whole.rate.reason else []
    if told.busiest is not None and told.busiest.n >= 5:
        after.append(
            f"In {told.busiest.n} covered hours: median {told.busiest.median:.0f} an hour (5th to 95th percentile "
            f"{told.busiest.p05:.0f} to {told.busiest.p95:.0f}), at most {told.most_in_an_hour}."
        )
    if told.in_standby:
        came = "1 alarm came" if told.in_standby == 1 else f"{told.in_standby} alarms came"
        after.append(f"{came} in standby, whose time is taken off, and counted in none of this.")
    if told.whole.without_end:
        after.append(
            f"{told.whole.without_end} of {told.whole.rate.count} alarms have no end in the log: they count, and how "
            "long they lasted is not known."
        )
    guess = "" if all(one.priority for one in told.grades) else " Where the log tells none, none is guessed."
    after.append(f"Priorities by IEC 60601-1-8 (from memory); an information signal is no alarm.{guess}")
    head = ("priority", "alarms", "per hour", "per bed-day", "lasting (5th to 95th)", "min per hour")
    return Section("How often, and how long", (), head, tuple(rows), frozenset({1, 2, 3, 5}), tuple(after), "course")


def _grade(name: str, one: Grade) -> tuple[str, ...]:
    numbers = (rated(one.rate.per_hour), rated(one.rate.per_bed_day), lasted(one.duration_s))
    return name, f"{one.rate.count}", *numbers, rated(one.minutes_per_hour)


def _ten(told: Burden) -> Section:
    rows = [
        (
            one.name, one.priority or "–", f"{one.rate.count}", percent(one.share), rated(one.rate.per_hour),
            lasted(one.duration_s),
        )
        for one in told.ten
    ]  # fmt: skip
    share, names = percent(sum(one.share for one in told.ten)), count(told.names, "name")
    lead = (
        f"{share} of all alarms, which have {names}. Up to five places go to those of high priority, however rare, the "
        "others to the most frequent.",
    )
    head = ("alarm", "priority", "n", "of all", "per hour", "lasting (5th to 95th)")
    return Section("The ten that matter", lead, head, tuple(rows), frozenset({2, 3, 4}))


def _crowding(told: Told, crowd: Crowding) -> Section:
    flood = f"No flood: never {FLOOD_FROM} alarms in ten minutes."
    if crowd.floods:
        worst = max(crowd.floods, key=lambda one: one.most)
        flood = (
            f"{len(crowd.floods)} {'flood' if len(crowd.floods) == 1 else 'floods'}, {percent(crowd.flood_share)} of "
            f"the covered time, with {crowd.in_floods} alarms; the worst from {moment(told, worst.start_s)} for "
            f"{duration(worst.end_s - worst.start_s)}, up to {worst.most} in ten minutes."
        )
    chatter = [
        f"Chatter: {one.name}, {one.chattering} of {one.count} in {count(one.bouts, 'bout')}, index "
        f"{one.index_per_s:.3f} /s (0.05 is three in a minute)."
        for one in crowd.chatter[:3]
    ]
    stood = [
        f"{count(crowd.stood, 'alarm')} stood for {STANDING_S / 60:.0f} min or more (this house's choice; in the "
        "process industry an alarm is stale after a day)."
    ]
    rows = tuple(
        (one.name, one.priority or "–", moment(told, one.at_s), _least(duration(one.lasted_s), sure=one.ended))
        for one in crowd.standing[:FIRST]
    )
    lines = (ISA, flood, *(chatter or ["No alarm chatters."]), *(stood if crowd.stood else []))
    return Section(
        "Floods, chatter, standing alarms", lines, ("stood", "priority", "from", "for") if rows else (), rows
    )


def _least(words: str, *, sure: bool) -> str:
    return words if sure else f"at least {words}"


def _hours(told: Burden) -> Section:
    known = [one for one in told.by_hour if one.per_hour is not None]
    if len(known) < 2:
        return Section("")
    most, least = max(known, key=lambda one: one.per_hour or 0.0), min(known, key=lambda one: one.per_hour or 0.0)
    line = (
        f"Most from {most.hour} to {most.hour + 1} h, {rated(most.per_hour)} per covered hour; fewest from "
        f"{least.hour} to {least.hour + 1} h, {rated(least.per_hour)}."
    )
    once = " No hour was covered twice: this is one day." if max(one.hours for one in known) < 2 else ""
    return Section("By hour of the day", (line + once,), figure="hours")


# --- settings, and what was going on ----------------------------------------------------------------------------------


def _settings(told: Told) -> Section:
    made = told.settings
    before = any(change.before for change in made.changes)
    rows = tuple(
        (moment(told, change.at_s), setting_words(change.key, change.value), change.before or "")[: 3 if before else 2]
        for change in made.changes[:FIRST]
    )
    changes = count(len(made.changes), "change")
    lead = (f"{changes}, rebuilt as [[settings]] of a case, to look at; nothing is overwritten.",) if rows else ()
    more = [f"and {len(made.changes) - FIRST} more."] if len(made.changes) > FIRST else []
    head = ("at", "set", "before")[: 3 if before else 2] if rows else ()
    after = (*more, *made.differ[:FIRST], *made.notes)
    return Section("Settings, as the log tells them", lead, head, rows, after=after)


def _beside(told: Told, laid: Beside) -> Iterator[Section]:
    inside = count(laid.within, "alarm")
    lead = sentence(f"{inside} within the recording, {laid.outside} outside it")
    yield Section("What was going on", (lead,), *_each(told, laid))
    names = tuple(
        (one.name, f"{one.breaths}", *(_known(key, one.medians[key]) for key in KEYS)) for one in laid.at_alarms
    )
    if len(names) > 1:
        head = ("medians of breaths with", "n", *(_symbol(key) for key in KEYS))
        yield Section("", (), head, names[-FIRST:], frozenset(range(1, len(head))))
    near = tuple(
        (one.name, one.kind, f"{one.near} of {one.alarms}", percent(one.by_chance)) for one in laid.near[:FIRST]
    )
    if near:
        yield Section("", (), ("alarm", "finding near it", "alarms", "by chance"), near, frozenset({2, 3}), (NEAR,))
    heard = tuple((one.kind, f"{one.findings}", f"{one.heard}", f"{one.findings - one.heard}") for one in laid.heard)
    if heard:
        head = ("finding", "found", "with an alarm", "without")
        yield Section("Findings, and whether an alarm came", (), head, heard, frozenset({1, 2, 3}), (HEARD,))


def _each(
    told: Told, laid: Beside
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...], frozenset[int], tuple[str, ...]]:
    """The first alarms, high priority before others, each with its breath and what was near."""
    shown = laid.alarms.sort("priority", "at_s", nulls_last=True, maintain_order=True).head(FIRST).sort("at_s")
    rows = tuple(_row(told, row) for row in shown.iter_rows(named=True))
    left = laid.within - len(rows)
    more = (f"and {left} more, in alarms.parquet.",) if left > 0 else ()
    head = ("at", "alarm", "in the log", _symbol(KEYS[0]), _symbol(KEYS[1]), "near it")
    return (head, rows, frozenset({2, 3, 4}), more) if rows else ((), (), frozenset(), ())


def _row(told: Told, row: Mapping[str, Any]) -> tuple[str, ...]:
    """An alarm with the log's own number and its breath's; of what was near, only what an alarm may tell of."""
    at = clock(row["at_s"]) if told.start is None else f"{told.start + timedelta(seconds=row['at_s']):%H:%M:%S}"
    near = [kind for kind in row["findings"] if kind in ALARMING]
    if row["set_before_s"] is not None:
        near.append(f"settings changed {row['set_before_s']:.0f} s before")
    measured = (_known(key, row[key]) for key in KEYS[:2])
    return at, row["name"], row["said"] or "–", *measured, ", ".join(near) or "–"


def _symbol(key: str) -> str:
    record = quantity(key)
    return f"{record.symbol} {'%' if record.percent else record.unit}".rstrip()


def _known(key: str, value: float | None) -> str:
    return quantity(key).text(value, unit=False)


def timeline_section(told: Told) -> Section:
    """The first rows of the timeline: of alarms their starts, of findings those that are few and an alarm may tell."""
    whole = told.timeline
    of_review = pl.col("source") == "review"
    few = pl.col("kind").is_in([*ALARMING, "hold"]) & (pl.len().over("source", "kind") <= MOST_OF_A_KIND)
    starts = (pl.col("kind") != "alarm") | (pl.col("state") != "off").fill_null(value=True)
    shown = whole.filter((~of_review | few) & starts)
    rows = tuple(_happened(told, row) for row in shown.head(MOST_ROWS).iter_rows(named=True))
    left = whole.height - len(rows)
    more = (f"All {whole.height} rows are in timeline.parquet.",) if left > 0 else ()
    return Section("Timeline", (), ("at", "from", "kind", "what"), rows, after=more)


def _happened(told: Told, row: Mapping[str, Any]) -> tuple[str, ...]:
    graded = f" ({row['priority']})" if row["priority"] else ""
    return moment(told, row["at_s"]), row["source"], row["kind"], f"{row['what']}{graded}"


def originals(files: Sequence[tuple[str, str, int]]) -> Section:
    """What was read, each with the hash of its bytes."""
    rows = tuple((name, f"{size}", digest) for name, digest, size in files)
    return Section("Originals", (), ("file", "bytes", "SHA-256"), rows, frozenset({1}))
