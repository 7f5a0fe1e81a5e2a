"""The page for the record: plain text at 80 columns, the same as JSON, and a file that is put whole."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from typing import Any

from tidebench._version import __version__
from tidebench.care.weaning import children
from tidebench.care.weaning.classes import Class
from tidebench.care.weaning.cuff import SOURCE, CuffLeak
from tidebench.care.weaning.effort import words_of
from tidebench.care.weaning.found import F_VT, noted
from tidebench.care.weaning.item import BOLES_FAILURE, BOLES_LIST, F_VT_OF_ADULTS, F_VT_WARNING, Item
from tidebench.care.weaning.room import Weaning
from tidebench.care.weaning.trial import KEYS, MOST_PEEP_CMH2O, MOST_SUPPORT_CMH2O, Minute, Trend, Trial, without_tube
from tidebench.caution import CAUTION
from tidebench.errors import OutputError
from tidebench.quantities import quantity
from tidebench.records import Spread

WIDTH = 80
TITLE = "Weaning, for the record"
MARKS = {"met": "[met]", "not met": "[not met]", "not known": "[not known]", "not judged": "[not judged]"}
PEOPLE_DECIDE = "Criteria are reported; people decide."
LONGEST_MINUTES = 130
"""Minutes that the page prints one by one: a published trial and a little more."""


def page_text(told: Weaning) -> str:
    """The page in words, no line longer than 80 characters."""
    lines = [TITLE, *_wrapped(told.case.title), f"{PEOPLE_DECIDE}", *_wrapped(f"Patient: {told.group_reason}.")]
    if told.refused:
        lines += _wrapped(told.refused)
    lines += [*_wrapped(told.doubt), *_wrapped(told.policy)]
    lines += [line for question in told.questions for line in _wrapped(question, "? ", "  ")]
    lines += [*_readiness(told), *_trial(told), *_failure(told), *_effort(told), *_cuff(told), *_classes(told)]
    return "\n".join([*lines, "", *_wrapped(CAUTION), f"Tidebench {__version__}"]) + "\n"


def _wrapped(words: str, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent=first, subsequent_indent=then) if words else []


def _heading(words: str) -> list[str]:
    return ["", words, "-" * len(words)]


def ago(seconds: float | None) -> str:
    """An age in words: ``12 min``, ``5.5 h``."""
    if seconds is None:
        return "time not known"
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def _item(item: Item, after: str, source: str) -> Iterator[str]:
    """A criterion in a few lines; its source where it is another than that of the list."""
    value = f": {item.value}" if item.value else ""
    yield from _wrapped(f"{MARKS[item.state]} {item.name}{value}", "", "    ")
    by = "" if item.source == source else f"; {item.source}"
    yield from _wrapped(f"asked: {item.criterion}{by}", "    ", "    ")
    if item.origin and item.origin != "said":
        age = ago(item.age_s) if item.age_s is None else f"{ago(item.age_s)} {after}"
        at = "" if item.at_s is None else f" at {item.at_s:.0f} s"
        yield from _wrapped(f"{item.origin}{at}, {age}", "    ", "    ")
    if item.why:
        lead = "what would tell: " if item.state == "not known" else ""
        yield from _wrapped(f"{lead}{item.why}", "    ", "    ")


def counts(items: Iterable[Item]) -> str:
    """How many criteria are met, not met, not known and not judged."""
    states = [item.state for item in items]
    return ", ".join(f"{states.count(state)} {state}" for state in MARKS if state in states)


def _readiness(told: Weaning) -> Iterator[str]:
    if not told.readiness:
        return
    child = told.group == "child"
    source = children.GUIDELINE if child else BOLES_LIST
    yield from _heading("The paediatric guideline's steps" if child else "Ready for a breathing trial?")
    when = "" if child else f"At {told.moment_s:.0f} s. "
    yield from _wrapped(
        f"{when}Of {len(told.readiness)} items: {counts(told.readiness)}. Unless another is named: {source}."
    )
    for item in told.readiness:
        yield from _item(item, "before", source)


def _trial(told: Weaning) -> Iterator[str]:
    yield from _heading("The breathing trial")
    trial = told.trial
    if trial is None:
        yield from _wrapped(f"{no_trial(told)} Name one with --from and --to.")
        return
    yield from _wrapped(
        f"From {trial.start_s:.0f} to {trial.end_s:.0f} s, {trial.duration_s / 60:.1f} min, by {trial.found_by}; "
        f"{trial.support.words}."
    )
    if told.trials_seen > 1 and trial.found_by != "options":
        yield from _wrapped(f"The longest of {told.trials_seen} that the case shows.")
    for note in trial.notes:
        yield from _wrapped(note)
    if trial.minutes:
        yield from _minutes(trial)
    yield from _wrapped(f_vt_words(told, trial))


def no_trial(told: Weaning) -> str:
    """Why none is seen."""
    if without_tube(told.case):
        return (
            f"No trial through a tube was recorded: support by {told.case.airway.interface} is treatment, and no event "
            "tells of a T-piece or breathing trial."
        )
    most = children.MOST_SUPPORT_CMH2O if told.group == "child" else MOST_SUPPORT_CMH2O
    return (
        f"None is seen: no setting of at most {most:g} cmH2O of support or CPAP with PEEP at most {MOST_PEEP_CMH2O:g} "
        "cmH2O that lasted, and no event of a T-piece or breathing trial."
    )


def f_vt_words(told: Weaning, trial: Trial) -> str:
    """Under what f/VT was taken, and for whom its cut was found; of the young what was noted, if anything is known."""
    if told.group not in ("child", "newborn"):
        return f"f/VT: taken under {trial.support.words}. {F_VT_WARNING}"
    seen = noted(told.case, F_VT, trial.start_s, trial.end_s)
    if not trial.minutes and not seen:
        return ""
    values = ", ".join(f"{quantity(F_VT).text(one.value)} at {one.at_s:.0f} s ({one.origin})" for one in seen)
    return f"f/VT: {f'{values}, ' if values else ''}taken under {trial.support.words}. {F_VT_OF_ADULTS}"


def _minutes(trial: Trial) -> Iterator[str]:
    yield ""
    yield f"{'min':>4} {'breaths':>7}  {'rate [/min]':<18} {'volume [mL]':<20} f/VT [/min/L]"
    for minute in trial.minutes[:LONGEST_MINUTES]:
        yield _row(trial, minute)
    cells = [cell(key, trial.whole[key]) for key in KEYS]
    yield f"{'all':>4} {sum(one.breaths for one in trial.minutes):>7}  {cells[0]:<18} {cells[1]:<20} {cells[2]}"
    if len(trial.minutes) > LONGEST_MINUTES:
        yield f"and {len(trial.minutes) - LONGEST_MINUTES} more minutes, in --json"
    yield "Medians of a minute's breaths, with 5th to 95th percentile."
    yield ""
    for key in KEYS:
        yield from _wrapped(trend_words(key, trial.trends[key]), "", "    ")


def _row(trial: Trial, minute: Minute) -> str:
    cells = [cell(key, minute.values[key]) for key in KEYS]
    number = (minute.from_s - trial.start_s) / 60
    return f"{number:>4.0f} {minute.breaths:>7}  {cells[0]:<18} {cells[1]:<20} {cells[2]:<20}".rstrip()


def cell(key: str, seen: Spread | None) -> str:
    """A minute's median with its spread."""
    if seen is None:
        return "too few"
    record = quantity(key)
    low, high = (record.text(value, unit=False) for value in (seen.p05, seen.p95))
    return f"{record.text(seen.median, unit=False)} ({low}-{high})"


