"""Pages of care as parts of one shape: sentences, numbers that can be asked, tables, notes, lines to tick.

Screen and print share them: set-up sheet, gases, weaning, handover, log and cards.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from tidebench.care.preparation.page import PEOPLE_DECIDE, TITLE, VERDICTS, source
from tidebench.views.wording import clock, duration, sentence

if TYPE_CHECKING:
    from tidebench.care.cards import Card, PreUse
    from tidebench.care.preparation import Line, Sheet
    from tidebench.views.gases import GasesView, GasSection
    from tidebench.views.handover import HandoverPage
    from tidebench.views.latest import Latest
    from tidebench.views.section import Section
    from tidebench.views.weaning import CriterionRow, WeaningView

UNKNOWN = "–"


@dataclass(frozen=True, slots=True)
class Item:
    """A number or word with everything that can be asked of it.

    Attributes
    ----------
    key : str
        Of its quantity, where the catalogue has one.
    label, value : str
        The value is a dash where it is not known.
    state : str
        How it stands: ``met``, ``crossed``, ``passed``; empty where nothing is held against it.
    beside : str
        What stands beside it at once: a span, a limit, a time.
    why : str
        The rule, or the reason why it is missing.
    source : str
        After whom, or from where.
    """

    key: str
    label: str
    value: str
    state: str = ""
    beside: str = ""
    why: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a page, in the order of its fields; what is empty has no place.

    Attributes
    ----------
    heading : str
        Empty where it goes on with the part before.
    lines : tuple of str
    items : tuple of Item
    head, rows, right
        A table, as in :class:`~tidebench.views.section.Section`.
    after : tuple of str
        Notes.
    ticks : tuple of str
        Lines to tick by hand.
    figure : str
        Which figure belongs here.
    """

    heading: str
    lines: tuple[str, ...] = ()
    items: tuple[Item, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    right: frozenset[int] = frozenset()
    after: tuple[str, ...] = ()
    ticks: tuple[str, ...] = ()
    figure: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """A page of care: a title, what leads it, and its parts."""

    title: str
    lead: tuple[str, ...]
    parts: tuple[Part, ...]


def page(title: str, lead: Iterable[str], parts: Iterable[Part]) -> Page:
    """A page without its empty parts and sentences."""
    kept = (part for part in parts if replace(part, heading="") != Part(""))
    return Page(title, tuple(line for line in lead if line), tuple(kept))


def section_part(told: Section) -> Part:
    """A section of sentences and rows as a part."""
    return Part(told.heading, told.lines, (), told.head, told.rows, told.right, told.after, (), told.figure)


# --- set-up sheet -----------------------------------------------------------------------------------------------------


def sheet_parts(sheet: Sheet) -> Page:
    """A set-up sheet."""
    return page(sheet.title or TITLE, (sheet.patient, PEOPLE_DECIDE, *sheet.policy), _sheet(sheet))


def _sheet(sheet: Sheet) -> Iterator[Part]:
    yield Part("To be answered first", sheet.questions)
    for section in sheet.sections:
        yield Part(section.title, items=tuple(_line(line) for line in section.lines), after=section.notes)
        for table in section.tables:
            words = f"{table.title} ({table.source})"
            yield Part("", (words,), head=table.heads, rows=table.rows)
    for place, (heading, lines) in enumerate(sheet.checklist):
        first = "Before the patient is connected: to tick and sign" if place == 0 else ""
        yield Part(first, (heading,), ticks=lines)


def _line(line: Line) -> Item:
    state = VERDICTS[line.verdict] if line.verdict else ""
    return Item(line.key, line.label, line.value or UNKNOWN, state, why=line.why, source=source(line))


# --- gases ------------------------------------------------------------------------------------------------------------


def gases_parts(view: GasesView) -> Page:
    """Blood gases, read."""
    return page(view.title or "Blood gases", (view.policy,), _gases(view))


def _gases(view: GasesView) -> Iterator[Part]:
    if view.target is not None:
        command = (f"Rehearse it: {view.target.command}",) if view.target.command else ()
        yield Part(view.target.heading, (view.target.lead, *view.target.lines), after=(*view.target.words, *command))
    for gas in reversed(view.gases):
        yield from _gas(gas)
    yield Part("Over the arterial gases", view.trend, after=view.changed)


def _gas(gas: GasSection) -> Iterator[Part]:
    at_body = (gas.at_body,) if gas.at_body else ()
    yield Part(gas.heading, (gas.acid_base,), after=gas.acid_base_lines)
    items = tuple(
        Item(one.key, one.label, one.text, beside=one.origin, source="; ".join(one.made_of) or "the gas, as stated")
        for one in gas.numbers
    )
    yield Part("", (gas.conditions,), items, after=at_body)
    for name, told in (("Held against limits", gas.held), ("By published definitions", gas.grades),
                       ("Not computed", gas.untold), ("To know", gas.notes)):  # fmt: skip
        if told:
            yield Part("", (f"{name}:",), after=told)


# --- weaning ----------------------------------------------------------------------------------------------------------


def weaning_parts(view: WeaningView, title: str, after: Iterable[str] = ()) -> Page:
    """Weaning; ``after`` are further sentences, of the cuff leak."""
    return page(title or "Weaning", view.lead, _weaning(view, tuple(after)))


def _weaning(view: WeaningView, cuff: tuple[str, ...]) -> Iterator[Part]:
    yield Part("Ready for a breathing trial?", _some(view.readiness_lead), tuple(map(_criterion, view.readiness)))
    yield Part("The breathing trial", view.trial)
    head = ("min", "breaths", *(f"{one.symbol} {one.unit}".rstrip() for one in view.columns))
    rows = tuple((f"{row.minute}", f"{row.breaths}", *row.cells) for row in view.minutes)
    if rows:
        note = "Medians of a minute's breaths, with 5th to 95th percentile."
        yield Part("", head=head, rows=rows, right=frozenset({0, 1}), after=(note, *view.trends))
    lead = _some(view.failure_lead and f"{view.failure_lead} Met means that the sign was there.")
    yield Part("Signs of failure in the trial", lead, tuple(map(_criterion, view.failure)))
    yield Part("Drive and effort in the trial", after=view.effort)
    yield Part("Cuff leak", cuff)
    yield Part("How long weaning took", after=view.classes)


def _some(words: str) -> tuple[str, ...]:
    return (words,) if words else ()


def _criterion(row: CriterionRow) -> Item:
    beside = "; ".join(filter(None, (row.criterion, row.where)))
    return Item("", row.name, row.value, row.state, beside, row.why, row.criterion)


# --- handover ---------------------------------------------------------------------------------------------------------


def handover_parts(told: HandoverPage) -> Page:
    """A handover."""
    return page(told.title, (told.as_of, told.policy), _handover(told))


def _handover(told: HandoverPage) -> Iterator[Part]:
    yield Part("Situation", tuple(f"{name}: {text}" for name, text in told.situation))
    yield Part("Background", tuple(f"{name}: {text}" for name, text in told.background))
    none = () if told.matters else (told.nothing,)
    yield Part("Assessment", (*(f"{headline} {detail}".strip() for headline, detail in told.matters), *none))
    yield Part("Lungs and limits", items=tuple(_latest(told, one) for one in told.numbers))
    yield Part("Gases", after=told.gases)
    yield Part("Weaning", after=told.weaning)
    yield Part("Alarms and events", after=told.events)
    yield Part("Open questions", after=told.questions)
    rows = tuple((one.what, one.who) for one in told.proposals)
    yield Part("Proposed, and who decides", head=("proposed", "to be decided by") if rows else (), rows=rows)


def _latest(told: HandoverPage, one: Latest) -> Item:
    state = "crossed" if one.state.startswith("crossed") else ""
    beside = "; ".join(filter(None, (one.doubt, limit_words(one))))
    after = "" if one.limit is None else f"limit: {one.limit.source}"
    source = "; ".join(filter(None, ("" if one.spread is None else origin(told, one), after)))
    return Item(one.quantity.key, one.quantity.label, one.value, state, beside, one.why, source)


def origin(told: HandoverPage, one: Latest) -> str:
    """How a number came about and how old it is; why it is blank."""
    if one.spread is None:
        return one.why
    age = 0.0 if one.at_s is None else told.until_s - one.at_s
    when = "" if one.at_s is None or age < 1 else f" {clock(one.at_s)}, {duration(age)} ago"
    return ", ".join(filter(None, (f"{one.origin}{when}", one.note)))


def limit_words(one: Latest) -> str:
    """The limit and how the number stands to it; empty where none holds."""
    if one.limit is None:
        return ""
    return one.bound if one.state == "not judged" else f"{one.state}: {one.bound}"


# --- cards ------------------------------------------------------------------------------------------------------------

CLUES = ("what is seen", "what usually lies behind it", "where people look")


def card_parts(card: Card) -> Page:
    """A card for sudden trouble: the patient first."""
    parts = (
        Part("The patient first", tuple(f"{chr(ord('a') + place)}  {line}" for place, line in enumerate(card.first))),
        Part("Does not wait", (card.sudden,)),
        Part("Once the patient is safe: what holds and curves tell", head=CLUES, rows=card.clues),
        Part("", (card.never,), after=(sentence(card.source),)),
    )
    return page(card.title, (card.sees,), parts)


def pre_use_parts(record: PreUse) -> Page:
    """The record of the check before use."""
    rows = tuple((check.what, check.how, check.note) for check in record.checks)
    parts = (Part("To check", head=("what", "how", "to note"), rows=rows, after=(sentence(record.source),)),)
    return page(record.title, (record.lead,), parts)
