"""Pages of a lesson as PDF: plan, handout, quiz, key, lists to sign, record."""

from __future__ import annotations

from typing import Any

from tidebench._version import __version__
from tidebench.report.pdf import pdf_bytes
from tidebench.report.typesetting import typeset

PROGRAM = f"Tidebench {__version__}"
NAMES = {
    "plan": "session plan", "handout": "handout", "quiz": "quiz", "key": "key to the quiz", "attendance": "attendance",
    "skills": "observed skills", "roster": "roster by site", "record": "record",
}  # fmt: skip


def kit_pdf(page: dict[str, Any]) -> bytes:
    """One page (or quiz) of a kit, by its ``page``, as PDF."""
    name = NAMES[page["page"]]
    told = typeset({**page, "name": name, "program": PROGRAM})
    described = {"title": page["title"], "description": f"{page['title']}: {name}", "page": page["page"]}
    figures = {key: page[key] for key in ("figure",) if key in page}
    if "questions" in page:
        figures["questions"] = [
            {**told_one, "figure": one["figure"]}
            for told_one, one in zip(told["questions"], page["questions"], strict=True)
        ]
    return pdf_bytes({**told, **described, **figures}, "page.typ", "lesson.typ")
