"""A page of parts as PDF, by the template of sections: numbers become rows."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tidebench._version import __version__
from tidebench.caution import CAUTION
from tidebench.report.pdf import pdf_bytes
from tidebench.report.typesetting import typeset
from tidebench.views.parts import Item, Page, Part

SHARES = (5, 4, 2, 8)
"""Width of label, value, how it stands, and what stands beside."""


def parts_pdf(page: Page, description: str) -> bytes:
    """The page as PDF: the same page, the same bytes."""
    return pdf_bytes(content(page, description), "page.typ", "logs.typ")


def content(page: Page, description: str) -> dict[str, Any]:
    """What the template prints."""
    words: dict[str, Any] = {
        "title": page.title,
        "description": " ".join((f"{description}.", *page.lead)),
        "caution": CAUTION,
        "program": f"Tidebench {__version__}",
        "sections": [section for part in page.parts for section in _sections(part)],
        "captions": {},
    }
    printed: dict[str, Any] = typeset(words)
    return {**printed, "figures": {}}


def _sections(part: Part) -> Iterator[dict[str, Any]]:
    """Sentences and numbers first, then the table, as the template has one table in each section."""
    first = _section(part.heading, part.lines)
    if part.items:
        shares = SHARES if any(one.state for one in part.items) else SHARES[:2] + SHARES[3:]
        head = ("", "", "stands", "") if len(shares) == len(SHARES) else ("", "", "")
        yield {**first, "head": head, "rows": [_row(one, len(shares)) for one in part.items], "shares": shares}
        first = _section("", ())
    yield {**first, "head": part.head, "rows": part.rows, "right": sorted(part.right), "after": part.after}


def _section(heading: str, lines: tuple[str, ...]) -> dict[str, Any]:
    return {"heading": heading, "lines": lines, "head": (), "rows": (), "right": [], "after": (), "figure": ""}


def _row(one: Item, wide: int) -> tuple[str, ...]:
    beside = "; ".join(filter(None, (one.beside, one.why)))
    return one.label, one.value, *((one.state,) if wide == len(SHARES) else ()), beside
