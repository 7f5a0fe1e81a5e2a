"""The handover page as PDF and as plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from tidebench.report.pdf import pdf_bytes
from tidebench.report.typesetting import typeset
from tidebench.views.parts import limit_words, origin

if TYPE_CHECKING:
    from tidebench.views.handover import HandoverPage
    from tidebench.views.latest import Latest

WIDTH = 80
TITLE = "Handover"
BLANK_LINES = 2
"""Empty lines for proposals by hand, where fewer are typed."""
LABEL, VALUE, DOUBT = 38, 12, 22


def handover_pdf(page: HandoverPage) -> bytes:
    """The page as PDF: the same page, the same bytes."""
    return pdf_bytes(content(page), "page.typ", "handover.typ")


def content(page: HandoverPage) -> dict[str, Any]:
    """What the template prints, as plain data."""
    proposals = [[one.what, one.who] for one in page.proposals]
    told = {
        "title": page.title,
        "description": "Handover of a ventilated patient",
        "as_of": page.as_of,
        "situation": [list(row) for row in page.situation],
        "background": [list(row) for row in page.background],
        "matters": [list(row) for row in page.matters],
        "nothing": page.nothing,
        "numbers": [_number(page, one) for one in page.numbers],
        "gases": list(page.gases),
        "weaning": list(page.weaning),
        "events": list(page.events),
        "questions": list(page.questions),
        "proposals": proposals + [["", ""]] * max(0, BLANK_LINES - len(proposals)),
        "policy": page.policy,
        "caution": page.caution,
        "program": f"Tidebench {page.version}",
    }
    printed: dict[str, Any] = typeset(told)
    return printed


def _number(page: HandoverPage, one: Latest) -> dict[str, Any]:
    return {
        "label": one.quantity.label,
        "value": one.value,
        "doubt": one.doubt,
        "from": origin(page, one),
        "limit": limit_words(one),
        "crossed": one.state.startswith("crossed"),
    }


def handover_text(page: HandoverPage) -> str:
    """The page in words, no line longer than 80 characters."""
    return "\n".join(_text(page)) + "\n"


def _text(page: HandoverPage) -> Iterator[str]:
    yield from _wrapped(f"{TITLE}: {page.title}")
    yield from _wrapped(page.as_of)
    yield from _section("Situation")
    yield from _named(page.situation)
    yield from _section("Background")
    yield from _named(page.background)
    yield from _section("Assessment")
    for place, (headline, detail) in enumerate(page.matters, start=1):
        yield from _wrapped(f"{headline} {detail}".strip(), f"{place}  ", "   ")
    if not page.matters:
        yield from _wrapped(page.nothing)
    yield from _section("Lungs and limits", "-")
    for one in page.numbers:
        yield from _line(page, one)
    yield from _wrapped(page.policy)
    for name, rows in (("Gases", page.gases), ("Weaning", page.weaning), ("Alarms and events", page.events)):
        yield from _section(name, "-")
        yield from _listed(rows)
    yield from _section("Open questions")
    yield from _listed(page.questions or ("None was found or typed.",))
    yield from _section("Proposed, and who decides")
    yield from _proposals(page)
    yield ""
    yield from _wrapped(page.caution)
    yield f"Tidebench {page.version}"


def _wrapped(words: str, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent=first, subsequent_indent=then) if words else []


def _section(words: str, mark: str = "=") -> Iterator[str]:
    yield from ("", words, mark * len(words))


def _named(rows: tuple[tuple[str, str], ...]) -> Iterator[str]:
    for name, text in rows:
        yield from _wrapped(f"{name}: {text}", "", "    ")


def _listed(rows: tuple[str, ...]) -> Iterator[str]:
    for row in rows:
        yield from _wrapped(row, "- ", "  ")


def _line(page: HandoverPage, one: Latest) -> Iterator[str]:
    mark = "! " if one.state.startswith("crossed") else "  "
    told = f"{mark}{one.quantity.label:<{LABEL}} {one.value:>{VALUE}}  {one.doubt:<{DOUBT}}".rstrip()
    if one.spread is None:
        told = f"{told}  ({one.why})"
    yield from _wrapped(told, "", " " * 6) if len(told) > WIDTH else [told]
    plain = one.origin == "measured" and not one.note and page.until_s - (one.at_s or page.until_s) < 60
    further = [words for words in ("" if plain else origin(page, one), limit_words(one)) if words]
    if further and one.spread is not None:
        yield from _wrapped("; ".join(further), " " * 6, " " * 6)


def _proposals(page: HandoverPage) -> Iterator[str]:
    for one in page.proposals:
        yield from _wrapped(f"{one.what}. To be decided by: {one.who or '_' * 30}", "- ", "  ")
    for _ in range(max(0, BLANK_LINES - len(page.proposals))):
        yield f"- {'_' * 34} To be decided by: {'_' * 22}"