def trend_words(key: str, found: Trend | None) -> str:
    """How a quantity went over the trial, in words."""
    record = quantity(key)
    if found is None:
        return f"{record.label}: no trend below five minutes with enough breaths."
    decimals = record.decimals + 1
    numbers = f"{found.slope:+.{decimals}f} {record.unit} per 10 min"
    span = f"95 % interval {found.low:+.{decimals}f} to {found.high:+.{decimals}f}, {found.n} minutes"
    return f"{record.label}: {found.words}, {numbers} ({span})"


def _failure(told: Weaning) -> Iterator[str]:
    if not told.failure:
        return
    yield from _heading("Signs of failure in the trial")
    yield from _wrapped(
        f"Met means that the sign was there. Of {len(told.failure)}: {counts(told.failure)}. "
        f"{'' if told.group == 'child' else f'After {BOLES_FAILURE}. '}Signals show rate, "
        "volume and effort; saturation, heart, pressure, gases and comfort are known only where noted."
    )
    for item in told.failure:
        yield from _item(item, "before its end", "" if told.group == "child" else BOLES_FAILURE)


def _effort(told: Weaning) -> Iterator[str]:
    if told.trial is None:
        return
    yield from _heading("Drive and effort in the trial")
    for one in told.effort:
        yield from _wrapped(f"{quantity(one.key).label}: {words_of(one)}", "", "    ")
        if one.spread is None:
            yield from _wrapped(f"what would tell: {one.why}", "    ", "    ")
            continue
        limit = f"; {one.standing}: {one.limit}" if one.limit else ""
        yield from _wrapped(f"{one.origin}{limit}", "    ", "    ")


def _cuff(told: Weaning) -> Iterator[str]:
    if told.refused or told.group == "child":
        return
    yield from _heading("Cuff leak")
    if told.cuff is None:
        yield from _wrapped("Not known. What would tell: --leak-inspired and six times --leak-expired, cuff deflated.")
        return
    yield from _wrapped(cuff_words(told.cuff))
    for note in told.cuff.notes:
        yield from _wrapped(note)
    yield from _wrapped(SOURCE)


def cuff_words(leak: CuffLeak) -> str:
    """Volume and part, and how each stands to what is published."""
    volume = "below" if leak.below_110_ml else "not below"
    share = {True: "below both published parts", False: "below neither published part", None: "between the two parts"}
    return (
        f"{leak.volume_ml:.0f} mL, {volume} 110 mL; {leak.percent:.0f} % of the inspired volume, "
        f"{share[leak.below_percent]} (10 and 24 %)."
    )


def _classes(told: Weaning) -> Iterator[str]:
    if told.classes is None:
        return
    yield from _heading("How long weaning took")
    for one in (told.classes.consensus_2007, told.classes.wind_2017):
        yield from _class(one)


def _class(one: Class) -> Iterator[str]:
    yield from _wrapped(f"{one.name or 'not known'}: {one.text}", "", "    ")
    yield from _wrapped(one.source, "    ", "    ")


def as_json(told: Weaning) -> dict[str, Any]:
    """The same for machines: names of fields as keys, missing numbers null."""
    kept = {part.name: _plain(getattr(told, part.name)) for part in fields(told) if part.name != "case"}
    return {
        "title": told.case.title,
        "case_hash": told.case.case_hash,
        **kept,
        "f_vt_warning": F_VT_OF_ADULTS if told.group in ("child", "newborn") else F_VT_WARNING,
        "version": __version__,
        "caution": CAUTION,
    }


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def write_page(told: Weaning, out: Path) -> None:
    """Put the page at ``out``, whole or not at all; only an earlier page is replaced.

    Raises
    ------
    OutputError
        ``out`` is a folder, holds something else, doesn't end in .txt, or can't be written.
    """
    if out.suffix != ".txt":
        raise OutputError("this is no name for a page", where=str(out), expected="a file that ends in .txt")
    draft = out.with_name(f".{out.name}.writing")
    try:
        if os.path.lexists(out) and not _earlier(out):
            raise OutputError("this holds something else", where=str(out), expected="a new file, or an earlier page")
        draft.write_text(page_text(told), encoding="utf-8", newline="\n")
        draft.replace(out)
    except OSError as error:
        raise OutputError(f"this can't be written ({error.strerror or error})", where=str(out)) from error
    finally:
        with suppress(OSError):
            draft.unlink(missing_ok=True)


def _earlier(out: Path) -> bool:
    """True where a page lies there."""
    return out.is_file() and out.read_bytes().startswith(TITLE.encode())
